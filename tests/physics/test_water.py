"""Water against IAPWS-95 (iapws), the check table, and the standard atmosphere."""

from typing import Any

import iapws
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.errors import DataError
from sensord.physics import water
from tests.helpers.checks import row, rows


@pytest.mark.parametrize("check", rows("WAT-"), ids=lambda check: check["id"])
def test_density_heat_and_enthalpy_are_those_of_the_table(check: dict[str, Any]) -> None:
    celsius, expected = check["given"]["t_C"], check["expected"]
    assert water.water_density(celsius) == pytest.approx(expected["density"], abs=check["tolerance"])
    assert water.water_specific_heat(celsius) == pytest.approx(expected["cp"], abs=check["tolerance"])
    assert water.water_enthalpy(celsius) == pytest.approx(expected["h"], abs=check["tolerance"])


@pytest.mark.parametrize("celsius", [0.5, 7.3, 15.0, 25.0, 43.0, 55.5, 66.6, 77.7, 88.8, 99.5])
def test_water_agrees_with_iapws_95_between_the_rows_of_the_table(celsius: float) -> None:
    reference = iapws.IAPWS95(T=celsius + 273.15, P=0.101325)
    assert water.water_density(celsius) == pytest.approx(reference.rho, abs=0.002)
    assert water.water_specific_heat(celsius) == pytest.approx(reference.cp, abs=0.0002)
    assert water.water_enthalpy(celsius) == pytest.approx(reference.h, abs=0.002)


@given(st.floats(0.01, 100.9))
def test_specific_heat_is_the_slope_of_enthalpy(celsius: float) -> None:
    slope = (water.water_enthalpy(celsius + 0.01) - water.water_enthalpy(celsius - 0.01)) / 0.02
    assert slope == pytest.approx(water.water_specific_heat(celsius), abs=1e-6)


@pytest.mark.parametrize("check", rows("BOI-")[:7], ids=lambda check: check["id"])
def test_boiling_point_at_station_pressure(check: dict[str, Any]) -> None:
    assert water.boiling_celsius(check["given"]["pressure_Pa"]) == pytest.approx(
        check["expected"], abs=check["tolerance"]
    )


@pytest.mark.parametrize("check", rows("BOI-")[7:14], ids=lambda check: check["id"])
def test_boiling_point_at_altitude(check: dict[str, Any]) -> None:
    boiling = water.boiling_celsius(water.altitude_pascals(check["given"]["H_m"]))
    assert boiling == pytest.approx(check["expected"], abs=check["tolerance"])


def test_boiling_point_of_0_1_megapascal_is_the_one_printed_with_the_equation() -> None:
    # IAPWS R7-97(2012), table 36: 0.1 MPa gives 372.755919 K (0.372755919e3).
    assert water.boiling_celsius(100_000) + 273.15 == pytest.approx(372.755919, abs=1e-5)


def test_a_hectopascal_moves_the_boil_by_28_millikelvin_at_one_atmosphere() -> None:
    slope = (water.boiling_celsius(101_375) - water.boiling_celsius(101_275)) / 1.0
    assert slope == pytest.approx(row("BOI-15")["expected"], abs=row("BOI-15")["tolerance"])


def test_the_weather_moves_the_boil_by_more_than_a_degree() -> None:
    swing = [water.boiling_celsius(100 * pressure) for pressure in row("BOI-16")["given"]["pressure_hPa"]]
    assert swing == pytest.approx(row("BOI-16")["expected"], abs=row("BOI-16")["tolerance"])


def test_a_weather_report_has_to_be_brought_up_to_the_kitchen_first() -> None:
    check = row("BOI-17")
    sea, metres = 100 * check["given"]["sea_level_hPa"], check["given"]["H_m"]
    station = water.station_pascals(sea, metres)
    assert station == pytest.approx(check["expected"]["station_Pa"], abs=check["tolerance"])
    assert water.boiling_celsius(station) == pytest.approx(check["expected"]["boil_C"], abs=check["tolerance"])
    mistake = water.boiling_celsius(sea) - water.boiling_celsius(station)
    assert mistake == pytest.approx(row("BOI-18")["expected"], abs=row("BOI-18")["tolerance"])


@pytest.mark.parametrize("check", [c for c in rows("ATM-") if c["id"] != "ATM-07"], ids=lambda check: check["id"])
def test_pressure_at_altitude_follows_the_standard_atmosphere(check: dict[str, Any]) -> None:
    assert water.altitude_pascals(check["given"]["H_m"]) == pytest.approx(check["expected"], abs=check["tolerance"])


@pytest.mark.parametrize("celsius", [-0.1, 101.1, float("nan"), float("inf")])
def test_what_is_no_liquid_water_is_refused(celsius: float) -> None:
    for ask in (water.water_density, water.water_specific_heat, water.water_enthalpy):
        with pytest.raises(DataError, match="between 0 and 101"):
            ask(celsius)


def test_pressures_and_altitudes_of_no_kitchen_are_refused() -> None:
    for pascals in (49_000, 111_000, float("nan")):
        with pytest.raises(DataError, match="check the unit"):
            water.boiling_celsius(pascals)
    for metres in (-451, 5501, float("nan")):
        with pytest.raises(DataError, match="check the unit"):
            water.altitude_pascals(metres)
    with pytest.raises(DataError, match="no weather"):
        water.station_pascals(1013.25, 500)


def test_refusals_name_the_number_in_its_own_unit() -> None:
    for pascals, words in ((49_900, "pressure of 499 hPa"), (110_100, "pressure of 1101 hPa")):
        with pytest.raises(DataError, match=words):
            water.boiling_celsius(pascals)
        with pytest.raises(DataError, match=f"sea-level {words}"):
            water.station_pascals(pascals, 500)
    for metres in (-451, 5501):
        with pytest.raises(DataError, match=f"altitude of {metres} m"):
            water.altitude_pascals(metres)
    with pytest.raises(DataError, match=r"water of 101\.1 °C: liquid water in a kitchen lies between 0 and 101 °C"):
        water.water_density(101.1)


def test_the_ends_of_what_a_kitchen_can_have_are_believed() -> None:
    assert water.boiling_celsius(50_000) == pytest.approx(81.317, abs=0.01)  # saturation tables: 50 kPa, 81.32 °C
    assert water.boiling_celsius(110_000) == pytest.approx(102.29, abs=0.01)  # 110 kPa, 102.29 °C
    assert water.altitude_pascals(-450) > 106_000
    assert water.altitude_pascals(5500) == pytest.approx(50_506, abs=20)  # ISO 2533, 5500 m
    for celsius in (0.0, 101.0):
        assert water.water_density(celsius) > 950
    assert water.station_pascals(50_000, 0) == pytest.approx(50_000)
    assert water.station_pascals(110_000, 0) == pytest.approx(110_000)
    # 1035 hPa, the highest that the weather makes (from memory of records at sea level).
    assert water.boiling_celsius(103_500) == pytest.approx(100 + water.WEATHER_CELSIUS, abs=0.03)
    assert water.boiling_celsius(103_500) <= water.HIGHEST_CELSIUS
