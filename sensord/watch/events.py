"""Everything that can enter the inbox: observations, ticks of the clock, and what a person or a program asks for.

Events carry their own time (`seconds`, monotonic); no rule reads a clock.
"""

from dataclasses import dataclass, field
from enum import StrEnum, unique
from typing import TypeAlias

from sensord.care.chicks import ChickView
from sensord.readings import Observation


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
class DayKnown:
    """What the log says of the day: the chicks still here, and how many alarms were raised since midnight."""

    seconds: float
    chicks: tuple[ChickView, ...] = ()
    alarms: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryAnswered:
    """The log has stored an entry of the keeper, or refused it with the reason."""

    seconds: float
    request: str
    origin: Origin
    verb: str
    done: bool
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """What every command carries (`watch.command_table` has them all); `request` finds its answer, and its repeats."""

    seconds: float
    origin: Origin
    request: str = field(default="", metadata={"max_length": 64, "pattern": r"^[A-Za-z0-9._:-]*$"})


Event: TypeAlias = Observed | Tick | Gap | Troubled | DayKnown | EntryAnswered | Command
