"""The options that `mix` and `correct` share, checked one by one: what the config says, unless an option says more."""

import argparse
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from sensord.care.formula import CROP_BURN_CELSIUS, Group, SolidsRule, solids_rule
from sensord.commands.given import in_range, low_high, number
from sensord.config import DEFAULT_PATH, kitchen
from sensord.errors import DataError
from sensord.physics import water
from sensord.physics.heat import Bowl, Material
from sensord.readings import Band

if TYPE_CHECKING:
    from sensord.config.sections import Config


class Shared(NamedTuple):
    """What the shared options and the config came to; temperatures in Celsius.

    `bowl_said` tells no bowl (`--bowl none`) from one that nobody spoke of.
    """

    config: kitchen.Tables
    hot_celsius: float
    tap_celsius: float
    room_celsius: float
    bowl: Bowl | None
    bowl_said: bool
    band: Band
    band_source: str
    solids_rule: SolidsRule | None


def add_shared(parser: argparse.ArgumentParser) -> None:
    """Water, room, bowl, band, age, config and `--json`."""
    hot = parser.add_argument_group("water and room")
    hot.add_argument("--kettle", type=number, metavar="C", help="hot water, °C; without it the kettle has just boiled")
    add_boiling(hot)
    hot.add_argument("--tap", type=number, metavar="C", help="cool water, °C")
    hot.add_argument("--room", type=number, metavar="C", help="air and bowl, °C")
    hot.add_argument("--bowl", metavar="WHAT", help="steel:GRAMS, glass:GRAMS, ceramic:GRAMS, plastic:GRAMS or none")
    chicks = parser.add_argument_group("chicks")
    chicks.add_argument("--age-days", type=number, metavar="DAYS", help="days since hatching, for the solids allowed")
    chicks.add_argument(
        "--profile", choices=[group.value for group in Group], help="whose solids (default: the config's)"
    )
    chicks.add_argument("--band", metavar="LOW:HIGH", help="feeding band in °C, e.g. 36:38")
    parser.add_argument("--config", type=Path, metavar="FILE", help=f"default: {DEFAULT_PATH} where it exists")
    parser.add_argument("--json", action="store_true", help="for a program to read")


def add_boiling(group: argparse._ArgumentGroup) -> None:
    """Altitude and pressures, which say where water boils."""
    group.add_argument("--altitude", type=number, metavar="M", help="metres above sea level")
    group.add_argument("--pressure", type=number, metavar="HPA", help="station pressure, not the weather report's")
    group.add_argument(
        "--sea-level-pressure", type=number, metavar="HPA", help="the weather report's pressure; needs an altitude"
    )


def read_shared(options: argparse.Namespace, dish: str | None = None) -> Shared:
    """The options over the config; the band is that of `dish`, or of the only dish, unless `--band` is given.

    Raises `DataError` naming the option that makes no sense, `ConfigError` for the file.
    """
    path = Path(options.config or DEFAULT_PATH)
    if options.config is None and not path.exists():
        return _read_shared(options, kitchen.KitchenTables(), dish)
    try:
        return _read_shared(options, kitchen.read_kitchen(path), dish)
    except DataError:
        load_config(path)  # says what is wrong in the file, if it is the file
        raise


def _read_shared(options: argparse.Namespace, config: kitchen.Tables, dish: str | None) -> Shared:
    band, source = _band(options.band, config, dish)
    group = Group(options.profile or config.formula.profile)
    rule = None
    if options.age_days is not None:
        rule = solids_rule(in_range("--age-days", options.age_days, 0, 200, "days"), group)
    hot_celsius = _hot_celsius(options, config)
    tap_celsius = _over("--tap", options.tap, 0, 60, config.kitchen.tap_celsius)
    if tap_celsius >= hot_celsius:
        raise DataError(
            f"--kettle: the hot water ({hot_celsius:g} °C) is not warmer than the tap's ({tap_celsius:g} °C): heat it"
        )
    return Shared(
        config=config,
        hot_celsius=hot_celsius,
        tap_celsius=tap_celsius,
        room_celsius=_over("--room", options.room, -10, 50, config.kitchen.room_celsius),
        bowl=kitchen.bowl(config) if options.bowl is None else _bowl(options.bowl),
        bowl_said=options.bowl is not None or config.bowl is not None,
        band=band,
        band_source=source,
        solids_rule=rule,
    )


def percent(option: str, value: float) -> float:
    """Solids in percent as a share, `DataError` where they make no paste."""
    return in_range(option, value, 0, 60, "% (a higher share is damp powder)", open_low=True) / 100


def load_config(given: Path | str | None) -> "Config":
    """The file given, else the one of the system where it exists, else a config of defaults."""
    from sensord.config.loading import load
    from sensord.config.sections import Config

    if given is not None:
        return load(Path(given))
    return load(DEFAULT_PATH) if DEFAULT_PATH.exists() else Config()


def _over(option: str, value: float | None, low: float, high: float, configured: float) -> float:
    return in_range(option, configured if value is None else value, low, high, "°C")


def _hot_celsius(options: argparse.Namespace, config: kitchen.Tables) -> float:
    """`--kettle` where water can be that hot here, else what a kettle that has just boiled pours."""
    boiling, where, slack = boiling_here(options, config)
    if options.kettle is None:
        asked_where = options.altitude is not None or options.pressure is not None
        return boiling - kitchen.POURING_CELSIUS if asked_where else kitchen.kettle_celsius(config)
    if isfinite(options.kettle) and options.kettle > boiling + slack:
        raise DataError(
            f"--kettle {options.kettle:g}: water boils at {boiling:.1f} °C {where}; give that at most, or leave it out"
            " for a kettle that has just boiled"
        )
    return in_range("--kettle", options.kettle, 0, water.HIGHEST_CELSIUS, "°C")


def boiling_here(options: argparse.Namespace, config: kitchen.Tables) -> tuple[float, str, float]:
    """Where water boils, in words why, and how far the weather may move it (Celsius). `DataError` names the option."""
    metres = config.kitchen.altitude_metres
    if options.altitude is not None:
        metres = in_range("--altitude", options.altitude, -450, 5500, "m")
    if options.pressure is not None:
        if options.altitude is not None or options.sea_level_pressure is not None:
            raise DataError(
                "--pressure: is the pressure in the kitchen itself, so it goes without --altitude; a weather report's"
                " goes into --sea-level-pressure"
            )
        pascals = 100 * in_range("--pressure", options.pressure, 500, 1100, "hPa")
        return water.boiling_celsius(pascals), f"at {options.pressure:g} hPa", 0.05
    if options.sea_level_pressure is not None:
        sea = 100 * in_range("--sea-level-pressure", options.sea_level_pressure, 900, 1090, "hPa")
        station = water.station_pascals(sea, metres)
        return water.boiling_celsius(station), f"at {station / 100:.0f} hPa, {metres:g} m up", 0.05
    return water.boiling_celsius(water.altitude_pascals(metres)), f"{metres:g} m up", water.WEATHER_CELSIUS


def _bowl(text: str) -> Bowl | None:
    if text == "none":
        return None
    material, _, grams = text.partition(":")
    known = ", ".join(Material)
    if material not in list(Material):
        raise DataError(f"--bowl {text}: say what it is made of ({known}) and its grams, e.g. steel:90, or none")
    try:
        mass = float(grams)
    except ValueError:
        raise DataError(f"--bowl {text}: weigh it empty and add its grams, e.g. {material}:90") from None
    if not 0 < mass <= 5000:
        raise DataError(f"--bowl {text}: a bowl of {mass:g} g is none: weigh it empty, more than 0 and at most 5000 g")
    return Bowl(Material(material), mass)


def _band(text: str | None, config: kitchen.Tables, dish: str | None) -> tuple[Band, str]:
    if text is not None:
        return Band(*low_high("--band", text, 30, CROP_BURN_CELSIUS, " (43 °C burns a crop)")), "--band"
    if dish is not None and dish not in config.dishes:
        known = ", ".join(config.dishes) or "none in the config"
        raise DataError(f"there is no dish '{dish}' (known: {known})")
    if dish is None and len(config.dishes) == 1:
        dish = next(iter(config.dishes))
    values = config.dishes[dish].band if dish is not None else kitchen.BandValues()
    return values.band(), values.source
