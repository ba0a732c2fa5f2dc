"""The brooder machine: what stands, and when."""

import math
from collections.abc import Iterable
from dataclasses import replace
from datetime import date

import pytest

from sensord.care.brooding import make_plan
from sensord.config.folders import load_profile
from sensord.errors import CommandError
from sensord.physics.conformity import Verdict
from sensord.readings import Band, Fault, FaultKind, Interval, Observation, Reading
from sensord.watch.brooder.air_watch import (
    Brooder,
    air_observed,
    air_ticked,
    brooder_seen,
    first_brooder,
    gap,
    set_stage,
)
from sensord.watch.brooder.brooder_rules import BrooderSettings, Outcome, warm_rules
from sensord.watch.brooder.contact import CHICK_GUESS, HOTTEST_CHICK_CELSIUS
from sensord.watch.conditions import Condition, ConditionChanged
from sensord.watch.effects import BandMoved, Forecast, Note, Noted
from tests.helpers.usual import usual_brooder

SETTINGS = usual_brooder(name="brooder", probes=("air",), band=Band(33.0, 36.0))
TWO = replace(SETTINGS, probes=("air", "floor"))
HATCHED_SECONDS = 1_777_593_600.0  # 2026-05-01T00:00:00Z


def steady(celsius: float, start: float, stop: float, probe: str = "air") -> list[Observation]:
    return [Reading(probe, float(s), celsius) for s in range(int(start), int(stop), 5)]


def toward(goal: float, start_celsius: float, tau: float, start: int, stop: int) -> list[Observation]:
    """Air or a probe on its way to `goal` with time constant `tau`, in the sensor's sixteenths."""
    return [
        Reading("air", float(s), round((goal + (start_celsius - goal) * math.exp(-(s - start) / tau)) * 16) / 16)
        for s in range(start, stop, 5)
    ]


def all_of(
    observations: Iterable[Observation], settings: BrooderSettings = SETTINGS, brooder: Brooder | None = None
) -> tuple[Brooder, list[Outcome]]:
    brooder = brooder or first_brooder(settings)
    found: list[Outcome] = []
    for observation in observations:
        brooder, outcomes = air_observed(settings, brooder, observation)
        found += outcomes
    return brooder, found


def run(
    observations: Iterable[Observation], settings: BrooderSettings = SETTINGS, brooder: Brooder | None = None
) -> tuple[Brooder, list[ConditionChanged]]:
    brooder, found = all_of(observations, settings, brooder)
    return brooder, [each for each in found if isinstance(each, ConditionChanged)]


def told(changes: list[ConditionChanged]) -> list[tuple[Condition, bool]]:
    return [(change.condition, change.standing) for change in changes]


def test_cold_air_for_longer_than_the_delay_stands_and_goes_when_it_is_warm_again() -> None:
    _, changes = run([*steady(34.0, 0, 600), *steady(32.0, 600, 1200), *steady(34.5, 1200, 1800)])
    assert told(changes) == [(Condition.TOO_COLD, True), (Condition.TOO_COLD, False)]
    assert 600 + SETTINGS.on_delay_seconds <= changes[0].seconds <= 600 + SETTINGS.on_delay_seconds + 30


def test_a_lid_opened_for_a_feed_is_no_alarm() -> None:
    lid = [*toward(26.0, 34.5, 60, 600, 690), *toward(34.5, 28.0, 50, 690, 1500)]
    _, changes = run([*steady(34.5, 0, 600), *lid])
    assert told(changes) == []


def test_danger_stands_in_place_of_the_milder_alarm_where_the_air_falls_far() -> None:
    _, cold = run([*steady(34.0, 0, 300), *steady(29.0, 300, 600)])
    _, warm = run([*steady(34.0, 0, 300), *toward(44.0, 34.0, 400, 300, 600)])
    assert told(cold) == [(Condition.DANGEROUSLY_COLD, True)]
    assert told(warm) == [(Condition.DANGEROUSLY_WARM, True)]
    left = 300 + 400 * math.log(10 / 8)  # where that curve passes 36.0 °C
    assert warm[0].seconds - left < SETTINGS.on_delay_seconds  # heat harms sooner


def test_air_that_gets_worse_while_too_cold_stands_becomes_a_danger() -> None:
    _, changes = run([*steady(34.0, 0, 300), *steady(32.5, 300, 900), *steady(29.5, 900, 1300)])
    assert told(changes) == [
        (Condition.TOO_COLD, True),
        (Condition.TOO_COLD, False),
        (Condition.DANGEROUSLY_COLD, True),
    ]
    assert changes[1].seconds == changes[2].seconds  # never without an alarm in between


def test_a_small_overshoot_after_a_lid_is_no_alarm() -> None:
    _, changes = run([*steady(35.0, 0, 300), *steady(36.3, 300, 470), *steady(35.0, 470, 900)])
    assert told(changes) == []


def test_silence_of_a_probe_stands_as_late() -> None:
    brooder, _ = run(steady(34.0, 0, 100))
    brooder, outcomes = air_ticked(SETTINGS, brooder, 180.0)
    assert outcomes == ()
    brooder, outcomes = air_ticked(SETTINGS, brooder, 190.0)
    assert outcomes == (
        ConditionChanged(
            seconds=190.0, place="brooder", condition=Condition.READINGS_LATE, standing=True, celsius=34.0
        ),
    )
    assert brooder_seen(SETTINGS, brooder, 190.0).celsius is None
    _, changes = run(steady(34.0, 195, 250), brooder=brooder)
    assert told(changes) == [(Condition.READINGS_LATE, False)]


def test_a_probe_never_heard_of_stands_as_late() -> None:
    brooder, _ = air_ticked(SETTINGS, first_brooder(SETTINGS), 0.0)
    _, outcomes = air_ticked(SETTINGS, brooder, 95.0)
    assert outcomes == (
        ConditionChanged(seconds=95.0, place="brooder", condition=Condition.READINGS_LATE, standing=True, celsius=None),
    )


def test_a_few_bad_readings_are_no_alarm_but_a_dead_probe_is() -> None:
    single = [*steady(34.0, 0, 100), Fault("air", 100.0, FaultKind.CRC_ERROR), *steady(34.0, 105, 200)]
    dead = [Fault("air", float(s), FaultKind.NO_RESPONSE) for s in range(200, 300, 5)]
    _, changes = run([*single, *dead])
    assert told(changes) == [(Condition.PROBE_FAULT, True)]


def test_late_faults_are_told_as_late() -> None:
    faults = [Fault("air", float(s), FaultKind.LATE) for s in range(100, 300, 30)]
    _, changes = run([*steady(34.0, 0, 100), *faults])
    assert told(changes) == [(Condition.READINGS_LATE, True)]


def side_by_side(air: list[Observation], floor: list[Observation]) -> list[Observation]:
    return [each for pair in zip(air, floor, strict=True) for each in pair]


def test_one_failed_probe_does_not_blind_the_other() -> None:
    brooder, _ = run(side_by_side(steady(34.0, 0, 200), steady(34.2, 0, 200, "floor")), TWO)
    faults: list[Observation] = [Fault("air", float(s), FaultKind.NO_RESPONSE) for s in range(200, 600, 5)]
    brooder, changes = run(side_by_side(faults, steady(28.0, 200, 600, "floor")), TWO, brooder)
    assert (Condition.DANGEROUSLY_COLD, True) in told(changes)
    assert (Condition.PROBE_FAULT, True) in told(changes)
    assert "1 of 2 probes answer" in brooder_seen(TWO, brooder, 600.0).notes


def test_a_warm_side_and_a_cool_side_are_learned_and_their_loss_moves_nothing() -> None:
    both = side_by_side(steady(35.2, 0, 7200), steady(33.8, 0, 7200, "floor"))
    brooder, changes = run(both, TWO)
    faults: list[Observation] = [Fault("air", float(s), FaultKind.NO_RESPONSE) for s in range(7200, 7260, 5)]
    brooder, more = run(side_by_side(faults, steady(33.8, 7200, 7260, "floor")), TWO, brooder)
    assert told(changes + more) == []
    assert brooder.celsius == pytest.approx(34.5, abs=0.05)


def test_probes_that_drift_apart_disagree() -> None:
    both = side_by_side(steady(34.5, 0, 3600), steady(34.3, 0, 3600, "floor"))
    apart = side_by_side(steady(34.5, 3600, 4200), steady(31.5, 3600, 4200, "floor"))
    _, changes = run([*both, *apart], TWO)
    assert (Condition.PROBES_DISAGREE, True) in told(changes)


def test_a_power_gap_is_told_and_goes() -> None:
    brooder, _ = run(steady(34.0, 0, 100))
    brooder, outcomes = gap(SETTINGS, brooder, 4000.0, 3900.0)
    assert Noted(seconds=4000.0, probe="air", what=Note.POWER_GAP, gap_seconds=3900.0) in outcomes
    assert (
        ConditionChanged(seconds=4000.0, place="brooder", condition=Condition.POWER_GAP, standing=True, celsius=None)
        in outcomes
    )
    _, changes = run(steady(34.0, 4005, 4700), brooder=brooder)
    assert told(changes) == [(Condition.POWER_GAP, False)]


def test_after_a_power_gap_cold_air_is_told_within_a_minute() -> None:
    brooder, _ = run(steady(34.0, 0, 100))
    brooder, _ = gap(SETTINGS, brooder, 4000.0, 3900.0)
    _, changes = run(steady(25.0, 4005, 4100), brooder=brooder)
    assert told(changes) == [(Condition.DANGEROUSLY_COLD, True)]
    assert changes[0].seconds <= 4060


def test_a_chick_on_the_probe_is_named_and_is_no_heat_alarm() -> None:
    lies = [*toward(37.2, 34.5, 35, 3600, 4600), *toward(34.5, 37.2, 35, 4600, 6000)]
    again = [*toward(37.2, 34.5, 35, 6000, 6900), *toward(34.5, 37.2, 35, 6900, 7500)]
    brooder, changes = run([*steady(34.5, 0, 3600), *lies])
    assert told(changes) == [(Condition.CHICK_ON_PROBE, True)]
    assert brooder.touch is None
    # A new jump is a new alarm: the one before may have been acknowledged.
    brooder, changes = run(again, brooder=brooder)
    assert told(changes) == [(Condition.CHICK_ON_PROBE, False), (Condition.CHICK_ON_PROBE, True)]


@pytest.mark.parametrize("celsius", [37.7, 38.5, 40.0, 42.0])
def test_a_chick_on_the_probe_is_no_excuse_for_danger(celsius: float) -> None:
    """Whatever the shape says, the alarm comes at the danger's own delay, each time; the guess is in its first line."""
    rules = warm_rules(SETTINGS, SETTINGS.band)
    limit = SETTINGS.band.high_celsius + rules.danger_celsius
    brooder, at = run(steady(34.5, 0, 3600))[0], 3600
    for _ in range(3):
        jump = toward(celsius, 34.5, 25, at, at + 1800)
        # Smoothed, the reading passes the limit a little later.
        beyond = next(each.seconds for each in jump if isinstance(each, Reading) and each.celsius >= limit) + 60.0
        brooder, changes = run(jump, brooder=brooder)
        dangers = [change for change in changes if change.condition is Condition.DANGEROUSLY_WARM]
        assert [change.standing for change in dangers] == [True]
        assert dangers[0].seconds <= beyond + rules.danger_seconds
        if celsius < HOTTEST_CHICK_CELSIUS:
            assert dangers[0].guess == CHICK_GUESS
        brooder, changes = run(toward(34.5, celsius, 25, at + 1800, at + 4800), brooder=brooder)
        assert (Condition.DANGEROUSLY_WARM, False) in told(changes)
        at += 4800


def test_a_chick_that_warms_from_a_harmless_reading_into_danger_is_told_as_danger() -> None:
    """Found as a chick below the limit, and then air or chick grows hotter: the touch excuses nothing any more."""
    brooder, changes = run([*steady(34.5, 0, 3600), *toward(37.2, 34.5, 35, 3600, 4200)])
    assert told(changes) == [(Condition.CHICK_ON_PROBE, True)]
    _, changes = run(toward(38.1, 37.2, 60, 4200, 4600), brooder=brooder)
    assert told(changes) == [(Condition.DANGEROUSLY_WARM, True)]
    assert changes[0].guess == CHICK_GUESS


def test_a_stuck_heater_is_heat_however_it_begins() -> None:
    _, slow = run([*steady(34.5, 0, 3600), *toward(44.0, 34.5, 400, 3600, 4600)])
    _, after_chick = run([*steady(34.5, 0, 3600), *toward(38.0, 34.5, 35, 3600, 4200), *steady(41.0, 4200, 4500)])
    assert told(slow)[-1] == (Condition.DANGEROUSLY_WARM, True)
    assert (Condition.DANGEROUSLY_WARM, True) in told(after_chick)


def test_a_probe_that_fell_into_litter_within_the_band_is_found() -> None:
    brooder, changes = run([*steady(34.9, 0, 3600), *toward(33.2, 34.9, 25, 3600, 6000)])
    assert told(changes) == [(Condition.PROBE_DISPLACED, True)]
    assert changes[0].seconds <= 3600 + 1200
    _, back = run(toward(34.9, 33.2, 25, 6000, 6300), brooder=brooder)
    assert told(back) == [(Condition.PROBE_DISPLACED, False)]


def test_a_failed_heater_in_a_box_that_holds_its_heat_is_told_before_the_band_is_left() -> None:
    _, found = all_of([*steady(35.0, 0, 3600), *toward(22.0, 35.0, 3000, 3600, 5200)])
    forecasts = [each for each in found if isinstance(each, Forecast)]
    changes = [each for each in found if isinstance(each, ConditionChanged)]
    left = 3600 + 3000 * math.log(13 / 11)  # where that curve passes 33.0 °C
    assert told(changes)[:3] == [
        (Condition.LOSING_HEAT, True),
        (Condition.LOSING_HEAT, False),
        (Condition.TOO_COLD, True),
    ]
    assert changes[0].seconds < left - 120
    first = forecasts[0]
    assert first.in_seconds.low <= left - first.seconds <= first.in_seconds.high
    assert changes[1].seconds == changes[2].seconds  # the next alarm takes over at once


def test_a_slow_drift_is_foretold_with_an_interval_that_holds() -> None:
    drift = [Reading("air", float(s), round((34.8 - 0.4 * s / 3600) * 16) / 16) for s in range(0, 16200, 5)]
    _, found = all_of(drift)
    forecast = next(each for each in found if isinstance(each, Forecast))
    assert forecast.in_seconds.low <= 16200 - forecast.seconds <= forecast.in_seconds.high
    assert forecast.condition is Condition.TOO_COLD


def ramp(start_celsius: float, goal: float, seconds: int, start: int) -> list[Observation]:
    """Air that goes evenly, in the sensor's sixteenths."""
    slope = (goal - start_celsius) / seconds
    return [
        Reading("air", float(start + s), round((start_celsius + slope * s) * 16) / 16) for s in range(0, seconds, 5)
    ]


def swinging(start: int, stop: int) -> list[Observation]:
    """A small box under its thermostat: a minute on, a minute and a half off."""
    found: list[Observation] = []
    while start < stop:
        found += [*ramp(34.0, 35.2, 60, start), *ramp(35.2, 34.0, 90, start + 60)]
        start += 150
    return found


def failed_and_back() -> list[Observation]:
    """That box: the heater fails after an hour, and a quarter of an hour later it heats again."""
    return [*swinging(0, 3600), *toward(24.0, 34.0, 500, 3600, 4500), *ramp(25.7, 35.2, 420, 4500)]


def test_a_heater_that_failed_and_heats_again_may_fail_again_within_minutes_nobody_knows_which() -> None:
    known, _ = all_of(failed_and_back())
    _, found = all_of(ramp(35.2, 34.0, 90, 4920), brooder=known)
    first = next(each for each in found if isinstance(each, Forecast))
    assert first.in_seconds == Interval(600.0, 0.0, 1200.0)


def test_a_heater_that_went_off_and_on_again_by_itself_is_not_suspected_at_its_next_off_phase() -> None:
    proven, _ = all_of([*failed_and_back(), *ramp(35.2, 34.0, 90, 4920), *ramp(34.0, 35.2, 60, 5010)])
    later, found = all_of(ramp(35.2, 34.2, 75, 5070), brooder=proven)
    assert not [each for each in found if isinstance(each, Forecast)]
    assert brooder_seen(SETTINGS, later, 5145.0).leaves_band_in_seconds is None


def test_what_is_nearer_than_the_probes_own_lag_is_left_to_the_alarm() -> None:
    forecasts = []
    for rest in (34.0, 34.1, 34.2, 34.3, 34.5, 35.0):
        _, found = all_of([*steady(rest, 0, 3600), *ramp(rest, 32.0, int((rest - 32.0) / 0.008), 3600)])
        forecasts += [each for each in found if isinstance(each, Forecast)]
    assert forecasts
    assert all(each.in_seconds.middle >= SETTINGS.course.probe_lag_seconds for each in forecasts)


def test_the_view_says_where_the_air_is() -> None:
    brooder, _ = run(steady(34.0, 0, 100))
    shown = brooder_seen(SETTINGS, brooder, 100.0)
    assert shown.celsius == 34.0
    assert shown.verdict is Verdict.IN_BAND
    assert brooder_seen(SETTINGS, brooder, 1000.0).celsius is None


def planned(stage: str | None = None) -> BrooderSettings:
    hatched = () if stage else (date(2026, 5, 1),)
    plan = make_plan(load_profile("synthesis"), hatched, stage)
    return replace(SETTINGS, pinned=False, plan=plan)


def test_the_band_follows_the_plan_and_the_move_is_told() -> None:
    settings = planned()
    brooder, outcomes = air_ticked(settings, first_brooder(settings), 0.0, None)
    assert brooder_seen(settings, brooder, 0.0).notes[0].startswith("the clock is not set")
    brooder, outcomes = air_ticked(settings, brooder, 300.0, HATCHED_SECONDS + 9 * 86_400)
    (moved,) = [each for each in outcomes if isinstance(each, BandMoved)]
    assert moved.band.low_celsius == pytest.approx(32.5, abs=0.2)
    assert brooder_seen(settings, brooder, 300.0).stage == "naked"


def test_a_stage_set_by_the_keeper_moves_the_band_down_slowly() -> None:
    settings = planned("naked")
    brooder, _ = air_ticked(settings, first_brooder(settings), 0.0, None)
    assert brooder_seen(settings, brooder, 0.0).band == Band(32.0, 35.5)
    brooder, _ = set_stage(settings, brooder, 600.0, "pin-feathered")
    for hour in range(1, 25):
        brooder, _ = air_ticked(settings, brooder, 600.0 + hour * 3600.0, None)
    assert brooder_seen(settings, brooder, 600.0 + 86_400).band.low_celsius == pytest.approx(31.5, abs=0.05)
    brooder, _ = set_stage(settings, brooder, 90_000.0, "hatchling")
    assert brooder_seen(settings, brooder, 90_000.0).band == Band(35.0, 37.0)  # warmer at once


def test_a_stage_that_cannot_be_is_refused_with_the_reason() -> None:
    settings = planned("naked")
    with pytest.raises(CommandError, match="no stage 'nackt'"):
        set_stage(settings, first_brooder(settings), 0.0, "nackt")
    with pytest.raises(CommandError, match="no profile"):
        set_stage(SETTINGS, first_brooder(SETTINGS), 0.0, "naked")
    pinned = replace(settings, pinned=True)
    with pytest.raises(CommandError, match="pinned"):
        set_stage(pinned, first_brooder(pinned), 0.0, "naked")
    assert "pinned: profile 'synthesis' is not followed" in brooder_seen(pinned, first_brooder(pinned), 0.0).notes
