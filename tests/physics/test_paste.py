"""Food properties against the rows computed from Choi and Okos as ASHRAE prints them."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.errors import DataError
from sensord.physics import paste
from sensord.physics.paste import Composition
from tests.helpers.checks import row, rows

NOTHING = {"water": 0.0, "protein": 0.0, "fat": 0.0, "carbohydrate": 0.0, "fibre": 0.0, "ash": 0.0}


def composition(shares: dict[str, float]) -> Composition:
    """From the names of the check rows, which spell fibre the other way."""
    return Composition(**(NOTHING | {name.replace("fiber", "fibre"): share for name, share in shares.items()}))


PASTE_A = composition(row("FOO-17")["given"]["composition"])


@pytest.mark.parametrize("check", rows("FOO-")[:12], ids=lambda check: check["id"])
def test_each_component_is_as_choi_and_okos_have_it(check: dict[str, Any]) -> None:
    pure = composition({check["given"]["component"]: 1.0})
    celsius, expected, tolerance = check["given"]["t_C"], check["expected"], check["tolerance"]
    assert paste.paste_specific_heat(pure, celsius) == pytest.approx(expected["cp"], abs=tolerance)
    assert paste.paste_density(pure, celsius) == pytest.approx(expected["density"], abs=tolerance)


def test_lamb_of_the_ashrae_example() -> None:
    check = row("FOO-13")
    lamb = composition(check["given"]["composition"])
    assert paste.paste_specific_heat(lamb, 5) == pytest.approx(check["expected"], abs=check["tolerance"])
    heat = 150 * (paste.paste_enthalpy(lamb, 10) - paste.paste_enthalpy(lamb, 0))
    assert heat == pytest.approx(row("FOO-14")["expected"], abs=row("FOO-14")["tolerance"])


def test_the_misprinted_water_constant_is_not_in_use() -> None:
    right, misprinted, iapws = row("FOO-16")["expected"]
    ours = paste.paste_specific_heat(composition({"water": 1.0}), row("FOO-16")["given"]["t_C"])
    assert ours == pytest.approx(right, abs=row("FOO-16")["tolerance"])
    assert abs(ours - iapws) < 0.002 < abs(misprinted - iapws)
    lamb = composition(row("FOO-15")["given"]["composition"])
    assert paste.paste_specific_heat(lamb, 5) - row("FOO-15")["expected"] == pytest.approx(0.7342 * 0.0473, abs=1e-4)


def test_paste_a_has_the_heat_and_density_of_its_parts() -> None:
    check = row("FOO-17")
    found = [paste.paste_specific_heat(PASTE_A, 37), paste.paste_density(PASTE_A, 37)]
    assert found == pytest.approx(check["expected"][:2], abs=check["tolerance"])


def test_simpler_equations_agree_within_their_known_spread() -> None:
    # Siebel, Siebel with fat, Chen, Earle, Heldman-Singh: within 7 % of Choi and Okos (FOO-19).
    ours = paste.paste_specific_heat(PASTE_A, 37)
    assert all(other == pytest.approx(ours, rel=0.07) for other in row("FOO-19")["expected"])


def test_flour_like_formula_has_the_heat_of_flour() -> None:
    # Flour of 12 to 13.5 % water: 1.80 to 1.88 kJ/(kg K), Geankoplis 4th ed., table A.4-1.
    flour = Composition(water=0.1275, protein=0.11, fat=0.015, carbohydrate=0.7125, fibre=0.03, ash=0.005)
    assert 1.80 <= paste.paste_specific_heat(flour, 20) <= 2.0


@given(st.floats(0.0, 1.0), st.floats(0.0, 60.0))
def test_enthalpy_is_the_integral_of_specific_heat(solids: float, celsius: float) -> None:
    food = paste.paste_of(paste.DEFAULT_FORMULA, solids)
    slope = (paste.paste_enthalpy(food, celsius + 0.01) - paste.paste_enthalpy(food, celsius - 0.01)) / 0.02
    assert slope == pytest.approx(paste.paste_specific_heat(food, celsius), abs=1e-6)


@given(st.floats(0.0, 1.0))
def test_paste_is_between_water_and_dry_formula(solids: float) -> None:
    food = paste.paste_of(paste.DEFAULT_FORMULA, solids)
    assert food.protein == pytest.approx(solids * paste.DEFAULT_FORMULA.protein)
    water = Composition(water=1.0, protein=0, fat=0, carbohydrate=0, fibre=0, ash=0)
    for quantity in (paste.paste_specific_heat, paste.paste_density):
        ends = sorted((quantity(water, 37), quantity(paste.DEFAULT_FORMULA, 37)))
        assert ends[0] - 1e-9 <= quantity(food, 37) <= ends[1] + 1e-9


def test_a_label_that_does_not_sum_up_is_refused() -> None:
    with pytest.raises(DataError, match="sum to 100 %, got 90 %"):
        Composition(water=0.1, protein=0.2, fat=0.1, carbohydrate=0.4, fibre=0.05, ash=0.05)
    with pytest.raises(DataError, match="0 % or more"):
        Composition(water=-0.1, protein=0.3, fat=0.1, carbohydrate=0.5, fibre=0.1, ash=0.1)
    for solids in (-0.01, 1.01, float("nan")):
        with pytest.raises(DataError, match="give 0 to 100 %"):
            paste.paste_of(paste.DEFAULT_FORMULA, solids)


def test_all_and_nothing_of_dry_formula_are_shares_too() -> None:
    assert paste.paste_of(paste.DEFAULT_FORMULA, 1.0).fat == paste.DEFAULT_FORMULA.fat
    assert paste.paste_of(paste.DEFAULT_FORMULA, 0.0) == Composition(
        water=1.0, protein=0.0, fat=0.0, carbohydrate=0.0, fibre=0.0, ash=0.0
    )
    with pytest.raises(DataError, match="formula of 101 % is"):
        paste.paste_of(paste.DEFAULT_FORMULA, 1.01)


@pytest.mark.parametrize(("total", "believed"), [(0.9951, True), (1.0049, True), (0.9949, False), (1.0051, False)])
def test_a_label_may_be_rounded_by_half_a_percent(total: float, believed: bool) -> None:
    shares = {"water": total - 0.95, "protein": 0.2, "fat": 0.1, "carbohydrate": 0.5, "fibre": 0.05, "ash": 0.1}
    if believed:
        assert Composition(**shares).protein == 0.2
    else:
        with pytest.raises(DataError, match=f"got {100 * total:.4g} %"):
            Composition(**shares)


def test_enthalpy_is_that_of_a_numerical_integral() -> None:
    for food in (paste.DEFAULT_FORMULA, PASTE_A):
        midpoints = [paste.paste_specific_heat(food, 0.5 + n) for n in range(60)]
        assert paste.paste_enthalpy(food, 60.0) == pytest.approx(sum(midpoints), rel=1e-5)


def test_the_formula_that_is_assumed_is_what_labels_print() -> None:
    """Protein 18-24, fat 7-14, fibre 2-5, ash 5-8, moisture 7-10 % (from memory, no source)."""
    dry = paste.DEFAULT_FORMULA
    for share, low, high in (
        *[(dry.protein, 0.18, 0.24), (dry.fat, 0.07, 0.14), (dry.fibre, 0.02, 0.05)],
        *[(dry.ash, 0.05, 0.08), (dry.water, 0.07, 0.10)],
    ):
        assert low <= share <= high
