"""Dry formula and paste as food: specific heat and density from what the label says is in it.

Choi and Okos (1986) in the form of ASHRAE Handbook Refrigeration 2006, chapter 9; -40 to 150 °C, t in Celsius,
each property a + b t + c t². The constant of water's specific heat is 4.1762; copies with 4.1289 are misprints that
come out 1.1 % low against IAPWS-95.
"""

from dataclasses import dataclass
from typing import NamedTuple

from sensord.errors import DataError


class _Part(NamedTuple):
    """Coefficients a, b, c of one food component."""

    density: tuple[float, float, float]
    specific_heat: tuple[float, float, float]


# In the order of the fields of Composition.
_PARTS = (
    _Part((997.18, 3.1439e-3, -3.7574e-3), (4.1762, -9.0864e-5, 5.4731e-6)),
    _Part((1329.9, -0.51840, 0.0), (2.0082, 1.2089e-3, -1.3129e-6)),
    _Part((925.59, -0.41757, 0.0), (1.9842, 1.4733e-3, -4.8008e-6)),
    _Part((1599.1, -0.31046, 0.0), (1.5488, 1.9625e-3, -5.9399e-6)),
    _Part((1311.5, -0.36589, 0.0), (1.8459, 1.8306e-3, -4.6509e-6)),
    _Part((2423.8, -0.28063, 0.0), (1.0926, 1.8896e-3, -3.6817e-6)),
)


_LABEL_ROUNDING = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class Composition:
    """Shares of the mass, which sum to 1 but for a label's rounding; else, or where one is negative, `DataError`."""

    water: float
    protein: float
    fat: float
    carbohydrate: float
    fibre: float
    ash: float

    @property
    def shares(self) -> tuple[float, ...]:
        """In the order of the fields."""
        return self.water, self.protein, self.fat, self.carbohydrate, self.fibre, self.ash

    def __post_init__(self) -> None:
        shares = self.shares
        if min(shares) < 0 or not abs(sum(shares) - 1) <= _LABEL_ROUNDING:
            raise DataError(
                f"the parts of a food must each be 0 % or more and sum to 100 %, got {100 * sum(shares):.4g} %:"
                " check them against the label"
            )


# The middle of what labels print (protein 18-24, fat 7-14, fibre 2-5, ash 5-8, moisture 7-10 %), carbohydrate as the
# rest. From memory, no source: the label of the keeper's own formula is better.
DEFAULT_FORMULA = Composition(water=0.085, protein=0.21, fat=0.105, carbohydrate=0.50, fibre=0.035, ash=0.065)


def paste_of(dry: Composition, solids: float) -> Composition:
    """What is in a paste with the share `solids` (0 to 1) of dry formula by weight, its own moisture included."""
    if not 0 <= solids <= 1:
        raise DataError(f"a share of dry formula of {100 * solids:g} % is impossible: give 0 to 100 %")
    _, protein, fat, carbohydrate, fibre, ash = parts = [solids * share for share in dry.shares]
    return Composition(
        water=1 - sum(parts[1:]), protein=protein, fat=fat, carbohydrate=carbohydrate, fibre=fibre, ash=ash
    )


def paste_specific_heat(food: Composition, celsius: float) -> float:
    """Kilojoules per kilogram and kelvin."""
    return sum(x * _at(part.specific_heat, celsius) for x, part in _shares(food))


def paste_enthalpy(food: Composition, celsius: float) -> float:
    """Kilojoules a kilogram above the same food at 0 °C: the integral of `specific_heat`."""
    total = 0.0
    for x, part in _shares(food):
        a, b, c = part.specific_heat
        total += x * (a * celsius + b * celsius**2 / 2 + c * celsius**3 / 3)
    return total


def paste_density(food: Composition, celsius: float) -> float:
    """Kilograms a cubic metre of the food without air in it: a paste, not a heap of powder."""
    return 1 / sum(x / _at(part.density, celsius) for x, part in _shares(food))


def _shares(food: Composition) -> list[tuple[float, _Part]]:
    return list(zip(food.shares, _PARTS, strict=True))


def _at(coefficients: tuple[float, float, float], celsius: float) -> float:
    a, b, c = coefficients
    return a + b * celsius + c * celsius**2
