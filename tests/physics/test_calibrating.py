"""The numbers of a calibration against JCGM 100, the ice-point guides and the data sheet."""

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

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
)
from sensord.physics.response import time_constant
from tests.checks import row

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
