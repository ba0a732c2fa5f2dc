"""What becomes of a raw reading: a number that no probe can honestly have measured is a Fault, the rest is calibrated.

Screening comes first. Nothing is repaired or repeated: an old value never stands for a new one.
"""

from dataclasses import dataclass, replace

from sensord.errors import DataError
from sensord.readings import Fault, FaultKind, Observation, Reading

POWER_ON_CELSIUS = 85.0
"""The DS18B20's register after power-on, 0550h (data sheet, table 'temperature/data relationship')."""


@dataclass(frozen=True, slots=True)
class ScreenSettings:
    """What is plausible at a place.

    `low_celsius`..`high_celsius` is the span; `step_celsius_per_second` the fastest believable change (None: any, as
    in a dish where a dip is a jump); `frozen_seconds` how long a reading may stay the same to the last bit
    (None: for ever).
    """

    low_celsius: float = -10.0
    high_celsius: float = 105.0
    step_celsius_per_second: float | None = None
    frozen_seconds: float | None = None


@dataclass(frozen=True, slots=True)
class Screen:
    """What screening remembers of one probe."""

    last: Reading | None = None
    unchanged_since_seconds: float | None = None
    suspect: Reading | None = None


def screen(settings: ScreenSettings, state: Screen, observation: Observation) -> tuple[Screen, Observation]:
    """Pass a reading on, or make a Fault of it; faults pass as they are."""
    if isinstance(observation, Fault):
        return state, observation
    kind = _artefact(settings, state, observation)
    if kind is FaultKind.IMPLAUSIBLE_STEP:
        # Two readings that agree with each other after a step are believed: the probe was moved, not broken.
        suspect = state.suspect
        if suspect is not None and abs(suspect.celsius - observation.celsius) <= _allowed(
            settings, suspect, observation
        ):
            kind = None
        else:
            return replace(state, suspect=observation), _fault(observation, kind)
    if kind is not None:
        return state, _fault(observation, kind)
    last = state.last
    if last is None or last.celsius != observation.celsius or state.unchanged_since_seconds is None:
        return Screen(observation, observation.seconds), observation
    unchanged = observation.seconds - state.unchanged_since_seconds
    state = Screen(observation, state.unchanged_since_seconds)
    if settings.frozen_seconds is not None and unchanged >= settings.frozen_seconds:
        return state, _fault(observation, FaultKind.FROZEN)
    return state, observation


def _artefact(settings: ScreenSettings, state: Screen, reading: Reading) -> FaultKind | None:
    last = state.last
    if reading.celsius == POWER_ON_CELSIUS and (last is None or abs(last.celsius - POWER_ON_CELSIUS) > 2.0):
        return FaultKind.POWER_ON_VALUE
    if reading.celsius == 0.0 and (last is None or abs(last.celsius) > 2.0):
        return FaultKind.ZERO_SCRATCHPAD
    if not settings.low_celsius <= reading.celsius <= settings.high_celsius:
        return FaultKind.OUT_OF_SPAN
    if last is not None and abs(reading.celsius - last.celsius) > _allowed(settings, last, reading):
        return FaultKind.IMPLAUSIBLE_STEP
    return None


def _allowed(settings: ScreenSettings, before: Reading, after: Reading) -> float:
    if settings.step_celsius_per_second is None:
        return float("inf")
    return max(1.0, settings.step_celsius_per_second * max(after.seconds - before.seconds, 1.0))


def _fault(reading: Reading, kind: FaultKind) -> Fault:
    return Fault(reading.probe, reading.seconds, kind, f"read {reading.celsius} °C")


DISH_SCREEN = ScreenSettings(low_celsius=-10.0, high_celsius=105.0, step_celsius_per_second=None, frozen_seconds=50.0)
"""A dip is an honest jump, so no step limit. Paste that cools moves a 1/16 °C step within seconds, and noise of a few
hundredths flips the last bit: 50 s to the last bit the same is a probe that answers but no longer measures. In a
steady room the same may be honest; the fault goes with the first change, and nothing is ready in a room."""

BROODER_SCREEN = ScreenSettings(low_celsius=0.5, high_celsius=60.0, step_celsius_per_second=1.0, frozen_seconds=900.0)
"""Air around chicks: 0 °C and below or over 60 °C is no brooder. A lid lifted in a cold room moves a small probe by a
few tenths a second; 1 °C/s is no air. A good thermostat may hold one 1/16 °C step for long, so no frozen rule."""

ROOM_SCREEN = ScreenSettings(low_celsius=-10.0, high_celsius=50.0, step_celsius_per_second=1.0, frozen_seconds=None)
"""A living room, from an unheated one in winter to a hot summer; as slow as air, and often steady for hours."""


@dataclass(frozen=True, slots=True)
class Calibration:
    """`corrected = gain * raw + offset_celsius`, with the expanded uncertainty (k = 2) of the corrected reading.

    An offset, or the line through an ice point and a comparison near 37 °C (`physics.calibrating`).
    Raises `DataError` for a gain that no working probe has (outside 0.9 to 1.1).
    """

    offset_celsius: float = 0.0
    gain: float = 1.0
    uncertainty_celsius: float = 0.5

    def __post_init__(self) -> None:
        if not 0.9 <= self.gain <= 1.1:
            raise DataError(f"a gain of {self.gain} is no calibration of a working probe: repeat both points")

    def correct(self, celsius: float) -> float:
        """The calibrated temperature in Celsius for a raw one."""
        return self.gain * celsius + self.offset_celsius
