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
    columns_of,
)

_PASTE = "celsius=estimate_celsius.middle low_celsius=estimate_celsius.low high_celsius=estimate_celsius.high"
_TABLES: dict[type, tuple[str, str]] = {
    AlarmChanged: (
        "alarm",
        "place condition priority=priority.word state previous celsius origin seen do_first",
    ),
    BatchStarted: ("batch", "dish origin"),
    GapFound: ("power_gap", "gap_seconds before=before_celsius after=after_celsius"),
    DishChanged: ("dish_state", f"dish probe state previous {_PASTE} why"),
    BandMoved: (
        "band",
        "place low_celsius=band.low_celsius high_celsius=band.high_celsius source=band_source pinned",
    ),
    Noted: ("note", "probe what fault gap_seconds detail"),
    Answered: ("command", "verb origin done reason"),
}


class StoredRow(NamedTuple):
    """Values by column; `at_ms` and `sure` are added by the writer, who knows the clock."""

    table: str
    values: dict[str, Any]


def row_of(effect: Effect) -> StoredRow | None:
    """The row for an effect; None where nothing of it is kept as a row (readings have their own way)."""
    if type(effect) not in _TABLES:
        return None
    table, columns = _TABLES[type(effect)]
    return StoredRow(table, {column: _stored(value) for column, value in columns_of(effect, columns).items()})


def _stored(value: Any) -> Any:
    """As SQLite holds it."""
    if isinstance(value, bool):
        return int(value)
    return json.dumps(value) if isinstance(value, dict) else value
