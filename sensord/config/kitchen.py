"""From the config to what the mixing needs: formula, bowl, water, room, and the advice for a dish."""

from sensord.care.formula import Bowlful
from sensord.config.sections import Config
from sensord.physics import water
from sensord.physics.correcting import Supplies
from sensord.physics.heat import Bowl, Material
from sensord.physics.paste import Composition

__all__ = ["POURING_CELSIUS", "bowl", "bowlful", "dry_formula", "kettle_celsius", "solids_near"]

POURING_CELSIUS = 4.0
"""How much cooler water reaches the bowl than it boiled in the kettle; common practice, no source."""

_TYPICAL_SOLIDS = 0.25
_THINNEST_SHARE = 0.8
"""Where no age is known, water may take no more than a fifth off the solids; common practice, no source."""


def dry_formula(config: Config) -> Composition:
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


def bowl(config: Config) -> Bowl | None:
    """The bowl of the config, or None where it names none."""
    return None if config.bowl is None else Bowl(Material(config.bowl.material), config.bowl.grams)


def kettle_celsius(config: Config) -> float:
    """Hot water as it reaches the bowl: as configured, else from a kettle that has just boiled at this altitude."""
    if config.kitchen.kettle_celsius is not None:
        return config.kitchen.kettle_celsius
    return water.boiling_celsius(water.altitude_pascals(config.kitchen.altitude_metres)) - POURING_CELSIUS


def solids_near(solids: float) -> tuple[float, float]:
    """Solids allowed after a correction where no age is known (shares, both ends included)."""
    return _THINNEST_SHARE * solids, 1.0


def bowlful(config: Config) -> Bowlful:
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
