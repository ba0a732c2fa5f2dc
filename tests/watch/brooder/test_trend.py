"""The trend: Theil-Sen against SciPy and a worked row, and a usual swing that lids do not spoil."""

import json
import random
from pathlib import Path
from typing import Any

import pytest
from scipy import stats

from sensord.readings import Band
from sensord.watch.brooder.trend import Trend, add, median_slope, rate

ROWS: dict[str, dict[str, Any]] = {
    row["id"]: row for row in json.loads((Path(__file__).parents[2] / "data/alarm_check_values.json").read_text())
}
BAND = Band(30.0, 37.0)


def test_the_slope_shrugs_off_an_outlier() -> None:
    given = ROWS["STA-07"]["given"]
    slope, _, _ = median_slope(tuple(given["t_min"]), tuple(given["temp"]))
    assert slope == pytest.approx(ROWS["STA-07"]["expected"][0])


def test_slope_and_interval_agree_with_scipy() -> None:
    rng = random.Random(4)
    for _ in range(50):
        count = rng.randint(6, 30)
        times = tuple(300.0 * k for k in range(count))
        values = tuple(34.0 - 0.0001 * t + rng.gauss(0, 0.05) for t in times)
        expected = stats.theilslopes(values, times, 0.9)
        slope, low, high = median_slope(times, values)
        assert slope == pytest.approx(expected.slope)
        assert (low, high) == pytest.approx((expected.low_slope, expected.high_slope))


def swinging(seconds: int, lid_every: int | None = None) -> Trend:
    trend = Trend()
    for s in range(0, seconds, 5):
        celsius = 34.0 + (0.5 if (s // 60) % 2 else -0.5)
        if lid_every and s % lid_every > lid_every - 60:
            celsius = 31.0
        trend = add(trend, BAND, float(s), celsius)
    return trend


def test_the_usual_swing_is_learned_and_a_lid_now_and_then_does_not_widen_it() -> None:
    plain, lidded = swinging(7200).swing, swinging(7200, lid_every=3600).swing
    assert plain is not None
    assert lidded == plain
    assert 33.3 <= plain.low_celsius <= 33.5
    assert 34.5 <= plain.high_celsius <= 34.7


def test_a_hole_in_time_begins_the_last_minutes_anew_and_keeps_what_is_usual() -> None:
    trend = swinging(3600)
    after = add(trend, BAND, 9000.0, 34.0)
    assert after.bins == ()
    assert after.swing == trend.swing
    assert rate(after, 3) is None
