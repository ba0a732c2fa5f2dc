"""Decisions under uncertainty against JCGM 106 and ILAC-G8 (rows CNF and UNC of tests/data/dish_check_values.json)."""

import json
import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from sensord.physics.conformity import (
    Verdict,
    acceptance_interval,
    probability_inside,
    standard_normal,
    verdict,
)
from sensord.readings import Band

ROWS: dict[str, dict[str, Any]] = {
    row["id"]: row for row in json.loads((Path(__file__).parents[1] / "data" / "dish_check_values.json").read_text())
}
TWO_SIDED = ["CNF-01", "CNF-04", "CNF-05", "CNF-06", "CNF-07", "CNF-08", "CNF-09", "CNF-10", "CNF-11"]


@pytest.mark.parametrize("row", [ROWS[name] for name in TWO_SIDED], ids=lambda row: row["id"])
def test_probability_of_conformity_matches_the_published_row(row: dict[str, Any]) -> None:
    given_ = row["given"]
    found = probability_inside(given_["measured"], given_["u"], given_["lower"], given_["upper"])
    assert found == pytest.approx(row["expected"], abs=row["tolerance"])


def test_a_single_limit_is_a_band_open_to_one_side() -> None:
    row = ROWS["CNF-02"]
    found = probability_inside(row["given"]["measured"], row["given"]["u"], -math.inf, row["given"]["upper"])
    assert found == pytest.approx(row["expected"], abs=row["tolerance"])


@pytest.mark.parametrize(("name", "probability"), [("CNF-12", 0.95), ("CNF-13", 0.97725), ("CNF-14", 0.97725)])
def test_the_guarded_interval_matches_the_published_row(name: str, probability: float) -> None:
    row = ROWS[name]
    found = acceptance_interval(Band(row["given"]["lower"], row["given"]["upper"]), row["given"]["u"], probability)
    assert found is not None
    assert [found.low_celsius, found.high_celsius] == pytest.approx(row["expected"], abs=max(row["tolerance"], 1e-3))


def test_guard_bands_that_meet_leave_nothing_to_accept() -> None:
    assert acceptance_interval(Band(36.0, 38.0), ROWS["CNF-15"]["given"]["u"], 0.97725) is None


def test_the_four_verdicts_match_the_published_row() -> None:
    row = ROWS["CNF-17"]
    words = {
        "in band": Verdict.IN_BAND,
        "in band, not proven": Verdict.IN_NOT_PROVEN,
        "out of band, not proven": Verdict.OUT_NOT_PROVEN,
        "out of band": Verdict.OUT_OF_BAND,
    }
    found = [verdict(Band(36.0, 38.0), celsius, row["given"]["U"]) for celsius in row["given"]["measured"]]
    assert found == [words[word] for word in row["expected"]]


def test_the_normal_distribution_agrees_with_scipy_far_into_its_tails() -> None:
    for z in (-30.0, -8.0, -3.0, -1.0, -0.1, 0.0, 0.1, 1.0, 3.0, 8.0):
        assert standard_normal(z) == pytest.approx(float(stats.norm.cdf(z)), rel=1e-12)


@given(st.floats(0.0, 60.0), st.floats(0.01, 5.0))
def test_a_temperature_nearer_to_the_middle_is_never_less_probably_inside(celsius: float, u: float) -> None:
    nearer = 37.0 + (celsius - 37.0) * 0.5
    assert probability_inside(nearer, u, 36.0, 38.0) >= probability_inside(celsius, u, 36.0, 38.0) - 1e-15


@given(st.floats(0.0, 60.0), st.floats(0.01, 5.0))
def test_the_guarded_interval_accepts_only_what_has_the_probability(celsius: float, u: float) -> None:
    accepted = acceptance_interval(Band(36.0, 38.0), u)
    if accepted is not None and celsius in accepted:
        assert probability_inside(celsius, u, 36.0, 38.0) >= 0.9


@pytest.mark.parametrize(("celsius", "inside"), [(36.0, 1.0), (38.0, 1.0), (35.999, 0.0), (38.001, 0.0)])
def test_a_temperature_known_exactly_is_inside_or_not(celsius: float, inside: float) -> None:
    for none in (0.0, -0.1):
        assert probability_inside(celsius, none, 36.0, 38.0) == inside


@pytest.mark.parametrize("celsius", [28.0, 30.0, 44.0, 46.0])
def test_far_outside_the_band_the_small_probability_keeps_its_digits(celsius: float) -> None:
    for u in (0.5, 1.0):
        low, high = (36.0 - celsius) / u, (38.0 - celsius) / u
        tail = stats.norm.cdf(-low) - stats.norm.cdf(-high) if low > 0 else stats.norm.cdf(high) - stats.norm.cdf(low)
        assert probability_inside(celsius, u, 36.0, 38.0) == pytest.approx(float(tail), rel=1e-9, abs=0.0)


@pytest.mark.parametrize(
    ("celsius", "said"),
    [
        *[(36.0, Verdict.IN_NOT_PROVEN), (36.24, Verdict.IN_NOT_PROVEN), (36.25, Verdict.IN_BAND)],
        *[(37.75, Verdict.IN_BAND), (37.76, Verdict.IN_NOT_PROVEN), (38.0, Verdict.IN_NOT_PROVEN)],
        *[(35.75, Verdict.OUT_NOT_PROVEN), (35.74, Verdict.OUT_OF_BAND)],
        *[(38.25, Verdict.OUT_NOT_PROVEN), (38.26, Verdict.OUT_OF_BAND)],
    ],
)
def test_each_verdict_begins_a_guard_band_from_the_limit(celsius: float, said: Verdict) -> None:
    assert verdict(Band(36.0, 38.0), celsius, 0.25) is said


def test_guard_bands_that_just_touch_leave_nothing() -> None:
    u = 1.0 / 1.6448536269514722
    assert acceptance_interval(Band(36.0, 38.0), 1.0001 * u) is None
    found = acceptance_interval(Band(36.0, 38.0), 0.99 * u)
    assert found is not None
    assert (found.low_celsius, found.high_celsius) == pytest.approx((36.99, 37.01))
