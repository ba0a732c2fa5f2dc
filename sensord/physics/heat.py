"""Heat in a bowl: what each thing in it holds, where they settle together, and what the room and a bath take or give.

Enthalpies, not mean specific heats: water of 90 and 20 °C by volume comes out half a degree under the naive mean.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum, unique
from math import exp, pi
from typing import Protocol

from sensord.errors import DataError
from sensord.physics import paste, water

ROOM_CELSIUS = 21.0
"""A heated room, where nobody has said how warm it is; common practice, no source."""


class Stuff(Protocol):
    """A mass that holds heat; its zero of heat is its own, only differences count."""

    def joules(self, celsius: float) -> float:
        """Heat held at a temperature."""

    def joules_per_kelvin(self, celsius: float) -> float:
        """Heat capacity at a temperature, the slope of `joules`."""


@dataclass(frozen=True, slots=True)
class Water:
    """Liquid water, from 0 to 101 °C."""

    grams: float

    def joules(self, celsius: float) -> float:
        return self.grams * water.water_enthalpy(celsius)

    def joules_per_kelvin(self, celsius: float) -> float:
        return self.grams * water.water_specific_heat(celsius)


@dataclass(frozen=True, slots=True)
class Food:
    """Dry formula or paste; `share` scales its heat capacity (1 as Choi and Okos have it)."""

    grams: float
    composition: paste.Composition
    share: float = 1.0

    def joules(self, celsius: float) -> float:
        return self.grams * self.share * paste.paste_enthalpy(self.composition, celsius)

    def joules_per_kelvin(self, celsius: float) -> float:
        return self.grams * self.share * paste.paste_specific_heat(self.composition, celsius)


@dataclass(frozen=True, slots=True)
class Solid:
    """Something of one specific heat, in joules per gram and kelvin: the bowl."""

    grams: float
    joules_per_gram_kelvin: float

    def joules(self, celsius: float) -> float:
        return self.joules_per_kelvin(celsius) * celsius

    def joules_per_kelvin(self, celsius: float) -> float:  # noqa: ARG002 - the protocol's shape; a bowl's is constant
        return self.grams * self.joules_per_gram_kelvin


@unique
class Material(StrEnum):
    """What a bowl is made of."""

    STEEL = "steel"
    GLASS = "glass"
    CERAMIC = "ceramic"
    PLASTIC = "plastic"

    @property
    def joules_per_gram_kelvin(self) -> float:
        """Specific heat. Steel and glass as in the tables of OpenStax College Physics; the others from memory."""
        match self:
            case Material.STEEL:
                return 0.452
            case Material.GLASS:
                return 0.84
            case Material.CERAMIC:
                return 0.90
            case Material.PLASTIC:
                return 1.90

    @property
    def bath_watts_per_square_metre_kelvin(self) -> float:
        """Heat passed from a still bath through the wall into stirred paste; an estimate, no source.

        Two films of about 300 each, and the wall: 1 mm of steel, 3 mm of glass (1.0 W/(m K)), 5 mm of ceramic (1.2),
        2 mm of plastic (0.2).
        """
        match self:
            case Material.STEEL:
                return 150.0
            case Material.GLASS:
                return 103.0
            case Material.CERAMIC:
                return 92.0
            case Material.PLASTIC:
                return 60.0


@dataclass(frozen=True, slots=True)
class Bowl:
    """The bowl whose warmth has to be paid for. Raises `DataError` where it weighs nothing."""

    material: Material
    grams: float

    def __post_init__(self) -> None:
        if not 0 < self.grams <= 5000:
            raise DataError(
                f"a bowl of {self.grams:g} g: weigh it empty and give its grams (up to 5000), or say that there is none"
            )

    def solid(self, share: float = 1.0) -> Solid:
        """The part of the bowl that shares the paste's temperature."""
        return Solid(self.grams * share, self.material.joules_per_gram_kelvin)


def settled_celsius(parts: Iterable[tuple[Stuff, float]], gained_joules: float = 0.0) -> float:
    """The common temperature of (thing, its Celsius) after they shared their heat and gained some from outside.

    Raises `DataError` where nothing is there to share, or water would freeze or boil.
    """
    parts = list(parts)
    capacity = sum(stuff.joules_per_kelvin(celsius) for stuff, celsius in parts)
    if not capacity > 0:
        raise DataError("nothing in the bowl holds heat: give a mass above 0 g")
    held = sum(stuff.joules(celsius) for stuff, celsius in parts) + gained_joules
    celsius = sum(stuff.joules_per_kelvin(own) * own for stuff, own in parts) / capacity + gained_joules / capacity
    # Newton: heat is nearly straight in temperature, so two or three rounds reach the last digit.
    for _ in range(6):
        missing = held - sum(stuff.joules(celsius) for stuff, _ in parts)
        if abs(missing) < 1e-9 * capacity:
            break
        celsius += missing / sum(stuff.joules_per_kelvin(celsius) for stuff, _ in parts)
    return celsius


# Convection and radiation of warm things indoors, each about 5 W/(m² K) (heat-transfer textbooks), and for the open
# top the evaporation that goes with the convection: Lewis relation, 16.5 K/kPa, paste of 42 °C (8.2 kPa) in a room of
# 20 °C at half humidity (1.2 kPa) gives 31 W/(m² K) more.
_WALL_WATTS = 10.0
_TOP_WATTS = 43.0
# A pool of paste in a bowl, as a flat cylinder: how many times as wide as deep; common practice, no source.
_WIDTH_TO_DEPTH = 3.5


def pool_square_metres(millilitres: float) -> tuple[float, float]:
    """Open top, and wetted wall with bottom, of a pool of paste in its bowl."""
    width = (4 * _WIDTH_TO_DEPTH * millilitres * 1e-6 / pi) ** (1 / 3)
    top = pi * width**2 / 4
    return top, top + pi * width * width / _WIDTH_TO_DEPTH


def open_air_loss(millilitres: float) -> float:
    """Watts per kelvin above the room that an open bowl of paste loses: still air, air, radiation and evaporation."""
    top, wall = pool_square_metres(millilitres)
    return top * _TOP_WATTS + wall * _WALL_WATTS


def lost_joules(
    celsius: float, around_celsius: float, capacity: float, watts_per_kelvin: float, seconds: float
) -> float:
    """Heat that something of `capacity` joules per kelvin loses to what is around it (Newton's law of cooling)."""
    return capacity * (celsius - around_celsius) * (1 - exp(-watts_per_kelvin * seconds / capacity))
