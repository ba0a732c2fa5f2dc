"""Everything that `nursery.step` can ask of the outside: what to sound, and what has happened.

An effect is a value; the outputs (chime, MQTT, history, control socket, journal, replay) each take the ones that
concern them. Temperatures are Celsius, times are monotonic seconds.
"""

from dataclasses import dataclass
from enum import StrEnum, unique
from functools import cache
from typing import Any, TypeAlias

from sensord.physics.outlook import NOTHING_KNOWN, Outlook
from sensord.readings import Band, FaultKind, Interval, Observation
from sensord.watch.command_table import EnterChick, LogFeed, WeighIn
from sensord.watch.conditions import Condition
from sensord.watch.cues import Cue, Priority
from sensord.watch.events import Origin


@unique
class AlarmState(StrEnum):
    """The states of IEC 62682 / OPC 10000-9 that `alarms` has a table for; nothing here suppresses an alarm."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned-unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched-unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched-acknowledged"
    SHELVED = "shelved"
    OUT_OF_SERVICE = "out-of-service"


@unique
class DishState(StrEnum):
    """What may be said of a dish. Only `READY` means: feed."""

    AWAY = "away"
    UPTAKE = "uptake"
    HOT = "hot"
    READY = "ready"
    COOL = "cool"
    UNEVEN = "uneven"
    OLD = "old"
    UNKNOWN = "unknown"


@unique
class Note(StrEnum):
    """Things found from the readings, worth a line."""

    DIP = "dip"
    LIFT = "lift"
    HOT_WATER = "hot_water"
    COOL_WATER = "cool_water"
    DISTURBED = "disturbed"
    UNEVEN = "uneven"
    EVEN = "even"
    WALL = "wall"
    PROBE_FAULT = "probe_fault"
    PROBE_OK = "probe_ok"
    POWER_GAP = "power_gap"


@dataclass(frozen=True, slots=True)
class Measured:
    """The screened and calibrated observation of a probe, with its expanded uncertainty (k = 2) in Celsius."""

    observation: Observation
    uncertainty_celsius: float

    @property
    def seconds(self) -> float:
        return self.observation.seconds


@dataclass(frozen=True, slots=True, kw_only=True)
class DishChanged:
    """A dish entered `state`; the estimate is of the paste's mean, None where there is none."""

    seconds: float
    dish: str
    probe: str
    state: DishState
    previous: DishState
    estimate_celsius: Interval | None = None
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DishEstimated:
    """Where the paste is, None where that is not known, and where it goes."""

    seconds: float
    dish: str
    probe: str
    estimate_celsius: Interval | None = None
    outlook: Outlook = NOTHING_KNOWN


@dataclass(frozen=True, slots=True, kw_only=True)
class Noted:
    """Something found from the readings of a probe; `fault` with PROBE_FAULT, `gap_seconds` with POWER_GAP."""

    seconds: float
    probe: str
    what: Note
    fault: FaultKind | None = None
    gap_seconds: float | None = None
    detail: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmChanged:
    """One transition of one alarm. `seen` and `do_first` are two lines for a tired person.

    `also` are the other conditions of the place that make the same move at the same instant while none of them
    stands: a shelf of a whole place is one happening.
    """

    seconds: float
    place: str
    condition: Condition
    priority: Priority
    state: AlarmState
    previous: AlarmState
    celsius: float | None = None
    origin: Origin = Origin.DAEMON
    seen: str = ""
    do_first: str = ""
    also: tuple[Condition, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """A trend says that the band of a brooder will be left in `in_seconds`."""

    seconds: float
    place: str
    condition: Condition
    in_seconds: Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class BandMoved:
    """A brooder is now held to another band, and why."""

    seconds: float
    place: str
    band: Band
    band_source: str
    pinned: bool


@dataclass(frozen=True, slots=True)
class BatchStarted:
    """A bowl of formula began: by command, or found from a dip."""

    seconds: float
    dish: str
    origin: Origin


@dataclass(frozen=True, slots=True)
class GapFound:
    """The daemon was off; what the air of the brooders did meanwhile, as far as two readings can tell."""

    seconds: float
    gap_seconds: float | None
    before_celsius: dict[str, float]
    after_celsius: dict[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Alerting:
    """What the horn must do from now on: the pattern of `priority` until the next Alerting, or silence.

    `lamp` is the worst priority that stands at all, `flashing` while it is not acknowledged; `paused_until_seconds`
    is set while the keeper has paused the audio.
    """

    seconds: float
    priority: Priority | None
    lamp: Priority | None = None
    flashing: bool = False
    paused_until_seconds: float | None = None

    def same_as(self, other: "Alerting") -> bool:
        """Whether horn and lamp go on just as under `other`, whenever that was said."""
        return (self.priority, self.lamp, self.flashing, self.paused_until_seconds) == (
            other.priority,
            other.lamp,
            other.flashing,
            other.paused_until_seconds,
        )


@dataclass(frozen=True, slots=True)
class Cued:
    """Play one sound once."""

    seconds: float
    cue: Cue
    dish: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """The answer to one command: done, or refused with the reason and nothing changed."""

    seconds: float
    request: str
    origin: Origin
    verb: str
    done: bool
    reason: str = ""


@dataclass(frozen=True, slots=True)
class EntryMade:
    """The keeper wrote something down. The log stores it and only then tells the one answer it is due."""

    seconds: float
    entry: LogFeed | WeighIn | EnterChick


Effect: TypeAlias = (
    Measured
    | DishChanged
    | DishEstimated
    | Noted
    | AlarmChanged
    | Forecast
    | BandMoved
    | BatchStarted
    | GapFound
    | Alerting
    | Cued
    | Answered
    | EntryMade
)


def columns_of(effect: object, columns: str) -> dict[str, Any]:
    """Parts of an effect (or a view) by column, for whoever writes it down as a row or a line.

    `place` is the field of that name, `low=band.low_celsius` leads to one further in; what lies behind a None is None,
    and words of enumerations are plain text.
    """
    parts = ((column, along(effect, way)) for column, way in _parsed(columns))
    return {column: str(part) if isinstance(part, StrEnum) else part for column, part in parts}


def along(value: Any, way: tuple[str, ...]) -> Any:
    """Where a way of attributes ends; None behind what is None."""
    for name in way:
        value = None if value is None else getattr(value, name)
    return value


@cache
def _parsed(columns: str) -> tuple[tuple[str, tuple[str, ...]], ...]:
    pairs = (column.split("=") for column in columns.split())
    return tuple((names[0], tuple(names[-1].split("."))) for names in pairs)
