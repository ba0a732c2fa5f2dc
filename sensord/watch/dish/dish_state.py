"""What is set for a dish, what is remembered of it, and what both say of the paste at one instant."""

import math
from dataclasses import dataclass, field

from sensord.care.formula import CROP_BURN_CELSIUS, Bowlful
from sensord.errors import DataError
from sensord.physics import cooling
from sensord.physics.conformity import NINETY_PERCENT, probability_inside, standard_normal
from sensord.readings import Band, FaultKind, Interval, Reading
from sensord.watch.dish import paste_events
from sensord.watch.dish.evenness import Evenness
from sensord.watch.dish.paste_proof import PasteProof
from sensord.watch.effects import DishState

WARMER_SHARE = 0.7
"""How far the paste may be warmer than its estimate, in spreads of a normal distribution: the errors are skewed. At
rest the tip mostly lies in the warm core, so what goes wrong mostly makes the estimate too warm. In 95 of 100 cases the
simulated bowls were no more than 1.2 spreads warmer (and 1.8 colder) than estimated; see `docs/dish-scores.md`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DishSettings:
    """One dish. `uncertainty_celsius` is the expanded (k = 2) uncertainty of the calibrated probe.

    `probability` of conformity is what it takes to be ready; once lost, half the doubt is asked for a second tone.
    `time_constant_seconds` is the probe's own in stirred paste, None where it was never measured. `bowlful` is what
    advice on an off dish assumes; without it none is given.
    Raises `DataError` for numbers that make no sense.
    """

    name: str
    probe: str
    band: Band
    band_source: str
    uncertainty_celsius: float
    uptake_seconds: float
    probability: float
    batch_limit_seconds: float
    late_seconds: float
    time_constant_seconds: float | None
    burn_celsius: float = CROP_BURN_CELSIUS
    new_batch_away_seconds: float = 600.0
    closing_seconds: float = 30.0
    bowlful: Bowlful | None

    def __post_init__(self) -> None:
        if not 0.5 < self.probability < 1.0:
            raise DataError(f"dish {self.name}: probability must lie between 0.5 and 1, got {self.probability}")
        if self.uncertainty_celsius <= 0.0:
            raise DataError(f"dish {self.name}: a probe has an uncertainty above 0, got {self.uncertainty_celsius}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Dish:
    """Everything remembered of a dish between two steps."""

    state: DishState = DishState.UNKNOWN
    why: str = "no reading yet"
    last: Reading | None = None
    fault: FaultKind | None = None
    late: bool = False
    fault_seconds: float | None = None
    failed: bool = False
    called: bool = False
    first_seconds: float | None = None
    finder: paste_events.PasteFinder = field(default_factory=paste_events.PasteFinder)
    estimate: cooling.Cooling | None = None
    dip_seconds: float | None = None
    lift_seconds: float | None = None
    batch_seconds: float | None = None
    evenness: Evenness = field(default_factory=Evenness)
    proof: PasteProof = field(default_factory=PasteProof)
    was_called_ready: bool = False
    ready_lost: bool = False
    conforms_since: float | None = None
    cooled_celsius: float | None = None
    cooled_probability: float = 0.0
    closing_cued: bool = False
    stirred_seconds: float | None = None
    stir_cued_seconds: float | None = None
    estimate_seconds: float | None = None


def spread_of(settings: DishSettings, estimate: cooling.Cooling) -> float:
    """Of the mean, standard deviation: what the model does not know, and the probe's own uncertainty."""
    return math.hypot(estimate.spread_celsius, settings.uncertainty_celsius / 2.0)


def not_warmer(celsius: float, spread: float, high_celsius: float) -> float:
    """Probability that paste estimated at `celsius` is no warmer than `high_celsius`."""
    return standard_normal((high_celsius - celsius) / (WARMER_SHARE * spread))


@dataclass(frozen=True, slots=True)
class Known:
    """The estimate of the paste at one instant, with everything that is uncertain about it folded in."""

    celsius: float
    spread: float
    probability: float

    @property
    def interval(self) -> Interval:
        """The estimate with its 90 % interval, Celsius."""
        return Interval(
            self.celsius, self.celsius - NINETY_PERCENT * self.spread, self.celsius + NINETY_PERCENT * self.spread
        )


def known_of(settings: DishSettings, dish: Dish) -> Known | None:
    """The paste at the last reading, or None while the probe is in none."""
    estimate = dish.estimate
    if estimate is None:
        return None
    spread = spread_of(settings, estimate)
    cool_enough = not_warmer(estimate.celsius, spread, settings.band.high_celsius)
    cooler = probability_inside(estimate.celsius, spread, -math.inf, settings.band.low_celsius)
    return Known(estimate.celsius, spread, max(0.0, max(cool_enough, dish.cooled_probability) - cooler))
