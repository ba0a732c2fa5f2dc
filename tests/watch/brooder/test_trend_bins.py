"""How the air's last minutes are kept: ten-second means, five-minute blocks, and what they make usual."""

from dataclasses import replace
from itertools import pairwise

import pytest

from sensord.readings import Band
from sensord.watch.brooder.trend import BIN_SECONDS, Swing, Trend, add, median_slope, rate

BAND = Band(30.0, 37.0)


def taken(readings: list[tuple[float, float]], trend: Trend | None = None, band: Band = BAND) -> Trend:
    trend = trend or Trend()
    for seconds, celsius in readings:
        trend = add(trend, band, seconds, celsius)
    return trend


def wave(start: int, blocks: int, low: float, high: float) -> list[tuple[float, float]]:
    """Air that rises from `low` to `high` and falls back, once a block of five minutes, read every five seconds."""
    found = []
    for second in range(start, start + 300 * blocks, 5):
        part = (second - start) % 300 / 150.0
        found.append((float(second), low + (high - low) * (part if part <= 1.0 else 2.0 - part)))
    return found


def test_each_bin_is_the_mean_of_ten_seconds() -> None:
    trend = taken([(0.0, 34.0), (4.0, 35.0), (9.9, 36.0), (10.0, 30.0), (15.0, 31.0), (20.0, 33.0)])
    assert trend.bins == pytest.approx((35.0, 30.5))
    assert trend.seconds == 20.0


def test_ten_minutes_of_bins_are_kept() -> None:
    trend = taken([(10.0 * n, 30.0 + n / 100) for n in range(102)])
    assert len(trend.bins) == 60
    assert trend.bins[-1] == pytest.approx(31.0)
    assert trend.bins[0] == pytest.approx(30.41)


def test_the_rate_is_that_of_the_last_bins() -> None:
    trend = Trend(bins=(34.0, 33.0, 32.8, 32.5))
    assert rate(trend, 1) == pytest.approx(-0.03)
    assert rate(trend, 3) == pytest.approx(-1.5 / 30.0)
    assert rate(trend, 4) is None


def test_a_minute_without_a_reading_is_bridged_and_more_begins_anew() -> None:
    before = taken([(10.0 * n, 34.0) for n in range(7)])
    assert len(before.bins) == 6
    assert len(add(before, BAND, 60.0 + 70.0, 34.0).bins) == 7
    assert add(before, BAND, 60.0 + 70.1, 34.0).bins == ()


def test_three_blocks_make_a_swing() -> None:
    two = taken(wave(0, 2, 33.0, 35.0))
    assert two.swing is None
    trend = taken([*wave(0, 3, 33.0, 35.0), (910.0, 33.0), (915.0, 33.0), (920.0, 33.0)])
    swing = trend.swing
    assert swing is not None
    # Ten-second means of a triangle between 33 and 35, a tenth of a degree of margin on either side.
    assert swing.low_celsius == pytest.approx(32.9 + 0.06, abs=0.07)
    assert swing.high_celsius == pytest.approx(35.1 - 0.06, abs=0.07)
    # Two degrees in 150 seconds, both ways.
    assert (swing.fall, swing.rise) == pytest.approx((2.0 / 150.0, 2.0 / 150.0), rel=0.03)


def test_a_swing_that_falls_slowly_and_rises_fast_is_learned_as_such() -> None:
    readings = []
    for second in range(0, 1000, 5):
        part = second % 300
        readings.append((float(second), 35.0 - 2.0 * part / 240.0 if part < 240 else 33.0 + 2.0 * (part - 240) / 60.0))
    swing = taken(readings).swing
    assert swing is not None
    assert swing.fall == pytest.approx(2.0 / 240.0, rel=0.05)
    assert swing.rise == pytest.approx(2.0 / 60.0, rel=0.05)


@pytest.mark.parametrize(("low", "high", "counts"), [(30.0, 37.0, True), (29.9, 36.0, False), (31.0, 37.1, False)])
def test_only_blocks_that_lay_wholly_in_the_band_count(low: float, high: float, counts: bool) -> None:
    readings = [(float(s), high if s % 100 == 0 else low if s % 100 == 50 else 33.0) for s in range(0, 1000, 10)]
    assert (taken(readings).swing is not None) is counts


def test_two_hours_of_blocks_are_kept_with_their_means_and_ends() -> None:
    trend = taken([(10.0 * n, 33.0 if n < 300 else 35.0) for n in range(3600 // 10 * 4)])
    assert len(trend.blocks) == 24
    assert {block[2] for block in trend.blocks} == {35.0}
    ends = [block[5] for block in trend.blocks]
    assert [late - early for early, late in pairwise(ends)] == pytest.approx([300.0] * 23)
    assert trend.blocks[-1][:5] == pytest.approx((35.0, 35.0, 35.0, 0.0, 0.0))


def test_one_low_block_in_eight_does_not_count_as_usual() -> None:
    """A lid opened now and then: with eight blocks one is left aside, with seven none."""

    def swing(blocks: int) -> Swing:
        readings = []
        for n in range(blocks):
            low = 31.0 if n == 2 else 33.0
            readings += [(300.0 * n + s, low if 100 <= s < 160 else 34.0) for s in range(0, 300, 10)]
        readings += [(300.0 * blocks + s, 34.0) for s in range(0, 30, 10)]
        found = taken([(s, c) for s, c in readings]).swing
        assert found is not None
        return found

    assert swing(7).low_celsius == pytest.approx(30.9, abs=0.01)
    assert swing(9).low_celsius == pytest.approx(32.9, abs=0.01)


def test_a_long_hole_keeps_what_is_usual_and_begins_a_new_block() -> None:
    trend = taken(wave(0, 4, 33.0, 35.0))
    after = taken([(5000.0 + 10.0 * n, 34.0) for n in range(25)], trend)
    assert after.swing == trend.swing
    assert after.blocks == trend.blocks
    assert len(after.bins) == 24
    later = taken([(5250.0 + 10.0 * n, 34.0) for n in range(15)], after)
    assert len(later.blocks) == len(trend.blocks) + 1
    assert later.blocks[-1][2] == pytest.approx(34.0)


def test_the_interval_of_the_slope_is_sens_for_a_worked_case() -> None:
    """Ten points: 45 slopes; Kendall's variance 10 x 9 x 25 / 18 = 125, reach 1.645 x 11.18 = 18.4 (Sen 1968)."""
    celsius = (0.0, 1.2, 1.9, 3.3, 3.8, 5.4, 5.9, 7.1, 7.7, 9.3)
    times = tuple(BIN_SECONDS * n for n in range(10))
    slopes = sorted((celsius[j] - celsius[i]) / (times[j] - times[i]) for i in range(10) for j in range(i + 1, 10))
    middle, low, high = median_slope(times, celsius)
    assert middle == slopes[22]
    # Ranks (45 - 18.4) / 2 = 13.3 and (45 + 18.4) / 2 + 1 = 32.7, counted from 1, rounded outwards by the usual rule.
    assert (low, high) == (slopes[12], slopes[32])


def test_the_fastest_in_eight_blocks_does_not_count_as_usual_either() -> None:
    """Eight blocks with eight paces: of lows, highs, falls and rises the rarest one is left aside."""
    blocks = tuple((33.0 + n / 10, 35.0 + n / 10, 34.0, 0.001 * (n + 1), 0.002 * (n + 1), 300.0 * n) for n in range(7))
    trend = Trend(seconds=2090.0, blocks=blocks, block_begun_seconds=1800.0, block=(34.0,) * 28, begun_seconds=2090.0)
    trend = add(replace(trend, total=34.0, count=1), BAND, 2100.0, 34.0)
    # The eighth: 34.0 °C throughout.
    assert len(trend.blocks) == 8
    assert trend.swing is not None
    assert trend.swing.low_celsius == pytest.approx(33.1 - 0.1)
    assert trend.swing.high_celsius == pytest.approx(35.5 + 0.1)
    assert (trend.swing.fall, trend.swing.rise) == pytest.approx((0.006, 0.012))


def test_the_ends_of_a_short_interval_are_the_outermost_slopes() -> None:
    """Three and four points: the reach is longer than the list, and both ends are the last there are."""
    for celsius in ((0.0, 1.0, 5.0), (0.0, 1.0, 3.0, 9.0)):
        times = tuple(10.0 * n for n in range(len(celsius)))
        steps = [
            (celsius[j] - celsius[i]) / (times[j] - times[i])
            for i in range(len(celsius))
            for j in range(i + 1, len(celsius))
        ]
        _, low, high = median_slope(times, celsius)
        assert (low, high) == (min(steps), max(steps))


def test_a_block_ends_with_the_first_bin_that_fills_it() -> None:
    """Readings every seven seconds: bins of fourteen, and no block of exactly five minutes."""
    trend = taken([(7.0 * n, 34.0) for n in range(400)])
    assert len(trend.blocks) == 9
    ends = [block[5] for block in trend.blocks]
    assert all(300.0 <= late - early < 300.0 + 14.0 for early, late in pairwise(ends))
