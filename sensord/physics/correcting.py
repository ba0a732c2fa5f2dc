"""Bring a dish that is off into its band: a little hot or cool water, or a bath where water would make it too thin.

The bath for a dish that is too cool is never above 42 °C: left in it for an hour, the paste still cannot reach the
43 °C that burn a crop.
"""

from dataclasses import dataclass
from enum import StrEnum, unique
from math import hypot, isfinite, log

from sensord.errors import DataError
from sensord.physics import paste, water
from sensord.physics.conformity import NINETY_PERCENT
from sensord.physics.heat import (
    Bowl,
    Food,
    Material,
    Stuff,
    Water,
    lost_joules,
    open_air_loss,
    pool_square_metres,
    settled_celsius,
)
from sensord.physics.mixing import (
    Refusal,
    check_millilitres,
    check_solids,
    crossing,
)
from sensord.physics.slips import AS_ENTERED, HONEST, Slips, spread_celsius
from sensord.readings import Band

_STIR_SECONDS = 30.0
_WARMEST_BATH_CELSIUS = 42.0
# A bath closer to the target than this takes too long to be worth the wait.
_BATH_MARGIN_CELSIUS = 2.0
_LONGEST_BATH_SECONDS = 1200.0
# Standard uncertainty of a bath's pace: film coefficients are known to about a third (heat-transfer textbooks).
_BATH_PACE_SHARE = 0.3
_MOST_TIMES_THE_DISH = 4.0
_PROBE_CELSIUS = 0.25
"""Standard uncertainty of the dish temperature: a probe as bought, 0.5 °C expanded (k = 2)."""
_AMOUNT_SHARE = 0.1
"""Standard uncertainty of the paste left in the dish, judged by eye; common practice, no source."""


@dataclass(frozen=True, slots=True)
class DishToCorrect:
    """The paste as it is now: Celsius, millilitres, share of dry formula by weight, and the bowl around it.

    Raises `DataError` for what no dish can be.
    """

    celsius: float
    millilitres: float
    solids: float
    bowl: Bowl | None = None

    def __post_init__(self) -> None:
        if not (isfinite(self.celsius) and 0 <= self.celsius <= water.HIGHEST_CELSIUS):
            raise DataError(f"paste of {self.celsius:g} °C is impossible: give 0 to {water.HIGHEST_CELSIUS:g} °C")
        check_millilitres(self.millilitres)
        check_solids(self.solids)


@dataclass(frozen=True, slots=True)
class Supplies:
    """Water at hand and the room, in Celsius. Raises `DataError` for water that is none."""

    hot_celsius: float
    cool_celsius: float
    room_celsius: float

    def __post_init__(self) -> None:
        for name, celsius in (("hot", self.hot_celsius), ("cool", self.cool_celsius)):
            if not (isfinite(celsius) and 0 <= celsius <= water.HIGHEST_CELSIUS):
                raise DataError(f"{name} water of {celsius:g} °C is impossible: give 0 to {water.HIGHEST_CELSIUS:g} °C")
        if not (isfinite(self.room_celsius) and -10 <= self.room_celsius <= 50):
            raise DataError(f"a room of {self.room_celsius:g} °C is impossible here: give -10 to 50 °C")


@unique
class Temper(StrEnum):
    """Which way a correction goes."""

    WARM = "warm"
    COOL = "cool"


@dataclass(frozen=True, slots=True)
class Nothing:
    """The dish is in its band: leave it."""

    celsius: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Splash:
    """Stir in water; then the dish is at `celsius` (90 % interval low..high), with `solids` (a share by weight)."""

    temper: Temper
    millilitres: float
    water_celsius: float
    celsius: float
    low_celsius: float
    high_celsius: float
    solids: float
    dish_millilitres: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Bath:
    """Stand the bowl in water and stir `seconds` (90 % interval low..high); solids stay; `because`: why not water."""

    temper: Temper
    bath_celsius: float
    seconds: float
    low_seconds: float
    high_seconds: float
    celsius: float
    solids: float
    because: str


Correction = Nothing | Splash | Bath | Refusal


def correct(
    dish: DishToCorrect,
    supplies: Supplies,
    band: Band,
    solids_allowed: tuple[float, float] = (0.0, 1.0),
    dry: paste.Composition = paste.DEFAULT_FORMULA,
    honest: Slips | None = HONEST,
) -> Correction:
    """What brings the dish mid-band with its solids in the allowed range (shares, both ends included).

    Water where that leaves the solids allowed, else a bath, else a `Refusal` with the reason. Without `honest` slips
    no spread is worked out, which takes most of the time.
    """
    if dish.celsius in band:
        return Nothing(dish.celsius)
    temper = Temper.COOL if dish.celsius > band.high_celsius else Temper.WARM
    splash = _splash(dish, supplies, band, temper, dry, honest)
    lowest, highest = solids_allowed
    if isinstance(splash, Splash) and lowest <= splash.solids <= highest:
        return splash
    if isinstance(splash, Refusal):
        because = splash.reason
    elif splash.solids < lowest:
        because = f"water alone would thin it to {100 * splash.solids:.0f} %, under the {100 * lowest:g} % allowed"
    else:
        because = f"even thinned it would be {100 * splash.solids:.0f} %, over the {100 * highest:g} % allowed"
        return Refusal(because, "mix a fresh batch with less dry formula")
    return _bath(dish, supplies, band, temper, dry, because)


def _splash(
    dish: DishToCorrect, supplies: Supplies, band: Band, temper: Temper, dry: paste.Composition, honest: Slips | None
) -> Splash | Refusal:
    target = band.middle_celsius
    if temper is Temper.COOL:
        own, kind, fits = supplies.cool_celsius, "cool", supplies.cool_celsius < target
    else:
        own, kind, fits = supplies.hot_celsius, "hot", supplies.hot_celsius > target
    if not fits:
        beside = "below" if temper is Temper.COOL else "above"
        return Refusal(f"the {kind} water ({own:.0f} °C) is not {beside} {target:.1f} °C", f"get {kind}er water")
    grams = _grams(dish, dry)
    most = _MOST_TIMES_THE_DISH * grams

    def after(added: float, slips: Slips = AS_ENTERED, probe: float = 0.0, amount: float = 0.0) -> float:
        return _after_splash(dish, supplies, dry, grams, temper, added, slips, probe, amount)

    def short(added: float) -> float:
        """Rises with the water; 0 when the dish is at the target."""
        return (after(added) - target) if temper is Temper.WARM else (target - after(added))

    if short(most) < 0:
        return Refusal(
            f"{most:.0f} ml of {kind} water at {own:.0f} °C would still not bring it to {target:.1f} °C",
            f"use {kind}er water, or mix a fresh batch",
        )
    added = crossing(short, 0.0, most)
    celsius = after(added)
    half = 0.0
    if honest is not None:
        half = spread_celsius(lambda slips: after(added, slips), honest)
        for probe, amount in ((_PROBE_CELSIUS, 0.0), (0.0, _AMOUNT_SHARE)):
            ways = (after(added, probe=sign * probe, amount=sign * amount) for sign in (1, -1))
            half = hypot(half, NINETY_PERCENT * max(abs(way - celsius) for way in ways))
    solids = dish.solids * grams / (grams + added)
    return Splash(
        temper=temper,
        millilitres=added / water.water_density(own) * 1000,
        water_celsius=own,
        celsius=celsius,
        low_celsius=celsius - half,
        high_celsius=celsius + half,
        solids=solids,
        dish_millilitres=(grams + added) / paste.paste_density(paste.paste_of(dry, solids), target) * 1000,
    )


def _after_splash(
    dish: DishToCorrect,
    supplies: Supplies,
    dry: paste.Composition,
    grams: float,
    temper: Temper,
    added: float,
    slips: Slips,
    probe: float,
    amount: float,
) -> float:
    """The dish after `added` grams of water and a short stir in the room, where the kitchen is off by the slips."""
    if temper is Temper.COOL:
        own = max(supplies.cool_celsius + slips.cool_celsius, 0.0)
        poured = Water(added * (1 + slips.cool_share))
    else:
        own = min(supplies.hot_celsius + slips.hot_celsius, water.HIGHEST_CELSIUS)
        poured = Water(added * (1 + slips.hot_share))
    food = Food(grams * (1 + amount), paste.paste_of(dry, dish.solids))
    things: list[tuple[Stuff, float]] = [(food, dish.celsius + probe), (poured, own)]
    if dish.bowl is not None:
        things.append((dish.bowl.solid(1 + slips.bowl_share), dish.celsius + probe))
    mixed = settled_celsius(things)
    capacity = sum(stuff.joules_per_kelvin(mixed) for stuff, _ in things)
    watts = (1 + slips.loss_share) * open_air_loss(grams + added)
    lost = lost_joules(mixed, supplies.room_celsius + slips.room_celsius, capacity, watts, _STIR_SECONDS)
    return mixed - lost / capacity


def _bath(
    dish: DishToCorrect, supplies: Supplies, band: Band, temper: Temper, dry: paste.Composition, because: str
) -> Bath | Refusal:
    target = band.middle_celsius
    if temper is Temper.COOL:
        bath_celsius, able = supplies.cool_celsius, supplies.cool_celsius <= target - _BATH_MARGIN_CELSIUS
        remedy = "stir and let it cool by itself, or use cooler water for a bath"
    else:
        bath_celsius = min(supplies.hot_celsius, _WARMEST_BATH_CELSIUS)
        able = bath_celsius >= target + _BATH_MARGIN_CELSIUS
        remedy = "mix a fresh batch"
    reason = f"{because}, and a bath of {bath_celsius:.0f} °C is too close to {target:.1f} °C to work"
    if not able:
        return Refusal(reason, remedy)
    food = Food(_grams(dish, dry), paste.paste_of(dry, dish.solids))
    capacity = food.joules_per_kelvin(target) + (dish.bowl.solid().joules_per_kelvin(target) if dish.bowl else 0.0)
    _, wall = pool_square_metres(dish.millilitres)
    material = dish.bowl.material if dish.bowl else Material.CERAMIC
    pace = wall * material.bath_watts_per_square_metre_kelvin
    loss = open_air_loss(dish.millilitres) / 2
    # Bath and room pull together: the paste heads for their mean, weighted by how well each is coupled to it.
    heads_for = (pace * bath_celsius + loss * supplies.room_celsius) / (pace + loss)
    share_left = (target - heads_for) / (dish.celsius - heads_for)
    if not 0 < share_left < 1:
        return Refusal(f"{because}, and in a bath of {bath_celsius:.0f} °C it would settle short of the band", remedy)
    seconds = -log(share_left) * capacity / (pace + loss)
    if seconds > _LONGEST_BATH_SECONDS:
        return Refusal(f"{because}, and a bath of {bath_celsius:.0f} °C would take {seconds / 60:.0f} minutes", remedy)
    widest = NINETY_PERCENT * _BATH_PACE_SHARE
    return Bath(
        temper=temper,
        bath_celsius=bath_celsius,
        seconds=seconds,
        low_seconds=seconds / (1 + widest),
        high_seconds=seconds * (1 + widest),
        celsius=target,
        solids=dish.solids,
        because=because,
    )


def _grams(dish: DishToCorrect, dry: paste.Composition) -> float:
    return dish.millilitres * paste.paste_density(paste.paste_of(dry, dish.solids), dish.celsius) / 1000
