"""The words that every other room uses: readings, faults, places, bands.

Times are seconds on a monotonic clock (`sensord.clock`), temperatures degrees Celsius (UCUM code `Cel`).
"""

from dataclasses import dataclass
from enum import StrEnum, unique
from typing import TypeAlias

from sensord.errors import DataError

PROBE_FAMILIES = ("10", "22", "28", "3b", "42")
"""Family codes of the probes that can be read, the first part of a ROM id; `probes.scratchpad` decodes them."""


@unique
class Place(StrEnum):
    """Where a probe lives."""

    BROODER = "brooder"
    DISH = "dish"
    ROOM = "room"


@unique
class FaultKind(StrEnum):
    """Why there is no reading."""

    NO_RESPONSE = "no_response"
    CRC_ERROR = "crc_error"
    POWER_ON_VALUE = "power_on_value"
    ZERO_SCRATCHPAD = "zero_scratchpad"
    OUT_OF_SPAN = "out_of_span"
    IMPLAUSIBLE_STEP = "implausible_step"
    FROZEN = "frozen"
    LATE = "late"
    BUS_ERROR = "bus_error"


@dataclass(frozen=True, slots=True)
class Reading:
    """One temperature of one probe: `celsius` at `seconds` on the monotonic clock."""

    probe: str
    seconds: float
    celsius: float


@dataclass(frozen=True, slots=True)
class Fault:
    """No temperature, and why. `detail` is for the log (raw text, errno), never needed to decide."""

    probe: str
    seconds: float
    kind: FaultKind
    detail: str = ""


Observation: TypeAlias = Reading | Fault


@dataclass(frozen=True, slots=True)
class Interval:
    """A best guess with the ends of its 90 % interval, in the unit that the name of the field says."""

    middle: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Band:
    """An allowed range in Celsius, both ends included.

    Raises `DataError` where `low_celsius` is not below `high_celsius`.
    """

    low_celsius: float
    high_celsius: float

    def __post_init__(self) -> None:
        if not self.low_celsius < self.high_celsius:
            raise DataError(
                f"a band needs low below high, got {self.low_celsius} to {self.high_celsius} °C: exchange the two"
            )

    def __contains__(self, celsius: float) -> bool:
        return self.low_celsius <= celsius <= self.high_celsius

    @property
    def middle_celsius(self) -> float:
        return (self.low_celsius + self.high_celsius) / 2

    def __str__(self) -> str:
        return f"{self.low_celsius:.1f}–{self.high_celsius:.1f} °C"
