"""The dish's rules one by one, on a belief about the paste that is set and not simulated."""

import math
from dataclasses import astuple, replace

import pytest

from sensord.errors import DataError
from sensord.physics.conformity import Verdict
from sensord.physics.cooling import Cooling
from sensord.physics.outlook import look_ahead
from sensord.physics.regime import (
    FRESH_LOSS,
    LOSS,
    MEAN,
    SIZE,
    TIP,
    USUAL_LOSS_PER_SECOND,
    Regime,
    Spot,
    packed,
    warmth,
)
from sensord.readings import Band, Fault, FaultKind, Reading
from sensord.watch.conditions import Condition
from sensord.watch.cues import Cue
from sensord.watch.dish import paste_watch as dish
from sensord.watch.dish.dish_state import WARMER_SHARE, Dish, DishSettings, known_of
from sensord.watch.dish.dish_view import dish_seen
from sensord.watch.dish.evenness import Evenness
from sensord.watch.dish.paste_events import Episode, PasteFinder
from sensord.watch.dish.paste_proof import PasteProof
from sensord.watch.effects import BatchStarted, Cued, DishChanged, DishEstimated, DishState, Effect, Note, Noted
from sensord.watch.events import Origin
from tests.helpers.usual import usual_dish

SETTINGS = usual_dish(name="supper", probe="spoon", uncertainty_celsius=0.2, uptake_seconds=0.0)
NOW = 1000.0
# Quantile of the standard normal distribution, 95 % one-sided.
Z = 1.645


def belief(celsius: float, spread: float = 0.1, per_second: float = -0.005) -> Cooling:
    """The paste's mean known to `spread`, and how fast it goes."""
    covariance = [[0.0] * SIZE for _ in range(SIZE)]
    covariance[MEAN][MEAN] = spread**2
    covariance[TIP][TIP] = 0.01
    loss = -per_second / (FRESH_LOSS * warmth(celsius) * USUAL_LOSS_PER_SECOND * (celsius - 21.0))
    state = [celsius, 0.0, 0.0, 0.0, 0.0, celsius, celsius]
    state[LOSS] = loss
    held = packed(covariance)
    shares = {Spot.STIRRED: 0.02, Spot.CORE: 0.97, Spot.RIM: 0.01}
    bank = tuple(Regime(weight, spot, 7.0, tuple(state), held) for spot, weight in shares.items())
    return Cooling(seconds=NOW, room_celsius=21.0, bank=bank)


def bowl(
    celsius: float = 37.0, spread: float = 0.1, per_second: float = -0.005, state: DishState = DishState.HOT
) -> Dish:
    """A dish in its paste since five minutes, read a second ago."""
    last = Reading("spoon", NOW, celsius)
    return Dish(
        state=state,
        last=last,
        first_seconds=0.0,
        finder=PasteFinder(recent=(last,), in_paste=True, since_seconds=700.0, room_celsius=21.0),
        estimate=belief(celsius, spread, per_second),
        dip_seconds=700.0,
        batch_seconds=700.0,
        stirred_seconds=NOW,
        proof=PasteProof(shown=True),
        called=state is DishState.READY,
    )


def ticked(
    one: Dish, seconds: float = NOW, settings: DishSettings = SETTINGS, times: int = 1
) -> tuple[Dish, list[Effect]]:
    made: list[Effect] = []
    for _ in range(times):
        one, effects = dish.dish_ticked(settings, one, seconds)
        made += effects
    return one, made


def state_of(one: Dish, seconds: float = NOW, settings: DishSettings = SETTINGS) -> DishState:
    return ticked(one, seconds, settings)[0].state


def proven(one: Dish, since: float = NOW - 3.0) -> Dish:
    return replace(one, conforms_since=since)


def cues(effects: list[Effect]) -> list[Cue]:
    return [effect.cue for effect in effects if isinstance(effect, Cued)]


def test_ready_needs_its_proof_to_hold_for_a_second_reading() -> None:
    begun, _ = ticked(bowl())
    assert begun.state is DishState.HOT or begun.state is DishState.COOL
    assert begun.conforms_since == NOW
    assert state_of(begun, NOW + 0.9) is not DishState.READY
    assert state_of(begun, NOW + 1.0) is DishState.READY


@pytest.mark.parametrize(
    ("celsius", "ready"), [(37.0, True), (37.83, True), (37.85, False), (36.3, True), (36.2, False)]
)
def test_ready_means_in_the_band_with_ninety_five_percent(celsius: float, ready: bool) -> None:
    """Known to 0.1 °C by a probe good to 0.1 (k = 1): 0.141 together, times 1.645 are 0.23 °C over the lower edge.

    The errors are skewed (`WARMER_SHARE`): 0.7 of it, 0.16 °C, under the upper one.
    """
    assert (state_of(proven(bowl(celsius))) is DishState.READY) is ready


def test_probability_is_that_of_two_half_normal_distributions_within_the_band() -> None:
    for celsius in (36.1, 37.0, 37.9, 38.3):
        known = known_of(SETTINGS, bowl(celsius))
        assert known is not None
        spread = math.hypot(0.1, 0.1)
        not_warmer = 0.5 * (1.0 + math.erf((38.0 - celsius) / (WARMER_SHARE * spread) / 2**0.5))
        inside = not_warmer - 0.5 * (1.0 + math.erf((36.0 - celsius) / spread / 2**0.5))
        assert (known.celsius, known.spread, known.probability) == pytest.approx((celsius, spread, inside))
    assert known_of(SETTINGS, Dish()) is None


def test_once_lost_ready_asks_for_half_the_doubt() -> None:
    """97.5 % instead of 95 %: 0.194 instead of 0.163 °C under the edge."""
    lost = replace(bowl(37.82), ready_lost=True)
    assert ticked(replace(lost, ready_lost=False))[0].conforms_since == NOW
    assert ticked(lost)[0].conforms_since is None
    assert ticked(replace(bowl(37.8), ready_lost=True))[0].conforms_since == NOW


def test_ready_stays_as_long_as_its_probability_does() -> None:
    """No proof that holds is asked for again, nor calm readings."""
    assert state_of(bowl(37.5, state=DishState.READY)) is DishState.READY
    assert state_of(bowl(37.9, state=DishState.READY)) is not DishState.READY
    wild = bowl(37.5, state=DishState.READY)
    assert wild.estimate is not None
    surprised = replace(wild, estimate=replace(wild.estimate, surprise=3.5))
    assert state_of(surprised) is DishState.READY


@pytest.mark.parametrize("surprise", [3.0, -3.0])
def test_a_surprised_estimate_calls_nobody(surprise: float) -> None:
    one = proven(bowl())
    assert one.estimate is not None
    assert state_of(replace(one, estimate=replace(one.estimate, surprise=surprise))) is not DishState.READY
    assert state_of(replace(one, estimate=replace(one.estimate, surprise=0.99 * surprise))) is DishState.READY


@pytest.mark.parametrize(("per_second", "ready"), [(0.049, True), (0.051, False), (-0.2, True)])
def test_a_reading_that_climbs_fast_calls_nobody(per_second: float, ready: bool) -> None:
    """Faster than a bath warms paste: hot water is being stirred in, or the probe has not followed yet."""
    recent = tuple(Reading("spoon", NOW - n, 37.0 - per_second * n) for n in range(7, -1, -1))
    one = proven(bowl())
    one = replace(one, finder=replace(one.finder, recent=recent), last=recent[-1])
    assert (state_of(one) is DishState.READY) is ready
    assert state_of(replace(one, finder=replace(one.finder, since_seconds=NOW - 59.0))) is DishState.READY


@pytest.mark.parametrize(("celsius", "ready"), [(35.79, False), (35.81, True), (38.19, True), (38.21, False)])
def test_a_reading_far_outside_the_band_calls_nobody(celsius: float, ready: bool) -> None:
    """The mean is believed to be 37 °C; the tip may lie a fifth of a degree outside the band, no more."""
    one = replace(proven(bowl()), last=Reading("spoon", NOW, celsius))
    assert (state_of(one) is DishState.READY) is ready


@pytest.mark.parametrize(("celsius", "ready"), [(34.9, False), (35.1, True), (38.19, True), (38.21, False)])
def test_soon_after_a_dip_the_reading_may_lag_by_a_degree(celsius: float, ready: bool) -> None:
    """From below, as a probe out of the air does."""
    one = replace(proven(bowl()), last=Reading("spoon", NOW, celsius))
    for since, so_soon in ((59.0, True), (60.0, False)):
        dipped = replace(one, finder=replace(one.finder, since_seconds=NOW - since))
        expected = ready and (so_soon or celsius > 35.8)
        assert (state_of(dipped) is DishState.READY) is expected


def test_each_doubt_takes_ready_away() -> None:
    ready = bowl(state=DishState.READY)
    assert state_of(ready) is DishState.READY
    episode = Episode(seconds=NOW - 5.0, latest_seconds=NOW - 5.0, reading_celsius=37.0, mean_celsius=37.0, upward=True)
    doubts = {
        DishState.UNKNOWN: replace(ready, finder=replace(ready.finder, episode=episode)),
        DishState.AWAY: replace(ready, finder=replace(ready.finder, in_paste=False)),
        DishState.UNEVEN: replace(ready, evenness=Evenness(uneven_since=NOW - 20.0, evidence_seconds=NOW - 20.0)),
    }
    for state, one in doubts.items():
        after, effects = ticked(one)
        assert after.state is state
        assert cues(effects) == [Cue.NOT_READY]
        assert after.ready_lost is (state is not DishState.AWAY)


def test_paste_known_to_a_degree_and_a_half_is_still_settling() -> None:
    # 1.49 and 1.51 °C together with the probe's 0.1.
    assert "settling" in ticked(bowl(45.0, spread=math.sqrt(1.51**2 - 0.01)))[0].why
    assert "settling" not in ticked(bowl(45.0, spread=math.sqrt(1.49**2 - 0.01)))[0].why


def test_a_band_that_the_uncertainty_eats_up_proves_nothing() -> None:
    """Two degrees of band: 1 / 1.645 = 0.608 °C is the most."""
    assert "band this narrow" in ticked(bowl(spread=math.sqrt(0.62**2 - 0.01)))[0].why
    assert "band this narrow" not in ticked(bowl(spread=math.sqrt(0.60**2 - 0.01)))[0].why


def test_hot_and_cool_are_told_by_the_middle_of_the_band() -> None:
    assert state_of(bowl(37.05)) is DishState.HOT
    assert state_of(bowl(36.95)) is DishState.COOL


def test_uptake_counts_from_the_batch_to_its_second() -> None:
    slow = replace(SETTINGS, uptake_seconds=120.0)
    one = replace(proven(bowl()), batch_seconds=NOW - 119.9)
    assert state_of(one, settings=slow) is DishState.UPTAKE
    assert state_of(replace(one, batch_seconds=NOW - 120.0), settings=slow) is DishState.READY
    assert state_of(replace(one, batch_seconds=None), settings=slow) is DishState.READY


def test_a_batch_is_old_after_its_limit() -> None:
    one = bowl(state=DishState.READY)
    limit = replace(SETTINGS, batch_limit_seconds=300.0)
    assert state_of(one, NOW, limit) is DishState.READY
    assert state_of(replace(one, batch_seconds=699.9), NOW, limit) is DishState.OLD


def test_a_reading_is_late_after_its_time_and_a_tick_says_so_once() -> None:
    one = bowl(state=DishState.READY)
    assert state_of(one, NOW + 5.0) is DishState.READY
    late, effects = ticked(one, NOW + 5.1)
    assert (late.state, late.fault, late.late) == (DishState.UNKNOWN, FaultKind.LATE, True)
    assert Noted(seconds=NOW + 5.1, probe="spoon", what=Note.PROBE_FAULT, fault=FaultKind.LATE) in effects
    _, again = ticked(late, NOW + 6.0)
    assert not any(isinstance(effect, Noted) for effect in again)
    assert ticked(Dish(), NOW + 500.0)[0].fault is None  # nothing was ever read


def test_a_fault_is_noted_once_a_kind_and_its_end_too() -> None:
    one = bowl(state=DishState.READY)
    notes = []
    for seconds, kind in ((1.0, FaultKind.CRC_ERROR), (2.0, FaultKind.CRC_ERROR), (3.0, FaultKind.NO_RESPONSE)):
        one, effects = dish.dish_observed(SETTINGS, one, Fault("spoon", NOW + seconds, kind))
        notes += [effect for effect in effects if isinstance(effect, Noted)]
    assert [note.fault for note in notes] == [FaultKind.CRC_ERROR, FaultKind.NO_RESPONSE]
    one, effects = dish.dish_observed(SETTINGS, one, Reading("spoon", NOW + 4.0, 37.0))
    assert [effect.what for effect in effects if isinstance(effect, Noted)] == [Note.PROBE_OK]
    assert (one.fault, one.late) == (None, False)
    _, effects = dish.dish_observed(SETTINGS, one, Reading("spoon", NOW + 5.0, 37.0))
    assert not any(isinstance(effect, Noted) for effect in effects)


def test_a_fault_is_a_condition_while_the_probe_is_in_the_paste() -> None:
    faulty = replace(bowl(), fault=FaultKind.CRC_ERROR, failed=True)
    assert dish.conditions(SETTINGS, faulty) == {Condition.PROBE_FAULT}
    assert dish.conditions(SETTINGS, replace(faulty, finder=replace(faulty.finder, in_paste=False))) == frozenset()
    assert dish.conditions(SETTINGS, bowl()) == frozenset()


def test_scalding_is_43_degrees_in_a_dish_that_was_called_ready() -> None:
    """43 °C burn a crop (husbandry handbooks); before the call the keeper expects it hot."""
    for celsius, called, scalds in ((43.0, True, True), (42.9, True, False), (43.0, False, False)):
        one = replace(bowl(celsius), was_called_ready=called)
        assert dish.scalding(SETTINGS, one) is scalds
    one = replace(bowl(45.0), was_called_ready=True)
    assert not dish.scalding(SETTINGS, replace(one, finder=replace(one.finder, in_paste=False)))
    assert not dish.scalding(SETTINGS, replace(one, last=None))
    assert dish.conditions(SETTINGS, one) == {Condition.SCALDING}


def test_a_new_batch_forgets_that_the_old_one_was_called_ready() -> None:
    one, effects = dish.start_batch(SETTINGS, replace(bowl(), was_called_ready=True), NOW)
    assert effects[0] == BatchStarted(NOW, "supper", Origin.CONTROL)
    assert not one.was_called_ready
    assert one.batch_seconds == NOW


# --- the window's end, and the stir


def closes(celsius: float, per_second: float, seconds: float = NOW, cued: bool = False) -> bool:
    one = replace(bowl(celsius, per_second=per_second, state=DishState.READY), closing_cued=cued)
    after, effects = ticked(one, seconds)
    assert after.state is DishState.READY
    return Cue.CLOSING in cues(effects)


def test_the_last_half_minute_is_announced_at_the_edge_that_the_paste_moves_to() -> None:
    """0.2327 °C of guard inside the edge; at 0.01 °C a second 30 s are 0.3 °C."""
    guard = Z * math.hypot(0.1, 0.1)
    assert closes(36.0 + guard + 0.29, -0.01)
    assert not closes(36.0 + guard + 0.31, -0.01)
    assert closes(38.0 - guard - 0.29, 0.01)
    assert not closes(38.0 - guard - 0.31, 0.01)
    assert not closes(36.0 + guard + 0.29, 0.01)
    assert not closes(36.0 + guard + 0.05, -1e-6)  # it stands still
    assert not closes(36.0 + guard + 0.29, -0.01, cued=True)


def test_the_announcement_is_made_once_and_again_after_another_ready() -> None:
    one, _ = ticked(bowl(36.4, per_second=-0.01, state=DishState.READY))
    assert one.closing_cued
    assert ticked(one, NOW + 1.0)[0].closing_cued
    left, _ = ticked(replace(one, estimate=belief(35.5)), NOW + 2.0)
    assert not left.closing_cued


def stir_asked(one: Dish, seconds: float = NOW) -> bool:
    return Cue.STIR in cues(ticked(one, seconds)[1])


@pytest.mark.parametrize(
    ("celsius", "asked"), [(35.99, False), (36.01, True), (37.0, True), (38.39, True), (38.41, False)]
)
def test_a_stir_is_asked_for_near_the_band_where_it_can_settle_the_matter(celsius: float, asked: bool) -> None:
    one = replace(bowl(celsius), stirred_seconds=NOW - 45.0)
    assert stir_asked(one) is asked


def test_a_stir_is_asked_for_when_the_last_one_is_three_quarters_of_a_minute_ago() -> None:
    one = replace(bowl(38.2), stirred_seconds=NOW - 44.9)
    assert not stir_asked(one)
    assert stir_asked(one, NOW + 0.1)
    assert not stir_asked(replace(one, stirred_seconds=None), NOW + 0.1)
    asked, _ = ticked(one, NOW + 0.1)
    assert asked.stir_cued_seconds == NOW + 0.1
    again = replace(asked, last=Reading("spoon", NOW + 58.0, 38.2))
    assert not stir_asked(again, NOW + 60.0)
    assert stir_asked(again, NOW + 60.2)


def test_no_stir_is_asked_for_while_something_is_wrong() -> None:
    one = replace(bowl(38.2), stirred_seconds=NOW - 100.0)
    assert stir_asked(one)
    wrong = (
        replace(one, fault=FaultKind.CRC_ERROR),
        replace(one, finder=replace(one.finder, in_paste=False)),
        replace(
            one,
            finder=replace(
                one.finder,
                episode=Episode(
                    seconds=NOW - 40.0, latest_seconds=NOW - 40.0, reading_celsius=38.0, mean_celsius=38.0, upward=True
                ),
            ),
        ),
        replace(one, evenness=Evenness(uneven_since=NOW - 20.0, evidence_seconds=NOW - 20.0)),
    )
    assert not any(stir_asked(each) for each in wrong)
    assert not stir_asked(replace(bowl(state=DishState.READY), stirred_seconds=NOW - 100.0))


def test_ready_is_called_once_and_told_with_what_is_known() -> None:
    after, effects = ticked(proven(bowl(37.2)))
    assert cues(effects) == [Cue.READY]
    (changed,) = [effect for effect in effects if isinstance(effect, DishChanged)]
    assert (changed.state, changed.previous) == (DishState.READY, DishState.HOT)
    half = Z * math.hypot(0.1, 0.1)
    assert changed.estimate_celsius is not None
    assert astuple(changed.estimate_celsius) == pytest.approx((37.2, 37.2 - half, 37.2 + half))
    assert after.was_called_ready
    assert cues(ticked(after, NOW + 1.0)[1]) == []


def test_the_estimate_is_told_every_ten_seconds_and_at_each_change() -> None:
    def told(effects: list[Effect]) -> bool:
        return any(isinstance(effect, DishEstimated) for effect in effects)

    one = replace(bowl(45.0), estimate_seconds=NOW - 9.9)
    assert not told(ticked(one)[1])
    assert told(ticked(one, NOW + 3.0)[1])
    after, effects = ticked(one, NOW + 0.1)
    assert told(effects)
    assert after.estimate_seconds == NOW + 0.1
    assert told(ticked(replace(one, state=DishState.COOL))[1])
    assert told(ticked(replace(one, estimate_seconds=None))[1])
    assert not told(ticked(replace(one, estimate=None, estimate_seconds=None))[1])


# --- the proof that rests


def followed(one: Dish, celsius: float, seconds: float = NOW + 1.0) -> Dish:
    return dish.dish_observed(SETTINGS, one, Reading("spoon", seconds, celsius))[0]


def cooled(
    celsius: float, per_second: float, then: float | None, probability: float = 0.999
) -> tuple[float | None, float]:
    one = replace(bowl(celsius, 0.4, per_second), cooled_celsius=then, cooled_probability=probability)
    after = followed(one, celsius)
    return after.cooled_celsius, after.cooled_probability


def test_paste_that_cools_untouched_stays_as_cool_as_it_was_proven_to_be() -> None:
    assert cooled(37.5, -0.005, 37.51) == (37.51, 0.999)


def test_a_rise_or_a_stand_ends_that_proof() -> None:
    for celsius, per_second, then in ((37.5, -0.005, 37.4), (37.5, -1e-4, 37.51), (37.5, 0.005, 37.51)):
        found, probability = cooled(celsius, per_second, then)
        assert found == pytest.approx(celsius, abs=0.05)
        assert probability < 0.999
    found, probability = cooled(37.5, -0.005, None)
    assert probability < 0.999


def test_a_better_proof_takes_the_place_of_the_old_one() -> None:
    found, probability = cooled(36.5, -0.005, 37.0, 0.9)
    assert found == pytest.approx(36.5, abs=0.05)
    assert probability > 0.99


def test_the_proof_counts_into_the_probability() -> None:
    blurred = bowl(37.8, spread=0.5)
    with_proof = replace(blurred, cooled_celsius=37.5, cooled_probability=0.99)
    before, after = known_of(SETTINGS, blurred), known_of(SETTINGS, with_proof)
    assert before is not None
    assert after is not None
    assert before.probability < 0.75
    assert after.probability > 0.98
    not_cooler = 0.5 * (1 + math.erf((37.8 - 36.0) / math.hypot(0.5, 0.1) / 2**0.5))
    assert after.probability == pytest.approx(0.99 - (1 - not_cooler), abs=1e-6)


# --- silences and dips


def test_after_a_silence_the_paste_may_be_anything_and_after_a_long_one_nobody_knows_where_the_probe_is() -> None:
    bridged = followed(bowl(), 37.0, NOW + 120.0)
    assert bridged.estimate is not None
    assert bridged.estimate.spread_celsius < 1.0
    opened = followed(bowl(), 37.0, NOW + 121.0)
    assert opened.estimate is not None
    assert opened.estimate.unsettled_until > NOW + 121.0
    assert bridged.estimate.unsettled_until == -math.inf
    assert followed(bowl(), 37.0, NOW + 600.0).finder.in_paste
    lost = followed(bowl(), 37.0, NOW + 600.1)
    assert not lost.finder.in_paste
    assert lost.estimate is None
    assert lost.finder.room_celsius == 21.0


def into_paste(one: Dish, start: float, settings: DishSettings = SETTINGS) -> tuple[Dish, list[Effect]]:
    """Ten seconds of air, then paste of 45 °C by a probe of 5 s."""
    made: list[Effect] = []
    for n in range(20):
        t = n - 10.0
        celsius = 21.0 if t < 0 else 45.0 - 24.0 * math.exp(-t / 5.0)
        one, effects = dish.dish_observed(settings, one, Reading("spoon", start + n, celsius))
        made += effects
    return one, made


def test_a_dip_is_noted_and_begins_a_batch_where_there_was_none() -> None:
    one, effects = into_paste(Dish(), 0.0)
    assert [effect.what for effect in effects if isinstance(effect, Noted)] == [Note.DIP]
    assert one.dip_seconds is not None
    assert BatchStarted(one.dip_seconds, "supper", Origin.DAEMON) in effects
    assert one.batch_seconds == one.dip_seconds
    assert one.first_seconds == 0.0
    assert one.finder.in_paste
    assert one.finder.since_seconds == one.dip_seconds


@pytest.mark.parametrize(("away", "is_new"), [(590.0, False), (620.0, True)])
def test_a_dip_after_ten_minutes_away_is_a_new_batch(away: float, is_new: bool) -> None:
    lifted = Dish(batch_seconds=0.0, lift_seconds=1000.0, finder=PasteFinder(room_celsius=21.0))
    one, effects = into_paste(lifted, 1000.0 + away - 12.0)
    assert any(isinstance(effect, BatchStarted) for effect in effects) is is_new
    assert (one.batch_seconds != 0.0) is is_new


def test_a_measured_time_constant_is_used() -> None:
    one, _ = into_paste(Dish(), 0.0, replace(SETTINGS, time_constant_seconds=5.0))
    assert one.estimate is not None
    assert {r.time_constant_seconds for r in one.estimate.bank} <= {0.85 * 5.0, 5.0, 1.18 * 5.0}
    assert one.estimate.room_celsius == pytest.approx(21.0)


@pytest.mark.parametrize("probability", [0.5, 1.0, 0.2])
def test_a_probability_that_proves_nothing_is_refused(probability: float) -> None:
    with pytest.raises(DataError, match=r"between 0\.5 and 1"):
        usual_dish(name="supper", probe="spoon", probability=probability)


@pytest.mark.parametrize("uncertainty", [0.0, -0.1])
def test_a_probe_without_uncertainty_is_refused(uncertainty: float) -> None:
    with pytest.raises(DataError, match="uncertainty above 0"):
        usual_dish(name="supper", probe="spoon", uncertainty_celsius=uncertainty)


# --- what is shown


def test_the_view_shows_band_estimate_and_ages() -> None:
    slow = replace(SETTINGS, uptake_seconds=400.0, band=Band(36.0, 38.0))
    shown = dish_seen(slow, bowl(39.0), NOW)
    assert (shown.uptake_left_seconds, shown.age_seconds) == (100.0, 300.0)
    half = Z * math.hypot(0.1, 0.1)
    assert shown.estimate_celsius is not None
    assert astuple(shown.estimate_celsius) == pytest.approx((39.0, 39.0 - half, 39.0 + half))
    assert shown.reading_celsius == 39.0
    assert shown.outlook.ready_in_seconds is not None
    # One degree at 0.005 °C a second, a little longer as it slows down and as paste at rest loses less than usual.
    assert shown.outlook.ready_in_seconds.middle == pytest.approx(18.0 * math.log(18.0 / 17.0) / 0.005, rel=0.1)
    assert shown.uncertainty_celsius == 0.2
    faulty = dish_seen(slow, replace(bowl(39.0), fault=FaultKind.CRC_ERROR), NOW + 500.0)
    assert faulty.reading_celsius is None
    assert faulty.uptake_left_seconds == 0.0


def test_the_words_say_what_is_known() -> None:
    assert "about 37.2 °C, in 36" in ticked(proven(bowl(37.2)))[0].why
    assert "100 % certainty" in ticked(proven(bowl(37.2)))[0].why
    assert ticked(bowl(39.0))[0].why == "about 39.0 °C: too hot"
    assert ticked(bowl(35.0))[0].why == "about 35.0 °C: too cool"
    # Within the band, but not proven: 1.645 times 0.141.
    assert ticked(bowl(37.9))[0].why == "about 37.9 °C, but known only to 0.2 °C: stir, or wait"


def test_a_stir_that_is_seen_counts() -> None:
    """Two filters of one mind, stirred with a probability of nine tenths."""
    one = bowl(45.0)
    assert one.estimate is not None
    stirred, resting, rim = one.estimate.bank
    for share, counts in ((0.97, True), (0.05, False)):
        bank = (stirred.weighing(share), resting.weighing(1.0 - share), rim.weighing(0.0))
        after = followed(replace(one, stirred_seconds=500.0, estimate=replace(one.estimate, bank=bank)), 45.0)
        assert (after.stirred_seconds == NOW + 1.0) is counts


def test_a_surprise_of_any_size_over_three_calls_nobody() -> None:
    one = proven(bowl())
    assert one.estimate is not None
    for surprise in (3.5, 8.0, -20.0):
        assert state_of(replace(one, estimate=replace(one.estimate, surprise=surprise))) is not DishState.READY


@pytest.mark.parametrize(("since", "found"), [(20.0, False), (300.0, True)])
def test_a_climb_right_after_the_dip_is_no_hot_spot(since: float, found: bool) -> None:
    """The probe itself climbs then; later the same climb is a lump."""

    def celsius(t: float) -> float:
        return 44.0 - 0.01 * t if t < 25.0 else 43.75 + 0.65 * (1.0 - math.exp(-(t - 25.0) / 2.5))

    recent = tuple(Reading("spoon", NOW - 40.0 + t, celsius(float(t))) for t in range(40))
    one = bowl(44.4)
    finder = replace(one.finder, recent=recent, since_seconds=NOW - since)
    later = followed(replace(one, finder=finder, last=recent[-1]), celsius(41.0), NOW + 1.0)
    assert (later.evenness.uneven_since is not None) is found


def test_silence_is_counted_from_the_last_reading() -> None:
    one = bowl()
    recent = tuple(Reading("spoon", NOW - 39.0 + n, 37.0) for n in range(40))
    after = followed(replace(one, finder=replace(one.finder, recent=recent)), 37.0, NOW + 100.0)
    assert after.estimate is not None
    assert after.estimate.unsettled_until == -math.inf


def test_the_view_counts_the_probes_own_uncertainty_by_half() -> None:
    """It is an expanded one (k = 2); a verdict's guard band is one again, but what is proven to be ready is in it."""
    one = bowl(39.0)
    assert one.estimate is not None
    ahead = look_ahead(one.estimate, SETTINGS.band, 0.1)
    assert ahead.ready_in_seconds is not None
    assert dish_seen(SETTINGS, one, NOW).outlook == ahead
    for celsius, said in (
        (37.0, Verdict.IN_BAND),
        (37.8, Verdict.IN_BAND),
        (37.9, Verdict.IN_NOT_PROVEN),
        (36.25, Verdict.IN_BAND),
        (36.2, Verdict.IN_NOT_PROVEN),
        (38.2, Verdict.OUT_NOT_PROVEN),
        (38.4, Verdict.OUT_OF_BAND),
    ):
        assert dish_seen(SETTINGS, bowl(celsius), NOW).verdict is said


def test_the_late_end_is_never_later_than_the_horizon() -> None:
    """Paste that creeps towards the band: at the 95th percentile it takes more than two hours."""
    one = bowl(38.3, spread=1.2, per_second=-2e-4)
    assert one.estimate is not None
    late = look_ahead(one.estimate, SETTINGS.band, 0.1).ready_in_seconds
    assert late is not None
    assert late.high == 7200.0
