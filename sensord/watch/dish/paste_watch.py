"""The watch over one dish: may it be fed now, when, and for how long.

Pure: a screened and calibrated observation or the time goes in, a new `Dish` and effects come out. What counts as
ready is the table in `dish_table`; where the paste is comes from `physics.cooling`; what happened to the bowl comes
from `paste_events`. Ready is never remembered, it is derived anew at each step.
"""

import math
from dataclasses import replace
from statistics import NormalDist
from typing import TypeAlias

from sensord.physics import cooling
from sensord.physics.conformity import acceptance_interval
from sensord.readings import Fault, FaultKind, Observation, Reading
from sensord.watch.conditions import Condition
from sensord.watch.cues import Cue
from sensord.watch.dish import paste_events
from sensord.watch.dish.dish_state import Dish, DishSettings, Known, known_of, not_warmer, spread_of
from sensord.watch.dish.dish_table import IS_IT_PASTE, Findings, StateRow, decide
from sensord.watch.dish.dish_view import estimated, lay_cool, words
from sensord.watch.dish.evenness import Believed, Shown, evenness_of, mean_remembered, sign_of
from sensord.watch.dish.paste_events import slope
from sensord.watch.dish.paste_proof import (
    FOLLOWED_SECONDS,
    Paste,
    dipped,
    disturbed,
    in_paste_shown,
    lifted,
    showing_paste,
    vouched_for,
    watered,
)
from sensord.watch.effects import BatchStarted, Cued, DishChanged, DishState, Effect, Note, Noted
from sensord.watch.events import Origin

CONFIRM_SECONDS = 1.0
"""How long the proof has to hold before the tone: one odd reading must not call the keeper."""
FLAKY_SECONDS = 15.0
"""A wire that loses readings now and then is no news each time: ready goes with each fault and comes back with the
next reading, but the keeper is called back, or told of a failed probe, only when nothing has come for so long. Paste
cools by 0.15 °C meanwhile."""
CLIMBING_SECONDS, CLIMBING_PER_SECOND = 6.3, 0.05
"""A reading that climbs faster than this (Celsius a second), so long after the dip that the probe has followed, shows
hot water that is being stirred in: a bath warms paste by 0.02."""
COOLING_RATE = 5e-4
RISE_CELSIUS = 0.04
"""Celsius a second that counts as cooling, and by how much an estimate may waver without counting as a rise."""
SPOT_CELSIUS = 0.2
"""How far the reading may lie outside the band while the mean is called ready: what rest does to the tip's spot in
paste that was stirred a minute or two ago."""
FOLLOWING_CELSIUS = 1.0
"""How far it may still lag below the band soon after a dip."""
STIR_ASKED_CELSIUS = 0.4
"""How near above the band the estimate has to be before a stir is asked for: it can settle the matter then."""
STIR_AFTER_SECONDS, STIR_AGAIN_SECONDS = 45.0, 60.0
STIRRING_LIKELY = 0.35
"""Probability from which the paste counts as stirred; at rest it stays under 0.2, a gentle stir just passes 0.4."""
UNSTIRRED_SECONDS = 480.0
"""After so long at rest the tip's spot says too little of the whole bowl to call anybody: surface and rim may be six
degrees colder than the core (simulated bowls), and nothing tells in which of them the tip lies. A stir that changes
nothing at the tip cannot be seen either; a probe that is lifted and dipped again begins anew."""
BRIDGED_SECONDS, LOST_SECONDS = 120.0, 600.0
"""After a longer silence in the middle of a dish the paste may be anything; after a still longer one nobody knows
where the probe is, and it has to be found anew."""


DishChange: TypeAlias = tuple[Dish, tuple[Effect, ...]]
"""A dish after something happened, and what has come of it."""


def empty_dish(settings: DishSettings) -> Dish:
    """A dish of which nothing is known."""
    return Dish(why=f"no reading of probe {settings.probe} yet")


def dish_observed(settings: DishSettings, dish: Dish, observation: Observation) -> DishChange:
    """Take in one observation, already screened and calibrated."""
    seconds = observation.seconds
    if isinstance(observation, Fault):
        return _conclude(settings, _fault(settings, dish, seconds, observation.kind), seconds)
    dish, effects = _overdue(settings, dish, seconds)
    if dish.fault is not None:
        effects += (_note(settings, seconds, Note.PROBE_OK),)
    first = seconds if dish.first_seconds is None else dish.first_seconds
    dish = replace(dish, fault=None, late=False, last=observation, first_seconds=first)
    dish, followed = _follow(settings, dish, observation)
    return _conclude(settings, (dish, effects + followed), seconds)


def dish_ticked(settings: DishSettings, dish: Dish, seconds: float) -> DishChange:
    """Let time pass: lateness, uptake, age."""
    return _conclude(settings, _overdue(settings, dish, seconds), seconds)


def start_batch(settings: DishSettings, dish: Dish, seconds: float, at_unit: bool = True) -> DishChange:
    """A bowl was just mixed: uptake and age count from `seconds`.

    Given at the unit while the dish asks whether the probe is in paste, it answers that and starts nothing.
    """
    if at_unit and decide(_findings(settings, dish, seconds, known_of(settings, dish))) is IS_IT_PASTE:
        return _conclude(settings, (replace(dish, proof=vouched_for(dish.proof)), ()), seconds)
    return _conclude(settings, _new_batch(settings, dish, seconds, Origin.CONTROL), seconds)


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
    if dish.failed and dish.finder.in_paste:
        found.add(Condition.PROBE_FAULT)
    return frozenset(found)


def _fault(settings: DishSettings, dish: Dish, seconds: float, kind: FaultKind) -> DishChange:
    news = () if dish.fault is kind else (_note(settings, seconds, Note.PROBE_FAULT, kind),)
    return replace(dish, fault=kind, fault_seconds=seconds), news


def _note(settings: DishSettings, seconds: float, what: Note, fault: FaultKind | None = None) -> Effect:
    return Noted(seconds=seconds, probe=settings.probe, what=what, fault=fault)


def _overdue(settings: DishSettings, dish: Dish, seconds: float) -> DishChange:
    last = dish.last
    if last is None or dish.fault is not None or seconds - last.seconds <= settings.late_seconds:
        return dish, ()
    dish, noted = _fault(settings, dish, seconds, FaultKind.LATE)
    return replace(dish, late=True), noted


def _follow(settings: DishSettings, dish: Dish, reading: Reading) -> DishChange:
    silence = 0.0 if not dish.finder.recent else reading.seconds - dish.finder.recent[-1].seconds
    if silence > LOST_SECONDS:
        dish = replace(dish, finder=paste_events.PasteFinder(room_celsius=dish.finder.room_celsius), estimate=None)
    finder = paste_events.reading_remembered(dish.finder, reading)
    if not finder.in_paste or dish.estimate is None:
        finder, dipped = paste_events.find_in_air(finder)
        dish = replace(dish, finder=finder)
        return _dip(settings, dish, reading) if dipped else (dish, ())
    before = dish.estimate if silence <= BRIDGED_SECONDS else cooling.disturb(dish.estimate, silence)
    after = cooling.follow(before, reading.seconds, reading.celsius)
    finder, note, anew = paste_events.find_in_paste(finder, before, after)
    noted = () if note is None else (_note(settings, reading.seconds, note),)
    if note is Note.LIFT:
        known = dish.evenness.believed[0]
        proof = lifted(dish.proof, Paste(known.seconds, known.celsius))
        return replace(dish, finder=finder, estimate=None, lift_seconds=reading.seconds, proof=proof), noted
    if anew:
        after = cooling.follow(cooling.disturb(before), reading.seconds, reading.celsius)
    proof = dish.proof
    if anew:
        proof = disturbed(proof, reading.seconds, Paste(before.seconds, before.celsius))
    if note in (Note.HOT_WATER, Note.COOL_WATER) and dish.finder.episode is not None:
        proof = watered(proof, reading.seconds, after.celsius - dish.finder.episode.mean_celsius)
    proof = showing_paste(proof, finder.recent, after.celsius, after.stirring, finder.room_or_usual_celsius)
    dish = replace(dish, finder=finder, estimate=after, proof=proof)
    if after.stirring > STIRRING_LIKELY:
        dish = replace(dish, stirred_seconds=reading.seconds)
    dish, shown = _evenness(settings, dish, reading, after)
    return _cooled(settings, dish, anew), noted + shown


def _evenness(settings: DishSettings, dish: Dish, reading: Reading, estimate: cooling.Cooling) -> DishChange:
    since_dip = reading.seconds - dish.finder.since_seconds
    believed = mean_remembered(
        dish.evenness, Believed(reading.seconds, estimate.celsius, spread_of(settings, estimate))
    )
    sign = sign_of(dish.finder.recent, believed.believed, since_dip, estimate.room_celsius)
    if sign is Shown.COOL_REST and (estimate.bathed or dish.finder.episode is not None):
        sign = None  # in a bath the core is the coolest, and what water does is told already
    judged = evenness_of(believed, reading.seconds, sign, estimate.stirring)
    found: tuple[Effect, ...] = ()
    if sign is Shown.COOL_REST and not lay_cool(dish, reading.seconds):
        found += (_note(settings, reading.seconds, Note.WALL),)
    was, now = dish.evenness.uneven_since is not None, judged.uneven_since is not None
    if was is not now:
        found += (_note(settings, reading.seconds, Note.UNEVEN if now else Note.EVEN),)
    return replace(dish, evenness=judged), found


def _cooled(settings: DishSettings, dish: Dish, anew: bool) -> Dish:
    """Keep the best proof so far that the paste is no warmer than the band.

    Paste that cools and that nobody has touched stays as cool as it was once proven to be, though what is known of
    it blurs while it rests. A rise, or an estimate above the one of that proof, ends it.
    """
    estimate = dish.estimate
    if estimate is None:
        return replace(dish, cooled_celsius=None, cooled_probability=0.0)
    now = not_warmer(estimate.celsius, spread_of(settings, estimate), settings.band.high_celsius)
    then = dish.cooled_celsius
    ended = anew or then is None or estimate.celsius > then + RISE_CELSIUS or estimate.rate > -COOLING_RATE
    if ended or now >= dish.cooled_probability:
        return replace(dish, cooled_celsius=estimate.celsius, cooled_probability=now)
    return dish


def _dip(settings: DishSettings, dish: Dish, reading: Reading) -> DishChange:
    seconds = reading.seconds
    noted = _note(settings, seconds, Note.DIP)
    known = cooling.CoolingSettings(dish.finder.room_or_usual_celsius, settings.time_constant_seconds)
    finder = replace(dish.finder, in_paste=True, since_seconds=seconds, episode=None, surprise=0.0)
    dish = replace(
        dish,
        finder=finder,
        dip_seconds=seconds,
        stirred_seconds=seconds,
        estimate=cooling.start(known, seconds, reading.celsius),
        cooled_celsius=None,
        cooled_probability=0.0,
    )
    away = None if dish.lift_seconds is None else seconds - dish.lift_seconds
    new_bowl = dish.batch_seconds is None or (away is not None and away > settings.new_batch_away_seconds)
    dish = replace(dish, proof=dipped(dish.proof, seconds, new_bowl))
    if not new_bowl:
        return dish, (noted,)
    dish, started = _new_batch(settings, dish, seconds, Origin.DAEMON)
    return dish, (noted, *started)


def _new_batch(settings: DishSettings, dish: Dish, seconds: float, origin: Origin) -> DishChange:
    dish = replace(dish, batch_seconds=seconds, was_called_ready=False)
    return dish, (BatchStarted(seconds, settings.name, origin),)


def _findings(settings: DishSettings, dish: Dish, seconds: float, known: Known | None) -> Findings:
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
        unstirred=dish.stirred_seconds is None or seconds - dish.stirred_seconds > UNSTIRRED_SECONDS,
        paste_shown=known is not None
        and in_paste_shown(dish.proof, seconds, known.celsius, dish.finder.room_or_usual_celsius),
        was_ready=dish.called,
        enters=calm
        and dish.conforms_since is not None
        and seconds - dish.conforms_since >= CONFIRM_SECONDS
        and _spot_near(settings, dish)
        and not _climbing(dish, seconds),
        stays=known is not None and known.probability >= settings.probability,
        warmer_than_middle=known is not None and known.celsius > settings.band.middle_celsius,
    )


def _climbing(dish: Dish, seconds: float) -> bool:
    """Whether the reading climbs, long after the dip, as only hot water or a lump makes it."""
    if seconds - dish.finder.since_seconds < FOLLOWED_SECONDS:
        return False
    pace = slope(dish.finder.recent, seconds - CLIMBING_SECONDS, seconds)
    return pace is not None and pace > CLIMBING_PER_SECOND


def _spot_near(settings: DishSettings, dish: Dish) -> bool:
    """Whether the reading itself is near the band: a mean that rests on a large correction alone calls nobody."""
    if dish.last is None:
        return False
    band, celsius = settings.band, dish.last.celsius
    following = dish.last.seconds - dish.finder.since_seconds < FOLLOWED_SECONDS
    lag = FOLLOWING_CELSIUS if following else SPOT_CELSIUS
    return band.low_celsius - lag <= celsius <= band.high_celsius + SPOT_CELSIUS


def _interrupted(dish: Dish, seconds: float) -> bool:
    """Whether a probe has fallen silent, or gives faults, for so short a time that it may be its wire."""
    return dish.fault is not None and dish.last is not None and seconds - dish.last.seconds < FLAKY_SECONDS


def _failing(dish: Dish, seconds: float) -> Dish:
    """Whether the probe has failed: nothing usable for long, until it was free of faults for as long."""
    if dish.fault is None and not dish.failed:
        return dish
    lately = dish.fault_seconds is not None and seconds - dish.fault_seconds < FLAKY_SECONDS
    failed = (dish.fault is not None and not _interrupted(dish, seconds)) or (dish.failed and lately)
    return dish if failed is dish.failed else replace(dish, failed=failed)


def _confirm(settings: DishSettings, dish: Dish, seconds: float, known: Known | None) -> Dish:
    """Since when the probability has been enough to enter ready; a second time in the same bowl it has to be surer."""
    enough = 1.0 - (1.0 - settings.probability) / (2.0 if dish.ready_lost else 1.0)
    proven = known is not None and dish.fault is None and known.probability >= enough
    if proven is (dish.conforms_since is not None):
        return dish
    return replace(dish, conforms_since=seconds if proven else None)


def _conclude(settings: DishSettings, change: DishChange, seconds: float) -> DishChange:
    """Derive the state anew from what the dish is after `change`, and add what is news in that."""
    dish, effects = change
    known = known_of(settings, dish)
    dish = _confirm(settings, _failing(dish, seconds), seconds, known)
    row = decide(_findings(settings, dish, seconds, known))
    changed = row.state is not dish.state
    if changed:
        effects += (_changed(settings, dish, seconds, row, known),)
    due = dish.estimate_seconds is None or seconds - dish.estimate_seconds >= 10.0
    tell = dish.estimate is not None and (changed or due)
    if tell:
        effects += (estimated(settings, dish, seconds, known),)
    ready = row.state is DishState.READY
    called = ready or (dish.called and _interrupted(dish, seconds))
    if called is not dish.called:
        effects += (Cued(seconds, Cue.READY if called else Cue.NOT_READY, settings.name),)
    why = words(settings, dish, row.state, row.why, known)
    lost = dish.finder.in_paste and (dish.ready_lost or (dish.called and not called))
    if changed or tell or why != dish.why or called is not dish.called or lost is not dish.ready_lost:
        dish = replace(
            dish,
            state=row.state,
            why=why,
            was_called_ready=dish.was_called_ready or ready,
            ready_lost=lost,
            called=called,
            closing_cued=dish.closing_cued and called is dish.called,
            estimate_seconds=seconds if tell else dish.estimate_seconds,
        )
    dish, cued = _reminded(settings, dish, seconds, known)
    return dish, effects + cued


def _reminded(settings: DishSettings, dish: Dish, seconds: float, known: Known | None) -> DishChange:
    """Announce the window's last half minute, and ask for a stir where one would settle the matter."""
    estimate = dish.estimate
    if known is None or estimate is None:
        return dish, ()
    closes = dish.state is DishState.READY and not dish.closing_cued
    if closes and _closes_in(settings, estimate.rate, known) <= settings.closing_seconds:
        return replace(dish, closing_cued=True), (Cued(seconds, Cue.CLOSING, settings.name),)
    if dish.state in (DishState.HOT, DishState.COOL, DishState.UNKNOWN) and _wants_stir(settings, dish, seconds, known):
        return replace(dish, stir_cued_seconds=seconds), (Cued(seconds, Cue.STIR, settings.name),)
    return dish, ()


def _closes_in(settings: DishSettings, rate: float, known: Known) -> float:
    """Seconds until the proof runs out at the edge that the paste is moving to, at the present rate."""
    guard = NormalDist().inv_cdf(settings.probability) * known.spread
    if abs(rate) < 1e-5:
        return math.inf
    edge = settings.band.low_celsius + guard if rate < 0.0 else settings.band.high_celsius - guard
    return (edge - known.celsius) / rate


def _wants_stir(settings: DishSettings, dish: Dish, seconds: float, known: Known) -> bool:
    stirred, asked = dish.stirred_seconds, dish.stir_cued_seconds
    if dish.fault is not None or dish.finder.episode is not None or not dish.finder.in_paste:
        return False
    if stirred is None or seconds - stirred < STIR_AFTER_SECONDS:
        return False
    if asked is not None and seconds - asked < STIR_AGAIN_SECONDS:
        return False
    band = settings.band
    return band.low_celsius <= known.celsius <= band.high_celsius + STIR_ASKED_CELSIUS


def _changed(settings: DishSettings, dish: Dish, seconds: float, row: StateRow, known: Known | None) -> DishChanged:
    return DishChanged(
        seconds=seconds,
        dish=settings.name,
        probe=settings.probe,
        state=row.state,
        previous=dish.state,
        estimate_celsius=None if known is None else known.interval,
        why=row.why,
    )
