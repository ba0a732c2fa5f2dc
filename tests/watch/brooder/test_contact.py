"""What touches the probe: first-order probes put against something warm, litter, lids, and heaters that are none."""

import math

import pytest

from sensord.watch.brooder.contact import (
    CHICK_LONGEST_SECONDS,
    HOTTEST_CHICK_CELSIUS,
    Fall,
    Touch,
    chick_arrived,
    chick_stays,
    fall_of,
)
from sensord.watch.brooder.trend import BIN_SECONDS, Swing, Trend

SWING = Swing(33.9, 35.1, 0.005, 0.005)


def lagged(tau: float, start: float, goal: float, after: int, before: int = 12) -> tuple[float, ...]:
    """Ten-second bins: steady at `start`, then a probe of time constant `tau` on its way to `goal`."""
    bins = [start] * before
    for n in range(after):
        begin, end = BIN_SECONDS * n, BIN_SECONDS * (n + 1)
        mean = tau / BIN_SECONDS * (math.exp(-begin / tau) - math.exp(-end / tau))
        bins.append(goal + (start - goal) * mean)
    return tuple(bins)


@pytest.mark.parametrize("tau", [20.0, 35.0, 55.0])
def test_a_probe_put_against_a_chick_follows_with_its_own_time_constant(tau: float) -> None:
    """20 to 55 s by packaging (common practice, no source): then it stays, and that is a chick."""
    bins = lagged(tau, 34.5, 38.5, 30)
    touch = chick_arrived(Trend(bins=bins, swing=SWING), 1000.0, 38.4)
    assert touch == Touch(1000.0, 34.5, 38.4)


def test_a_chick_is_found_before_the_usual_is_known_too() -> None:
    assert chick_arrived(Trend(bins=lagged(35.0, 34.5, 38.5, 30)), 1000.0, 38.4) is not None


def test_air_that_a_heater_warms_takes_off_slowly_and_is_no_chick() -> None:
    """Air on a first-order course with a probe behind it: second order, without a jump."""
    for air_seconds in (300.0, 600.0):
        probe, bins = 34.5, [34.5] * 12
        for n in range(40):
            total = 0.0
            for k in range(10):
                air = 42.0 - 7.5 * math.exp(-(BIN_SECONDS * n + k) / air_seconds)
                probe += (air - probe) / 35.0
                total += probe
            bins.append(total / 10)
        for end in range(14, len(bins)):
            assert chick_arrived(Trend(bins=tuple(bins[:end]), swing=SWING), 0.0, bins[end - 1]) is None


def test_a_rise_that_still_goes_on_or_has_gone_again_is_no_chick_yet() -> None:
    still = lagged(55.0, 34.5, 38.5, 8)
    assert chick_arrived(Trend(bins=still, swing=SWING), 0.0, still[-1]) is None
    gone = (*lagged(20.0, 34.5, 38.5, 12), *([34.5] * 6))
    assert chick_arrived(Trend(bins=gone, swing=SWING), 0.0, 34.5) is None


def test_a_last_reading_out_of_line_is_not_flat() -> None:
    """A jump of four degrees that has come to rest: one degree up or down at the end is no rest."""
    rest = lagged(25.0, 34.5, 38.5, 30)
    for last, is_chick in ((39.4, True), (39.7, False), (37.6, True), (37.2, False)):
        found = chick_arrived(Trend(bins=(*rest, last), swing=SWING), 0.0, last)
        assert (found is not None) is is_chick, last


def test_less_than_two_minutes_of_readings_tell_nothing_of_a_chick() -> None:
    bins = lagged(20.0, 34.5, 38.5, 12, before=4)
    assert chick_arrived(Trend(bins=bins[-11:], swing=SWING), 0.0, 38.4) is None
    assert chick_arrived(Trend(bins=bins, swing=SWING), 0.0, 38.4) is not None


def test_nothing_hotter_than_a_chick_is_one() -> None:
    """Skin is never hotter than 40.5 °C (body 40-42 °C, Hand-Rearing Birds 2nd ed., ch 1 p 7)."""
    bins = lagged(35.0, 34.5, 40.4, 30)
    assert chick_arrived(Trend(bins=bins, swing=SWING), 0.0, 40.49) is not None
    assert chick_arrived(Trend(bins=bins, swing=SWING), 0.0, 40.5) is None


def test_a_step_of_the_probes_flicker_is_no_chick() -> None:
    for change, is_chick in ((0.25, False), (0.4, True)):
        bins = lagged(35.0, 34.5, 34.5 + change, 30)
        assert (chick_arrived(Trend(bins=bins, swing=SWING), 0.0, bins[-1]) is not None) is is_chick


def test_a_jump_from_below_the_usual_is_a_lid_that_was_closed() -> None:
    for start, is_chick in ((33.95, True), (33.85, False)):
        bins = lagged(35.0, start, 38.0, 30)
        assert (chick_arrived(Trend(bins=bins, swing=SWING), 0.0, 38.0) is not None) is is_chick


def test_a_chick_stays_until_most_of_the_jump_is_undone() -> None:
    """From 34 to 38 °C: under 35.6 it has left, 0.4 of the way is left over."""
    touch = Touch(1000.0, 34.0, 38.0)
    assert chick_stays(touch, 1100.0, 38.0) is True
    assert chick_stays(touch, 1100.0, 35.61) is True
    assert chick_stays(touch, 1100.0, 35.59) is False


def test_what_gets_a_degree_hotter_still_is_the_air() -> None:
    touch = Touch(1000.0, 34.0, 38.0)
    assert chick_stays(touch, 1100.0, 39.0) is True
    assert chick_stays(touch, 1100.0, 39.1) is None
    hot = Touch(1000.0, 36.0, 40.2)
    assert chick_stays(hot, 1100.0, HOTTEST_CHICK_CELSIUS) is True
    assert chick_stays(hot, 1100.0, HOTTEST_CHICK_CELSIUS + 0.1) is None


def test_three_quarters_of_an_hour_are_no_chick_but_hot_air() -> None:
    touch = Touch(1000.0, 34.0, 38.0)
    assert chick_stays(touch, 1000.0 + CHICK_LONGEST_SECONDS, 38.0) is True
    assert chick_stays(touch, 1001.0 + CHICK_LONGEST_SECONDS, 38.0) is None
    assert CHICK_LONGEST_SECONDS == 45 * 60


def followed(bins: tuple[float, ...], swing: Swing | None = SWING) -> list[tuple[float, Fall | None]]:
    """What becomes of a fall, bin by bin: (seconds of the bin's end, the fall then)."""
    fall, found = None, []
    for end in range(1, len(bins) + 1):
        seconds = BIN_SECONDS * end
        fall = fall_of(fall, Trend(bins=bins[max(0, end - 60) : end], swing=swing), seconds)
        found.append((seconds, fall))
    return found


def test_a_probe_that_fell_into_litter_is_displaced_after_a_lids_time() -> None:
    found = followed(lagged(25.0, 34.9, 32.0, 150))
    began = next(seconds for seconds, fall in found if fall is not None)
    displaced = next(seconds for seconds, fall in found if fall is not None and fall.is_displaced)
    assert began <= 120.0 + 60.0
    # A lid is not left open for a quarter of an hour without a reason (common practice, no source).
    assert 900.0 <= displaced - began <= 960.0
    last = found[-1][1]
    assert last is not None
    assert last.usual_celsius == SWING.low_celsius
    assert last.lowest_celsius == pytest.approx(32.0, abs=0.01)


def test_a_heater_that_fails_is_no_fall_of_the_probe() -> None:
    """The fastest air: 0.030 °C a second (`forecast.CourseRules`), a quarter less than counts here."""
    bins = [34.9] * 12
    while bins[-1] > 26.0:
        bins.append(bins[-1] - 0.30)
    assert all(fall is None for _, fall in followed(tuple(bins)))


@pytest.mark.parametrize(("step", "is_fall"), [(0.37, False), (0.39, True)])
def test_a_fall_is_steeper_than_any_air(step: float, is_fall: bool) -> None:
    bins = (*[34.9] * 12, 34.9 - step, 34.9 - 2 * step, 34.9 - 3 * step, 34.9 - 4 * step)
    assert (followed(bins)[-1][1] is not None) is is_fall


@pytest.mark.parametrize(("depth", "is_fall"), [(0.7, False), (1.1, True)])
def test_a_fall_leaves_the_usual_by_most_of_a_degree(depth: float, is_fall: bool) -> None:
    start = 34.55
    bins = (*[start] * 12, *[start - depth] * 4)
    assert (followed(bins)[-1][1] is not None) is is_fall


def test_a_fall_begins_from_the_usual() -> None:
    for start, is_fall in ((33.85, False), (33.95, True), (35.05, True), (35.2, False)):
        bins = (*[start] * 12, start - 1.5, start - 2.5)
        assert (followed(bins)[-1][1] is not None) is is_fall


def test_without_a_minute_of_readings_or_anything_usual_nothing_falls() -> None:
    assert followed((34.9, 34.9, 34.9, 34.9, 34.9, 31.0))[-1][1] is None
    assert followed((34.9,) * 6 + (31.0,))[-1][1] is not None
    assert followed((34.9,) * 12 + (31.0,), swing=None)[-1][1] is None
    assert fall_of(Fall(0.0, 34.0, 31.0), Trend(swing=SWING), 10.0) is None


def test_a_fall_that_comes_back_was_a_lid() -> None:
    """Four tenths of the way back, and at least 0.4 °C, however slowly."""
    fall = Fall(0.0, 34.0, 31.0)
    for celsius, is_undone in ((31.0, False), (32.15, False), (32.25, True), (34.0, True)):
        after = fall_of(fall, Trend(bins=(31.0, celsius), swing=SWING), 100.0)
        assert (after is None) is is_undone
    small = Fall(0.0, 34.0, 33.5)
    assert fall_of(small, Trend(bins=(33.5, 33.85), swing=SWING), 100.0) is not None
    assert fall_of(small, Trend(bins=(33.5, 33.95), swing=SWING), 100.0) is None


def test_the_lowest_is_kept() -> None:
    deeper = fall_of(Fall(0.0, 34.0, 31.0), Trend(bins=(31.0, 30.5), swing=SWING), 100.0)
    assert deeper == Fall(0.0, 34.0, 30.5)


def test_air_that_moves_on_is_no_probe_that_has_arrived() -> None:
    """A lid left open: half an hour later it still falls, by more than a tenth of a degree in five minutes."""
    for slope, is_displaced in ((0.0002, True), (0.0006, False)):
        bins = tuple(32.0 - slope * BIN_SECONDS * n for n in range(60))
        after = fall_of(Fall(0.0, 34.0, 32.0), Trend(bins=bins, swing=SWING), 900.0)
        assert after is not None
        assert after.is_displaced is is_displaced
    early = fall_of(Fall(0.0, 34.0, 32.0), Trend(bins=(32.0,) * 60, swing=SWING), 899.0)
    assert early is not None
    assert not early.is_displaced
    short = fall_of(Fall(0.0, 34.0, 32.0), Trend(bins=(32.0,) * 23, swing=SWING), 900.0)
    assert short is not None
    assert not short.is_displaced


def test_a_probe_just_under_the_usual_has_not_moved() -> None:
    for celsius, is_displaced in ((33.65, False), (33.55, True)):
        after = fall_of(Fall(0.0, 34.0, 33.5), Trend(bins=(celsius,) * 60, swing=SWING), 2000.0)
        assert after is not None
        assert after.is_displaced is is_displaced


def test_it_is_the_last_reading_that_says_whether_the_probe_is_back() -> None:
    for before, last, is_displaced in ((33.55, 33.65, False), (33.65, 33.55, True)):
        after = fall_of(Fall(0.0, 34.0, 33.5), Trend(bins=(*[before] * 59, last), swing=SWING), 2000.0)
        assert after is not None
        assert after.is_displaced is is_displaced


def test_what_is_displaced_stays_so_until_it_is_back() -> None:
    fall = Fall(0.0, 34.0, 32.0, is_displaced=True)
    moving = tuple(32.0 - 0.01 * n for n in range(60))
    after = fall_of(fall, Trend(bins=moving, swing=SWING), 3000.0)
    assert after is not None
    assert after.is_displaced
    assert fall_of(fall, Trend(bins=(34.0,) * 60, swing=SWING), 3000.0) is None


def test_a_rise_that_took_off_slowly_is_a_heaters() -> None:
    """Before the steepest step the probe had already risen by three quarters of it."""
    for run_up, is_chick in ((0.3, True), (0.8, False)):
        bins = (*[34.5] * 12, 34.5 + run_up / 2, 34.5 + run_up, 34.9 + run_up, *[35.9 + run_up] * 12)
        assert (chick_arrived(Trend(bins=bins, swing=SWING), 0.0, bins[-1]) is not None) is is_chick


def test_a_fall_begins_with_the_reading_that_shows_it() -> None:
    bins = (*[34.9] * 12, 33.4)
    _, fall = followed(bins)[-1]
    assert fall == Fall(130.0, SWING.low_celsius, 33.4)


@pytest.mark.parametrize(
    ("before", "after", "is_chick"),
    # A minute of rest behind the jump and half a minute before it are needed, two minutes in all.
    [(4, 8, True), (4, 7, False), (2, 10, False), (12, 6, True), (12, 5, False)],
)
def test_a_jump_has_to_lie_well_within_the_last_minutes(before: int, after: int, is_chick: bool) -> None:
    bins = (*[34.5] * before, *[38.5] * after)
    assert (chick_arrived(Trend(bins=bins, swing=SWING), 0.0, 38.4) is not None) is is_chick


def test_a_touch_begins_from_the_bin_before_the_steep_one() -> None:
    bins = (*[34.5] * 12, 34.65, 34.8, 35.3, *[36.3] * 12)
    touch = chick_arrived(Trend(bins=bins, swing=SWING), 7.0, 36.2)
    assert touch == Touch(7.0, 34.8, 36.2)


@pytest.mark.parametrize(("tau", "is_chick"), [(55.0, True), (150.0, False)])
def test_most_of_a_touch_comes_in_the_first_minute(tau: float, is_chick: bool) -> None:
    """1 - exp(-60 / 55) is two thirds; of a slower rise it is a third, and that is air."""
    bins = lagged(tau, 34.5, 38.5, 42)
    assert (chick_arrived(Trend(bins=bins, swing=SWING), 0.0, 38.4) is not None) is is_chick


def test_hotter_than_any_chick_is_none_by_any_amount() -> None:
    bins = lagged(35.0, 34.5, 40.4, 30)
    for celsius in (40.5, 41.0, 45.0):
        assert chick_arrived(Trend(bins=bins, swing=SWING), 0.0, celsius) is None


def test_a_fall_follows_its_last_bin() -> None:
    fall = Fall(0.0, 34.0, 31.0)
    trend = Trend(bins=(31.5, 31.4, 31.3, 31.2, 30.6, 30.5), swing=SWING)
    assert fall_of(fall, trend, 100.0) == Fall(0.0, 34.0, 30.5)
    for last, is_undone in ((33.9, True), (34.5, True)):
        back = Trend(bins=(31.5, 31.4, 31.3, 31.2, 31.1, last), swing=SWING)
        assert (fall_of(fall, back, 100.0) is None) is is_undone
    dip = Trend(bins=(34.5, 34.5, 34.5, 34.5, 34.5, 31.1), swing=SWING)
    assert fall_of(fall, dip, 100.0) is not None


def test_a_fall_is_measured_over_its_last_minute() -> None:
    """Six steps back: what was usual then, and by how much it is lower now."""
    slow = (*[34.9] * 8, 34.7, 34.6, 34.5, 34.4, 34.3, 34.2, 33.79)  # 0.81 °C in the minute, 0.41 in the last step
    assert followed(slow)[-1][1] is not None
    early = (*[34.9] * 8, 34.49, 34.4, 34.3, 34.2, 34.1, 34.0, 33.65)  # the steep step was a minute ago
    assert followed(early)[-1][1] is None
