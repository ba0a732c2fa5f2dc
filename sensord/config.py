"""The config: one TOML file to checked settings. Whatever is wrong refuses the start with file, line, key and remedy.

pydantic checks the shape, `_contradictions` what no single key can know (two probes with one ROM id, a pin used
twice, a place without a probe). The core never sees these models: `sensord.assembly` turns them into its settings.
"""

import re
import tomllib
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError

from sensord.care.brooding import make_plan
from sensord.edges.topics import check_base
from sensord.errors import ConfigError, SensordError
from sensord.physics.water import WEATHER_CELSIUS, altitude_pascals, boiling_celsius
from sensord.profiles import load_profile
from sensord.readings import Band, Place

__all__ = [
    "AlarmsSection",
    "BandSection",
    "BowlSection",
    "BrooderSection",
    "ButtonsSection",
    "ChimeSection",
    "Config",
    "DishSection",
    "FormulaSection",
    "HistorySection",
    "KitchenSection",
    "MqttSection",
    "OneWireSection",
    "ProbeSection",
    "UnitSection",
    "line_of",
    "load",
    "parse",
]

DEFAULT_PATH = Path("/etc/sensord/sensord.toml")


class Section(BaseModel):
    """A table of the config; unknown keys are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True)


def _is_name(value: str) -> str:
    if not re.fullmatch(r"[a-z0-9][a-z0-9_-]{0,31}", value):
        raise ValueError(
            "use 1 to 32 of the characters a-z, 0-9, '-' and '_', starting with a letter or digit"
            " (the name is also a level of MQTT topics)"
        )
    return value


Name = Annotated[str, AfterValidator(_is_name)]


def _is_rom(value: str) -> str:
    if not re.fullmatch(r"(10|22|28|3b|42)-[0-9a-f]{12}", value):
        raise ValueError("a ROM id looks like 28-0000072431ab; `sensord probes` lists the ones on the bus")
    return value


class BandSection(Section):
    """An allowed range in Celsius."""

    low_celsius: float = Field(ge=0, le=60)
    high_celsius: float = Field(ge=0, le=60)
    source: str = "your config"

    def band(self) -> Band:
        """As the core's Band; raises `DataError` where it is upside down."""
        return Band(self.low_celsius, self.high_celsius)


class UnitSection(Section):
    """This daemon among others: `name` is a level in the MQTT topics."""

    name: Name = "nursery"
    state_folder: Path | None = None
    socket: Path | None = None


class OneWireSection(Section):
    """The kernel's one-wire tree and how often it is read."""

    root: Path = Path("/sys/bus/w1/devices")
    interval_seconds: float = Field(1.0, ge=0.5, le=60)
    deadline_seconds: float = Field(5.0, ge=2, le=60)
    bulk_conversion: bool = True


class ProbeSection(Section):
    """One probe: its ROM id, where it lives, and what is known of its errors."""

    rom: Annotated[str, AfterValidator(_is_rom)]
    place: Place
    offset_celsius: float = Field(0.0, ge=-5, le=5)
    gain: float = Field(1.0, ge=0.9, le=1.1)
    uncertainty_celsius: float = Field(0.5, gt=0, le=3)
    time_constant_seconds: float | None = Field(None, gt=0, le=600)


class BrooderSection(Section):
    """One brooder. Either a `band` (pinned), or a `profile` with `hatched` or `stage`."""

    probes: list[Name] = Field(min_length=1)
    band: BandSection | None = None
    profile: str | None = None
    hatched: list[date] | date | None = None
    stage: str | None = None
    deadband_celsius: float = Field(0.3, ge=0, le=3)
    on_delay_seconds: float = Field(200, ge=0, le=1800)
    off_delay_seconds: float = Field(120, ge=0, le=1800)

    @property
    def hatch_dates(self) -> tuple[date, ...]:
        """All hatch dates, one or many as written."""
        return (self.hatched,) if isinstance(self.hatched, date) else tuple(self.hatched or ())


class DishSection(Section):
    """One dish and the rules by which its paste may be called ready."""

    probe: Name
    band: BandSection = BandSection(
        low_celsius=36.0, high_celsius=38.0, source="common practice, no source; ask your avian vet"
    )
    uptake_seconds: float = Field(120, ge=0, le=1800)
    probability: float = Field(0.95, ge=0.5, lt=1)
    batch_limit_seconds: float = Field(3600, ge=300, le=7200)


class FormulaSection(Section):
    """What mixing assumes of the dry formula: percents as on its label, carbohydrate is the rest."""

    profile: Literal["parrots", "pigeons-doves"] = "parrots"
    solids_percent: float | None = Field(None, gt=0, le=60)
    batch_millilitres: float = Field(40, gt=0, le=20_000)
    bulk_density_grams_per_millilitre: float = Field(0.45, ge=0.1, le=1.2)
    moisture_percent: float = Field(8.5, ge=0, le=30)
    protein_percent: float = Field(21.0, ge=0, le=100)
    fat_percent: float = Field(10.5, ge=0, le=100)
    fibre_percent: float = Field(3.5, ge=0, le=100)
    ash_percent: float = Field(6.5, ge=0, le=100)


class BowlSection(Section):
    """The bowl that the formula is mixed in, weighed empty. Without this section no bowl is counted."""

    material: Literal["steel", "glass", "ceramic", "plastic"]
    grams: float = Field(gt=0, le=5000)


class KitchenSection(Section):
    """Water and room. Without `kettle_celsius` the kettle has just boiled, at `altitude_metres`."""

    kettle_celsius: float | None = Field(None, ge=0, le=101)
    tap_celsius: float = Field(18.0, ge=0, le=60)
    room_celsius: float = Field(21.0, ge=-10, le=50)
    altitude_metres: float = Field(0.0, ge=-450, le=5500)


class AlarmsSection(Section):
    """Caps that no command can raise, and how long things may be quiet."""

    pause_seconds: float = Field(120, ge=10, le=600)
    shelve_seconds: float = Field(600, ge=30, le=3600)
    reminder_seconds: float = Field(600, ge=60, le=7200)
    rearm_seconds: float = Field(1800, ge=300, le=14400)
    latch_danger: bool = False


class ChimeSection(Section):
    """The buzzer and the lamp. `kind`: active sounds when powered, passive needs a tone, none has no buzzer."""

    kind: Literal["active", "passive", "none"] = "none"
    pin: int | None = Field(None, ge=0, le=27)
    lamp_pin: int | None = Field(None, ge=0, le=27)
    lamp_pins: tuple[int, int, int] | None = None
    factory: Literal["lgpio", "rpigpio", "pigpio", "native", "mock"] | None = None
    night_level: float = Field(1.0, ge=0.1, le=1)
    night: str | None = Field(None, pattern=r"^[0-2]\d:[0-5]\d-[0-2]\d:[0-5]\d$")
    self_test: bool = True


class ButtonsSection(Section):
    """Push buttons to ground."""

    acknowledge_pin: int | None = Field(None, ge=0, le=27)
    batch_pin: int | None = Field(None, ge=0, le=27)


Topic = Annotated[str, AfterValidator(check_base)]


class DiscoverySection(Section):
    """Hub discovery over MQTT."""

    enabled: bool = True
    prefix: Topic = "homeassistant"
    form: Literal["device", "entity"] = "device"
    birth_topic: Topic = "homeassistant/status"
    birth_payload: str = "online"


class MqttSection(Section):
    """The broker. Without this section nothing is published."""

    host: str = Field(min_length=1)
    port: int = Field(1883, ge=1, le=65535)
    base: Topic = "sensord"
    username: str | None = None
    password_file: Path | None = None
    ca_file: Path | None = None
    certificate_file: Path | None = None
    key_file: Path | None = None
    tls: bool = False
    version: Literal["auto", "5", "3.1.1"] = "auto"
    keepalive_seconds: int = Field(20, ge=5, le=120)
    interval_seconds: float = Field(10, ge=1, le=300)
    read_only: bool = False
    senml: bool = False
    discovery: DiscoverySection = DiscoverySection()


class HistorySection(Section):
    """What is kept and for how long."""

    enabled: bool = True
    flush_seconds: float = Field(30, ge=1, le=300)
    fine_days: int = Field(8, ge=1, le=60)
    minute_days: int = Field(365, ge=8, le=3650)
    feed_reminder: bool = False


class Config(Section):
    """The whole file."""

    unit: UnitSection = UnitSection()
    one_wire: OneWireSection = OneWireSection()
    probes: dict[Name, ProbeSection] = Field(default_factory=dict)
    brooders: dict[Name, BrooderSection] = Field(default_factory=dict)
    dishes: dict[Name, DishSection] = Field(default_factory=dict)
    formula: FormulaSection = FormulaSection()
    bowl: BowlSection | None = None
    kitchen: KitchenSection = KitchenSection()
    alarms: AlarmsSection = AlarmsSection()
    chime: ChimeSection = ChimeSection()
    buttons: ButtonsSection = ButtonsSection()
    mqtt: MqttSection | None = None
    history: HistorySection = HistorySection()


class _Trouble(NamedTuple):
    where: tuple[str | int, ...]
    what: str


def load(path: Path) -> Config:
    """Read and check a config file.

    Raises `ConfigError` naming the file, the line where known, the key and the remedy for everything found wrong.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise ConfigError(
            f"{path}: there is no such file; `sensord config --example > {path}` writes a commented one"
        ) from error
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(f"{path}: cannot be read: {error}") from error
    return parse(text, str(path))


def parse(text: str, source: str) -> Config:
    """Check TOML text; `source` stands for the file in messages. Raises `ConfigError` as `load` does."""
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"{source}: not valid TOML: {error}") from error
    try:
        config = Config.model_validate(raw)
    except ValidationError as error:
        raise ConfigError(_told(text, source, [_from_pydantic(item) for item in error.errors()])) from error
    troubles = [*_contradictions(config), *_profile_troubles(config, Path(source).parent)]
    if troubles:
        raise ConfigError(_told(text, source, troubles))
    return _with_profiles_beside(config, Path(source).parent)


def _with_profiles_beside(config: Config, beside: Path) -> Config:
    """A keeper's own profile file is named relative to the config: from here on by its whole path."""
    brooders = {
        name: one.model_copy(update={"profile": str((beside / one.profile).absolute())})
        if one.profile is not None and one.profile.endswith(".toml")
        else one
        for name, one in config.brooders.items()
    }
    return config.model_copy(update={"brooders": brooders})


def _from_pydantic(item: Any) -> _Trouble:
    where = tuple(part for part in item["loc"] if part != "[key]")
    if item["type"] == "extra_forbidden":
        return _Trouble(where, f"unknown key; known here: {', '.join(_known(where[:-1]))}")
    if item["type"] == "missing":
        return _Trouble(where, "is missing: add it")
    return _Trouble(where, f"{item['msg'].removeprefix('Value error, ')} (got {item['input']!r})")


def _known(where: tuple[str | int, ...]) -> list[str]:
    model: type[BaseModel] = Config
    for part in where:
        field = model.model_fields.get(str(part))
        if field is None:
            continue  # the name of a probe, brooder or dish
        for candidate in (field.annotation, *getattr(field.annotation, "__args__", ())):
            if isinstance(candidate, type) and issubclass(candidate, BaseModel):
                model = candidate
    return sorted(model.model_fields)


def _contradictions(config: Config) -> Iterator[_Trouble]:
    roms: dict[str, str] = {}
    for name, probe in config.probes.items():
        if probe.rom in roms:
            yield _Trouble(
                ("probes", name, "rom"),
                f"{probe.rom} is also the ROM id of probe '{roms[probe.rom]}': a probe can have one name only",
            )
        roms.setdefault(probe.rom, name)
    used: dict[str, str] = {}
    for kind, places in (("brooders", config.brooders), ("dishes", config.dishes)):
        for name, section in places.items():
            place = Place.BROODER if kind == "brooders" else Place.DISH
            names = section.probes if isinstance(section, BrooderSection) else [section.probe]
            for probe_name in names:
                yield from _probe_trouble(config, (kind, name), probe_name, place, used)
            if section.band is not None and section.band.low_celsius >= section.band.high_celsius:
                yield _Trouble((kind, name, "band"), "the band is upside down: exchange low_celsius and high_celsius")
            if name in (config.brooders if kind == "dishes" else ()):
                yield _Trouble((kind, name), "a brooder has the same name: alarms could not be told apart, rename one")
    for name, brooder in config.brooders.items():
        yield from _brooder_trouble(name, brooder)
    yield from _kitchen_trouble(config)
    yield from _pin_trouble(config)
    yield from _mqtt_trouble(config.mqtt)


def _mqtt_trouble(mqtt: MqttSection | None) -> Iterator[_Trouble]:
    if mqtt is None:
        return
    if (mqtt.certificate_file is None) != (mqtt.key_file is None):
        yield _Trouble(("mqtt", "certificate_file"), "a client certificate needs certificate_file and key_file both")
    if mqtt.password_file is not None and mqtt.username is None:
        yield _Trouble(("mqtt", "password_file"), "a password without a username is of no use: add mqtt.username")


def _kitchen_trouble(config: Config) -> Iterator[_Trouble]:
    parts = config.formula
    named = parts.moisture_percent + parts.protein_percent + parts.fat_percent + parts.fibre_percent + parts.ash_percent
    if named > 100:
        yield _Trouble(("formula",), f"the parts sum to {named:g} %: no more than 100 % can be in it, see the label")
    kettle, water = config.kitchen.kettle_celsius, config.kitchen
    if kettle is not None and kettle <= water.tap_celsius:
        yield _Trouble(
            ("kitchen", "kettle_celsius"), f"is not above tap_celsius ({water.tap_celsius:g}): exchange them"
        )
    boiling = boiling_celsius(altitude_pascals(water.altitude_metres))
    if kettle is not None and kettle > boiling + WEATHER_CELSIUS:
        yield _Trouble(
            ("kitchen", "kettle_celsius"),
            f"water boils at {boiling:.1f} °C at altitude_metres = {water.altitude_metres:g} (got {kettle:g}):"
            " lower it, or leave it out for a kettle that has just boiled",
        )


def _probe_trouble(
    config: Config, where: tuple[str, str], probe: str, place: Place, used: dict[str, str]
) -> Iterator[_Trouble]:
    key = "probes" if place is Place.BROODER else "probe"
    if probe not in config.probes:
        known = ", ".join(config.probes) or "none yet"
        yield _Trouble((*where, key), f"there is no probe '{probe}' (known: {known}): add [probes.{probe}]")
    elif config.probes[probe].place is not place:
        yield _Trouble(
            (*where, key),
            f'probe \'{probe}\' has place = "{config.probes[probe].place}": it should be "{place}" to be used here',
        )
    if probe in used:
        yield _Trouble((*where, key), f"probe '{probe}' is already used by '{used[probe]}'")
    used.setdefault(probe, where[1])


def _brooder_trouble(name: str, brooder: BrooderSection) -> Iterator[_Trouble]:
    where = ("brooders", name)
    if brooder.band is None and brooder.profile is None:
        yield _Trouble(where, "needs a band, or a profile with hatched or stage")
    if brooder.profile is not None and brooder.band is None and brooder.hatched is None and brooder.stage is None:
        yield _Trouble((*where, "profile"), "needs hatched (a date) or stage beside it")


def _profile_troubles(config: Config, beside: Path) -> Iterator[_Trouble]:
    """A profile that does not exist or is wrong in itself, a stage that it lacks; `beside` is the config's folder."""
    for name, brooder in config.brooders.items():
        if brooder.profile is None:
            continue
        try:
            profile = load_profile(brooder.profile, beside)
        except ConfigError as error:
            yield _Trouble(("brooders", name, "profile"), str(error))
            continue
        if brooder.band is None and (brooder.hatched is not None or brooder.stage is not None):
            try:
                make_plan(profile, brooder.hatch_dates, brooder.stage)
            except SensordError as error:
                key = "hatched" if brooder.stage is None else "stage"
                yield _Trouble(("brooders", name, key), str(error))


def _pin_trouble(config: Config) -> Iterator[_Trouble]:
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
            yield _Trouble(where, f"GPIO {pin} is already used by {pins[pin]}: choose another pin")
        pins.setdefault(pin, ".".join(where))
    if chime.kind != "none" and chime.pin is None:
        yield _Trouble(("chime", "pin"), f'a buzzer of kind "{chime.kind}" needs its pin')
    if chime.lamp_pin is not None and chime.lamp_pins is not None:
        yield _Trouble(("chime", "lamp_pins"), "give lamp_pin (one lamp) or lamp_pins (red, green, blue), not both")
    yield from _night_trouble(chime)


def _night_trouble(chime: ChimeSection) -> Iterator[_Trouble]:
    if chime.night_level < 1 and chime.kind != "passive":
        yield _Trouble(
            ("chime", "night_level"), 'only a passive buzzer can be played softer: remove it, or kind = "passive"'
        )
    if chime.night_level < 1 and chime.night is None:
        yield _Trouble(("chime", "night_level"), 'needs to know when night is: add night = "22:00-06:00"')
    if chime.night is not None and any(int(end[:2]) > 23 for end in chime.night.split("-")):
        yield _Trouble(("chime", "night"), "hours run from 00 to 23")


def _told(text: str, source: str, troubles: list[_Trouble]) -> str:
    lines = []
    for trouble in troubles:
        line = line_of(text, trouble.where)
        place = f"{source}:{line}" if line else source
        lines.append(f"{place}: {'.'.join(str(part) for part in trouble.where)}: {trouble.what}")
    return "\n".join(lines)


def line_of(text: str, where: tuple[str | int, ...]) -> int | None:
    """The line of the deepest part of `where` that the text shows; None where nothing of it is found."""
    names = [str(part) for part in where if isinstance(part, str)]
    best, table = None, ""
    for number, line in enumerate(text.splitlines(), 1):
        stripped = line.strip()
        header = re.fullmatch(r"\[\s*([^\[\]]+?)\s*\]\s*(#.*)?", stripped)
        if header:
            table = header.group(1).replace('"', "").replace(" ", "")
            path = table.split(".")
        else:
            key = re.match(r"([A-Za-z0-9_.\"-]+)\s*=", stripped)
            if not key:
                continue
            path = [*([*table.split(".")] if table else []), *key.group(1).replace('"', "").split(".")]
        if path == names[: len(path)] and (best is None or len(path) > best[1]):
            best = (number, len(path))
    return best[0] if best else None
