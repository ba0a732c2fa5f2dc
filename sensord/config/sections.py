"""The sections of the config as models: which keys there are, what they may hold, and what holds without them.

Only the shape of one table at a time; what no table can know of another is checked in `sensord.config.contradictions`.
"""

import re
from datetime import date
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from sensord.config.kitchen import SPANS, DishValues, FormulaValues, WaterValues
from sensord.readings import PROBE_FAMILIES, Band, Place

_FORMULA, _WATER = FormulaValues(), WaterValues()


class Section(BaseModel):
    """A table of the config; unknown keys are refused."""

    model_config = ConfigDict(defer_build=True, extra="forbid", frozen=True)


def _is_name(value: str) -> str:
    if not re.fullmatch(r"[a-z0-9][a-z0-9_-]{0,31}", value):
        raise ValueError(
            "use 1 to 32 of the characters a-z, 0-9, '-' and '_', starting with a letter or digit"
            " (the name is also a level of MQTT topics)"
        )
    return value


Name = Annotated[str, AfterValidator(_is_name)]


def _is_rom(value: str) -> str:
    if not re.fullmatch(r"[0-9a-f]{2}-[0-9a-f]{12}", value) or value[:2] not in PROBE_FAMILIES:
        raise ValueError("a ROM id looks like 28-0000072431ab; `sensord probes` lists the ones on the bus")
    return value


def _is_span_of_day(value: str) -> str:
    if not re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d-([01]\d|2[0-3]):[0-5]\d", value):
        raise ValueError("give from when to when, such as 22:00-06:30")
    return value


def _is_topic(value: str) -> str:
    """MQTT 5.0 section 4.7: no wildcards, no U+0000; a leading `/` makes another topic; `$…` is the broker's own."""
    if not value or len(value.encode()) > 128:
        raise ValueError("use 1 to 128 bytes, for example 'sensord' or 'station/sensord'")
    if wild := sorted(set(value) & {"+", "#", "\0"}):
        raise ValueError(f"{wild[0]!r} is a wildcard or not allowed in a topic: leave it out")
    if value.startswith("/") or value.endswith("/") or "//" in value:
        raise ValueError("a '/' at the start or end, or two in a row, makes an empty level: leave it out")
    if value.startswith("$"):
        raise ValueError("topics that start with '$' belong to the broker: choose another word")
    if not value.isprintable() or " " in value:
        raise ValueError("spaces and control characters in topics are asking for trouble: leave them out")
    return value


class BandSection(Section):
    """An allowed range in Celsius."""

    low_celsius: float = Field(**SPANS["low_celsius"])
    high_celsius: float = Field(**SPANS["high_celsius"])
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
    band: BandSection = BandSection.model_validate(DishValues().band._asdict())
    uptake_seconds: float = Field(DishValues().uptake_seconds, **SPANS["uptake_seconds"])
    probability: float = Field(0.95, ge=0.5, lt=1)
    batch_limit_seconds: float = Field(3600, ge=300, le=7200)


class FormulaSection(Section):
    """What mixing assumes of the dry formula: percents as on its label, carbohydrate is the rest."""

    profile: Literal["parrots", "pigeons-doves"] = "parrots"
    solids_percent: float | None = Field(_FORMULA.solids_percent, **SPANS["solids_percent"])
    batch_millilitres: float = Field(_FORMULA.batch_millilitres, **SPANS["batch_millilitres"])
    bulk_density_grams_per_millilitre: float = Field(
        _FORMULA.bulk_density_grams_per_millilitre, **SPANS["bulk_density_grams_per_millilitre"]
    )
    moisture_percent: float = Field(_FORMULA.moisture_percent, **SPANS["moisture_percent"])
    protein_percent: float = Field(_FORMULA.protein_percent, **SPANS["protein_percent"])
    fat_percent: float = Field(_FORMULA.fat_percent, **SPANS["fat_percent"])
    fibre_percent: float = Field(_FORMULA.fibre_percent, **SPANS["fibre_percent"])
    ash_percent: float = Field(_FORMULA.ash_percent, **SPANS["ash_percent"])


class BowlSection(Section):
    """The bowl that the formula is mixed in, weighed empty. Without this section no bowl is counted."""

    material: Literal["steel", "glass", "ceramic", "plastic"]
    grams: float = Field(**SPANS["grams"])


class KitchenSection(Section):
    """Water and room. Without `kettle_celsius` the kettle has just boiled, at `altitude_metres`."""

    kettle_celsius: float | None = Field(_WATER.kettle_celsius, **SPANS["kettle_celsius"])
    tap_celsius: float = Field(_WATER.tap_celsius, **SPANS["tap_celsius"])
    room_celsius: float = Field(_WATER.room_celsius, **SPANS["room_celsius"])
    altitude_metres: float = Field(_WATER.altitude_metres, **SPANS["altitude_metres"])


class AlarmsSection(Section):
    """Caps that no command can raise, and how long things may be quiet."""

    pause_seconds: float = Field(120, ge=10, le=600)
    shelve_seconds: float = Field(600, ge=30, le=3600)
    reminder_seconds: float = Field(600, ge=60, le=7200)
    rearm_seconds: float = Field(1800, ge=300, le=14400)
    network_silence_seconds: float = Field(3600, ge=0, le=43_200)
    local_silence_seconds: float = Field(14_400, ge=600, le=86_400)
    latch_danger: bool = False


class ChimeSection(Section):
    """The buzzer and the lamp. `kind`: active sounds when powered, passive needs a tone, none has no buzzer."""

    kind: Literal["active", "passive", "none"] = "none"
    pin: int | None = Field(None, ge=0, le=27)
    lamp_pin: int | None = Field(None, ge=0, le=27)
    lamp_pins: tuple[int, int, int] | None = None
    factory: Literal["lgpio", "rpigpio", "pigpio", "native", "mock"] | None = None
    night_level: float = Field(1.0, ge=0.1, le=1)
    night: Annotated[str, AfterValidator(_is_span_of_day)] | None = None
    self_test: bool = True


class ButtonsSection(Section):
    """Push buttons to ground."""

    acknowledge_pin: int | None = Field(None, ge=0, le=27)
    batch_pin: int | None = Field(None, ge=0, le=27)


Topic = Annotated[str, AfterValidator(_is_topic)]


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
    discovery: DiscoverySection = DiscoverySection()

    @property
    def encrypted(self) -> bool:
        """Whether the broker is spoken to over TLS."""
        return self.tls or self.ca_file is not None or self.certificate_file is not None


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
