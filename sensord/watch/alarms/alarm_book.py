"""One alarm as five flags, the book of all of them, and the one way to move them: through `alarm_table`."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import assert_never

from sensord.watch.alarms.alarm_table import Happening, Move, cell
from sensord.watch.conditions import Condition
from sensord.watch.effects import AlarmChanged, AlarmState
from sensord.watch.events import Origin

__all__ = ["Alarm", "AlarmBook", "AlarmSettings", "Changes", "Key", "happen", "is_open", "move", "of"]

Key = tuple[str, Condition]
"""A place and what can be wrong with it."""

Changes = tuple[AlarmChanged, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmSettings:
    """Limits. No command, from wherever, can shelve or silence for longer than these allow.

    `shelve_seconds` is the longest shelf, `rearm_seconds` how long an acknowledged alarm may stand before it is
    unacknowledged again, `reminder_seconds` how often a short sound recalls acknowledged ones.
    """

    latching: frozenset[Condition] = frozenset()
    shelve_seconds: float = 600.0
    rearm_seconds: float = 1800.0
    reminder_seconds: float = 600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """One alarm as five flags (`condition_true`, `acknowledged`, `latched`, the shelf, `suppressed`/`out`) and times.

    `acknowledged` is also true where there is nothing to acknowledge. `since_seconds` is the last change of state,
    `began_seconds` when the condition last came.
    """

    condition_true: bool = False
    acknowledged: bool = True
    latched: bool = False
    shelved_from_seconds: float | None = None
    shelved_until_seconds: float | None = None
    one_shot: bool = False
    suppressed: bool = False
    out: bool = False
    since_seconds: float = 0.0
    began_seconds: float | None = None
    celsius: float | None = None

    @property
    def state(self) -> AlarmState:
        """The letter of the table; out of service hides suppressed hides shelved hides the rest."""
        if self.out:
            return AlarmState.OUT_OF_SERVICE
        if self.suppressed:
            return AlarmState.SUPPRESSED
        if self.shelved_until_seconds is not None:
            return AlarmState.SHELVED
        if self.condition_true:
            return AlarmState.ACKNOWLEDGED if self.acknowledged else AlarmState.UNACKNOWLEDGED
        if self.latched:
            return AlarmState.LATCHED_ACKNOWLEDGED if self.acknowledged else AlarmState.LATCHED_UNACKNOWLEDGED
        return AlarmState.NORMAL if self.acknowledged else AlarmState.RETURNED_UNACKNOWLEDGED


@dataclass(frozen=True, slots=True)
class AlarmBook:
    """All alarms that ever left their normal state; one that is not here is normal."""

    alarms: Mapping[Key, Alarm] = field(default_factory=dict)
    reminded_seconds: float | None = None

    def get(self, place: str, condition: Condition) -> Alarm:
        return self.alarms.get((place, condition), _NORMAL)


_NORMAL = Alarm()


def is_open(alarm: Alarm) -> bool:
    return not (alarm.out or alarm.suppressed or alarm.shelved_until_seconds is not None)


def of(book: AlarmBook, place: str | None, condition: Condition | None) -> Iterator[tuple[Key, Alarm]]:
    for key, alarm in book.alarms.items():
        if place in (None, key[0]) and condition in (None, key[1]):
            yield key, alarm


def happen(
    book: AlarmBook, settings: AlarmSettings, seconds: float, key: Key, happening: Happening, origin: Origin
) -> tuple[AlarmBook, Changes]:
    alarm = book.get(*key)
    return move(book, settings, seconds, key, alarm, alarm, happening, origin)


def move(
    book: AlarmBook,
    settings: AlarmSettings,  # noqa: ARG001
    seconds: float,
    key: Key,
    before: Alarm,
    tracked: Alarm,
    happening: Happening,
    origin: Origin,
) -> tuple[AlarmBook, Changes]:
    """Apply the table's cell for `before`; `tracked` carries what the happening itself brought (condition, shelf)."""
    if tracked.condition_true and not before.condition_true:
        tracked = replace(tracked, began_seconds=seconds)
    after = _at(tracked, cell(before.state, happening))
    if after.state is before.state:
        return replace(book, alarms={**book.alarms, key: after}), ()
    after = replace(after, since_seconds=seconds)
    book = replace(book, alarms={**book.alarms, key: after})
    condition = key[1]
    change = AlarmChanged(
        seconds=seconds,
        place=key[0],
        condition=condition,
        priority=condition.priority,
        state=after.state,
        previous=before.state,
        celsius=after.celsius,
        origin=origin,
        seen=condition.seen(after.celsius),
        do_first=condition.row.do_first,
    )
    return book, (change,)


def _at(alarm: Alarm, move: Move) -> Alarm:
    """The five flags set so that the state is the one the cell names."""
    match move:
        case Move.STAY | Move.REFUSE | Move.G:
            return alarm
        case Move.RECOMPUTE:
            return _at(alarm, Move.B if alarm.condition_true else Move.A)
        case Move.A | Move.C:
            return _opened(alarm, acknowledged=True, latched=False)
        case Move.B | Move.D:
            return _opened(alarm, acknowledged=False, latched=False)
        case Move.E:
            return _opened(alarm, acknowledged=False, latched=True)
        case Move.F:
            return _opened(alarm, acknowledged=True, latched=True)
        case Move.H:
            return replace(_opened(alarm, alarm.acknowledged, alarm.latched), suppressed=True)
        case Move.I:
            return replace(_opened(alarm, alarm.acknowledged, alarm.latched), out=True)
        case _:
            assert_never(move)


def _opened(alarm: Alarm, acknowledged: bool, latched: bool) -> Alarm:
    return replace(
        alarm,
        acknowledged=acknowledged,
        latched=latched,
        shelved_from_seconds=None,
        shelved_until_seconds=None,
        one_shot=False,
        suppressed=False,
        out=False,
    )
