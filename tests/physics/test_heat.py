"""A bowl's heat against geometry, Newton's law of cooling and the tables that its numbers come from."""

import math

import pytest

from sensord.errors import DataError
from sensord.physics import paste, water
from sensord.physics.heat import (
    Bowl,
    Food,
    Material,
    Solid,
    Water,
    lost_joules,
    open_air_loss,
    pool_square_metres,
    settled_celsius,
)


@pytest.mark.parametrize("millilitres", [1.0, 40.0, 500.0])
def test_a_pool_of_paste_is_a_flat_cylinder_that_holds_it(millilitres: float) -> None:
    """Three and a half times as wide as deep (common practice, no source); the bottom is as large as the top."""
    top, wetted = pool_square_metres(millilitres)
    width = 2.0 * math.sqrt(top / math.pi)
    depth = (wetted - top) / (math.pi * width)
    assert width / depth == pytest.approx(3.5)
    assert top * depth == pytest.approx(millilitres * 1e-6)


def test_the_open_top_loses_more_than_the_wall() -> None:
    """Convection and radiation about 10 W/(m² K) everywhere (textbooks); evaporation more than doubles the top."""
    top, wetted = pool_square_metres(40.0)
    through_top = open_air_loss(40.0) - 10.0 * wetted
    assert 2.0 * 10.0 * top < through_top < 6.0 * 10.0 * top
    # Area goes with the 2/3 power of the volume.
    assert open_air_loss(320.0) == pytest.approx(4.0 * open_air_loss(40.0))


@pytest.mark.parametrize("seconds", [240.0, 900.0])
@pytest.mark.parametrize(("celsius", "around"), [(42.0, 20.0), (20.0, 42.0)])
def test_heat_is_lost_by_newtons_law_of_cooling(celsius: float, around: float, seconds: float) -> None:
    capacity, watts = 150.0, 0.3
    now, count = celsius, 20_000
    for _ in range(count):  # Euler: dT/dt = -watts (T - around) / capacity
        now -= watts * (now - around) / capacity * seconds / count
    assert lost_joules(celsius, around, capacity, watts, seconds) == pytest.approx(capacity * (celsius - now), rel=2e-4)


@pytest.mark.parametrize(
    ("material", "specific_heat"),
    # OpenStax College Physics, table of specific heats: steel 452, glass 840 J/(kg K).
    [(Material.STEEL, 0.452), (Material.GLASS, 0.840)],
)
def test_steel_and_glass_hold_the_heat_of_the_table(material: Material, specific_heat: float) -> None:
    assert material.joules_per_gram_kelvin == specific_heat
    assert Bowl(material, 90).solid().joules_per_kelvin(37.0) == pytest.approx(90 * specific_heat)
    assert Bowl(material, 90).solid(0.5).joules(10.0) == pytest.approx(450 * specific_heat)


def test_ceramic_and_plastic_lie_where_tables_have_them() -> None:
    """From memory of engineers' tables: stoneware and porcelain 0.8 to 1.1, kitchen plastics 1.5 to 2.3 kJ/(kg K)."""
    assert 0.8 <= Material.CERAMIC.joules_per_gram_kelvin <= 1.1
    assert 1.5 <= Material.PLASTIC.joules_per_gram_kelvin <= 2.3


def test_heat_through_the_wall_is_two_films_and_the_wall_in_series() -> None:
    """Two films of 300 W/(m² K) and the wall's thickness over its conductivity, as the docstring has them."""
    walls = {
        Material.STEEL: 0.001 / 15.0,  # stainless steel, about 15 W/(m K)
        Material.GLASS: 0.003 / 1.0,
        Material.CERAMIC: 0.005 / 1.2,
        Material.PLASTIC: 0.002 / 0.2,
    }
    for material, resistance in walls.items():
        expected = 1.0 / (2.0 / 300.0 + resistance)
        assert material.bath_watts_per_square_metre_kelvin == pytest.approx(expected, rel=0.02), material


def test_everything_holds_heat_by_its_mass() -> None:
    assert Water(250.0).joules(40.0) == pytest.approx(250.0 * water.water_enthalpy(40.0))
    assert Water(250.0).joules_per_kelvin(40.0) == pytest.approx(250.0 * water.water_specific_heat(40.0))
    dry = paste.DEFAULT_FORMULA
    assert Food(20.0, dry).joules(40.0) == pytest.approx(20.0 * paste.paste_enthalpy(dry, 40.0))
    assert Food(20.0, dry, 1.5).joules(40.0) == pytest.approx(30.0 * paste.paste_enthalpy(dry, 40.0))
    assert Food(20.0, dry, 1.5).joules_per_kelvin(40.0) == pytest.approx(30.0 * paste.paste_specific_heat(dry, 40.0))


def test_what_is_gained_from_outside_warms_all() -> None:
    # 100 g of water and 100 J/K of bowl at 20 °C: 5186 J lift them by ten degrees (4.186 J/(g K)).
    parts = [(Solid(100.0, 4.186), 20.0), (Solid(100.0, 1.0), 20.0)]
    assert settled_celsius(parts, 5186.0) == pytest.approx(30.0)


@pytest.mark.parametrize("grams", [0.001, 5000.0])
def test_bowls_up_to_five_kilograms_are_believed(grams: float) -> None:
    assert Bowl(Material.STEEL, grams).grams == grams


def test_a_heavier_bowl_is_a_slip_of_the_pen() -> None:
    with pytest.raises(DataError, match="5001 g"):
        Bowl(Material.STEEL, 5001.0)
