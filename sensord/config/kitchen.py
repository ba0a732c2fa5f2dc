"""From the config to what the mixing needs: formula, bowl, water, room, and the advice for a dish.

`read_kitchen` takes only these tables out of a file, without the models that judge the whole: `sensord mix` at night
should not wait for them. Whatever looks odd is left to the judge.
"""

from collections.abc import Mapping
from math import inf
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final, NamedTuple, TypeAlias, TypeVar

from sensord.care.formula import BULK_DENSITY_GRAMS_PER_MILLILITRE, Bowlful, Group
from sensord.physics import water
from sensord.physics.correcting import Supplies
from sensord.physics.heat import ROOM_CELSIUS, Bowl, Material
from sensord.physics.paste import Composition
from sensord.readings import Band

if TYPE_CHECKING:
    from sensord.config.sections import Config

SPANS: Final[dict[str, dict[str, Any]]] = {
    "solids_percent": {"gt": 0, "le": 60},
    "batch_millilitres": {"gt": 0, "le": 20_000},
    "bulk_density_grams_per_millilitre": {"ge": 0.1, "le": 1.2},
    "moisture_percent": {"ge": 0, "le": 30},
    "protein_percent": {"ge": 0, "le": 100},
    "fat_percent": {"ge": 0, "le": 100},
    "fibre_percent": {"ge": 0, "le": 100},
    "ash_percent": {"ge": 0, "le": 100},
    "kettle_celsius": {"ge": 0, "le": 101},
    "tap_celsius": {"ge": 0, "le": 60},
    "room_celsius": {"ge": -10, "le": 50},
    "altitude_metres": {"ge": -450, "le": 5500},
    "grams": {"gt": 0, "le": 5000},
    "low_celsius": {"ge": 0, "le": 60},
    "high_celsius": {"ge": 0, "le": 60},
    "uptake_seconds": {"ge": 0, "le": 1800},
}
"""What the numbers of these tables may be, in the words of the models in `sections`."""


class FormulaValues(NamedTuple):
    """What holds where the table `formula` says nothing."""

    profile: str = "parrots"
    solids_percent: float | None = None
    batch_millilitres: float = 40.0
    bulk_density_grams_per_millilitre: float = BULK_DENSITY_GRAMS_PER_MILLILITRE
    moisture_percent: float = 8.5
    protein_percent: float = 21.0
    fat_percent: float = 10.5
    fibre_percent: float = 3.5
    ash_percent: float = 6.5


class WaterValues(NamedTuple):
    """The same of the table `kitchen`."""

    kettle_celsius: float | None = None
    tap_celsius: float = 18.0
    room_celsius: float = ROOM_CELSIUS
    altitude_metres: float = 0.0


class BowlValues(NamedTuple):
    """The table `bowl`, where there is one."""

    material: str
    grams: float


class BandValues(NamedTuple):
    """The feeding band of a dish that names none."""

    low_celsius: float = 36.0
    high_celsius: float = 38.0
    source: str = "common practice, no source; ask your avian vet"

    def band(self) -> Band:
        """As the core's Band; raises `DataError` where it is upside down."""
        return Band(self.low_celsius, self.high_celsius)


class DishValues(NamedTuple):
    """Of a dish what concerns the mixing."""

    band: BandValues = BandValues()
    uptake_seconds: float = 120.0


class KitchenTables(NamedTuple):
    """The tables of a config that concern the mixing, under the names that they have in `sections.Config`."""

    formula: FormulaValues = FormulaValues()
    kitchen: WaterValues = WaterValues()
    bowl: BowlValues | None = None
    dishes: Mapping[str, DishValues] = MappingProxyType({})


Tables: TypeAlias = "KitchenTables | Config"
_Table = TypeVar("_Table", FormulaValues, WaterValues, BowlValues, BandValues, DishValues)


def read_kitchen(path: Path) -> Tables:
    """The kitchen's part of a config file. Raises `ConfigError` as `loading.load` does, where that finds it wrong."""
    import tomllib  # only for a file: without one nothing has to wait for it

    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8-sig"))
        dishes = {}
        for name, table in raw.get("dishes", {}).items():
            band = _taken(BandValues, {"source": "your config", **table["band"]}) if "band" in table else BandValues()
            uptake = {key: table[key] for key in ("uptake_seconds",) if key in table}
            dishes[name] = _taken(DishValues, {"band": band, **uptake})
        tables = KitchenTables(
            formula=_taken(FormulaValues, raw.get("formula", {})),
            kitchen=_taken(WaterValues, raw.get("kitchen", {})),
            bowl=_taken(BowlValues, raw["bowl"]) if "bowl" in raw else None,
            dishes=dishes,
        )
        if not _is_sound(tables):
            raise ValueError("the numbers do not go together")
        return tables
    except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
        from sensord.config.loading import load

        return load(path)


def _is_sound(tables: KitchenTables) -> bool:
    """Whether nothing contradicts itself. May raise `ValueError` where it does."""
    Group(tables.formula.profile)
    bowl(tables)
    dry_formula(tables)
    for dish in tables.dishes.values():
        dish.band.band()
    boiling = water.boiling_celsius(water.altitude_pascals(tables.kitchen.altitude_metres)) + water.WEATHER_CELSIUS
    return tables.kitchen.tap_celsius < kettle_celsius(tables) <= boiling


def _taken(kind: type[_Table], table: dict[str, Any]) -> _Table:
    """The table as values. Raises `TypeError` where a key is unknown or a value cannot be what it should."""
    for name, value in table.items():
        span = SPANS.get(name)
        if span is None:
            good = isinstance(value, str | tuple)
        else:
            good = type(value) in (int, float) and span.get("ge", value) <= value <= span["le"]
            good = good and value > span.get("gt", -inf)
        if not good:
            raise TypeError(f"{name} cannot be {value}")
    return kind(**table)


POURING_CELSIUS = 4.0
"""How much cooler water reaches the bowl than it boiled in the kettle; common practice, no source."""

_TYPICAL_SOLIDS = 0.25
_THINNEST_SHARE = 0.8
"""Where no age is known, water may take no more than a fifth off the solids; common practice, no source."""


def dry_formula(config: "Tables") -> Composition:
    """What the label says, carbohydrate as the rest."""
    parts = config.formula
    water_share, protein, fat, fibre, ash = (
        percent / 100
        for percent in (
            parts.moisture_percent,
            parts.protein_percent,
            parts.fat_percent,
            parts.fibre_percent,
            parts.ash_percent,
        )
    )
    return Composition(
        water=water_share,
        protein=protein,
        fat=fat,
        carbohydrate=1 - water_share - protein - fat - fibre - ash,
        fibre=fibre,
        ash=ash,
    )


def bowl(config: "Tables") -> Bowl | None:
    """The bowl of the config, or None where it names none."""
    return None if config.bowl is None else Bowl(Material(config.bowl.material), config.bowl.grams)


def kettle_celsius(config: "Tables") -> float:
    """Hot water as it reaches the bowl: as configured, else from a kettle that has just boiled at this altitude."""
    if config.kitchen.kettle_celsius is not None:
        return config.kitchen.kettle_celsius
    return water.boiling_celsius(water.altitude_pascals(config.kitchen.altitude_metres)) - POURING_CELSIUS


def solids_near(solids: float) -> tuple[float, float]:
    """Solids allowed after a correction where no age is known (shares, both ends included)."""
    return _THINNEST_SHARE * solids, 1.0


def bowlful(config: "Tables") -> Bowlful:
    """What the advice on a dish assumes: the batch, bowl, water and room of the config."""
    percent = config.formula.solids_percent
    solids = _TYPICAL_SOLIDS if percent is None else percent / 100
    return Bowlful(
        millilitres=config.formula.batch_millilitres,
        solids=solids,
        solids_allowed=solids_near(solids),
        supplies=Supplies(kettle_celsius(config), config.kitchen.tap_celsius, config.kitchen.room_celsius),
        bowl=bowl(config),
        dry=dry_formula(config),
    )
