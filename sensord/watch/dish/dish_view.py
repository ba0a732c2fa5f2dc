"""A dish as a screen shows it: the answer, why, what comes next, and what would help, in a keeper's words."""

from dataclasses import replace

from sensord.care.formula import advice
from sensord.physics.conformity import NINETY_PERCENT, Verdict, verdict
from sensord.physics.outlook import look_ahead
from sensord.readings import FaultKind
from sensord.watch.dish.dish_state import Dish, DishSettings, Known, known_of
from sensord.watch.effects import DishEstimated, DishState
from sensord.watch.views import DishView

COOL_REST_TOLD_SECONDS = 60.0
"""How long the keeper is told of a probe that had lain in a cool spot."""
_FAULTS = {
    FaultKind.NO_RESPONSE: "the probe does not answer: look at its plug and cable",
    FaultKind.CRC_ERROR: "the reading arrived damaged: a loose plug or a long cable",
    FaultKind.POWER_ON_VALUE: "the probe gave its power-on value of 85 °C: it lost power for a moment",
    FaultKind.ZERO_SCRATCHPAD: "the probe answers with nothing but zeros: a short circuit or a dead probe",
    FaultKind.OUT_OF_SPAN: "the probe read what formula cannot be",
    FaultKind.IMPLAUSIBLE_STEP: "the probe leapt further than it can",
    FaultKind.FROZEN: "the probe repeats one value to the last bit: it no longer measures",
    FaultKind.LATE: "no reading has come for too long",
    FaultKind.BUS_ERROR: "the one-wire bus cannot be read",
}


def estimated(settings: DishSettings, dish: Dish, seconds: float, known: Known | None) -> DishEstimated:
    """Where the paste is and where it goes, as an effect."""
    told = DishEstimated(seconds=seconds, dish=settings.name, probe=settings.probe)
    if known is None or dish.estimate is None:
        return told
    outlook = look_ahead(dish.estimate, settings.band, settings.uncertainty_celsius / 2.0)
    return replace(told, estimate_celsius=known.interval, outlook=outlook)


def _verdict(settings: DishSettings, known: Known) -> Verdict:
    if known.probability >= settings.probability:
        return Verdict.IN_BAND
    return verdict(settings.band, known.celsius, 2.0 * known.spread)


def dish_seen(settings: DishSettings, dish: Dish, seconds: float) -> DishView:
    """The dish as a screen shows it."""
    known = known_of(settings, dish)
    estimate = estimated(settings, dish, seconds, known)
    uptake = None if dish.batch_seconds is None else max(0.0, dish.batch_seconds + settings.uptake_seconds - seconds)
    return DishView(
        name=settings.name,
        probe=settings.probe,
        state=dish.state,
        verdict=None if known is None else _verdict(settings, known),
        band=settings.band,
        band_source=settings.band_source,
        why=dish.why,
        advice=_advice(settings, dish.state, known),
        reading_celsius=None if dish.last is None or dish.fault is not None else dish.last.celsius,
        uncertainty_celsius=settings.uncertainty_celsius,
        estimate_celsius=estimate.estimate_celsius,
        probability=None if known is None else known.probability,
        uptake_left_seconds=uptake,
        age_seconds=None if dish.batch_seconds is None else seconds - dish.batch_seconds,
        outlook=estimate.outlook,
    )


def _advice(settings: DishSettings, state: DishState, known: Known | None) -> str:
    """What would bring the dish into its band, while it is known to be off."""
    if settings.bowlful is None or known is None or state not in (DishState.HOT, DishState.COOL):
        return ""
    return advice(known.celsius, settings.band, settings.bowlful)


def lay_cool(dish: Dish, seconds: float) -> bool:
    """Whether a stir has lately shown that the probe had lain in a cool spot."""
    since = dish.evenness.cool_rest_seconds
    return since is not None and seconds - since < COOL_REST_TOLD_SECONDS


def words(settings: DishSettings, dish: Dish, state: DishState, why: str, known: Known | None) -> str:
    """Why the dish is in `state`, for somebody tired; `why` is what the table says of its row."""
    if dish.fault is not None:
        return _FAULTS[dish.fault]
    if known is None or state not in (DishState.READY, DishState.HOT, DishState.COOL):
        return why
    about, band = f"about {known.celsius:.1f} °C", settings.band
    if state is DishState.READY:
        return f"{about}, in {band} with {100.0 * known.probability:.0f} % certainty"
    if known.celsius in band:
        return f"{about}, but known only to {NINETY_PERCENT * known.spread:.1f} °C: stir, or wait"
    too = f"{about}: too {'hot' if known.celsius > band.high_celsius else 'cool'}"
    if dish.last is not None and lay_cool(dish, dish.last.seconds):
        return f"{too}; the probe had lain in a cool spot: hold it in the middle"
    return too
