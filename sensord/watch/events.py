"""Everything that can enter the inbox: observations, ticks of the clock, and what a person or a program asks for.

Events carry their own time (`seconds`, monotonic); no rule reads a clock. A command carries where it came from and a
request id; the nursery answers each one with exactly one `effects.Answered`.
"""

from dataclasses import dataclass, field
from enum import StrEnum, unique
from typing import TypeAlias

from sensord.care.chicks import Crop
from sensord.readings import Observation
from sensord.watch.conditions import Condition

__all__ = [
    "Acknowledge",
    "Command",
    "EnterChick",
    "Event",
    "FeedsOverdue",
    "Gap",
    "LogFeed",
    "Observed",
    "Origin",
    "OutOfService",
    "PauseAudio",
    "Reset",
    "ReturnToService",
    "SetStage",
    "Shelve",
    "StartBatch",
    "TestSounds",
    "Tick",
    "Troubled",
    "Unshelve",
    "WeighIn",
]


@unique
class Origin(StrEnum):
    """Where a command came from; decides what it may do (`nursery`)."""

    CONTROL = "control"
    MQTT = "mqtt"
    BUTTON = "button"
    DAEMON = "daemon"


@dataclass(frozen=True, slots=True)
class Observed:
    """A probe was read, or failed to be."""

    observation: Observation

    @property
    def seconds(self) -> float:
        return self.observation.seconds


@dataclass(frozen=True, slots=True)
class Tick:
    """Time has passed. `utc_seconds` is None while the wall clock is not trusted."""

    seconds: float
    utc_seconds: float | None = None


@dataclass(frozen=True, slots=True)
class Gap:
    """The daemon was off for `gap_seconds` before `seconds`; None where the clock cannot say how long."""

    seconds: float
    gap_seconds: float | None
    last_celsius: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Troubled:
    """An output (chime, history, ...) stopped working, or works again when `trouble` is empty."""

    seconds: float
    output: str
    trouble: str


@dataclass(frozen=True, slots=True)
class FeedsOverdue:
    """Which chicks have waited for a feed for longer than even a night's rest; empty once all are fed."""

    seconds: float
    chicks: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    seconds: float
    origin: Origin
    request: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Acknowledge(_Asked):
    """The keeper has noticed. None stands for every place, or every condition."""

    place: str | None = None
    condition: Condition | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Shelve(_Asked):
    """Hide the alarms of a place (or one condition of it) for a limited time, e.g. while the lid is open."""

    place: str
    for_seconds: float
    condition: Condition | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Unshelve(_Asked):
    """End a shelf early."""

    place: str
    condition: Condition | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reset(_Asked):
    """Let go of a latched alarm whose condition has gone."""

    place: str
    condition: Condition


@dataclass(frozen=True, slots=True, kw_only=True)
class OutOfService(_Asked):
    """Take an alarm out until somebody puts it back; local origin only."""

    place: str
    condition: Condition


@dataclass(frozen=True, slots=True, kw_only=True)
class ReturnToService(_Asked):
    """Put an alarm back."""

    place: str
    condition: Condition


@dataclass(frozen=True, slots=True, kw_only=True)
class PauseAudio(_Asked):
    """Silence the horn for a limited time; a new or worse alarm breaks the pause."""

    for_seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StartBatch(_Asked):
    """A bowl of formula was just mixed; uptake and age count from here."""

    dish: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SetStage(_Asked):
    """The youngest chick of a brooder has reached a stage of its profile."""

    brooder: str
    stage: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TestSounds(_Asked):
    """Play every sound once, so that the keeper knows them and knows that they work."""

    __test__ = False  # not a test case, whatever its name


@dataclass(frozen=True, slots=True, kw_only=True)
class LogFeed(_Asked):
    """The keeper has fed a chick. `at_utc_seconds` None means now; `sure` overrules the check for slips of the pen.

    `undo` takes back the chick's last feed instead, if it was written down within a day.
    """

    chick: str
    millilitres: float | None = None
    crop: Crop | None = None
    celsius: float | None = None
    at_utc_seconds: float | None = None
    note: str = ""
    sure: bool = False
    undo: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class WeighIn(_Asked):
    """The keeper has weighed a chick. `at_utc_seconds`, `sure` and `undo` as in `LogFeed`; no `grams` only with it."""

    chick: str
    grams: float | None = None
    at_utc_seconds: float | None = None
    note: str = ""
    sure: bool = False
    undo: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class EnterChick(_Asked):
    """Add a chick, or change what is written about it; None leaves a field as it was. Dates are ISO 8601 days.

    `every_hours` is the feed interval chosen for it; 0 goes back to the tables.
    """

    chick: str
    kind: str | None = None
    hatched: str | None = None
    mark: str | None = None
    brooder: str | None = None
    left: str | None = None
    every_hours: float | None = None


Command: TypeAlias = (
    Acknowledge
    | Shelve
    | Unshelve
    | Reset
    | OutOfService
    | ReturnToService
    | PauseAudio
    | StartBatch
    | SetStage
    | TestSounds
    | LogFeed
    | WeighIn
    | EnterChick
)
Event: TypeAlias = Observed | Tick | Gap | Troubled | FeedsOverdue | Command
