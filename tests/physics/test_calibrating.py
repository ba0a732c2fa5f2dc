"""The numbers of a calibration against JCGM 100, the ice-point guides and the data sheet."""

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from sensord.errors import DataError
from sensord.physics.calibrating import (
    Component,
    Plateau,
    Point,
    Sample,
    boil_limit_celsius,
    calibrate,
    combined,
    comparison_components,
    expanded,
    ice_components,
    ice_limit_celsius,
    line_through,
    settled,
    time_constant,
)
from tests.helpers.checks import row

STILL = Plateau(0.31, 0.03, 31, 0.0)


def near(name: str, part: str | None = None) -> Any:
    check = row(name)
    return pytest.approx(check["expected"] if part is None else check["expected"][part], abs=check["tolerance"])


def samples(celsius: Callable[[float], float], seconds: int = 60) -> list[Sample]:
    """One reading a second, in the probe's steps."""
    return [Sample(float(t), round(celsius(t) * 16) / 16) for t in range(seconds)]


def test_a_budget_is_the_root_of_the_sum_of_squares() -> None:
    # UNC-04: sensor 0.5 (3 sigma), step 0.0625, drift 0.2 and unevenness 0.3 as half widths.
    components = [
        Component("sensor", 0.5 / 3, ""),
        Component("step", 0.03125 / math.sqrt(3), ""),
        Component("drift", 0.2 / math.sqrt(3), ""),
        Component("dish", 0.3 / math.sqrt(3), ""),
    ]
    assert combined(components) == near("UNC-04", "u_c")
    assert expanded(components) == near("UNC-04", "U_k2")


def test_the_step_of_the_probe_and_the_mean_of_readings_are_in_every_budget() -> None:
    parts = {component.name: component.u for component in ice_components([STILL])}
    assert parts["step of the probe"] == near("UNC-03")
    # JCGM 100, 4.4.3: twenty readings with s = 1.489 have a mean good to 0.333.
    twenty = ice_components([Plateau(100.145, 1.489, 20, 0.0)])
    assert {c.name: c.u for c in twenty}["mean of readings"] == pytest.approx(0.333, abs=0.0006)


def test_an_ice_point_gives_the_offset() -> None:
    result = calibrate([Point(row("CAL-05")["given"]["ice_reading"], 0.0, ice_components([STILL]))], 37.0)
    assert result.gain == 1.0
    assert result.gain * row("CAL-05")["given"]["reading"] + result.offset == near("CAL-05")


def test_two_points_give_a_line() -> None:
    given = row("CAL-01")["given"]
    gain, offset = line_through(given["ice_reading"], given["ice_true"], given["boil_reading"], given["boil_true"])
    assert {"gain": gain, "offset": offset} == near("CAL-02")
    assert gain * given["reading"] + offset == near("CAL-01")
    with pytest.raises(DataError, match="same reading"):
        line_through(1.0, 0.0, 1.0, 37.0)


def test_the_uncertainty_between_two_points_is_shared_by_distance() -> None:
    given = row("CAL-03")["given"]
    low = Point(given["ice"], given["ice"], (Component("ice", given["u_ice"], ""),))
    high = Point(given["boil"], given["boil"], (Component("boil", given["u_boil"], ""),))
    at_ice, at_boil, _ = calibrate([high, low], 37.0).components
    assert combined([at_ice, at_boil]) == near("CAL-03")


def test_an_error_at_the_boil_would_be_carried_to_37_by_a_third() -> None:
    # CAL-04: why boiling is a gross check and never a point of the correction.
    given = row("CAL-04")["given"]
    gain, offset = line_through(0.0, 0.0, given["boil"] + given["boil_error"], given["boil"])
    assert abs(gain * 37 + offset - 37) == pytest.approx(row("CAL-04")["expected"], abs=0.005)
    assert boil_limit_celsius(0.0) == 1.0


def test_an_uncorrected_probe_is_judged_in_ice_by_its_data_sheet() -> None:
    check = row("ICE-05")
    verdicts = ["pass" if abs(value) <= ice_limit_celsius(check["given"]["u_bath"]) else "fail"
                for value in check["given"]["reading"]]  # fmt: skip
    assert verdicts == check["expected"]


def test_ice_and_comparison_together_use_both_where_the_dish_is() -> None:
    reference = comparison_components([Plateau(37.25, 0.03, 31, 0.0)] * 2, 0.1, 0.1)
    ice = Point(0.31, 0.0, ice_components([STILL, STILL]))
    warm = Point(37.25, 37.0, reference)
    both = calibrate([warm, ice], 37.0)
    assert both.gain * 37.25 + both.offset == pytest.approx(37.0)
    assert both.gain * 0.31 + both.offset == pytest.approx(0.0)
    assert both.expanded_uncertainty < calibrate([ice], 37.0).expanded_uncertainty < 0.5


def test_an_ice_point_says_less_about_37_than_about_itself() -> None:
    point = Point(0.2, 0.0, ice_components([STILL]))
    assert calibrate([point], 37.0).expanded_uncertainty > calibrate([point], 5.0).expanded_uncertainty


def test_a_probe_outside_its_data_sheet_is_warned_of_and_a_hopeless_one_refused() -> None:
    components = ice_components([STILL])
    assert calibrate([Point(0.5, 0.0, components)], 37.0).warnings == ()
    assert "outside the data sheet" in calibrate([Point(0.8, 0.0, components)], 37.0).warnings[0]
    with pytest.raises(DataError, match="no working probe"):
        calibrate([Point(4.1, 0.0, components)], 37.0)


def test_points_that_contradict_each_other_are_refused() -> None:
    components = ice_components([STILL])
    with pytest.raises(DataError, match="contradict each other"):
        calibrate([Point(0.5, 0.0, components), Point(36.6, 37.0, components)], 37.0)
    with pytest.raises(DataError, match="25 °C between them"):
        calibrate([Point(20.5, 20.0, components), Point(37.2, 37.0, components)], 37.0)


@pytest.mark.parametrize(("reference", "step"), [(0.6, 0.1), (0.0, 0.1), (-0.1, 0.1), (math.nan, 0.1), (0.1, 2.0)])
def test_a_reference_that_is_no_better_than_the_probe_is_refused(reference: float, step: float) -> None:
    with pytest.raises(DataError):
        comparison_components([STILL], reference, step)


def test_a_references_expanded_uncertainty_is_halved_before_it_is_combined() -> None:
    # JCGM 100:2008, 4.3.3: a quoted expanded uncertainty is divided by its coverage factor, here k = 2.
    for quoted in (0.05, 0.1, 0.4):
        budget = {one.name: one.u for one in comparison_components([STILL, STILL], quoted, 0.1)}
        assert budget["reference thermometer"] == pytest.approx(quoted / 2)
        assert budget["reference display"] == pytest.approx(0.1 / 12**0.5)


def test_immersions_that_do_not_repeat_widen_the_budget() -> None:
    good = expanded(ice_components([STILL, STILL]))
    bad = expanded(ice_components([STILL, replace(STILL, celsius=0.58)]))
    assert bad > good + 0.1
    with pytest.raises(DataError, match="which is no repetition"):
        ice_components([STILL, replace(STILL, celsius=0.81)])


def test_readings_that_stand_still_are_settled() -> None:
    plateau = settled(samples(lambda t: 0.3 + 0.03 * math.sin(t)))
    assert isinstance(plateau, Plateau)
    assert plateau.celsius == pytest.approx(0.3, abs=0.03)


@pytest.mark.parametrize(
    ("celsius", "words"),
    [
        (lambda t: 20 * math.exp(-t / 15), "still falling"),
        (lambda t: 30 + t / 60, "still rising"),
        (lambda t: 37 + 0.5 * (t % 2), "too restless"),
    ],
)
def test_readings_that_move_or_scatter_are_not(celsius: Callable[[float], float], words: str) -> None:
    assert words in str(settled(samples(celsius)))


def test_too_few_readings_are_not() -> None:
    assert settled([]) == "no reading yet"
    assert "waiting" in str(settled(samples(lambda _: 0.0, 25)))
    assert "waiting" in str(settled([Sample(5.0 * t, 0.0) for t in range(9)]))


@settings(max_examples=30, deadline=None)
@given(st.floats(3, 25), st.floats(-0.5, 0.5))
def test_a_probe_in_water_is_not_taken_before_it_is_there(tau: float, level: float) -> None:
    taken = samples(lambda t: level + (21 - level) * math.exp(-t / tau), 600)
    for end in range(20, 600):
        plateau = settled(taken[:end])
        if isinstance(plateau, Plateau):
            assert plateau.celsius == pytest.approx(level, abs=0.125)  # two steps of the probe
            return
    pytest.fail("never settled")


def plunge(tau: float, hand_seconds: float = 3.0, step_seconds: float = 1.0) -> list[Sample]:
    """From ice into 38 °C after a while in the hand, in steps of 1/16 °C."""
    taken = []
    for i in range(int(200 / step_seconds)):
        t = i * step_seconds
        celsius = 0.2 if t < hand_seconds else 38.0 - 37.8 * math.exp(-(t - hand_seconds) / tau)
        taken.append(Sample(t, round(celsius * 16) / 16))
    return taken


COLD, WARM = Plateau(0.2, 0.02, 31, 0.0), Plateau(38.0, 0.02, 31, 0.0)


@pytest.mark.parametrize("tau", [3.0, 4.3, 8.0, 15.0, 40.0])
def test_the_time_constant_comes_out_of_a_plunge(tau: float) -> None:
    response = time_constant(plunge(tau), COLD, WARM)
    assert response.seconds == pytest.approx(tau, rel=0.02)
    assert response.u_seconds < 0.1 * tau


def test_the_time_constant_of_the_worked_step_is_15_seconds() -> None:
    # LAG-05: step 20 to 38 °C, tau 15 s, read at 5, 10, 15, 30, 60 and 90 s.
    check = row("LAG-05")
    taken = [Sample(t, c) for t, c in zip((5, 10, 15, 30, 60, 90), check["expected"], strict=True)]
    response = time_constant([Sample(0, 20.0), *taken], Plateau(20, 0, 31, 0), Plateau(38, 0, 31, 0))
    assert response.seconds == pytest.approx(check["given"]["tau"], rel=0.001)


def test_response_times_are_those_of_a_first_order_sensor() -> None:
    # LAG-01 to LAG-03: 50 % after 0.693 tau, 90 % after 2.303 tau; 0 into 10 °C reads 6.32 after one tau.
    for share, times in ((0.5, 0.693), (0.632, 1.0), (0.9, 2.303)):
        reached = 1 - math.exp(-times)
        assert reached == pytest.approx(share, abs=0.0006)
    response = time_constant(plunge(10.0), COLD, WARM)
    at_tau = next(s.celsius for s in plunge(10.0) if s.seconds >= 3.0 + response.seconds)
    assert (at_tau - 0.2) / 37.8 == pytest.approx(0.632, abs=0.04)


def test_a_plunge_that_is_none_is_refused_with_the_reason() -> None:
    with pytest.raises(DataError, match="too small a step"):
        time_constant(plunge(8), COLD, Plateau(12, 0.02, 31, 0.0))
    with pytest.raises(DataError, match="only 0 readings"):
        time_constant([], COLD, WARM)
    with pytest.raises(DataError, match="only 2 readings"):
        time_constant(plunge(1.0), COLD, WARM)
    halting = [
        Sample(float(t), 0.2 if t < 3 else 19.0 if t < 40 else 38 - 19 * math.exp(-(t - 40) / 8)) for t in range(200)
    ]
    with pytest.raises(DataError, match="no single step"):
        time_constant(halting, COLD, WARM)
    falling = [Sample(float(t), 20.0 - t) for t in range(10)]
    with pytest.raises(DataError, match="do not rise"):
        time_constant(falling, COLD, WARM)


@pytest.mark.parametrize("hand", [0, 5])
def test_the_uncertainty_of_the_time_constant_is_that_of_a_fitted_slope(hand: int) -> None:
    """Ordinary least squares: s / sqrt(sum (t - mean)²), then tau = -1/slope carries it over as u / slope²."""
    noise = (0.2, -0.3, 0.1, 0.25, -0.2, -0.1, 0.3, -0.25, 0.05, -0.05)
    taken = [Sample(float(n), 0.0) for n in range(hand)]
    taken += [Sample(hand + 2.0 * n, 40.0 * (1 - math.exp(-(2.0 * n) / 9.0)) + noise[n % 10]) for n in range(60)]
    cold, warm = Plateau(0.0, 0.02, 31, 0.0), Plateau(40.0, 0.02, 31, 0.0)
    share = [(s.seconds, (40.0 - s.celsius) / 40.0) for s in taken]
    # From the last reading of the first tenth to the first of the last tenth.
    after = max((n for n, (_, left) in enumerate(share) if left > 0.90), default=-1) + 1
    stop = next(n for n, (_, left) in enumerate(share) if n >= after and left < 0.10)
    points = share[after:stop]
    fit = stats.linregress([t for t, _ in points], [math.log(left) for _, left in points])
    response = time_constant(taken, cold, warm)
    assert response.points == len(points)
    assert response.seconds == pytest.approx(-1 / float(fit.slope))
    assert response.u_seconds == pytest.approx(float(fit.stderr) / float(fit.slope) ** 2)


def test_a_plunge_whose_first_reading_is_on_its_way_already_counts_from_there() -> None:
    taken = [Sample(2.0 * n, 40.0 - 34.0 * math.exp(-2.0 * n / 9.0)) for n in range(40)]
    response = time_constant(taken, Plateau(0.0, 0.02, 31, 0.0), Plateau(40.0, 0.02, 31, 0.0))
    assert response.seconds == pytest.approx(9.0)
    # exp(-t / 9) x 0.85 stays over a tenth until 19.3 s: readings at 0, 2 ... 18 s.
    assert response.points == 10


@pytest.mark.parametrize(("step", "is_enough"), [(14.9, False), (15.0, True)])
def test_a_plunge_of_fifteen_degrees_is_the_least(step: float, is_enough: bool) -> None:
    taken = [Sample(float(n), step * (1 - math.exp(-n / 9.0))) for n in range(60)]
    cold, warm = Plateau(0.0, 0.02, 31, 0.0), Plateau(step, 0.02, 31, 0.0)
    if is_enough:
        assert time_constant(taken, cold, warm).seconds == pytest.approx(9.0)
    else:
        with pytest.raises(DataError, match=r"from 0\.0 to 14\.9 °C is too small"):
            time_constant(taken, cold, warm)


def test_four_readings_on_the_way_are_enough_and_three_are_not() -> None:
    cold, warm = Plateau(0.0, 0.02, 31, 0.0), Plateau(40.0, 0.02, 31, 0.0)

    def at(seconds: float) -> list[Sample]:
        return [Sample(seconds * n, 40.0 * (1 - math.exp(-seconds * n / 9.0))) for n in range(40)]

    assert time_constant(at(4.5), cold, warm).points == 4  # 4.5, 9, 13.5, 18 s; 0.082 is left at 22.5 s
    with pytest.raises(DataError, match="only 3 readings"):
        time_constant(at(6.0), cold, warm)


@pytest.mark.parametrize(("tau", "is_probe"), [(115.0, True), (125.0, False)])
def test_slower_than_two_minutes_is_no_probe_in_water(tau: float, is_probe: bool) -> None:
    taken = [Sample(5.0 * n, 40.0 * (1 - math.exp(-5.0 * n / tau))) for n in range(100)]
    cold, warm = Plateau(0.0, 0.02, 31, 0.0), Plateau(40.0, 0.02, 31, 0.0)
    if is_probe:
        assert time_constant(taken, cold, warm).seconds == pytest.approx(tau)
    else:
        with pytest.raises(DataError, match="do not rise"):
            time_constant(taken, cold, warm)


def test_a_rise_in_two_steps_says_by_how_much_it_is_off() -> None:
    taken = [Sample(float(n), 20.0 if n < 20 else 40 - 20 * math.exp(-(n - 20) / 8)) for n in range(80)]
    with pytest.raises(DataError, match=r"\((1[0-9]|[2-3][0-9]) % off"):
        time_constant(taken, Plateau(0.0, 0.02, 31, 0.0), Plateau(40.0, 0.02, 31, 0.0))


def plateau(celsius: float, readings: int = 31) -> Plateau:
    return Plateau(celsius, 0.03, readings, 0.0)


def test_repeatability_is_the_standard_deviation_of_the_mean_and_never_under_half_a_step() -> None:
    """JCGM 100, 4.2.3: s / sqrt(n)."""
    three = {c.name: c.u for c in ice_components([plateau(0.0), plateau(0.1), plateau(0.29)])}
    s = math.sqrt(((0.13) ** 2 + 0.03**2 + 0.16**2) / 2)
    assert three["repeatability"] == pytest.approx(s / math.sqrt(3))
    alike = {c.name: c.u for c in ice_components([plateau(0.1), plateau(0.1)])}
    assert alike["repeatability"] == 0.03125
    one = {c.name: c.u for c in ice_components([plateau(0.1)])}
    assert one["repeatability"] == 0.05
    two = {c.name: c.u for c in ice_components([plateau(0.1, 30), plateau(0.1, 60)])}
    assert two["mean of readings"] == pytest.approx(math.sqrt(0.03**2 / 30 + 0.03**2 / 60) / 2)
    assert len(ice_components([plateau(0.0), plateau(0.3)])) == 4  # 0.3 °C apart is still a repetition


def test_the_ends_of_what_a_reference_may_be() -> None:
    assert comparison_components([STILL], 0.5, 1.0)
    for reference, step, words in (
        *[
            (0.51, 0.1, "no help to a probe"),
            (0.0, 0.1, "no help"),
            (0.1, 0.0, "more than 0"),
            (0.1, 1.1, "at most 1"),
            (0.1, -0.1, "more than 0"),
        ],
    ):
        with pytest.raises(DataError, match=words):
            comparison_components([STILL], reference, step)
    bath = {c.name: c.u for c in comparison_components([STILL], 0.2, 0.1)}["bath"]
    assert bath == pytest.approx(0.1 / math.sqrt(3))  # JCGM 100, 4.3.7: rectangular


def test_the_ends_of_what_points_may_be() -> None:
    quiet = ice_components([STILL])
    for reading, is_believed in ((1.5, True), (-1.5, True), (1.51, False), (-1.51, False)):
        if is_believed:
            assert calibrate([Point(reading, 0.0, quiet)], 37.0).offset == -reading
        else:
            with pytest.raises(DataError, match="no working probe"):
                calibrate([Point(reading, 0.0, quiet)], 37.0)
    low = Point(0.0, 0.0, quiet)
    assert calibrate([low, Point(37.69, 37.0, quiet)], 37.0).gain == pytest.approx(37.0 / 37.69)
    with pytest.raises(DataError, match="contradict"):
        calibrate([low, Point(37.71, 37.0, quiet)], 37.0)
    assert calibrate([low, Point(25.0, 25.0, quiet)], 37.0).gain == 1.0
    with pytest.raises(DataError, match="25 °C between"):
        calibrate([low, Point(24.9, 24.9, quiet)], 37.0)


def test_the_budget_at_37_degrees_counts_the_drift_and_how_far_an_ice_point_is_carried() -> None:
    """Half the data sheet's 0.2 °C over its thousand hours, and 0.2 °C between 0 and 37 °C: rectangular both."""
    point = Point(0.1, 0.0, (Component("alone", 0.1, ""),))
    far = calibrate([point], 37.0)
    assert far.expanded_uncertainty == pytest.approx(2 * math.sqrt(0.1**2 + 0.1**2 / 3 + 0.2**2 / 3))
    near_ = calibrate([point], 25.0)
    assert near_.expanded_uncertainty == pytest.approx(2 * math.sqrt(0.1**2 + 0.1**2 / 3))
    assert far.at_celsius == 37.0
    below = calibrate([replace(point, reading=37.1, true=37.0)], 5.0)
    assert below.expanded_uncertainty == far.expanded_uncertainty
    two = calibrate([point, Point(50.0, 50.0, (Component("alone", 0.3, ""),))], 20.0)
    assert [c.u for c in two.components[:2]] == pytest.approx([0.6 * 0.1, 0.4 * 0.3])
    beyond = calibrate([point, Point(50.0, 50.0, (Component("alone", 0.3, ""),))], 60.0)
    assert [c.u for c in beyond.components[:2]] == pytest.approx([0.2 * 0.1, 1.2 * 0.3])


def test_the_limits_widen_with_the_bath() -> None:
    """Root of the squares: the data sheet's limit and the bath's expanded uncertainty."""
    assert ice_limit_celsius(0.1) == pytest.approx(math.hypot(0.5, 0.2))
    assert ice_limit_celsius() == ice_limit_celsius(0.1)
    assert boil_limit_celsius(0.5) == pytest.approx(math.hypot(1.0, 0.5))


def test_a_warning_comes_where_the_limit_is_passed() -> None:
    part = (Component("alone", 0.1, ""),)
    assert calibrate([Point(0.538, 0.0, part)], 37.0).warnings == ()
    (words,) = calibrate([Point(-0.54, 0.0, part)], 37.0).warnings
    assert words.startswith("-0.54 °C off at 0.0 °C")


def test_half_a_minute_of_fifteen_readings_that_stand_still_is_the_least() -> None:
    def still(seconds: float, count: int) -> str | Plateau:
        return settled([Sample(seconds * n / (count - 1), 0.0) for n in range(count)])

    assert isinstance(still(30.0, 15), Plateau)
    assert still(30.0, 14) == "waiting for half a minute of readings"
    assert still(29.9, 20) == "waiting for half a minute of readings"
    long = settled([Sample(float(n), 5.0 if n < 25 else 0.0) for n in range(60)])
    assert isinstance(long, Plateau)
    assert long.readings == 31  # the last half minute alone


def test_what_moves_or_scatters_says_how_much() -> None:
    creeping = settled([Sample(float(n), 0.1 * n / 60) for n in range(31)])
    assert creeping == "still rising, 0.10 °C a minute"
    assert isinstance(settled([Sample(float(n), 0.07 * n / 60) for n in range(31)]), Plateau)
    falling = settled([Sample(float(n), -0.09 * n / 60) for n in range(31)])
    assert falling == "still falling, 0.09 °C a minute"
    for swing, is_still in ((0.11, True), (0.13, False)):
        found = settled([Sample(float(n), swing if n % 2 else -swing) for n in range(31)])
        assert isinstance(found, Plateau) is is_still
    plateau_ = settled([Sample(float(n), 0.03 * n / 60) for n in range(31)])
    assert isinstance(plateau_, Plateau)
    assert plateau_.slope == pytest.approx(0.03)
    assert plateau_.celsius == pytest.approx(0.0075)


def test_a_point_near_the_dish_is_not_carried_far() -> None:
    point = Point(20.1, 20.0, (Component("alone", 0.1, ""),))
    assert calibrate([point], 37.0).expanded_uncertainty == pytest.approx(2 * math.sqrt(0.1**2 + 0.1**2 / 3))
