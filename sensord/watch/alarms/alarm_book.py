"""The alarms of all places as one value: the one way to move them, how long they stay silent, what a restart keeps."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final, NamedTuple

from sensord.watch.alarms.alarm_table import HORN, TABLE, Happening, Said
from sensord.watch.conditions import Condition
from sensord.watch.effects import AlarmChanged, AlarmState
from sensord.watch.events import Origin

HEARD_SECONDS: Final = 10.0
"""A danger sounds at least so long when it begins and each time it comes back, whatever arrives: two bursts."""

Key = tuple[str, Condition]
"""A place and what can be wrong with it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmSettings:
    """Limits. No command, from wherever, can silence for longer than these allow.

    `possible` are the alarms that this unit can have. `shelve_seconds` is the longest shelf, `pause_seconds` the
    longest pause, `rearm_seconds` how long an acknowledged alarm may stand before it is unacknowledged again,
    `reminder_seconds` how often a short sound recalls acknowledged ones. `silence_seconds` is how long after its first
    silence a standing condition can be kept silent from a way in, however often that is renewed, until somebody nearer
    to the chicks has answered; a button has no such limit.
    """

    possible: frozenset[Key]
    latching: frozenset[Condition]
    shelve_seconds: float
    pause_seconds: float
    rearm_seconds: float
    reminder_seconds: float
    silence_seconds: Mapping[Origin, float]


NEARNESS: Final = (Origin.DAEMON, Origin.MQTT, Origin.CONTROL, Origin.BUTTON)
"""Whose answer ends the count of whose silences: the nearer to the chicks, the later in the row."""


class Cause(NamedTuple):
    """When something befell an alarm, and where from."""

    seconds: float
    origin: Origin


class Shelf(NamedTuple):
    """A limited time out of sight."""

    from_seconds: float
    until_seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """One alarm: its state, whether its condition `stands` (hidden or not), and its times.

    `since_seconds` is the last change of state, `began_seconds` when the condition last came. `silenced_by` is whose
    word keeps it quiet in its present state, `silences` when the condition that stands was first kept quiet from each
    way in. Until `heard_until_seconds` a danger sounds in whatever state.
    """

    state: AlarmState = AlarmState.NORMAL
    stands: bool = False
    since_seconds: float = 0.0
    began_seconds: float | None = None
    celsius: float | None = None
    guess: str = ""
    shelf: Shelf | None = None
    silenced_by: Origin = Origin.DAEMON
    silences: Mapping[Origin, float] = field(default_factory=dict)
    heard_until_seconds: float = -math.inf


class Pause(NamedTuple):
    """The horn is paused; `origin` is whose limit it counts against."""

    until_seconds: float
    origin: Origin


@dataclass(frozen=True, slots=True)
class AlarmBook:
    """All alarms that ever left their normal state (one that is not here is normal), and the pause of the horn."""

    alarms: Mapping[Key, Alarm] = field(default_factory=dict)
    pause: Pause | None = None
    reminded_seconds: float = 0.0

    def get(self, place: str, condition: Condition) -> Alarm:
        return self.alarms.get((place, condition), _NORMAL)

    def having(self, key: Key, alarm: Alarm) -> "AlarmBook":
        return replace(self, alarms={**self.alarms, key: alarm})


_NORMAL = Alarm()

Moved = tuple[AlarmBook, tuple[AlarmChanged, ...]]
"""A book and the transitions that led to it."""


def happen(book: AlarmBook, cause: Cause, key: Key, happening: Happening, alarm: Alarm | None = None) -> Moved:
    """Apply the table's cell; `alarm` carries what the happening itself brought (condition, shelf, who silenced it)."""
    before = book.get(*key)
    alarm = alarm or before
    said = TABLE[before.state, happening]
    if said is Said.BY_CONDITION:
        said = AlarmState.UNACKNOWLEDGED if alarm.stands else AlarmState.NORMAL
    if said is before.state or not isinstance(said, AlarmState):
        return book.having(key, alarm), ()
    place, condition = key
    alarm = replace(alarm, state=said, since_seconds=cause.seconds)
    if said is not AlarmState.SHELVED:
        alarm = replace(alarm, shelf=None)
    if said is AlarmState.UNACKNOWLEDGED and condition.is_danger:
        alarm = replace(alarm, heard_until_seconds=cause.seconds + HEARD_SECONDS)
    book = book.having(key, alarm)
    if said in HORN:
        book = replace(book, pause=None)
    change = AlarmChanged(
        seconds=cause.seconds,
        place=place,
        condition=condition,
        priority=condition.priority,
        state=said,
        previous=before.state,
        celsius=alarm.celsius,
        origin=cause.origin,
        seen=condition.seen(alarm.celsius, alarm.guess),
        do_first=condition.row.do_first,
    )
    return book, (change,)


def may_be_silenced(rules: AlarmSettings, alarm: Alarm, cause: Cause) -> bool:
    """Whether what this way in can silence of the condition that stands is not spent yet."""
    if not alarm.stands:
        return True
    first = alarm.silences.get(cause.origin, cause.seconds)
    return cause.seconds - first < rules.silence_seconds.get(cause.origin, math.inf)


def silenced(alarm: Alarm, cause: Cause) -> Alarm:
    """Quiet by the word of `cause`: counted from its first such word, and an answer ends the count of farther ones."""
    nearer = NEARNESS[NEARNESS.index(cause.origin) :]
    silences = {way: since for way, since in alarm.silences.items() if way in nearer}
    if alarm.stands:
        silences.setdefault(cause.origin, cause.seconds)
    return replace(alarm, silenced_by=cause.origin, silences=silences)


def quiet_until(rules: AlarmSettings, key: Key, alarm: Alarm) -> float:
    """When the present silence of an alarm ends by itself; never for one that is not silenced."""
    match alarm.state:
        case AlarmState.ACKNOWLEDGED:
            end = alarm.since_seconds + rules.rearm_seconds
        case AlarmState.SHELVED:
            end = math.inf if alarm.shelf is None else alarm.shelf.until_seconds
        case AlarmState.OUT_OF_SERVICE if key[1].is_danger:
            end = math.inf
        case _:
            return math.inf
    by = alarm.silenced_by
    return min(end, alarm.silences.get(by, math.inf) + rules.silence_seconds.get(by, math.inf))


def dump(book: AlarmBook, seconds: float) -> list[dict[str, object]]:
    """What a restart must not forget, as plain values: shelves with the time they have left, latches, service.

    Acknowledgements are left out on purpose: what still stands after a restart sounds again.
    """
    return [
        {
            "place": place,
            "condition": condition.value,
            "state": alarm.state.value,
            "silenced_by": alarm.silenced_by.value,
            "shelved_for_seconds": None if alarm.shelf is None else alarm.shelf.until_seconds - seconds,
            "shelved_since_seconds": None if alarm.shelf is None else seconds - alarm.shelf.from_seconds,
        }
        for (place, condition), alarm in book.alarms.items()
        if alarm.state is not AlarmState.NORMAL
    ]


_AFTER_RESTART: Final = {
    AlarmState.UNACKNOWLEDGED: AlarmState.RETURNED_UNACKNOWLEDGED,
    AlarmState.ACKNOWLEDGED: AlarmState.NORMAL,
}
"""Conditions start as gone: the first readings raise them again."""
_UNLATCHED: Final = {
    AlarmState.LATCHED_UNACKNOWLEDGED: AlarmState.RETURNED_UNACKNOWLEDGED,
    AlarmState.LATCHED_ACKNOWLEDGED: AlarmState.NORMAL,
}


def restore(rules: AlarmSettings, data: object, seconds: float, gap_seconds: float | None) -> AlarmBook:
    """The book after a restart from what `dump` gave `gap_seconds` ago; what cannot be read or be is dropped.

    A shelf goes on for the time it has left; where nobody knows for sure how long the daemon was off (None), or what is
    known cannot be, it is dropped, for a lost shelf may only mean more noise.
    """
    alarms: dict[Key, Alarm] = {}
    for row in data if isinstance(data, list) else []:
        try:
            key = (str(row["place"]), Condition(row["condition"]))
            state, silenced_by = AlarmState(row["state"]), Origin(row["silenced_by"])
            state = _AFTER_RESTART.get(state, state)
            if key[1] not in rules.latching:
                state = _UNLATCHED.get(state, state)
            alarm = Alarm(state=state, since_seconds=seconds, silenced_by=silenced_by)
            if state is AlarmState.SHELVED:
                alarm = _shelved(rules, alarm, row, seconds, gap_seconds)
        except (KeyError, TypeError, ValueError, OverflowError):
            continue
        if key in rules.possible and alarm.state is not AlarmState.NORMAL:
            alarms[key] = alarm
    return AlarmBook(alarms)


def _shelved(
    rules: AlarmSettings, alarm: Alarm, row: Mapping[str, object], seconds: float, gap_seconds: float | None
) -> Alarm:
    """The alarm with what is left of its shelf; normal where nothing is."""
    left, since = row["shelved_for_seconds"], row["shelved_since_seconds"]
    if not (isinstance(left, int | float) and isinstance(since, int | float)) or gap_seconds is None:
        return replace(alarm, state=AlarmState.NORMAL)
    on_shelf = since + gap_seconds
    remaining = min(left - gap_seconds, rules.shelve_seconds - on_shelf)
    if not (gap_seconds >= 0 <= since and remaining > 0):
        return replace(alarm, state=AlarmState.NORMAL)
    return replace(alarm, shelf=Shelf(seconds - on_shelf, seconds + remaining))
