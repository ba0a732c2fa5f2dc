"""From a checked config to the core's settings, and from those to a daemon with its sources and outputs."""

from sensord.config import Config, ProbeSection
from sensord.readings import Place
from sensord.watch.calibration import Calibration
from sensord.watch.nursery import NurserySettings, ProbeSettings
from sensord.watch.screening import BROODER_SCREEN, DISH_SCREEN, ROOM_SCREEN

__all__ = ["nursery_settings"]

_SCREENS = {Place.DISH: DISH_SCREEN, Place.BROODER: BROODER_SCREEN, Place.ROOM: ROOM_SCREEN}
_TRAIL_BIN_SECONDS = {Place.DISH: 10.0, Place.BROODER: 120.0, Place.ROOM: 120.0}
_LATE_SECONDS = {Place.DISH: 5.0, Place.BROODER: 30.0, Place.ROOM: 60.0}
"""Silence that counts as a fault: seconds matter for a dish about to be fed, minutes for air."""


def nursery_settings(config: Config) -> NurserySettings:
    """The core's settings. Raises `ConfigError` for a profile or stage that does not exist."""
    return NurserySettings(
        unit=config.unit.name,
        probes={name: _probe(name, probe, config) for name, probe in config.probes.items()},
        dishes={name: _dish(name, section, config) for name, section in config.dishes.items()},
        brooders={name: _brooder(name, section, config) for name, section in config.brooders.items()},
        alarms=_alarms(config.alarms),
        pause_seconds=config.alarms.pause_seconds,
    )


def _late_seconds(place: Place, config: Config) -> float:
    return max(_LATE_SECONDS[place], 3 * config.one_wire.interval_seconds)


def _probe(name: str, section: ProbeSection, config: Config) -> ProbeSettings:
    return ProbeSettings(
        name=name,
        place=section.place,
        calibration=Calibration(section.offset_celsius, section.gain, section.uncertainty_celsius),
        screen=_SCREENS[section.place],
        late_seconds=_late_seconds(section.place, config),
        trail_bin_seconds=_TRAIL_BIN_SECONDS[section.place],
    )
