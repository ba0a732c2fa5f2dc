"""Lines and parabolas against polynomials that are known, and against NumPy's least squares."""

import random

import numpy
import pytest

from sensord.readings import Reading
from sensord.watch.dish.paste_events import parabola, slope


def readings(level: float, fall: float, bend: float, times: list[float]) -> list[Reading]:
    return [Reading("dish", t, level + fall * t + bend * t * t) for t in times]


UNEVEN = [100.0, 100.9, 102.3, 103.0, 104.4, 105.1, 106.8, 108.0]


def test_a_line_is_found_exactly() -> None:
    line = tuple(readings(40.0, -0.07, 0.0, UNEVEN))
    assert slope(line, 100.0, 108.0) == pytest.approx(-0.07)


def test_only_the_readings_between_start_and_end_count_both_included() -> None:
    bent = tuple(readings(0.0, 0.0, 0.5, [0.0, 1.0, 2.0, 3.0, 4.0, 5.0]))
    # Through t²/2 at 1, 2, 3 and at 2, 3, 4: the slope in the middle, by symmetry.
    assert slope(bent, 1.0, 3.0) == pytest.approx(2.0)
    assert slope(bent, 2.0, 4.0) == pytest.approx(3.0)


def test_two_readings_make_no_slope_and_three_do() -> None:
    line = tuple(readings(40.0, 0.5, 0.0, [0.0, 1.0, 2.0]))
    assert slope(line, 0.5, 2.0) is None
    assert slope(line, 0.0, 2.0) == pytest.approx(0.5)
    assert slope((), 0.0, 2.0) is None


def test_a_parabola_is_found_exactly_even_where_readings_are_uneven() -> None:
    middle = (UNEVEN[0] + UNEVEN[-1]) / 2
    shifted = [Reading("dish", t, 38.0 - 0.11 * (t - middle) + 0.004 * (t - middle) ** 2) for t in UNEVEN]
    assert parabola(shifted) == pytest.approx((38.0, -0.11, 0.004))


@pytest.mark.parametrize("seed", range(5))
def test_scattered_readings_give_the_least_squares_of_numpy(seed: int) -> None:
    rng = random.Random(seed)
    times = sorted(rng.uniform(0.0, 14.0) for _ in range(12))
    taken = [Reading("dish", t, 38.0 - 0.1 * t + rng.gauss(0.0, 0.2)) for t in times]
    middle = (times[0] + times[-1]) / 2
    celsius = [r.celsius for r in taken]
    bend, fall, level = numpy.polyfit([t - middle for t in times], celsius, 2)
    assert parabola(taken) == pytest.approx((float(level), float(fall), float(bend)), rel=1e-6)
    assert slope(tuple(taken), 0.0, 14.0) == pytest.approx(float(numpy.polyfit(times, celsius, 1)[0]))


def test_readings_of_one_instant_have_no_slope() -> None:
    assert slope(tuple(Reading("dish", 5.0, celsius) for celsius in (36.0, 37.0, 38.0)), 0.0, 10.0) is None
