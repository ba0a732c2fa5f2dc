"""Facts about formula: how thick it may be at which age, how fast hot water scalds, and advice for a dish that is off.

Solids are counted as keepers weigh them: dry formula as it comes from the bag, its own moisture included, of the whole.
Nothing here replaces an avian vet or the label of the formula in use.
"""

from dataclasses import dataclass
from enum import StrEnum, unique
from functools import lru_cache
from math import exp, inf, log

from sensord.errors import DataError
from sensord.physics import paste
from sensord.physics.correcting import Bath, DishToCorrect, Nothing, Splash, Supplies, Temper, correct
from sensord.physics.heat import Bowl
from sensord.physics.mixing import Refusal
from sensord.physics.water import HIGHEST_CELSIUS
from sensord.readings import Band

BULK_DENSITY_GRAMS_PER_MILLILITRE = 0.45
"""Loose powder, the middle of skim milk and whey mixes (0.44-0.57, Food Sci Anim Resour 42(6): 915, table 2) and of a
guess for hand-rearing powders (0.4-0.5, from memory). A measure can be 20 % out on this alone: weigh a level one."""

CROP_BURN_CELSIUS = 43.0
"""Formula over 43.3 °C (110 °F) burns the crop (Rivera 2008); others name 46 °C repeated or 49 °C once: the lowest."""

SKIN_HURT_CELSIUS = 44.0
"""Where injury of human skin begins (Martin and Falder, Burns 2017, 43: 1624)."""

MICROWAVE = (
    "never warm it in a microwave: that leaves scalding pockets that a probe misses, the usual cause of a burned crop"
    " (Rivera 2008)"
)


@unique
class Group(StrEnum):
    """Chicks whose formula is told apart here, named as the shipped profiles are."""

    PARROTS = "parrots"
    PIGEONS_DOVES = "pigeons-doves"


@dataclass(frozen=True, slots=True)
class SolidsRule:
    """Solids (shares by weight, both ends included) from the day `from_day` after hatching, and who says so."""

    from_day: int
    lowest: float
    highest: float
    source: str


_COCKATIELS = "Roudybush and Grau, J Nutr 1986, 116: 552 (cockatiels)"
_RULES: dict[Group, tuple[SolidsRule, ...]] = {
    Group.PARROTS: (
        SolidsRule(0, 0.07, 0.15, f"{_COCKATIELS}: 7 % to day 4; some died at 20 %, the upper end keeps clear of it"),
        SolidsRule(4, 0.07, 0.30, f"{_COCKATIELS}: from 7 to 30 %; thickened a little each day in between"),
        SolidsRule(6, 0.20, 0.30, f"{_COCKATIELS}: 30 % grew well, 10 % starved them; under 20 % is the warning line"),
    ),
    Group.PIGEONS_DOVES: (
        SolidsRule(0, 0.07, 0.10, "1:5 by volume on the first days, a pigeon rescue's page"),
        SolidsRule(2, 0.07, 0.20, "thinner for the youngest, then 1:2 by volume, Hand-Rearing Birds, 2nd ed., p 445"),
        SolidsRule(6, 0.16, 0.30, f"1:2 by volume, Hand-Rearing Birds, 2nd ed., p 445; upper end {_COCKATIELS}"),
    ),
}
_OLDEST_DAYS = 200


def solids_rule(age_days: float, group: Group = Group.PARROTS) -> SolidsRule:
    """How thick the formula may be at an age in days since hatching. Raises `DataError` for an age of no chick."""
    if not 0 <= age_days <= _OLDEST_DAYS:
        raise DataError(f"an age of {age_days:g} days: give 0 to {_OLDEST_DAYS} days since hatching")
    return [rule for rule in _RULES[group] if rule.from_day <= age_days][-1]


def solids_from_volumes(
    dry: float, water: float, grams_per_millilitre: float = BULK_DENSITY_GRAMS_PER_MILLILITRE
) -> float:
    """Solids (share by weight) of `dry` level measures of powder to `water` measures of water.

    Raises `DataError` for measures that are not above 0.
    """
    if not (0 < dry < inf and 0 < water < inf):
        raise DataError(f"{dry:g} measures of dry formula to {water:g} of water: give two numbers above 0, such as 1:2")
    return dry * grams_per_millilitre / (dry * grams_per_millilitre + water)


def scald_seconds(celsius: float) -> float:
    """How long skin bears wet heat before it is injured; infinite below 44 °C.

    Fit to the burn data of 1947 on man and pig, ln t = 116.4 - 28.3 ln T (PLOS ONE 2021, 0254790, figure 2), which is
    shorter than the classic points at both ends. For skin, not for a crop, which bears less.
    """
    return inf if celsius < SKIN_HURT_CELSIUS else exp(116.4 - 28.3 * log(celsius))


def scald_words(celsius: float) -> str:
    """`at once`, `within 5 s`, `within 3 min`: how fast water of 44 °C and over injures skin."""
    seconds = scald_seconds(celsius)
    if seconds < 1:
        return "at once"
    return f"within {seconds:.0f} s" if seconds < 120 else f"within {seconds / 60:.0f} min"


@dataclass(frozen=True, slots=True, kw_only=True)
class Bowlful:
    """What a dish is assumed to hold and what water stands beside it, for advice from a temperature alone.

    `solids_allowed` are shares by weight, both ends included.
    """

    millilitres: float
    solids: float
    solids_allowed: tuple[float, float]
    supplies: Supplies
    bowl: Bowl | None = None
    dry: paste.Composition = paste.DEFAULT_FORMULA


def advice(celsius: float, band: Band, bowlful: Bowlful) -> str:
    """What would bring a dish of `celsius` into its band, in one short line; empty where it is in it.

    Meant to be asked on every reading: a tenth of a degree makes no other advice, so each tenth is worked out once.
    """
    if celsius in band or not 0 <= celsius <= HIGHEST_CELSIUS:
        return ""
    return _advice(round(celsius, 1), band, bowlful)


@lru_cache(maxsize=256)
def _advice(celsius: float, band: Band, bowlful: Bowlful) -> str:
    dish = DishToCorrect(celsius, bowlful.millilitres, bowlful.solids, bowlful.bowl)
    answer = correct(dish, bowlful.supplies, band, bowlful.solids_allowed, bowlful.dry, honest=None)
    match answer:
        case Nothing():
            return ""
        case Splash() as splash:
            kind = "hot" if splash.temper is Temper.WARM else "cool"
            return (
                f"for {bowlful.millilitres:.0f} ml: stir in {millilitre_words(splash.millilitres)} of {kind} water"
                f" ({splash.water_celsius:.0f} °C), which makes {100 * splash.solids:.0f} % solids"
            )
        case Bath() as bath:
            how_long = time_words(bath.low_seconds, bath.high_seconds)
            return f"stand it in water of {bath.bath_celsius:.0f} °C for {how_long}, stirring; {bath.because}"
        case Refusal() as refusal:
            return str(refusal)


def millilitre_words(millilitres: float) -> str:
    """To half a millilitre where a syringe can tell, else to a whole one: `4.5 ml`, `43 ml`."""
    if millilitres < 0.25:
        return "a few drops"
    return f"{round(millilitres * 2) / 2:g} ml" if millilitres < 40 else f"{millilitres:.0f} ml"


def time_words(low_seconds: float, high_seconds: float) -> str:
    """A range of times, to ten seconds below two minutes and to half a minute above: `30 to 60 s`, `2 to 4.5 min`."""
    if high_seconds <= 120:
        low, high = max(10, round(low_seconds, -1)), max(10, round(high_seconds, -1))
        return f"{high:.0f} s" if low == high else f"{low:.0f} to {high:.0f} s"
    low, high = max(0.5, round(low_seconds / 30) / 2), round(high_seconds / 30) / 2
    return f"{high:g} min" if low == high else f"{low:g} to {high:g} min"
