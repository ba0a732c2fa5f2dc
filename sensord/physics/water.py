"""Water between ice and boil: density, specific heat, enthalpy, and where it boils in this kitchen.

Density and specific heat are polynomials in t/100 fitted (least squares, 203 points) to IAPWS-95 liquid water at
101325 Pa, and at 108 kPa above the boil; they keep within 0.002 kg/m³ and 0.0002 kJ/(kg K) of it. Specific enthalpy
is the integral of the second, counted as IAPWS does from the triple point.
"""

from math import isfinite

from sensord.errors import DataError

HIGHEST_CELSIUS = 101.0
"""Water boils at 100.6 °C under the highest pressure that the weather makes at sea level (1035 hPa)."""

STANDARD_PASCALS = 101325.0

WEATHER_CELSIUS = 0.6
"""How far the boil can lie above the one of the standard atmosphere when the barometer is high (1035 hPa)."""

_DENSITY = (999.84379, 6.710658, -89.652729, 94.064004, -106.961807, 90.193201, -46.351908, 10.505602)
_SPECIFIC_HEAT = (4.2192814, -0.3344771, 1.1163947, -2.0266167, 2.2377413, -1.3290657, 0.3324493)
_ENTHALPY_AT_ZERO = 0.061047

# IAPWS R7-97(2012), table 34: the coefficients n1 to n10 of the saturation line (region 4) of IF97.
_SATURATION = (
    0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5, -0.32325550322333e7,
    0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6, -0.23855557567849, 0.65017534844798e3,
)  # fmt: skip
_LOWEST_PASCALS, _HIGHEST_PASCALS = 50_000.0, 110_000.0
_LOWEST_METRES, _HIGHEST_METRES = -450.0, 5500.0


def water_density(celsius: float) -> float:
    """Kilograms a cubic metre (grams a litre) at 1 atm; raises `DataError` outside 0 to 101 °C."""
    return _polynomial(_DENSITY, _liquid(celsius) / 100)


def water_specific_heat(celsius: float) -> float:
    """Kilojoules per kilogram and kelvin at 1 atm; raises `DataError` outside 0 to 101 °C."""
    return _polynomial(_SPECIFIC_HEAT, _liquid(celsius) / 100)


def water_enthalpy(celsius: float) -> float:
    """Kilojoules a kilogram above water at its triple point, at 1 atm; `DataError` outside 0 to 101 °C."""
    x = _liquid(celsius) / 100
    return _ENTHALPY_AT_ZERO + 100 * sum(c * x ** (n + 1) / (n + 1) for n, c in enumerate(_SPECIFIC_HEAT))


def boiling_celsius(pascals: float = STANDARD_PASCALS) -> float:
    """Where water boils under the station pressure, the one that acts on the kettle.

    A weather report gives the pressure reduced to sea level, which is 1.7 °C wrong at 500 m: see `station_pascals`.
    IF97 backward equation (IAPWS R7-97, eq. 31). Raises `DataError` outside 500 to 1100 hPa.
    """
    if not _LOWEST_PASCALS <= pascals <= _HIGHEST_PASCALS:
        raise DataError(
            f"a pressure of {pascals / 100:g} hPa is found nowhere that people live (500 to 1100 hPa): check the unit"
        )
    n1, n2, n3, n4, n5, n6, n7, n8, n9, n10 = _SATURATION
    beta = (pascals / 1e6) ** 0.25
    e = beta**2 + n3 * beta + n6
    f = n1 * beta**2 + n4 * beta + n7
    g = n2 * beta**2 + n5 * beta + n8
    d = 2 * g / (-f - (f**2 - 4 * e * g) ** 0.5)
    kelvin: float = (n10 + d - ((n10 + d) ** 2 - 4 * (n9 + n10 * d)) ** 0.5) / 2
    return kelvin - 273.15


def altitude_pascals(metres: float) -> float:
    """Mean station pressure at an altitude above sea level (ISO 2533 standard atmosphere).

    Raises `DataError` outside -450 to 5500 m.
    """
    if not _LOWEST_METRES <= metres <= _HIGHEST_METRES:
        raise DataError(
            f"an altitude of {metres:g} m is found nowhere that people live (-450 to 5500 m): check the unit"
        )
    return float(STANDARD_PASCALS * (1 - 0.0065 * metres / 288.15) ** 5.25588)


def station_pascals(sea_level_pascals: float, metres: float) -> float:
    """The pressure in the kitchen from a weather report's (reduced to sea level) and the altitude.

    Raises `DataError` as `altitude_pascals` and `boiling_celsius` do.
    """
    if not _LOWEST_PASCALS <= sea_level_pascals <= _HIGHEST_PASCALS:
        raise DataError(f"a sea-level pressure of {sea_level_pascals / 100:g} hPa is no weather: check the unit")
    return sea_level_pascals * altitude_pascals(metres) / STANDARD_PASCALS


def _liquid(celsius: float) -> float:
    if not (isfinite(celsius) and 0.0 <= celsius <= HIGHEST_CELSIUS):
        raise DataError(f"water of {celsius:g} °C: liquid water in a kitchen lies between 0 and {HIGHEST_CELSIUS:g} °C")
    return celsius


def _polynomial(coefficients: tuple[float, ...], x: float) -> float:
    value = 0.0
    for coefficient in reversed(coefficients):
        value = value * x + coefficient
    return value
