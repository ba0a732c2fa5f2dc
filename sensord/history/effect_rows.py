"""What of each effect is kept as a row, and in which table of the history."""

import json
from typing import Any, NamedTuple

from sensord.watch.effects import (
    AlarmChanged,
    Answered,
    BandMoved,
    BatchStarted,
    DishChanged,
    Effect,
    GapFound,
    Noted,
)

__all__ = ["Row", "row_of"]


class Row(NamedTuple):
    """Values by column; `at_ms` and `sure` are added by the writer, who knows the clock."""

    table: str
    values: dict[str, Any]


def row_of(effect: Effect) -> Row | None:
    """The row for an effect; None where nothing of it is kept as a row (readings have their own way)."""
    match effect:
        case AlarmChanged():
            return Row(
                "alarm",
                {
                    "place": effect.place,
                    "condition": effect.condition.value,
                    "priority": effect.priority.word,
                    "state": effect.state.value,
                    "previous": effect.previous.value,
                    "celsius": effect.celsius,
                    "origin": effect.origin.value,
                    "seen": effect.seen,
                    "do_first": effect.do_first,
                },
            )
        case BatchStarted():
            return Row("batch", {"dish": effect.dish, "origin": effect.origin.value})
        case GapFound():
            before, after = json.dumps(effect.before_celsius), json.dumps(effect.after_celsius)
            return Row("power_gap", {"gap_seconds": effect.gap_seconds, "before": before, "after": after})
        case DishChanged():
            paste = effect.estimate_celsius
            return Row(
                "dish_state",
                {
                    "dish": effect.dish,
                    "probe": effect.probe,
                    "state": effect.state.value,
                    "previous": effect.previous.value,
                    "celsius": paste and paste.middle,
                    "low_celsius": paste and paste.low,
                    "high_celsius": paste and paste.high,
                    "why": effect.why,
                },
            )
        case BandMoved():
            low, high = effect.band.low_celsius, effect.band.high_celsius
            shown = {
                "low_celsius": low,
                "high_celsius": high,
                "source": effect.band_source,
                "pinned": int(effect.pinned),
            }
            return Row("band", {"place": effect.place, **shown})
        case Noted():
            fault = None if effect.fault is None else effect.fault.value
            found = {"what": effect.what.value, "fault": fault, "gap_seconds": effect.gap_seconds}
            return Row("note", {"probe": effect.probe, **found, "detail": effect.detail})
        case Answered():
            answer = {"origin": effect.origin.value, "done": int(effect.done), "reason": effect.reason}
            return Row("command", {"verb": effect.verb, **answer})
        case _:
            return None
