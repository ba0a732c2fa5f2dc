"""The watch over one dish: may it be fed now, when, and for how long.

Pure: a screened and calibrated observation or the time goes in, a new `Dish` and effects come out. What counts as
ready is the table in `dish_table`; where the paste is comes from `physics.cooling`; what happened to the bowl comes
from `paste_events`. Ready is never remembered, it is derived anew at each step.
"""

import math
from dataclasses import dataclass, field, replace

from sensord.care.formula import Bowlful, advice
from sensord.errors import DataError
from sensord.physics import cooling
from sensord.physics.conformity import acceptance_interval, probability_inside, verdict
from sensord.physics.outlook import HORIZON_SECONDS, look_ahead
from sensord.readings import Band, Fault, FaultKind, Observation, Reading
from sensord.watch import paste_events
from sensord.watch.dish_table import Findings, Row, decide
from sensord.watch.effects import (
    BatchStarted,
    Cue,
    Cued,
    DishChanged,
    DishEstimated,
    DishState,
    Effect,
    Note,
    Noted,
)
from sensord.watch.evenness import Evenness, judge, shows_hot_spot
from sensord.watch.events import Condition, Origin
from sensord.watch.views import DishView

__all__ = ["Dish", "DishSettings", "begin", "conditions", "observe", "scalding", "start_batch", "tick", "view"]

CONFIRM_SECONDS = 3.0
"""How long the proof has to hold before the tone: one odd reading must not call the keeper."""
COOLING_RATE = 5e-4
RISE_CELSIUS = 0.04
_NINETY = 1.645  # half-width of a 90 % interval in standard deviations


@dataclass(frozen=True, slots=True)
class DishSettings:
    """One dish. `uncertainty_celsius` is the expanded (k = 2) uncertainty of the calibrated probe.

    `probability` of conformity is what it takes to stay ready, `margin` more (as a share of what is left to 1) to
    enter. `time_constant_seconds` is the probe's own in stirred paste, None where it was never measured. `bowlful` is
    what advice on an off dish assumes; without it none is given.
    Raises `DataError` for numbers that make no sense.
    """

    name: str
    probe: str
    band: Band = Band(36.0, 38.0)  # noqa: RUF009  a frozen value
    band_source: str = "common practice, no source"
    uncertainty_celsius: float = 0.5
    uptake_seconds: float = 120.0
    probability: float = 0.95
    batch_limit_seconds: float = 3600.0
    late_seconds: float = 5.0
    time_constant_seconds: float | None = None
    burn_celsius: float = 43.0
    new_batch_away_seconds: float = 600.0
    closing_seconds: float = 30.0
    bowlful: Bowlful | None = None

    def __post_init__(self) -> None:
        if not 0.5 < self.probability < 1.0:
            raise DataError(f"dish {self.name}: probability must lie between 0.5 and 1, got {self.probability}")
        if self.uncertainty_celsius <= 0.0:
            raise DataError(f"dish {self.name}: a probe has an uncertainty above 0, got {self.uncertainty_celsius}")


@dataclass(frozen=True, slots=True)
class Dish:
    """Everything remembered of a dish between two steps."""

    state: DishState = DishState.UNKNOWN
    why: str = "no reading yet"
    last: Reading | None = None
    fault: FaultKind | None = None
    late: bool = False
    first_seconds: float | None = None
    finder: paste_events.Finder = field(default_factory=paste_events.Finder)
    estimate: cooling.Cooling | None = None
    dip_seconds: float | None = None
    lift_seconds: float | None = None
    batch_seconds: float | None = None
    evenness: Evenness = field(default_factory=Evenness)
    was_called_ready: bool = False
    ready_lost: bool = False
    conforms_since: float | None = None
    cooled_celsius: float | None = None
    cooled_probability: float = 0.0
    closing_cued: bool = False
    estimate_seconds: float | None = None


def begin(settings: DishSettings) -> Dish:
    """A dish of which nothing is known."""
    return Dish(why=f"no reading of probe {settings.probe} yet")


def observe(settings: DishSettings, dish: Dish, observation: Observation) -> tuple[Dish, tuple[Effect, ...]]:
    """Take in one observation, already screened and calibrated."""
    effects: list[Effect] = []
    if isinstance(observation, Fault):
        dish = _fault(settings, dish, observation.seconds, observation.kind, effects)
        return _conclude(settings, dish, observation.seconds, effects)
    dish = _overdue(settings, dish, observation.seconds, effects)
    if dish.fault is not None:
        effects.append(Noted(observation.seconds, settings.probe, Note.PROBE_OK))
    dish = replace(dish, fault=None, late=False, last=observation)
    if dish.first_seconds is None:
        dish = replace(dish, first_seconds=observation.seconds)
    dish = _follow(settings, dish, observation, effects)
    return _conclude(settings, dish, observation.seconds, effects)


def tick(settings: DishSettings, dish: Dish, seconds: float) -> tuple[Dish, tuple[Effect, ...]]:
    """Let time pass: lateness, uptake, age."""
    effects: list[Effect] = []
    dish = _overdue(settings, dish, seconds, effects)
    return _conclude(settings, dish, seconds, effects)


def start_batch(settings: DishSettings, dish: Dish, seconds: float) -> tuple[Dish, tuple[Effect, ...]]:
    """A bowl was just mixed: uptake and age count from `seconds`."""
    dish, started = _new_batch(settings, dish, seconds, Origin.CONTROL)
    return _conclude(settings, dish, seconds, [started])


def scalding(settings: DishSettings, dish: Dish) -> bool:
    """A dish that was called ready reads 43 °C or more: hot enough to burn a crop, whatever the profile says."""
    return (
        dish.was_called_ready
        and dish.finder.in_paste
        and dish.last is not None
        and dish.last.celsius >= settings.burn_celsius
    )


def conditions(settings: DishSettings, dish: Dish) -> frozenset[Condition]:
    """What stands that an alarm should be made of."""
    found = set()
    if scalding(settings, dish):
        found.add(Condition.SCALDING)
    if (dish.fault is not None or dish.late) and dish.finder.in_paste:
        found.add(Condition.PROBE_FAULT)
    return frozenset(found)


def _fault(settings: DishSettings, dish: Dish, seconds: float, kind: FaultKind, effects: list[Effect]) -> Dish:
    if dish.fault is not kind:
        effects.append(Noted(seconds, settings.probe, Note.PROBE_FAULT, fault=kind))
    return replace(dish, fault=kind)


def _overdue(settings: DishSettings, dish: Dish, seconds: float, effects: list[Effect]) -> Dish:
    last = dish.last
    if last is None or dish.fault is not None or seconds - last.seconds <= settings.late_seconds:
        return dish
    return replace(_fault(settings, dish, seconds, FaultKind.LATE, effects), late=True)


def _follow(settings: DishSettings, dish: Dish, reading: Reading, effects: list[Effect]) -> Dish:
    finder = paste_events.remember(dish.finder, reading)
    if not finder.in_paste or dish.estimate is None:
        finder, dipped = paste_events.find_in_air(finder)
        dish = replace(dish, finder=finder)
        return _dip(settings, dish, reading, effects) if dipped else dish
    before = dish.estimate
    after = cooling.follow(before, reading.seconds, reading.celsius)
    finder, note, anew = paste_events.find_in_paste(finder, before, after)
    if note is not None:
        effects.append(Noted(reading.seconds, settings.probe, note))
    if note is Note.LIFT:
        return replace(dish, finder=finder, estimate=None, lift_seconds=reading.seconds)
    if anew:
        after = cooling.follow(cooling.disturb(before), reading.seconds, reading.celsius)
    dish = replace(dish, finder=finder, estimate=after)
    dish = _evenness(settings, dish, reading, after, effects)
    return _cooled(settings, dish, anew)


def _evenness(
    settings: DishSettings, dish: Dish, reading: Reading, estimate: cooling.Cooling, effects: list[Effect]
) -> Dish:
    hot_spot = shows_hot_spot(dish.finder.recent, reading.seconds - dish.finder.since_seconds, estimate.room_celsius)
    judged = judge(dish.evenness, reading.seconds, hot_spot, estimate.stirring)
    was, now = dish.evenness.uneven_since is not None, judged.uneven_since is not None
    if was is not now:
        effects.append(Noted(reading.seconds, settings.probe, Note.UNEVEN if now else Note.EVEN))
    return replace(dish, evenness=judged)


def _cooled(settings: DishSettings, dish: Dish, anew: bool) -> Dish:
    """Keep the best proof so far that the paste is no warmer than the band.

    Paste that cools and that nobody has touched stays as cool as it was once proven to be, though what is known of
    it blurs while it rests. A rise, or an estimate above the one of that proof, ends it.
    """
    estimate = dish.estimate
    if estimate is None:
        return replace(dish, cooled_celsius=None, cooled_probability=0.0)
    spread = _spread(settings, estimate)
    now = probability_inside(estimate.celsius, spread, -math.inf, settings.band.high_celsius)
    then = dish.cooled_celsius
    ended = anew or then is None or estimate.celsius > then + RISE_CELSIUS or estimate.rate > -COOLING_RATE
    if ended or now >= dish.cooled_probability:
        return replace(dish, cooled_celsius=estimate.celsius, cooled_probability=now)
    return dish


def _spread(settings: DishSettings, estimate: cooling.Cooling) -> float:
    """Of the mean, standard deviation: what the model does not know, and the probe's own uncertainty."""
    return math.hypot(estimate.spread_celsius, settings.uncertainty_celsius / 2.0)


def _dip(settings: DishSettings, dish: Dish, reading: Reading, effects: list[Effect]) -> Dish:
    seconds = reading.seconds
    effects.append(Noted(seconds, settings.probe, Note.DIP))
    known = cooling.CoolingSettings(
        21.0 if dish.finder.room_celsius is None else dish.finder.room_celsius, settings.time_constant_seconds
    )
    finder = replace(dish.finder, in_paste=True, since_seconds=seconds, episode=None, surprise=0.0)
    dish = replace(
        dish,
        finder=finder,
        dip_seconds=seconds,
        estimate=cooling.start(known, seconds, reading.celsius),
        cooled_celsius=None,
        cooled_probability=0.0,
    )
    away = None if dish.lift_seconds is None else seconds - dish.lift_seconds
    if dish.batch_seconds is None or (away is not None and away > settings.new_batch_away_seconds):
        dish, started = _new_batch(settings, dish, seconds, Origin.DAEMON)
        effects.append(started)
    return dish


def _new_batch(settings: DishSettings, dish: Dish, seconds: float, origin: Origin) -> tuple[Dish, Effect]:
    dish = replace(dish, batch_seconds=seconds, was_called_ready=False)
    return dish, BatchStarted(seconds, settings.name, origin)


@dataclass(frozen=True, slots=True)
class _Known:
    """The estimate of the paste at one instant, with everything that is uncertain about it folded in."""

    celsius: float
    spread: float
    probability: float


def _known(settings: DishSettings, dish: Dish, seconds: float) -> _Known | None:
    estimate = dish.estimate
    if estimate is None:
        return None
    spread = _spread(settings, estimate)
    not_warmer = probability_inside(estimate.celsius, spread, -math.inf, settings.band.high_celsius)
    cooler = probability_inside(estimate.celsius, spread, -math.inf, settings.band.low_celsius)
    return _Known(estimate.celsius, spread, max(0.0, max(not_warmer, dish.cooled_probability) - cooler))


def _findings(settings: DishSettings, dish: Dish, seconds: float, known: _Known | None) -> Findings:
    uptake_left = 0.0 if dish.batch_seconds is None else dish.batch_seconds + settings.uptake_seconds - seconds
    too_old = dish.batch_seconds is not None and seconds - dish.batch_seconds > settings.batch_limit_seconds
    settled = known is not None and known.spread < 1.5
    calm = dish.estimate is not None and abs(dish.estimate.surprise) < 3.0
    return Findings(
        fault=dish.fault,
        late=dish.late,
        in_paste=dish.finder.in_paste,
        uptake_left_seconds=uptake_left,
        too_old=too_old,
        uneven=dish.evenness.uneven_since is not None,
        disturbed=paste_events.unexplained(dish.finder, seconds),
        settled=settled,
        provable=known is None or acceptance_interval(settings.band, known.spread, settings.probability) is not None,
        was_ready=dish.state is DishState.READY,
        enters=calm and dish.conforms_since is not None and seconds - dish.conforms_since >= CONFIRM_SECONDS,
        stays=known is not None and known.probability >= settings.probability,
        warmer_than_middle=known is not None and known.celsius > settings.band.middle_celsius,
    )


def _confirm(settings: DishSettings, dish: Dish, seconds: float, known: _Known | None) -> Dish:
    """Since when the probability has been enough to enter ready; a second time in the same bowl it has to be surer."""
    enough = 1.0 - (1.0 - settings.probability) / (2.0 if dish.ready_lost else 1.0)
    if known is None or dish.fault is not None or known.probability < enough:
        return replace(dish, conforms_since=None)
    return dish if dish.conforms_since is not None else replace(dish, conforms_since=seconds)


def _conclude(
    settings: DishSettings, dish: Dish, seconds: float, effects: list[Effect]
) -> tuple[Dish, tuple[Effect, ...]]:
    known = _known(settings, dish, seconds)
    dish = _confirm(settings, dish, seconds, known)
    row = decide(_findings(settings, dish, seconds, known))
    changed = row.state is not dish.state
    if changed:
        effects.append(_changed(settings, dish, seconds, row, known))
        effects.extend(_cues(settings, dish, seconds, row))
    due = dish.estimate_seconds is None or seconds - dish.estimate_seconds >= 10.0
    estimated = dish.estimate is not None and (changed or due)
    if estimated:
        effects.append(_estimated(settings, dish, seconds, known))
    ready = row.state is DishState.READY
    dish = replace(
        dish,
        state=row.state,
        why=row.why,
        was_called_ready=dish.was_called_ready or ready,
        ready_lost=dish.finder.in_paste and (dish.ready_lost or (dish.state is DishState.READY and not ready)),
        closing_cued=dish.closing_cued and not changed,
        estimate_seconds=seconds if estimated else dish.estimate_seconds,
    )
    return dish, tuple(effects)


def _cues(settings: DishSettings, dish: Dish, seconds: float, row: Row) -> list[Effect]:
    if row.state is DishState.READY:
        return [Cued(seconds, Cue.READY, settings.name)]
    if dish.state is DishState.READY:
        return [Cued(seconds, Cue.NOT_READY, settings.name)]
    return []


def _changed(settings: DishSettings, dish: Dish, seconds: float, row: Row, known: _Known | None) -> DishChanged:
    celsius = low = high = None
    if known is not None:
        celsius, low, high = (
            known.celsius,
            known.celsius - _NINETY * known.spread,
            known.celsius + _NINETY * known.spread,
        )
    return DishChanged(seconds, settings.name, settings.probe, row.state, dish.state, celsius, low, high, row.why)


def _estimated(settings: DishSettings, dish: Dish, seconds: float, known: _Known | None) -> DishEstimated:
    if known is None or dish.estimate is None:
        return DishEstimated(seconds, settings.name, settings.probe)
    low, high = known.celsius - _NINETY * known.spread, known.celsius + _NINETY * known.spread
    outlook = look_ahead(dish.estimate, settings.band, settings.uncertainty_celsius / 2.0)
    ready, window = outlook.ready, outlook.window
    return DishEstimated(
        seconds,
        settings.name,
        settings.probe,
        known.celsius,
        low,
        high,
        None if ready is None else ready.middle,
        None if ready is None else ready.low,
        None if ready is None else min(ready.high, HORIZON_SECONDS),
        outlook.never,
        None if window is None else window.middle,
        None if window is None else window.low,
        None if window is None else window.high,
    )


def view(settings: DishSettings, dish: Dish, seconds: float) -> DishView:
    """The dish as a screen shows it."""
    known = _known(settings, dish, seconds)
    estimate = _estimated(settings, dish, seconds, known)
    uptake = None if dish.batch_seconds is None else max(0.0, dish.batch_seconds + settings.uptake_seconds - seconds)
    return DishView(
        name=settings.name,
        probe=settings.probe,
        state=dish.state,
        verdict=None if known is None else verdict(settings.band, known.celsius, 2.0 * known.spread),
        band=settings.band,
        band_source=settings.band_source,
        why=dish.why,
        advice=_advice(settings, dish.state, estimate.celsius),
        reading_celsius=None if dish.last is None or dish.fault is not None else dish.last.celsius,
        uncertainty_celsius=settings.uncertainty_celsius,
        celsius=estimate.celsius,
        low_celsius=estimate.low_celsius,
        high_celsius=estimate.high_celsius,
        probability=None if known is None else known.probability,
        uptake_left_seconds=uptake,
        age_seconds=None if dish.batch_seconds is None else seconds - dish.batch_seconds,
        ready_in_seconds=estimate.ready_in_seconds,
        ready_low_seconds=estimate.ready_low_seconds,
        ready_high_seconds=estimate.ready_high_seconds,
        never=estimate.never,
        open_for_seconds=estimate.open_for_seconds,
        open_low_seconds=estimate.open_low_seconds,
        open_high_seconds=estimate.open_high_seconds,
    )


def _advice(settings: DishSettings, state: DishState, celsius: float | None) -> str:
    """What would bring the dish into its band, while it is known to be off."""
    if settings.bowlful is None or celsius is None or state not in (DishState.HOT, DishState.COOL):
        return ""
    return advice(celsius, settings.band, settings.bowlful)
