"""Forecasts of a brooder's air on courses that are known: straight lines, lags, lids, thermostats."""

import math
from dataclasses import astuple, replace

import pytest

from sensord.readings import Band
from sensord.watch.brooder.forecast import Course, CourseRules, TrendPace, course_after, failed, outside
from sensord.watch.brooder.trend import BIN_SECONDS, BLOCK_SECONDS, Swing, Trend

RULES, BAND = CourseRules(), Band(33.0, 36.0)
# A box whose air swings between 34.4 and 34.9 °C, slowly both ways; and one whose thermostat lets it go fast.
QUIET = Swing(34.4, 34.9, 0.003, 0.003)
BUSY = Swing(34.4, 34.9, 0.012, 0.012)


def falling(speed: float, bins: int, start: float = 34.4, flat: int = 0) -> tuple[float, ...]:
    """Ten-second means: flat for so many bins, then down (or up, where negative) by `speed` Celsius a second."""
    return (*[start] * flat, *(start - speed * BIN_SECONDS * n for n in range(1, bins + 1)))


def told(
    bins: tuple[float, ...], swing: Swing | None = QUIET, course: Course | None = None, seconds: float = 5000.0
) -> Course:
    course = course or Course(beyond_since=seconds - 10.0 * len(bins))
    return course_after(RULES, course, Trend(bins=bins, swing=swing), BAND, seconds)[0]


# From 34.4 °C steadily down at 0.005 °C a second, nine steps long: 33.95 °C now.
STEADY = falling(0.005, 9, flat=1)


def test_a_steady_fall_is_told_with_the_time_to_the_band_and_the_probes_lag_taken_off() -> None:
    outlook = told(STEADY).outlook
    assert outlook is not None
    assert outlook.cold
    assert outlook.pace is TrendPace.SUDDEN
    # The air is ahead of the probe by its lag (35 s) and of the bin's mean by half a bin.
    assert outlook.in_seconds.middle == pytest.approx((33.95 - 33.0) / 0.005 - 35.0 - 5.0)


def test_the_interval_of_a_forecast_holds_a_speed_off_by_two_fifths_and_the_probes_error() -> None:
    outlook = told(STEADY).outlook
    assert outlook is not None
    distance = 33.95 - 33.0 - 0.005 * 40.0
    # 0.41 °C: 0.5 °C expanded (k = 2) at 90 %; 20 s for the bins.
    assert outlook.in_seconds.low == pytest.approx((distance - 0.41) / (1.4 * 0.005) - 20.0)
    assert outlook.in_seconds.high == pytest.approx((distance + 0.41) / (0.6 * 0.005) + 20.0)


def test_a_rise_is_told_like_a_fall() -> None:
    mirrored = tuple(34.65 + (34.65 - celsius) for celsius in STEADY)
    band = Band(33.3, 36.3)  # the mirror image of 33 to 36 °C
    course = Course(beyond_since=4900.0)
    outlook = course_after(RULES, course, Trend(bins=mirrored, swing=QUIET), band, 5000.0)[0].outlook
    down = told(STEADY).outlook
    assert outlook is not None
    assert down is not None
    assert not outlook.cold
    assert astuple(outlook.in_seconds) == pytest.approx(astuple(down.in_seconds))


def test_a_fall_within_the_usual_swing_is_the_thermostats() -> None:
    inside = falling(0.005, 9, start=34.9, flat=1)
    assert told(inside).outlook is None
    assert told(tuple(c - 0.04 for c in inside)).outlook is None
    assert told(tuple(c - 0.06 for c in inside)).outlook is not None


def test_without_a_usual_swing_nothing_sudden_is_told() -> None:
    assert told(STEADY, swing=None).outlook is None


@pytest.mark.parametrize(("speed", "is_told"), [(0.0035, False), (0.0045, True)])
def test_what_falls_too_slowly_is_not_sudden(speed: float, is_told: bool) -> None:
    bins = falling(speed, 12, flat=1)
    outlook = told(bins).outlook
    assert (outlook is not None) is is_told


@pytest.mark.parametrize(("steps", "is_told"), [(7, False), (8, True)])
def test_a_fall_has_to_last_longer_than_a_lid_is_open(steps: int, is_told: bool) -> None:
    bins = (34.4, 34.4, 34.4, *falling(0.005, steps))
    assert (told(bins).outlook is not None) is is_told


def test_a_fall_that_paused_is_counted_from_its_pause() -> None:
    paused = (*falling(0.005, 5, start=34.4), 34.15, *falling(0.005, 5, start=34.15))
    assert told(paused).outlook is None


def test_a_fall_that_flags_is_a_lid_closed_again() -> None:
    for last, is_told in ((0.75, True), (0.4, False)):
        speeds = [0.008] * 9 + [0.008 * last, 0.008 * last]
        bins = [34.4]
        for speed in speeds:
            bins.append(bins[-1] - speed * BIN_SECONDS)
        assert (told(tuple(bins)).outlook is not None) is is_told


@pytest.mark.parametrize(("speed", "is_told"), [(0.012, True), (0.0155, True), (0.018, False)])
def test_where_a_thermostat_switches_nothing_is_faster_than_that_by_much(speed: float, is_told: bool) -> None:
    """A box seen to fall by 0.012 °C a second by itself: a quarter more may be its heater, half more a lid."""
    warm_band = Band(20.0, 36.0)
    course = Course(beyond_since=4900.0)
    found = course_after(RULES, course, Trend(bins=falling(speed, 9, flat=1), swing=BUSY), warm_band, 5000.0)[0]
    assert (found.outlook is not None) is is_told


@pytest.mark.parametrize(("fastest", "is_told"), [(0.030, True), (0.045, False)])
def test_where_none_switches_the_fall_is_no_faster_than_a_lagging_probe_shows_a_heater(
    fastest: float, is_told: bool
) -> None:
    """A probe of 35 s behind air that falls at a constant speed: the speed comes up as 1 - exp(-t / 35 s)."""
    bins = [34.4]
    for n in range(1, 10):
        bins.append(bins[-1] - fastest * (1 - math.exp(-n * BIN_SECONDS / 35.0)) * BIN_SECONDS)
    low_band, course = Band(20.0, 36.0), Course(beyond_since=4900.0)
    found = course_after(RULES, course, Trend(bins=tuple(bins), swing=QUIET), low_band, 5000.0)[0]
    assert (found.outlook is not None) is is_told


@pytest.mark.parametrize(("speed", "is_told"), [(0.010, True), (0.020, False)])
def test_a_lagging_probe_cannot_show_full_speed_at_once(speed: float, is_told: bool) -> None:
    """After ten seconds at most a quarter of 0.03 °C a second and some flicker: what is faster is a lid."""
    course = Course(beyond_since=4900.0)
    found = course_after(RULES, course, Trend(bins=falling(speed, 9, flat=1), swing=QUIET), Band(20.0, 36.0), 5000.0)[0]
    assert (found.outlook is not None) is is_told


def test_soon_after_a_lid_the_thermostat_still_swings() -> None:
    for ago, is_told in ((899.0, False), (900.0, True)):
        course = Course(beyond_since=4900.0, beyond_until=4900.0 - ago)
        assert (told(STEADY, course=course).outlook is not None) is is_told


def test_a_heater_that_failed_before_is_believed_sooner() -> None:
    bins = (34.5, 34.5, 34.5, *falling(0.006, 3, start=34.45))
    seconds = 5000.0
    fresh = Course(failed_seconds=4000.0, failed_cold=True, outside_seconds=4200.0)
    outlook = told(bins, course=fresh).outlook
    assert outlook is not None
    # A loose contact may catch once more: anything from now on, for twenty minutes.
    assert outlook.in_seconds.middle == pytest.approx(600.0)
    assert outlook.in_seconds.low == 0.0
    assert outlook.in_seconds.high == pytest.approx(1200.0)
    for course in (
        replace(fresh, failed_cold=False),
        replace(fresh, failed_seconds=None),
        replace(fresh, failed_seconds=seconds - 7200.0, outside_seconds=4200.0),
    ):
        assert told(bins, course=course).outlook is None


def rate_of(bins: tuple[float, ...]) -> float:
    return (bins[-3] - bins[-1]) / (2 * BIN_SECONDS)


def test_a_while_after_it_is_warm_again_a_failed_heater_is_believed_beyond_the_swing_only() -> None:
    course = Course(failed_seconds=3000.0, failed_cold=True, outside_seconds=5000.0 - 1500.0)
    inside = (34.8, *falling(0.006, 3, start=34.8))
    beyond = (34.5, *falling(0.006, 3, start=34.5))
    assert told(inside, course=course).outlook is None
    outlook = told(beyond, course=course).outlook
    assert outlook is not None
    assert outlook.in_seconds.low > 0.0
    assert told(inside, course=replace(course, outside_seconds=3501.0)).outlook is not None


def test_two_steps_down_are_the_least() -> None:
    course = Course(failed_seconds=4000.0, failed_cold=True, outside_seconds=4200.0)
    assert told((34.5, 34.5, 34.5, 34.3), course=course).outlook is None
    assert told((34.5, 34.5, 34.4, 34.3), course=course).outlook is not None


# --- a box that holds its heat well: slowly, but on and on for three minutes


def crept(speed: float, bins: int = 18, start: float = 34.35) -> tuple[float, ...]:
    return falling(speed, bins, start)


def test_a_slow_even_fall_of_three_minutes_is_told() -> None:
    bins = crept(0.002)
    outlook = told(bins).outlook
    assert outlook is not None
    assert outlook.pace is TrendPace.STEADY
    assert outlook.cold
    assert outlook.in_seconds.middle == pytest.approx((bins[-1] - 33.0) / 0.002 - 35.0)
    rising = tuple(34.95 + (34.35 - celsius) for celsius in bins)
    up = told(rising).outlook
    assert up is not None
    assert not up.cold
    assert up.in_seconds.middle == pytest.approx((36.0 - rising[-1]) / 0.002 - 35.0)


def test_seventeen_bins_are_too_few_for_a_steady_fall() -> None:
    assert told(crept(0.002)[1:]).outlook is None


@pytest.mark.parametrize(("speed", "is_told"), [(0.0016, False), (0.0018, True)])
def test_slower_than_a_tenth_of_a_degree_a_minute_is_not_steady(speed: float, is_told: bool) -> None:
    assert (told(crept(speed)).outlook is not None) is is_told


def test_a_fall_that_came_to_rest_is_not_steady() -> None:
    rested = (*crept(0.003, 12), *[crept(0.003, 12)[-1]] * 6)
    assert told(rested).outlook is None


def test_a_busy_thermostat_or_a_fresh_lid_makes_no_steady_fall() -> None:
    assert told(crept(0.002), swing=BUSY).outlook is None
    lid = Course(beyond_since=4800.0, beyond_until=4800.0 - 899.0)
    assert told(crept(0.002), course=lid).outlook is None
    assert told(crept(0.002), course=replace(lid, beyond_until=4800.0 - 900.0)).outlook is not None


def test_air_in_its_usual_swing_loses_nothing() -> None:
    """Once it is back, `beyond_since` is forgotten and with it the steady fall."""
    assert told(crept(0.002, start=34.9)).outlook is None
    assert told(crept(0.002), swing=None).outlook is None


# --- a drift over hours


def drifting(celsius_per_hour: float, blocks: int = 24, swing: float = 0.3, gap: float = 0.0) -> Trend:
    """Five-minute blocks whose mean drifts from 34.5 °C; (low, high, mean, fall, rise, end)."""
    found = []
    for n in range(blocks):
        mean = 34.5 + celsius_per_hour * n * BLOCK_SECONDS / 3600.0
        end = 1e5 + n * BLOCK_SECONDS + (gap if n >= blocks // 2 else 0.0)
        # Only the means drift evenly; lows and highs are as they are, and count where the drift is at last.
        odd = 0.0 if n == blocks - 1 else 0.1 * (n % 3)
        found.append((mean - swing - odd, mean + swing + odd * n / 4, mean, 0.002, 0.002, end))
    return Trend(bins=(34.5, 34.5), blocks=tuple(found), swing=Swing(33.0, 36.0, 0.002, 0.002))


def drift(trend: Trend, course: Course | None = None, seconds: float = 9000.0) -> tuple[Course, bool]:
    return course_after(RULES, course or Course(), trend, BAND, seconds)


@pytest.mark.parametrize("cold", [True, False])
def test_a_drift_is_told_by_the_edge_of_the_swing_that_leaves_first(cold: bool) -> None:
    trend = drifting(-0.5 if cold else 0.5)
    outlook = drift(trend)[0].outlook
    assert outlook is not None
    assert outlook.cold is cold
    assert outlook.pace is TrendPace.SLOW
    travelled = 0.5 * 23 * 300.0 / 3600.0
    distance = 1.5 - travelled - 0.3
    speed = 0.5 / 3600.0
    assert outlook.in_seconds.middle == pytest.approx(distance / speed)
    assert outlook.in_seconds.low == pytest.approx(max(0.0, (distance - 0.41) / (1.4 * speed)))
    assert outlook.in_seconds.high == pytest.approx((distance + 0.41) / (0.6 * speed))


def test_two_hours_of_blocks_just_closed_are_needed_for_a_drift() -> None:
    assert drift(drifting(-0.5, blocks=23))[0].outlook is None
    assert drift(replace(drifting(-0.5), block=(34.0,)))[0].outlook is None


def test_blocks_with_a_hole_between_them_are_no_drift() -> None:
    """Two hours of blocks may span a fifth more."""
    assert drift(drifting(-0.5, gap=1700.0))[0].outlook is not None
    assert drift(drifting(-0.5, gap=1800.0))[0].outlook is None


@pytest.mark.parametrize(("celsius_per_hour", "is_told"), [(-0.19, True), (-0.17, False)])
def test_a_third_of_a_degree_in_two_hours_is_the_least_drift(celsius_per_hour: float, is_told: bool) -> None:
    trend = drifting(celsius_per_hour)
    narrow = Band(33.7, 36.0)
    found = course_after(RULES, Course(), trend, narrow, 9000.0)[0]
    assert (found.outlook is not None) is is_told


def test_a_drift_that_has_ended_is_none() -> None:
    trend = drifting(-0.5)
    stays = trend.blocks[-8]
    ended = replace(trend, blocks=(*trend.blocks[:-7], *((*stays[:5], b[5]) for b in trend.blocks[-7:])))
    assert drift(ended)[0].outlook is None


@pytest.mark.parametrize(("lately", "is_told"), [(0.197, False), (0.203, True)])
@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_a_drift_goes_on_where_the_last_half_hour_has_its_share(lately: float, is_told: bool, sign: float) -> None:
    """Six of twenty-three steps: a fifth of the whole way is the least that has to have been made in them."""
    blocks, moved = [], 0.0
    for n in range(24):
        step = (1.0 - lately) / 17 if n <= 17 else lately / 6
        moved += 0.0 if n == 0 else sign * step
        blocks.append((34.5 + moved - 0.2, 34.5 + moved + 0.2, 34.5 + moved, 0.002, 0.002, n * BLOCK_SECONDS))
    trend = Trend(bins=(34.5, 34.5), blocks=tuple(blocks), swing=Swing(33.0, 36.0, 0.002, 0.002))
    assert (drift(trend)[0].outlook is not None) is is_told


def test_what_lies_beyond_half_an_hour_is_not_told() -> None:
    """The earliest end counts: (distance - 0.41) / (1.4 speed) over 1800 s is too far off to act on."""
    speed = 0.5 / 3600.0
    travelled = 0.5 * 23 * 300.0 / 3600.0
    for slack, is_told in ((-1.0, True), (1.0, False)):
        distance = 0.41 + 1.4 * speed * (1800.0 + slack)
        band = Band(34.5 - travelled - 0.3 - distance, 36.0)
        found = course_after(RULES, Course(), drifting(-0.5), band, 9000.0)[0]
        assert (found.outlook is not None) is is_told


# --- what is said, once


def test_an_outlook_is_news_once_and_again_when_it_is_over_and_comes_back() -> None:
    course = Course(beyond_since=4900.0)
    trend = Trend(bins=STEADY, swing=QUIET)
    course, news = course_after(RULES, course, trend, BAND, 5000.0)
    assert news
    assert course.since_seconds == 5000.0
    again, news = course_after(RULES, course, trend, BAND, 5010.0)
    assert not news
    assert again.since_seconds == 5000.0
    assert course.outlook is not None
    # Quiet until its late end, twenty-five minutes at the least.
    over = 5000.0 + max(1500.0, course.outlook.in_seconds.high)
    assert not course_after(RULES, again, trend, BAND, over - 1.0)[1]
    assert course_after(RULES, again, trend, BAND, over)[1]


def test_the_other_direction_is_news_at_once() -> None:
    course, _ = course_after(RULES, Course(beyond_since=4900.0), Trend(bins=STEADY, swing=QUIET), BAND, 5000.0)
    rising = Trend(bins=tuple(34.65 + (34.65 - celsius) for celsius in STEADY), swing=QUIET)
    turned, news = course_after(RULES, course, rising, Band(33.3, 36.3), 5100.0)
    assert news
    assert turned.since_seconds == 5100.0
    assert not turned.told_cold


def test_an_outlook_that_is_over_is_forgotten() -> None:
    course, _ = course_after(RULES, Course(beyond_since=4900.0), Trend(bins=STEADY, swing=QUIET), BAND, 5000.0)
    calm, news = course_after(RULES, course, Trend(bins=(34.5,) * 10, swing=QUIET), BAND, 5100.0)
    assert not news
    assert calm.outlook is None
    assert calm.since_seconds is None
    assert calm.beyond_since is None
    assert calm.beyond_until == 5100.0


def test_a_drift_is_told_once_an_hour_at_the_most() -> None:
    course, news = drift(drifting(-0.5))
    assert news
    assert course.outlook is not None
    until = 9000.0 + max(3600.0, course.outlook.in_seconds.high)
    assert not drift(drifting(-0.5), course, until - 1.0)[1]
    assert drift(drifting(-0.5), course, until)[1]


def test_the_air_is_beyond_its_usual_from_the_first_bin_that_is() -> None:
    trend = Trend(bins=(34.5, 34.3), swing=QUIET)
    course, _ = course_after(RULES, Course(), trend, BAND, 100.0)
    assert course.beyond_since == 100.0
    course, _ = course_after(RULES, course, trend, BAND, 110.0)
    assert course.beyond_since == 100.0
    for edge in (34.4, 34.9):
        at_edge, _ = course_after(RULES, course, Trend(bins=(34.5, edge), swing=QUIET), BAND, 120.0)
        assert (at_edge.beyond_since, at_edge.beyond_until) == (None, 120.0)


# --- after the band was left


def blamed(step: float, left: float = 1000.0, seconds: float = 1200.0, cold: bool = True) -> bool:
    """An excursion at `left` seconds whose steepest bin before it had that step, told of at `seconds`."""
    ago = int((seconds - left) / BIN_SECONDS)
    bins = [34.5] * 40
    sign = -1.0 if cold else 1.0
    at = len(bins) - ago - 3
    for n in range(at, len(bins)):
        bins[n] = bins[at - 1] + sign * step
    return failed(RULES, Course(), Trend(bins=tuple(bins)), cold, left, seconds).failed_seconds is not None


def test_an_onset_between_a_drift_and_a_lid_is_a_heaters() -> None:
    """0.006 to 0.030 °C a second: no drift so fast, no lid so slow."""
    assert [blamed(step) for step in (0.05, 0.07, 0.29, 0.31)] == [False, True, True, False]
    assert [blamed(step, cold=False) for step in (0.05, 0.07, 0.29, 0.31)] == [False, True, True, False]


def test_a_fall_says_nothing_of_a_heater_that_sticks() -> None:
    bins = (*[34.5] * 30, 34.4, 34.3, 34.2)
    assert failed(RULES, Course(), Trend(bins=bins), False, 990.0, 1000.0).failed_seconds is None
    course = failed(RULES, Course(), Trend(bins=bins), True, 990.0, 1000.0)
    assert (course.failed_seconds, course.failed_cold) == (1000.0, True)


def test_only_the_onset_is_looked_at() -> None:
    """From two and a half minutes before the band was left to a minute and a half after."""
    ago = 20
    for at, is_seen in ((-ago - 16, False), (-ago - 13, True), (-ago + 7, True), (-ago + 9, False)):
        bins = [34.5] * 60
        for n in range(60 + at, 60):
            bins[n] = 34.4
        course = failed(RULES, Course(), Trend(bins=tuple(bins)), True, 1000.0, 1200.0)
        assert (course.failed_seconds is not None) is is_seen, at


def test_outside_what_was_foretold_is_settled() -> None:
    course, _ = course_after(RULES, Course(beyond_since=4900.0), Trend(bins=STEADY, swing=QUIET), BAND, 5000.0)
    left = outside(RULES, course, 5300.0)
    assert (left.outlook, left.since_seconds, left.told_until) == (None, None, None)
    assert (left.exited_seconds, left.outside_seconds) == (5300.0, 5300.0)


def test_one_excursion_lasts_as_long_as_its_bins_follow_each_other() -> None:
    first = outside(RULES, Course(), 1000.0)
    assert outside(RULES, first, 1060.0).exited_seconds == 1000.0
    assert outside(RULES, first, 1061.0).exited_seconds == 1061.0


def test_a_heater_that_stays_off_for_forty_minutes_was_put_right_by_somebody() -> None:
    course = Course(failed_seconds=900.0, failed_cold=True, exited_seconds=1000.0)
    for seconds, is_suspect in ((3400.0, True), (3401.0, False)):
        after = outside(RULES, replace(course, outside_seconds=seconds - 10.0), seconds)
        assert (after.failed_seconds is not None) is is_suspect


# --- sides that differ, and what came before


def mirrored(bins: tuple[float, ...]) -> tuple[float, ...]:
    """About the middle of the usual swing, 34.65 °C."""
    return tuple(69.3 - celsius for celsius in bins)


MIRRORED_BAND = Band(33.3, 36.3)
FALLS_FAST, RISES_FAST = Swing(34.4, 34.9, 0.012, 0.003), Swing(34.4, 34.9, 0.003, 0.012)


def risen(bins: tuple[float, ...], swing: Swing = QUIET) -> Course:
    course = Course(beyond_since=5000.0 - 10.0 * len(bins))
    return course_after(RULES, course, Trend(bins=mirrored(bins), swing=swing), MIRRORED_BAND, 5000.0)[0]


def test_a_rise_within_the_usual_swing_is_the_thermostats_too() -> None:
    inside = falling(0.005, 9, start=34.9, flat=1)
    assert risen(inside).outlook is None
    assert risen(tuple(c - 0.04 for c in inside)).outlook is None
    assert risen(tuple(c - 0.06 for c in inside)).outlook is not None


def test_each_way_is_held_against_its_own_usual_pace() -> None:
    """0.013 °C a second at once: the box has shown to go so fast, but only one way."""
    steep = (34.4, *falling(0.013, 9))
    wide, wide_up = Band(20.0, 36.0), Band(33.3, 50.0)
    for swing, down, up in ((FALLS_FAST, True, False), (RISES_FAST, False, True)):
        course = Course(beyond_since=4900.0)
        fell = course_after(RULES, course, Trend(bins=steep, swing=swing), wide, 5000.0)[0]
        rose = course_after(RULES, course, Trend(bins=mirrored(steep), swing=swing), wide_up, 5000.0)[0]
        assert (fell.outlook is not None) is down
        assert (rose.outlook is not None) is up
    for swing, down, up in ((FALLS_FAST, False, True), (RISES_FAST, True, False)):
        assert (told(crept(0.002), swing=swing).outlook is not None) is down
        assert (risen(crept(0.002), swing=swing).outlook is not None) is up


def test_a_fall_that_flags_at_its_very_end_is_over() -> None:
    for last, is_told in ((0.3, False), (0.5, True)):
        bins = [34.4]
        for speed in (*[0.008] * 9, 0.008 * last):
            bins.append(bins[-1] - speed * BIN_SECONDS)
        outlook = told(tuple(bins)).outlook
        assert (outlook is not None) is is_told
        if outlook is not None:
            speed = 0.008 * (1 + last) / 2  # of the last twenty seconds
            assert outlook.in_seconds.middle == pytest.approx((bins[-1] - 33.0) / speed - 40.0)


def test_a_first_step_too_great_for_a_lagging_probe_is_a_lids() -> None:
    """At most a quarter of 0.03 °C a second and 0.003 after ten seconds: 0.0105; after twenty 0.016."""
    for first, is_told in ((0.010, True), (0.013, False)):
        bins = [34.4, 34.4 - first * BIN_SECONDS]
        for _ in range(9):
            bins.append(bins[-1] - 0.0095 * BIN_SECONDS)
        course = Course(beyond_since=4900.0)
        found = course_after(RULES, course, Trend(bins=tuple(bins), swing=QUIET), Band(20.0, 36.0), 5000.0)[0]
        assert (found.outlook is not None) is is_told


@pytest.mark.parametrize("start", [34.35, 34.43])
def test_a_steady_fall_is_judged_by_where_it_has_come_to(start: float) -> None:
    """It may have begun within the usual swing, and whatever was three minutes ago does not matter."""
    bins = (35.5, 33.5, 35.5, 34.0, *crept(0.002, start=start))
    outlook = told(bins).outlook
    assert outlook is not None
    assert outlook.pace is TrendPace.STEADY
    assert outlook.in_seconds.middle == pytest.approx((bins[-1] - 33.0) / 0.002 - 35.0)
    up = risen(bins).outlook
    assert up is not None
    assert not up.cold


def test_a_steady_fall_about_to_leave_the_band_is_left_to_it() -> None:
    swing = Swing(33.6, 35.0, 0.003, 0.003)
    for start, is_told in ((33.55, True), (33.52, False)):  # 0.36 °C lower now, 0.07 °C of lag, 0.1 °C at the least
        assert (told(crept(0.002, start=start), swing=swing).outlook is not None) is is_told


def test_long_after_it_was_said_it_is_news_again() -> None:
    trend = Trend(bins=STEADY, swing=QUIET)
    course, _ = course_after(RULES, Course(beyond_since=4900.0), trend, BAND, 5000.0)
    assert course_after(RULES, course, trend, BAND, 50_000.0)[1]
    slow, _ = drift(drifting(-0.5))
    assert drift(drifting(-0.5), slow, 90_000.0)[1]


def test_a_heater_that_failed_hours_ago_is_trusted_again() -> None:
    bins = (34.5, 34.5, 34.5, *falling(0.006, 3, start=34.45))
    old = Course(failed_seconds=4000.0, failed_cold=True, outside_seconds=4200.0)
    assert told(bins, course=old, seconds=50_000.0).outlook is None
    within = Course(failed_seconds=900.0, failed_cold=True, exited_seconds=1000.0, outside_seconds=1990.0)
    assert outside(RULES, within, 2000.0).failed_seconds == 900.0


def test_calm_is_long_after_the_lid_too() -> None:
    course = Course(beyond_since=104_900.0, beyond_until=100_000.0)
    assert told(STEADY, course=course, seconds=105_000.0).outlook is not None
