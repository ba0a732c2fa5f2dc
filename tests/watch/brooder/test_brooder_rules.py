"""A brooder's machine piece by piece: smoothing, delays, words, what is remembered, the band that follows a plan."""

from dataclasses import replace
from datetime import date

import pytest

from sensord.care.brooding import make_plan
from sensord.config.folders import load_profile
from sensord.physics.conformity import Verdict
from sensord.readings import Band, Fault, FaultKind, Interval, Reading
from sensord.watch.brooder.air_watch import (
    Brooder,
    air_observed,
    air_ticked,
    brooder_seen,
    first_brooder,
    gap,
    set_stage,
)
from sensord.watch.brooder.band import Limit
from sensord.watch.brooder.brooder_rules import BrooderSettings, Outcome, warm_rules
from sensord.watch.brooder.contact import Fall, Touch
from sensord.watch.brooder.forecast import AirOutlook as Ahead
from sensord.watch.brooder.forecast import Course, TrendPace
from sensord.watch.brooder.side import Level, Side
from sensord.watch.brooder.trend import Swing, Trend
from sensord.watch.conditions import Condition, ConditionChanged
from sensord.watch.effects import BandMoved, Forecast, Note, Noted
from tests.helpers.usual import usual_brooder

SETTINGS = usual_brooder(name="nest", probes=("air",), band=Band(33.0, 36.0))
HATCHED_SECONDS = 1_777_593_600.0  # 2026-05-01T00:00:00Z


def breathe(
    celsius: float, seconds: float, brooder: Brooder | None = None, settings: BrooderSettings = SETTINGS
) -> tuple[Brooder, tuple[Outcome, ...]]:
    return air_observed(settings, brooder or first_brooder(settings), Reading("air", seconds, celsius))


def over(celsius: float, start: int, stop: int, brooder: Brooder | None = None) -> tuple[Brooder, list[Outcome]]:
    found: list[Outcome] = []
    for seconds in range(start, stop, 5):
        brooder, outcomes = breathe(celsius, float(seconds), brooder)
        found += outcomes
    assert brooder is not None
    return brooder, found


def conditions(outcomes: list[Outcome] | tuple[Outcome, ...]) -> list[tuple[Condition, bool]]:
    return [(each.condition, each.standing) for each in outcomes if isinstance(each, ConditionChanged)]


def test_the_air_is_smoothed_over_fifteen_seconds() -> None:
    brooder, _ = breathe(34.0, 0.0)
    assert brooder.celsius == 34.0
    after, _ = breathe(35.0, 5.0, brooder)
    assert after.celsius == pytest.approx(34.0 + 5.0 / 15.0)
    later, _ = breathe(35.0, 30.0, brooder)
    assert later.celsius == 35.0


def test_after_a_minute_without_a_reading_the_air_begins_anew() -> None:
    brooder, _ = breathe(34.0, 0.0)
    long = replace(SETTINGS, late_seconds=300.0)
    bridged = breathe(30.0, 60.0, brooder, long)[0]
    assert bridged.celsius == 30.0
    assert bridged.trend.bins == (34.0,)
    quick = breathe(30.0, 6.0, brooder, long)[0]
    for seconds in (60.1, 100.0, 5000.0):
        after = breathe(31.0, 6.0 + seconds, quick, long)[0]
        assert after.celsius == 31.0


@pytest.mark.parametrize("seconds", [5.0, 59.0])
def test_a_fault_moves_the_air_not_at_all(seconds: float) -> None:
    brooder, _ = breathe(34.0, 0.0)
    after, outcomes = air_observed(SETTINGS, brooder, Fault("air", seconds, FaultKind.CRC_ERROR))
    assert after.celsius == 34.0
    assert outcomes == ()


def test_danger_above_is_a_degree_and_a_half_over_the_band_or_any_published_set_point() -> None:
    """38.5 °C, whichever is lower, and never less than half a degree."""
    for high, danger in ((36.0, 1.5), (37.0, 1.5), (37.5, 1.0), (38.0, 0.5), (38.4, 0.5)):
        assert warm_rules(SETTINGS, Band(33.0, high)).danger_celsius == pytest.approx(danger)
    rules = warm_rules(SETTINGS, SETTINGS.band)
    assert rules.deep_celsius == 0.5
    assert (rules.deep_seconds, rules.shallow_seconds) == (SETTINGS.warm_delay_seconds, SETTINGS.on_delay_seconds)
    assert rules.danger_seconds == SETTINGS.warm_delay_seconds


def test_the_settings_reach_the_rules() -> None:
    settings = usual_brooder(
        name="nest",
        probes=("air", "floor"),
        band=Band(33.0, 36.0),
        deadband_celsius=0.4,
        on_delay_seconds=111.0,
        off_delay_seconds=55.0,
        danger_cold_celsius=2.5,
        late_seconds=22.0,
        disagree_celsius=1.7,
        disagree_delay_seconds=99.0,
    )
    cold = settings.cold
    assert (cold.deep_seconds, cold.shallow_seconds, cold.danger_seconds) == (111.0, 111.0, 111.0)
    assert (cold.danger_celsius, cold.deadband_celsius, cold.off_seconds) == (2.5, 0.4, 55.0)
    disagree = settings.company.disagree
    assert (disagree.limit_celsius, disagree.deadband_celsius) == (1.7, 0.4)
    assert (disagree.on_delay_seconds, disagree.off_delay_seconds) == (99.0, 55.0)
    assert (disagree.longest_gap_seconds, settings.company.late_seconds) == (22.0, 22.0)


def standing(brooder: Brooder, seconds: float = 10.0) -> frozenset[Condition]:
    return air_ticked(SETTINGS, brooder, seconds)[0].standing


def quiet() -> Brooder:
    return breathe(34.0, 0.0)[0]


def test_each_level_of_either_side_has_its_condition() -> None:
    for level, cold, warm in (
        (Level.OUT, Condition.TOO_COLD, Condition.TOO_WARM),
        (Level.DANGER, Condition.DANGEROUSLY_COLD, Condition.DANGEROUSLY_WARM),
    ):
        assert standing(replace(quiet(), cold=Side(level=level))) == {cold}
        assert standing(replace(quiet(), warm=Side(level=level))) == {warm}
    assert standing(quiet()) == frozenset()


def test_losing_heat_is_said_while_nothing_worse_is() -> None:
    losing = replace(quiet(), heading=Condition.LOSING_HEAT)
    assert standing(losing) == {Condition.LOSING_HEAT}
    assert standing(replace(losing, cold=Side(level=Level.OUT))) == {Condition.TOO_COLD}


def test_what_is_remembered_for_a_while_ends_at_its_second() -> None:
    chick = replace(quiet(), chick_until_seconds=20.0)
    stopped = replace(quiet(), gap_until_seconds=20.0)
    for seconds, stands in ((19.9, True), (20.0, False), (500.0, False)):
        assert (Condition.CHICK_ON_PROBE in standing(chick, seconds)) is stands
        assert (Condition.POWER_GAP in standing(stopped, seconds)) is stands


def test_a_displaced_probe_and_probes_apart_stand() -> None:
    assert standing(replace(quiet(), fall=Fall(0.0, 34.0, 32.0))) == frozenset()
    assert standing(replace(quiet(), fall=Fall(0.0, 34.0, 32.0, True))) == {Condition.PROBE_DISPLACED}
    apart = replace(quiet(), company=replace(quiet().company, disagree=Limit(True)))
    assert standing(apart) == {Condition.PROBES_DISAGREE}


def test_what_goes_is_told_before_what_comes() -> None:
    was = replace(quiet(), cold=Side(level=Level.DANGER), standing=frozenset({Condition.TOO_COLD}))
    _, outcomes = air_ticked(SETTINGS, was, 10.0)
    assert conditions(outcomes) == [(Condition.TOO_COLD, False), (Condition.DANGEROUSLY_COLD, True)]
    (gone, _) = outcomes
    assert isinstance(gone, ConditionChanged)
    assert (gone.seconds, gone.place, gone.celsius) == (10.0, "nest", 34.0)


def test_a_stop_begins_the_delays_anew_and_keeps_what_was_learned() -> None:
    brooder, _ = over(34.5, 0, 1500)
    brooder = replace(
        brooder,
        chick_until_seconds=9999.0,
        cold=Side(level=Level.OUT),
        touch=Touch(0.0, 34.0, 38.0),
        fall=Fall(0.0, 34.0, 32.0),
    )
    after, outcomes = gap(SETTINGS, brooder, 5000.0, 3500.0)
    assert (after.cold, after.warm, after.touch, after.fall) == (Side(), Side(), None, None)
    assert after.trend == brooder.trend
    assert after.chick_until_seconds == 9999.0
    assert after.course == Course(beyond_until=5000.0)
    assert after.gap_until_seconds == 5000.0 + SETTINGS.gap_shown_seconds
    assert after.celsius is None
    assert outcomes[0] == Noted(seconds=5000.0, probe="air", what=Note.POWER_GAP, gap_seconds=3500.0)


def outlook(pace: TrendPace, cold: bool = True) -> Ahead:
    return Ahead(cold=cold, in_seconds=Interval(300.0, 100.0, 500.0), pace=pace)


def test_the_view_says_where_the_air_is_going() -> None:
    for cold, words in ((True, "colder"), (False, "warmer")):
        shown = brooder_seen(SETTINGS, replace(quiet(), course=Course(outlook=outlook(TrendPace.SLOW, cold))), 5.0)
        assert (shown.heading, shown.leaves_band_in_seconds) == (words, 300.0)
    plain = brooder_seen(SETTINGS, quiet(), 5.0)
    assert (plain.heading, plain.leaves_band_in_seconds) == ("", None)


def test_the_view_shows_air_until_it_is_late() -> None:
    late = SETTINGS.late_seconds
    assert brooder_seen(SETTINGS, quiet(), late).celsius == 34.0
    assert brooder_seen(SETTINGS, quiet(), late + 0.1).celsius is None
    assert brooder_seen(SETTINGS, breathe(37.0, 0.0)[0], 1.0).verdict is Verdict.OUT_OF_BAND
    assert brooder_seen(SETTINGS, first_brooder(SETTINGS), 1.0).verdict is None


def test_the_view_says_what_seems_to_be_at_the_probe() -> None:
    touched = brooder_seen(SETTINGS, replace(quiet(), touch=Touch(0.0, 34.0, 38.0)), 5.0)
    assert any("chick seems to lie" in note for note in touched.notes)
    fallen = brooder_seen(SETTINGS, replace(quiet(), fall=Fall(0.0, 34.0, 32.0, True)), 5.0)
    assert any("fallen out" in note for note in fallen.notes)
    open_fall = brooder_seen(SETTINGS, replace(quiet(), fall=Fall(0.0, 34.0, 32.0)), 5.0)
    assert open_fall.notes == ()
    assert brooder_seen(SETTINGS, first_brooder(SETTINGS), 5.0).notes == ("0 of 1 probes answer",)


# --- where the air goes


def looked(brooder: Brooder, speed: float, bins: int = 9, seconds: int = 5000) -> tuple[Brooder, list[Outcome]]:
    """Air that falls by so much a second, read every ten seconds, in a box whose usual swing is 34.4 to 34.9 °C."""
    brooder = replace(brooder, trend=Trend(swing=Swing(34.4, 34.9, 0.003, 0.003)), course=Course())
    found: list[Outcome] = []
    for n in range(bins + 2):
        brooder, outcomes = breathe(34.4 - speed * 10.0 * n, seconds + 10.0 * n, brooder)
        found += outcomes
    return brooder, found


def test_a_failing_heater_is_foretold_once() -> None:
    _, found = looked(over(34.5, 0, 60)[0], 0.006, bins=14)
    forecasts = [each for each in found if isinstance(each, Forecast)]
    (told,) = forecasts
    assert told.place == "nest"
    assert told.condition is Condition.TOO_COLD
    assert told.in_seconds.low < told.in_seconds.middle < told.in_seconds.high


def test_losing_heat_stands_after_a_minute_of_steady_fall_and_goes_when_the_air_is_back() -> None:
    brooder, _ = over(34.5, 0, 7200)
    stood, gone, celsius = None, None, 34.5
    for n in range(60):
        celsius = 34.39 - 0.02 * n if n < 40 else min(34.6, celsius + 0.1)
        brooder, outcomes = breathe(celsius, 7200.0 + 10.0 * n, brooder)
        for condition, is_true in conditions(outcomes):
            assert condition is Condition.LOSING_HEAT
            stood, gone = (n, gone) if is_true else (stood, n)
    # Eighteen bins make a steady fall, then a minute.
    assert stood is not None
    assert 18 + 6 <= stood <= 18 + 6 + 2
    assert gone is not None
    assert gone > 40


def test_outside_the_band_nothing_is_foretold() -> None:
    brooder, _ = over(34.5, 0, 7200)
    found: list[Outcome] = []
    for n in range(48):  # slower than the thermostat's own pace, past 33.0 °C after six minutes
        brooder, outcomes = breathe(34.5 - 0.04 * n, 7200.0 + 10.0 * n, brooder)
        found += outcomes
        if brooder.cold.outside_since is not None:
            assert not any(isinstance(each, Forecast) for each in outcomes)
            assert brooder.course.outlook is None
    assert any(isinstance(each, Forecast) for each in found)
    assert brooder.course.outside_seconds is not None


# --- the plan


def planned(stage: str | None = None) -> BrooderSettings:
    plan = make_plan(load_profile("synthesis"), () if stage else (date(2026, 5, 1),), stage)
    return replace(SETTINGS, pinned=False, plan=plan)


def moved(outcomes: tuple[Outcome, ...]) -> list[BandMoved]:
    return [each for each in outcomes if isinstance(each, BandMoved)]


def test_the_plan_is_looked_at_every_five_minutes() -> None:
    settings = planned()
    brooder, first = air_ticked(settings, first_brooder(settings), 0.0, HATCHED_SECONDS)
    assert len(moved(first)) == 1
    ten_days = HATCHED_SECONDS + 10 * 86_400
    same, _ = air_ticked(settings, brooder, 299.9, ten_days)
    assert same.banding is brooder.banding
    later, _ = air_ticked(settings, brooder, 300.0, ten_days)
    assert later.banding.looked_seconds == 300.0


def test_a_tenth_of_a_degree_is_worth_telling() -> None:
    settings = planned()
    brooder, _ = air_ticked(settings, first_brooder(settings), 0.0, HATCHED_SECONDS + 9 * 86_400)
    told, last = 0, brooder.banding.band
    for hour in range(1, 73):
        brooder, outcomes = air_ticked(settings, brooder, hour * 3600.0, HATCHED_SECONDS + 9 * 86_400 + hour * 3600.0)
        for each in moved(outcomes):
            apart = max(abs(each.band.low_celsius - last.low_celsius), abs(each.band.high_celsius - last.high_celsius))
            told, last = told + 1, each.band
            assert apart >= 0.1
            assert (each.place, each.pinned) == ("nest", False)
    assert told >= 2
    assert abs(brooder.banding.band.low_celsius - last.low_celsius) < 0.1


def test_a_lost_clock_leaves_the_band_as_it_was() -> None:
    settings = planned()
    brooder, _ = air_ticked(settings, first_brooder(settings), 0.0, HATCHED_SECONDS + 20 * 86_400)
    after, outcomes = air_ticked(settings, brooder, 4000.0, None)
    assert (after.banding.band, after.banding.brooding) == (brooder.banding.band, brooder.banding.brooding)
    assert moved(outcomes) == []


def test_a_stage_that_the_keeper_names_holds_at_the_next_look() -> None:
    settings = planned("naked")
    brooder, _ = air_ticked(settings, first_brooder(settings), 0.0)
    assert brooder_seen(settings, brooder, 0.0).stage == "naked"
    named, outcomes = set_stage(settings, brooder, 10.0, "hatchling")
    assert brooder_seen(settings, named, 10.0).stage == "hatchling"
    assert len(moved(outcomes)) == 1
    early, _ = set_stage(settings, first_brooder(settings), 0.0, "hatchling")
    assert early.banding.stage == "hatchling"


def test_a_pinned_band_follows_nothing() -> None:
    settings = replace(planned(), pinned=True)
    brooder, outcomes = air_ticked(settings, first_brooder(settings), 0.0, HATCHED_SECONDS + 40 * 86_400)
    assert brooder.banding.band == Band(33.0, 36.0)
    assert moved(outcomes) == []
    assert brooder_seen(SETTINGS, quiet(), 1.0).notes == ()
