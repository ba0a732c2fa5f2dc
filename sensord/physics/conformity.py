"""Whether a temperature lies in a band, said with the uncertainty it is known with.

Follows JCGM 106:2012 ('The role of measurement uncertainty in conformity assessment'): the normal model with a flat
prior, and guarded acceptance. `u` below is a standard uncertainty (k = 1), `U` an expanded one (k = 2), both Celsius.
"""

import math
from enum import StrEnum, unique
from statistics import NormalDist

from sensord.readings import Band

NINETY_PERCENT = 1.645
"""Half of a 90 % interval in standard uncertainties, for a normal distribution (JCGM 100:2008, table G.1)."""


@unique
class Verdict(StrEnum):
    """The four answers of a binary decision with a guard band on either side of each limit (ILAC-G8)."""

    IN_BAND = "in the band"
    IN_NOT_PROVEN = "in the band, not proven"
    OUT_NOT_PROVEN = "out of the band, not proven"
    OUT_OF_BAND = "out of the band"


def standard_normal(z: float) -> float:
    """The cumulative standard normal distribution at `z`, to the precision of `math.erfc`."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def probability_inside(celsius: float, standard_uncertainty: float, low: float, high: float) -> float:
    """P(low <= T <= high) of a temperature estimated as `celsius` with `standard_uncertainty` (k = 1).

    `low` may be -inf and `high` inf, for a single limit. An uncertainty of 0 gives 0 or 1.
    """
    if standard_uncertainty <= 0.0:
        return 1.0 if low <= celsius <= high else 0.0
    upper, lower = (high - celsius) / standard_uncertainty, (low - celsius) / standard_uncertainty
    if lower > 0.0:  # both ends in the same tail: subtract the small numbers, not two that are nearly 1
        return standard_normal(-lower) - standard_normal(-upper)
    return standard_normal(upper) - standard_normal(lower)


def acceptance_interval(band: Band, standard_uncertainty: float, probability: float = 0.95) -> Band | None:
    """The temperatures that may be called inside `band` with one-sided `probability`; None where there are none.

    The guard band is w = z u with z the quantile of `probability` (1.645 for 95 %), JCGM 106 clause 8.3.2.
    """
    guard = NormalDist().inv_cdf(probability) * standard_uncertainty
    low, high = band.low_celsius + guard, band.high_celsius - guard
    return Band(low, high) if low < high else None


def verdict(band: Band, celsius: float, expanded_uncertainty: float) -> Verdict:
    """The verdict on `celsius` with the guard band w = U; a limit itself belongs to the band."""
    if celsius in band:
        proven = band.low_celsius + expanded_uncertainty <= celsius <= band.high_celsius - expanded_uncertainty
        return Verdict.IN_BAND if proven else Verdict.IN_NOT_PROVEN
    distance = max(band.low_celsius - celsius, celsius - band.high_celsius)
    return Verdict.OUT_OF_BAND if distance > expanded_uncertainty else Verdict.OUT_NOT_PROVEN
