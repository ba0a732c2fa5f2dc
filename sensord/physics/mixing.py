"""Plan a batch: how much dry formula, hot and cool water, in which order, and how warm it will be when it is fed.

Heat balance by enthalpy over two steps. First the dry formula is worked into the hot water until free of lumps, in a
bowl that starts at room temperature; then the cool water goes in and the batch stands while the formula takes up
water. The room takes heat through both. The recipe is the one that ends mid-band; how far the honest slips of a
kitchen (`HONEST`) can carry it off is said beside it.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import isfinite

from sensord.errors import DataError
from sensord.physics import paste, water
from sensord.physics.heat import Bowl, Food, Stuff, Water, lost_joules, open_air_loss, settled_celsius
from sensord.physics.slips import AS_ENTERED, HONEST, Slips, spread_celsius
from sensord.readings import Band

HIGHEST_SOLIDS = 0.60
"""Past this share of dry formula there is no paste, only damp powder: common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kitchen:
    """What there is to mix with, in Celsius; the bowl starts at room temperature, None counts no bowl.

    `work_seconds` is spent working the dry formula into the hot water, `wait_seconds` from the cool water to the feed
    (stirring and uptake). Raises `DataError` for temperatures that no kitchen has.
    """

    hot_celsius: float
    cool_celsius: float
    dry_celsius: float
    room_celsius: float
    bowl: Bowl | None = None
    work_seconds: float = 45.0
    wait_seconds: float = 120.0

    def __post_init__(self) -> None:
        for name, celsius, low, high in (
            ("hot water", self.hot_celsius, 0.0, water.HIGHEST_CELSIUS),
            ("cool water", self.cool_celsius, 0.0, water.HIGHEST_CELSIUS),
            ("dry formula", self.dry_celsius, -30.0, 60.0),
            ("room", self.room_celsius, -10.0, 50.0),
        ):
            if not (isfinite(celsius) and low <= celsius <= high):
                raise DataError(f"{name} of {celsius:g} °C is impossible here: {low:g} to {high:g} °C can be")
        if not self.hot_celsius > self.cool_celsius:
            raise DataError(
                f"the hot water ({self.hot_celsius:g} °C) is not warmer than the cool ({self.cool_celsius:g} °C):"
                " exchange them or heat it"
            )
        if min(self.work_seconds, self.wait_seconds) < 0:
            raise DataError("a time cannot be negative: give 0 seconds or more")


@dataclass(frozen=True, slots=True)
class Recipe:
    """Grams of each part."""

    dry_grams: float
    hot_grams: float
    cool_grams: float


@dataclass(frozen=True, slots=True)
class Outcome:
    """Temperatures (Celsius) after working in the hot water, after the cool water, when fed; joules lost on the way."""

    worked_celsius: float
    mixed_celsius: float
    fed_celsius: float
    lost_joules: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What to weigh and pour, in order, and what comes of it; low..high is the 90 % interval when fed."""

    dry_grams: float
    hot_millilitres: float
    cool_millilitres: float
    recipe: Recipe
    hot_celsius: float
    cool_celsius: float
    solids: float
    yield_millilitres: float
    worked_celsius: float
    mixed_celsius: float
    fed_celsius: float
    low_celsius: float
    high_celsius: float
    wait_seconds: float


@dataclass(frozen=True, slots=True)
class Refusal:
    """It can't be done from this: why, and what would help."""

    reason: str
    remedy: str

    def __str__(self) -> str:
        return f"{self.reason}: {self.remedy}"


def outcome(recipe: Recipe, kitchen: Kitchen, dry: paste.Composition, slips: Slips = AS_ENTERED) -> Outcome:
    """How warm a recipe comes out where the kitchen is off by `slips`."""
    hot_celsius = min(kitchen.hot_celsius + slips.hot_celsius, water.HIGHEST_CELSIUS)
    cool_celsius = max(kitchen.cool_celsius + slips.cool_celsius, 0.0)
    room_celsius = kitchen.room_celsius + slips.room_celsius
    powder = Food(recipe.dry_grams * (1 + slips.dry_share), dry, 1 + slips.dry_heat_share)
    hot = Water(recipe.hot_grams * (1 + slips.hot_share))
    cool = Water(recipe.cool_grams * (1 + slips.cool_share))
    first: list[tuple[Stuff, float]] = [(powder, kitchen.dry_celsius + slips.dry_celsius), (hot, hot_celsius)]
    if kitchen.bowl is not None:
        bowl = kitchen.bowl.solid(1 + slips.bowl_share)
        first.append((bowl, kitchen.room_celsius + slips.bowl_celsius))
    wetting = slips.wetting_joules_per_gram * powder.grams
    loss = 1 + slips.loss_share

    worked = settled_celsius(first, wetting)
    base = [stuff for stuff, _ in first]
    worked, lost_working = _after(base, worked, room_celsius, loss, kitchen.work_seconds, powder.grams + hot.grams)
    mixed = settled_celsius([*((stuff, worked) for stuff in base), (cool, cool_celsius)])
    everything = [*base, cool]
    grams = powder.grams + hot.grams + cool.grams
    fed, lost_waiting = _after(everything, mixed, room_celsius, loss, kitchen.wait_seconds, grams)
    return Outcome(worked, mixed, fed, lost_working + lost_waiting)


def plan(
    millilitres: float,
    solids: float,
    kitchen: Kitchen,
    band: Band,
    dry: paste.Composition = paste.DEFAULT_FORMULA,
    honest: Slips = HONEST,
) -> Plan | Refusal:
    """The recipe for `millilitres` of paste with the share `solids` of dry formula by weight, mid-band when fed.

    Raises `DataError` for an amount or solids that make no paste; a `Refusal` where this water cannot do it.
    """
    check_solids(solids)
    check_millilitres(millilitres)
    target = band.middle_celsius
    grams = millilitres * paste.paste_density(paste.paste_of(dry, solids), target) / 1000
    water_grams = grams * (1 - solids)

    def recipe(hot_share: float) -> Recipe:
        return Recipe(grams * solids, water_grams * hot_share, water_grams * (1 - hot_share))

    def fed(hot_share: float) -> float:
        return outcome(recipe(hot_share), kitchen, dry).fed_celsius

    if kitchen.hot_celsius <= target:
        return Refusal(
            f"the hot water ({kitchen.hot_celsius:.0f} °C) is not above the {target:.1f} °C that the paste should have",
            "heat it",
        )
    if (warmest := fed(1.0)) < target:
        return Refusal(
            f"even with hot water alone it would be {warmest:.1f} °C when fed, under {target:.1f} °C",
            "use hotter water, or warm the bowl with hot water first and tip that out",
        )
    if (coolest := fed(0.0)) > target:
        return Refusal(
            f"even with cool water alone it would be {coolest:.1f} °C when fed, over {target:.1f} °C",
            "use cooler water",
        )
    return by_recipe(recipe(crossing(lambda share: fed(share) - target)), kitchen, dry, honest)


def by_recipe(
    recipe: Recipe, kitchen: Kitchen, dry: paste.Composition = paste.DEFAULT_FORMULA, honest: Slips = HONEST
) -> Plan:
    """What comes of a recipe that is already chosen, in the band or not."""
    result = outcome(recipe, kitchen, dry)
    half = spread_celsius(lambda slips: outcome(recipe, kitchen, dry, slips).fed_celsius, honest)
    grams = recipe.dry_grams + recipe.hot_grams + recipe.cool_grams
    solids = recipe.dry_grams / grams
    return Plan(
        dry_grams=recipe.dry_grams,
        hot_millilitres=recipe.hot_grams / water.water_density(kitchen.hot_celsius) * 1000,
        cool_millilitres=recipe.cool_grams / water.water_density(kitchen.cool_celsius) * 1000,
        recipe=recipe,
        hot_celsius=kitchen.hot_celsius,
        cool_celsius=kitchen.cool_celsius,
        solids=solids,
        yield_millilitres=grams / paste.paste_density(paste.paste_of(dry, solids), result.fed_celsius) * 1000,
        worked_celsius=result.worked_celsius,
        mixed_celsius=result.mixed_celsius,
        fed_celsius=result.fed_celsius,
        low_celsius=result.fed_celsius - half,
        high_celsius=result.fed_celsius + half,
        wait_seconds=kitchen.wait_seconds,
    )


def check_solids(solids: float) -> None:
    """Raises `DataError` where a share of dry formula by weight makes no paste."""
    if not 0 < solids <= HIGHEST_SOLIDS:
        raise DataError(
            f"solids of {100 * solids:g} % make no paste: give more than 0 and at most {100 * HIGHEST_SOLIDS:.0f} %"
        )


def check_millilitres(millilitres: float) -> None:
    """Raises `DataError` for a volume that no bowl holds."""
    if not 0 < millilitres <= 20_000:
        raise DataError(f"{millilitres:g} ml of paste: give more than 0 and at most 20000 ml")


def crossing(function: Callable[[float], float], low: float = 0.0, high: float = 1.0) -> float:
    """Where a rising function crosses 0 between `low` and `high`: regula falsi, Illinois form, to 1e-9 of its values.

    Where it does not cross, the end that comes nearer.
    """
    at_low, at_high = function(low), function(high)
    if at_low >= 0:
        return low
    if at_high <= 0:
        return high
    kept = 0
    while True:
        middle = (low * at_high - high * at_low) / (at_high - at_low)
        value = function(middle)
        if abs(value) < 1e-9 or not low < middle < high:
            return middle
        if value < 0:
            low, at_low = middle, value
            at_high = at_high / 2 if kept == 1 else at_high
            kept = 1
        else:
            high, at_high = middle, value
            at_low = at_low / 2 if kept == -1 else at_low
            kept = -1


def _after(
    things: list[Stuff], celsius: float, room_celsius: float, loss: float, seconds: float, millilitres: float
) -> tuple[float, float]:
    """Temperature after standing in the room, and the joules lost; a gram of paste is taken as a millilitre."""
    capacity = sum(stuff.joules_per_kelvin(celsius) for stuff in things)
    lost = lost_joules(celsius, room_celsius, capacity, loss * open_air_loss(millilitres), seconds)
    return settled_celsius([(stuff, celsius) for stuff in things], -lost), lost
