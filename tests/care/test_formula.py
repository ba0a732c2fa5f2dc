"""Facts about formula against their sources, and the one-line advice."""

import math

import pytest

from sensord.care.formula import (
    Bowlful,
    Group,
    advice,
    millilitre_words,
    scald_seconds,
    scald_words,
    solids_from_volumes,
    solids_rule,
    time_words,
)
from sensord.errors import DataError
from sensord.physics.correcting import Supplies
from sensord.physics.heat import Bowl, Material
from sensord.readings import Band

BAND = Band(36.0, 38.0)
BOWLFUL = Bowlful(
    millilitres=40,
    solids=0.25,
    solids_allowed=(0.20, 1.0),
    supplies=Supplies(95, 18, 21),
    bowl=Bowl(Material.STEEL, 90),
)


@pytest.mark.parametrize(("day", "solids"), [(2, 0.07), (10, 0.30)])
def test_cockatiel_solids_that_grew_well_are_allowed(day: float, solids: float) -> None:
    # Roudybush and Grau 1986: 7 % to day 4, then 30 %.
    rule = solids_rule(day)
    assert rule.lowest <= solids <= rule.highest


@pytest.mark.parametrize(("day", "solids"), [(1, 0.20), (1, 0.30), (6, 0.10), (20, 0.10)])
def test_cockatiel_solids_that_cost_chicks_are_not(day: float, solids: float) -> None:
    # Roudybush and Grau 1986: 20 or 30 % in the first days, and water of 90 % or more after day 4.
    rule = solids_rule(day)
    assert not rule.lowest <= solids <= rule.highest


def test_doves_may_have_one_measure_to_two_later_and_one_to_five_first() -> None:
    first, later = solids_rule(0, Group.PIGEONS_DOVES), solids_rule(14, Group.PIGEONS_DOVES)
    assert first.lowest <= solids_from_volumes(1, 5) <= first.highest
    assert later.lowest <= solids_from_volumes(1, 2) <= later.highest


@pytest.mark.parametrize("age", [-1, 201, math.nan])
def test_an_age_of_no_chick_is_refused(age: float) -> None:
    with pytest.raises(DataError, match="0 to 200 days"):
        solids_rule(age)


@pytest.mark.parametrize(
    ("density", "percents"), [(0.40, (28.6, 16.7, 11.8)), (0.45, (31.0, 18.4, 13.0)), (0.50, (33.3, 20.0, 14.3))]
)
def test_solids_from_level_measures(density: float, percents: tuple[float, float, float]) -> None:
    # s = r d / (r d + w), by hand for 1:1, 1:2 and 1:3.
    found = [100 * solids_from_volumes(1, water, density) for water in (1, 2, 3)]
    assert found == pytest.approx(percents, abs=0.05)


@pytest.mark.parametrize(("dry", "water"), [(0, 1), (1, 0), (-1, 2), (math.nan, 1), (math.inf, 1)])
def test_measures_that_are_none_are_refused(dry: float, water: float) -> None:
    with pytest.raises(DataError, match="such as 1:2"):
        solids_from_volumes(dry, water)


def test_scald_times_follow_the_published_fit_and_stay_under_the_classic_points() -> None:
    # PLOS ONE 2021, 0254790, figure 2: ln t = 116.4 - 28.3 ln T.
    assert scald_seconds(45) == pytest.approx(5834, rel=0.01)
    assert scald_seconds(48.9) == pytest.approx(555, rel=0.01)
    # Moritz and Henriques as reprinted: 47 °C 20 min to partial, 45 min to full thickness; 60 °C 3 s and 5 s.
    assert scald_seconds(47) < 45 * 60
    assert scald_seconds(60) < 3
    assert scald_seconds(43.9) == math.inf


def test_scald_words() -> None:
    assert scald_words(95) == "at once"
    assert scald_words(60) == "within 2 s"
    assert scald_words(48.9) == "within 9 min"


def test_advice_on_a_hot_dish_says_how_much_cool_water_and_what_it_does_to_the_solids() -> None:
    assert advice(40, BAND, BOWLFUL) == ("for 40 ml: stir in 6.5 ml of cool water (18 °C), which makes 22 % solids")


def test_advice_on_a_dish_too_hot_for_water_is_a_bath() -> None:
    told = advice(48, BAND, BOWLFUL)
    assert told.startswith("stand it in water of 18 °C for ")
    assert "under the 20 % allowed" in told


def test_advice_on_a_cool_dish_is_hot_water() -> None:
    assert "of hot water (95 °C)" in advice(34, BAND, BOWLFUL)


def test_no_advice_in_the_band_and_a_reason_where_nothing_helps() -> None:
    assert advice(37, BAND, BOWLFUL) == ""
    tepid = Bowlful(millilitres=40, solids=0.25, solids_allowed=(0.20, 1.0), supplies=Supplies(36, 18, 21))
    assert "mix a fresh batch" in advice(30, BAND, tepid)


def test_amounts_are_said_as_finely_as_a_keeper_can_measure() -> None:
    assert [millilitre_words(ml) for ml in (0.1, 4.4, 4.6, 42.7)] == ["a few drops", "4.5 ml", "4.5 ml", "43 ml"]
    spans = [time_words(*span) for span in ((4, 8), (28, 64), (100, 290), (290, 310))]
    assert spans == ["10 s", "30 to 60 s", "1.5 to 5 min", "5 min"]


def test_two_measures_of_water_to_one_of_loose_powder_are_18_percent_solids() -> None:
    """The powder's density is from memory (0.4 to 0.5 g/ml), within skim milk and whey mixes as read (0.44 to 0.57):
    0.45 g to 2 ml, 0.45 / 2.45."""
    assert solids_from_volumes(1.0, 2.0) == pytest.approx(0.184, abs=0.001)
