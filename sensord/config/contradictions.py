"""What no single key of the config can know: one ROM id twice, a pin used twice, a place without a probe.

Each check takes checked sections and yields the troubles it finds, with the remedy; `config.loading` finds their lines.
"""

from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from sensord.care.brooding import make_plan
from sensord.config.folders import load_profile
from sensord.config.sections import AlarmsSection, BandSection, ChimeSection, Config, MqttSection
from sensord.errors import ConfigError, SensordError
from sensord.physics.water import WEATHER_CELSIUS, altitude_pascals, boiling_celsius
from sensord.readings import Place
from sensord.watch.conditions import UNIT_PLACE


class Trouble(NamedTuple):
    """What is wrong and where: the keys that lead there from the top of the file, and a sentence with the remedy."""

    where: tuple[str | int, ...]
    what: str


def contradictions(config: Config, beside: Path) -> Iterator[Trouble]:
    """Everything in the config that cannot be met; profile files are looked for `beside` it, in its own folder."""
    yield from _rom_troubles(config)
    yield from _place_troubles(config)
    yield from _brooder_troubles(config)
    yield from _kitchen_troubles(config)
    yield from _silence_troubles(config.alarms)
    yield from _pin_troubles(config)
    yield from _night_troubles(config.chime)
    yield from _mqtt_troubles(config.mqtt)
    yield from _profile_troubles(config, beside)


def _silence_troubles(alarms: AlarmsSection) -> Iterator[Trouble]:
    if alarms.local_silence_seconds < alarms.network_silence_seconds:
        yield Trouble(
            ("alarms", "local_silence_seconds"),
            f"{alarms.local_silence_seconds:g} s is less than the {alarms.network_silence_seconds:g} s of"
            " network_silence_seconds: who is at the unit may silence for no less than the network",
        )


def _rom_troubles(config: Config) -> Iterator[Trouble]:
    names: dict[str, str] = {}
    for name, probe in config.probes.items():
        if probe.rom in names:
            yield Trouble(
                ("probes", name, "rom"),
                f"{probe.rom} is also the ROM id of probe '{names[probe.rom]}': a probe can have one name only",
            )
        names.setdefault(probe.rom, name)


def _place_troubles(config: Config) -> Iterator[Trouble]:
    used: dict[str, str] = {}
    for kind, places in (("brooders", config.brooders), ("dishes", config.dishes)):
        if UNIT_PLACE in places:
            yield Trouble((kind, UNIT_PLACE), f"'{UNIT_PLACE}' is where the daemon's own alarms are: rename it")
    for name, brooder in config.brooders.items():
        for probe in brooder.probes:
            yield from _probe_troubles(config, ("brooders", name, "probes"), probe, Place.BROODER, used)
        if brooder.band is not None:
            yield from _band_troubles(("brooders", name, "band"), brooder.band)
    for name, dish in config.dishes.items():
        yield from _probe_troubles(config, ("dishes", name, "probe"), dish.probe, Place.DISH, used)
        yield from _band_troubles(("dishes", name, "band"), dish.band)
        if name in config.brooders:
            yield Trouble(("dishes", name), "a brooder has the same name: alarms could not be told apart, rename one")


def _band_troubles(where: tuple[str, str, str], band: BandSection) -> Iterator[Trouble]:
    if band.low_celsius >= band.high_celsius:
        yield Trouble(where, "the band is upside down: exchange low_celsius and high_celsius")


def _probe_troubles(
    config: Config, where: tuple[str, str, str], probe: str, place: Place, used: dict[str, str]
) -> Iterator[Trouble]:
    """`used` holds which place each probe was given to so far, and takes this one."""
    if probe not in config.probes:
        known = ", ".join(config.probes) or "none yet"
        yield Trouble(where, f"there is no probe '{probe}' (known: {known}): add [probes.{probe}]")
    elif config.probes[probe].place is not place:
        yield Trouble(
            where,
            f'probe \'{probe}\' has place = "{config.probes[probe].place}": it should be "{place}" to be used here',
        )
    if probe in used:
        yield Trouble(where, f"probe '{probe}' is already used by '{used[probe]}'")
    _, used_by, _ = where
    used.setdefault(probe, used_by)


def _mqtt_troubles(mqtt: MqttSection | None) -> Iterator[Trouble]:
    if mqtt is None:
        return
    if (mqtt.certificate_file is None) != (mqtt.key_file is None):
        yield Trouble(("mqtt", "certificate_file"), "a client certificate needs certificate_file and key_file both")
    if mqtt.password_file is not None and mqtt.username is None:
        yield Trouble(("mqtt", "password_file"), "a password without a username is of no use: add mqtt.username")


def _kitchen_troubles(config: Config) -> Iterator[Trouble]:
    parts = config.formula
    named = parts.moisture_percent + parts.protein_percent + parts.fat_percent + parts.fibre_percent + parts.ash_percent
    if named > 100:
        yield Trouble(("formula",), f"the parts sum to {named:g} %: no more than 100 % can be in it, see the label")
    kettle, water = config.kitchen.kettle_celsius, config.kitchen
    if kettle is not None and kettle <= water.tap_celsius:
        yield Trouble(("kitchen", "kettle_celsius"), f"is not above tap_celsius ({water.tap_celsius:g}): exchange them")
    boiling = boiling_celsius(altitude_pascals(water.altitude_metres))
    if kettle is not None and kettle > boiling + WEATHER_CELSIUS:
        yield Trouble(
            ("kitchen", "kettle_celsius"),
            f"water boils at {boiling:.1f} °C at altitude_metres = {water.altitude_metres:g} (got {kettle:g}):"
            " lower it, or leave it out for a kettle that has just boiled",
        )


def _brooder_troubles(config: Config) -> Iterator[Trouble]:
    for name, brooder in config.brooders.items():
        if brooder.band is not None:
            continue
        if brooder.profile is None:
            yield Trouble(("brooders", name), "needs a band, or a profile with hatched or stage")
        elif brooder.hatched is None and brooder.stage is None:
            yield Trouble(("brooders", name, "profile"), "needs hatched (a date) or stage beside it")


def _profile_troubles(config: Config, beside: Path) -> Iterator[Trouble]:
    """A profile that does not exist or is wrong in itself, a stage that it lacks; `beside` is the config's folder."""
    for name, brooder in config.brooders.items():
        if brooder.profile is None:
            continue
        try:
            profile = load_profile(brooder.profile, beside)
        except ConfigError as error:
            yield Trouble(("brooders", name, "profile"), str(error))
            continue
        if brooder.band is None and (brooder.hatched is not None or brooder.stage is not None):
            try:
                make_plan(profile, brooder.hatch_dates, brooder.stage)
            except SensordError as error:
                key = "hatched" if brooder.stage is None else "stage"
                yield Trouble(("brooders", name, key), str(error))


def _pin_troubles(config: Config) -> Iterator[Trouble]:
    pins: dict[int, str] = {4: "the one-wire bus (GPIO 4)"}
    chime, buttons = config.chime, config.buttons
    wanted: list[tuple[tuple[str, str], int | None]] = [
        (("chime", "pin"), chime.pin),
        (("chime", "lamp_pin"), chime.lamp_pin),
        *[(("chime", "lamp_pins"), pin) for pin in chime.lamp_pins or ()],
        (("buttons", "acknowledge_pin"), buttons.acknowledge_pin),
        (("buttons", "batch_pin"), buttons.batch_pin),
    ]
    for where, pin in wanted:
        if pin is None:
            continue
        if pin in pins:
            yield Trouble(where, f"GPIO {pin} is already used by {pins[pin]}: choose another pin")
        pins.setdefault(pin, ".".join(where))
    if chime.kind != "none" and chime.pin is None:
        yield Trouble(("chime", "pin"), f'a buzzer of kind "{chime.kind}" needs its pin')
    if chime.lamp_pin is not None and chime.lamp_pins is not None:
        yield Trouble(("chime", "lamp_pins"), "give lamp_pin (one lamp) or lamp_pins (red, green, blue), not both")


def _night_troubles(chime: ChimeSection) -> Iterator[Trouble]:
    if chime.night_level < 1 and chime.kind != "passive":
        yield Trouble(
            ("chime", "night_level"), 'only a passive buzzer can be played softer: remove it, or kind = "passive"'
        )
    if chime.night_level < 1 and chime.night is None:
        yield Trouble(("chime", "night_level"), 'needs to know when night is: add night = "22:00-06:00"')
