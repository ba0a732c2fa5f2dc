"""From a checked config to the settings of the core."""

from dataclasses import replace

from sensord.care.brooding import BandPlan, brooding_at, check_dates, make_plan
from sensord.config.folders import load_profile
from sensord.config.kitchen import bowlful
from sensord.config.sections import BrooderSection, Config, DishSection, ProbeSection
from sensord.errors import ConfigError, DataError
from sensord.readings import Place
from sensord.watch.alarms.alarm_book import AlarmSettings
from sensord.watch.brooder.brooder_rules import BrooderSettings
from sensord.watch.conditions import alarms_of
from sensord.watch.dish.dish_state import DishSettings
from sensord.watch.events import Origin
from sensord.watch.screening import BROODER_SCREEN, DISH_SCREEN, ROOM_SCREEN, Calibration
from sensord.watch.state import NurserySettings, ProbeSettings

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
        alarms=_alarms(config),
        keeps_history=config.history.enabled,
        feed_reminder=config.history.feed_reminder,
    )


def check_hatch_dates(settings: NurserySettings, utc_seconds: float) -> None:
    """Raise `ConfigError` for a hatch date in the future, or so old that its year must be wrong."""
    for name, one in settings.brooders.items():
        if one.plan is not None:
            try:
                check_dates(one.plan, utc_seconds)
            except DataError as error:
                raise ConfigError(f"brooders.{name}.hatched: {error}") from error


def with_silence_of(settings: NurserySettings, seconds: float) -> NurserySettings:
    """The settings where no probe counts as late before `seconds`: for a demo that runs faster than the machine."""
    return replace(
        settings,
        probes={
            name: replace(one, late_seconds=max(one.late_seconds, seconds)) for name, one in settings.probes.items()
        },
        dishes={
            name: replace(one, late_seconds=max(one.late_seconds, seconds)) for name, one in settings.dishes.items()
        },
        brooders={
            name: replace(one, late_seconds=max(one.late_seconds, seconds)) for name, one in settings.brooders.items()
        },
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


def _dish(name: str, section: DishSection, config: Config) -> DishSettings:
    probe = config.probes[section.probe]
    return DishSettings(
        name=name,
        probe=section.probe,
        band=section.band.band(),
        band_source=section.band.source,
        uncertainty_celsius=probe.uncertainty_celsius,
        uptake_seconds=section.uptake_seconds,
        probability=section.probability,
        batch_limit_seconds=section.batch_limit_seconds,
        late_seconds=_late_seconds(Place.DISH, config),
        time_constant_seconds=probe.time_constant_seconds,
        bowlful=bowlful(config),
    )


def plan_of(section: BrooderSection) -> BandPlan | None:
    """The plan of a brooder's bands; None where it names no profile.

    Raises `ConfigError` or `DataError` with the reason where profile, stage and dates do not go together.
    """
    if section.profile is None or (section.stage is None and not section.hatch_dates):
        return None
    return make_plan(load_profile(section.profile), section.hatch_dates, section.stage)


def _brooder(name: str, section: BrooderSection, config: Config) -> BrooderSettings:
    plan = plan_of(section)
    if section.band is not None:
        band, source = section.band.band(), section.band.source
    else:
        assert plan is not None  # the config was checked: no band without a plan
        first = brooding_at(plan, None)
        band, source = first.band, first.source
    return BrooderSettings(
        name=name,
        probes=tuple(section.probes),
        band=band,
        band_source=source,
        pinned=section.band is not None,
        plan=plan,
        deadband_celsius=section.deadband_celsius,
        on_delay_seconds=section.on_delay_seconds,
        off_delay_seconds=section.off_delay_seconds,
        late_seconds=_late_seconds(Place.BROODER, config),
    )


def _alarms(config: Config) -> AlarmSettings:
    section, possible = config.alarms, alarms_of(config.brooders, config.dishes)
    dangers = frozenset(condition for place, condition in possible if place in config.brooders and condition.is_danger)
    return AlarmSettings(
        possible=possible,
        latching=dangers if section.latch_danger else frozenset(),
        shelve_seconds=section.shelve_seconds,
        pause_seconds=section.pause_seconds,
        rearm_seconds=section.rearm_seconds,
        reminder_seconds=section.reminder_seconds,
        silence_seconds={Origin.MQTT: section.network_silence_seconds, Origin.CONTROL: section.local_silence_seconds},
    )
