"""Correction of a probe: an offset, or two points of a comparison, reading by reading.

The two-point form is the linear correction through an ice point and a reference temperature near 37 °C (a fixed-point
and comparison calibration as in EURAMET/MSL guides); `physics.conformity` uses the uncertainty that goes with it.
"""

from dataclasses import dataclass

from sensord.errors import DataError

__all__ = ["Calibration"]


@dataclass(frozen=True, slots=True)
class Calibration:
    """`corrected = gain * raw + offset_celsius`, with the expanded uncertainty (k = 2) of the corrected reading.

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
