"""What is inside the MQTT messages: one versioned model a topic. `docs/mqtt.md` and `docs/mqtt-schema.json` show them.

Temperatures are degrees Celsius (UCUM code `Cel`); `expanded_uncertainty` goes with the coverage factor `k` (JCGM 100,
6.2); intervals of estimates (`low`, `high`) hold 90 %. Times are RFC 3339 in UTC, with `clock_trusted` false while
nothing has set the clock of the unit yet. A value that is not known is null, never the last one.

Each field says where in a view or an effect it is from: the field of the same name, `x_seconds` for `x_s`, or the path
in its `From`. `Payload.of` reads along these ways, `view_of` goes them back.
"""

from dataclasses import fields, is_dataclass
from functools import cache, reduce
from math import isfinite
from operator import or_
from typing import Annotated, Any, Literal, NamedTuple, Self, TypeAlias, TypeVar

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, TypeAdapter
from pydantic.json_schema import JsonSchemaMode, models_json_schema

from sensord.gate.command_gate import model_of
from sensord.physics.conformity import Verdict
from sensord.readings import FaultKind, Place
from sensord.texts import plain_text
from sensord.watch.command_table import Giver, verbs_for
from sensord.watch.conditions import Condition
from sensord.watch.effects import (
    AlarmChanged,
    AlarmState,
    BandMoved,
    BatchStarted,
    DishChanged,
    DishState,
    Forecast,
    GapFound,
    Note,
    Noted,
    along,
)
from sensord.watch.events import Origin

VERSION = 1
"""Raised when a field changes its meaning or goes away; new fields may come without it."""


class From(NamedTuple):
    """Where in its source a field is from: names with dots between them."""

    path: str


def rounded(number: object, places: int = 3) -> object:
    """Three places are finer than any probe here; None for what is no number. Anything but a float stays as it is."""
    if not isinstance(number, float):
        return number
    return round(number, places) if isfinite(number) else None


Number: TypeAlias = Annotated[float | None, BeforeValidator(rounded)]
Tenths: TypeAlias = Annotated[float, BeforeValidator(lambda number: rounded(number, 1))]
Text: TypeAlias = Annotated[str, AfterValidator(plain_text)]
PriorityWord: TypeAlias = Literal["low", "medium", "high"]
Quality: TypeAlias = Literal["good", "fault", "none"]


class _Sent(BaseModel):
    model_config = ConfigDict(defer_build=True, frozen=True, json_schema_serialization_defaults_required=True)


class Payload(_Sent):
    """What every message carries."""

    version: Literal[1] = 1
    time: str = Field(
        description="when it was so, RFC 3339 in UTC", pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z$"
    )
    clock_trusted: bool = Field(description="false until something has set the clock of the unit")

    @classmethod
    def of(cls, source: object, **more: object) -> Self:
        """The message about a view or an effect; `more` is what only the sender knows."""
        found: dict[str, Any] = {}
        for inner, way in _ways(cls):
            if hasattr(source, way[0]):
                _put(found, inner, along(source, way))
        return cls.model_validate(found | more)

    def encoded(self) -> bytes:
        """As UTF-8 JSON."""
        return self.model_dump_json().encode()


class StatePayload(Payload):
    """A retained state. A `sequence` lower than the one before means that the daemon was started again."""

    sequence: int = Field(ge=1, description="counts the states of the unit since its start")


class _Measured(StatePayload):
    value: Annotated[Number, From("celsius")] = Field(description="the calibrated reading, null while there is none")
    unit: Literal["Cel"] = "Cel"
    expanded_uncertainty: Number = Field(description="of the value, with coverage factor k")
    k: Literal[2] = Field(2, description="as in the core: sensord.watch.effects.Measured")
    quality: Quality = Field(description="good: a fresh reading; fault: see fault; none: nothing read yet")


class BandPayload(_Sent):
    """The allowed range in force, and who says so."""

    low: Annotated[float, BeforeValidator(rounded), From("band.low_celsius")]
    high: Annotated[float, BeforeValidator(rounded), From("band.high_celsius")]
    source: Annotated[Text, From("band_source")]


class Estimate(_Sent):
    """The mean temperature of the paste as estimated from the curve, with its 90 % interval."""

    value: Annotated[Number, From("estimate_celsius.middle")]
    low: Annotated[Number, From("estimate_celsius.low")]
    high: Annotated[Number, From("estimate_celsius.high")]


class ProbePayload(_Measured):
    """`probe/<name>`."""

    probe: Annotated[Text, From("name")]
    place: Place
    fault: FaultKind | None = None
    remedy: Text = ""
    readings: int = Field(ge=0, description="good readings since the start")
    faults: Annotated[int, From("failures")] = Field(ge=0, description="failed readings since the start")


class DishPayload(_Measured):
    """`dish/<name>`. Only the state `ready` means: feed."""

    value: Annotated[Number, From("reading_celsius")] = Field(
        description="the calibrated reading, null while there is none"
    )
    dish: Annotated[Text, From("name")]
    probe: Text
    state: DishState
    ready: bool
    verdict: Verdict | None
    band: BandPayload
    why: Text
    advice: Text
    estimate: Estimate
    probability: Number = Field(description="that the paste is in the band, 0 to 1")
    uptake_left_s: Number
    age_s: Number
    never: Annotated[bool, From("outlook.never")] = Field(description="it will not get into the band on this course")
    ready_in_s: Annotated[Number, From("outlook.ready_in_seconds.middle")]
    ready_low_s: Annotated[Number, From("outlook.ready_in_seconds.low")]
    ready_high_s: Annotated[Number, From("outlook.ready_in_seconds.high")]
    open_for_s: Annotated[Number, From("outlook.open_for_seconds.middle")]
    open_low_s: Annotated[Number, From("outlook.open_for_seconds.low")]
    open_high_s: Annotated[Number, From("outlook.open_for_seconds.high")]


class BrooderPayload(_Measured):
    """`brooder/<name>`."""

    brooder: Annotated[Text, From("name")]
    verdict: Verdict | None
    band: BandPayload
    pinned: bool
    stage: Text
    heading: Text
    leaves_band_in_s: Number
    notes: list[Text]


class AlarmPayload(StatePayload):
    """`alarm/<place>/<condition>`; states of IEC 62682."""

    place: Text
    condition: Condition
    state: AlarmState
    active: Annotated[bool, From("standing")] = Field(description="the condition stands now, heard or not")
    priority: Annotated[PriorityWord | None, From("priority.word")]
    value: Annotated[Number, From("celsius")]
    unit: Literal["Cel"] = "Cel"
    since: Text | None
    seen: Text
    do_first: Text
    shelved_left_s: Number


class _Event(Payload):
    number: int = Field(ge=1, description="counts the events of a series; seen twice means sent twice")
    series: Text = Field(description="a new one begins only when the outbox of the unit was lost")


class AlarmEvent(_Event):
    """One transition of one alarm; `also`: of these of the place too, while none of them stands (a shelf)."""

    kind: Literal["alarm"] = "alarm"
    place: Text
    condition: Condition
    priority: Annotated[PriorityWord, From("priority.word")]
    state: AlarmState
    previous: AlarmState
    value: Annotated[Number, From("celsius")]
    unit: Literal["Cel"] = "Cel"
    origin: Origin
    seen: Text
    do_first: Text
    also: list[Condition]


class DishEvent(_Event):
    """A dish entered a state."""

    kind: Literal["dish"] = "dish"
    dish: Text
    probe: Text
    state: DishState
    previous: DishState
    estimate: Estimate
    unit: Literal["Cel"] = "Cel"
    why: Text


class NoteEvent(_Event):
    """Something found from the readings of a probe."""

    kind: Literal["note"] = "note"
    probe: Text
    what: Note
    fault: FaultKind | None
    gap_s: Number
    detail: Text


class ForecastEvent(_Event):
    """A brooder will leave its band unless something changes."""

    kind: Literal["forecast"] = "forecast"
    place: Text
    condition: Condition
    in_s: Annotated[Tenths, From("in_seconds.middle")]
    low_s: Annotated[Tenths, From("in_seconds.low")]
    high_s: Annotated[Tenths, From("in_seconds.high")]


class BandEvent(_Event):
    """A brooder is held to another band from now on."""

    kind: Literal["band"] = "band"
    place: Text
    band: BandPayload
    pinned: bool


class BatchEvent(_Event):
    """A bowl of formula began."""

    kind: Literal["batch"] = "batch"
    dish: Text
    origin: Origin


class GapEvent(_Event):
    """The daemon was off for a while."""

    kind: Literal["gap"] = "gap"
    gap_s: Number
    before: Annotated[dict[str, float], From("before_celsius")]
    after: Annotated[dict[str, float], From("after_celsius")]


EVENTS: dict[type, type[_Event]] = {
    AlarmChanged: AlarmEvent,
    DishChanged: DishEvent,
    Noted: NoteEvent,
    Forecast: ForecastEvent,
    BandMoved: BandEvent,
    BatchStarted: BatchEvent,
    GapFound: GapEvent,
}


class AnswerPayload(Payload):
    """`done`: what became of one command."""

    request: Text
    verb: Text
    done: bool
    reason: Text


# --- along the ways, and back --------------------------------------------------------------------------------------


@cache
def _ways(model: type[BaseModel]) -> tuple[tuple[tuple[str, ...], tuple[str, ...]], ...]:
    """Of each field the names that lead to it in the message, and those that lead to it in a source."""
    found: list[tuple[tuple[str, ...], tuple[str, ...]]] = []
    for name, info in model.model_fields.items():
        if isinstance(info.annotation, type) and issubclass(info.annotation, _Sent):
            found += [((name, *inner), way) for inner, way in _ways(info.annotation)]
        else:
            usual = f"{name}econds" if name.endswith("_s") else name
            path = next((one.path for one in info.metadata if isinstance(one, From)), usual)
            found.append(((name,), tuple(path.split("."))))
    return tuple(found)


def _put(tree: dict[str, Any], way: tuple[str, ...], value: object) -> None:
    for step in way[:-1]:
        tree = tree.setdefault(step, {})
    tree[way[-1]] = value


View = TypeVar("View")


def view_of(payload: Payload, kind: type[View], **more: object) -> View:
    """The view that a message was made from, as far as it went into the message; `more` is what only the reader knows.

    Raises pydantic's `ValidationError` where the message holds half an interval or an impossible band.
    """
    found: dict[str, Any] = {}
    for inner, way in _ways(type(payload)):
        _put(found, way, along(payload, inner))
    assert is_dataclass(kind)
    known = {field.name for field in fields(kind)}
    adapter: TypeAdapter[View] = _adapter(kind)
    return adapter.validate_python({key: _or_none(found[key]) for key in found if key in known} | more)


def _or_none(value: Any) -> Any:
    """A value of which no part is known is not known."""
    if not isinstance(value, dict):
        return value
    parts = {key: _or_none(part) for key, part in value.items()}
    return parts if any(part is not None for part in parts.values()) else None


@cache
def _adapter(kind: type[Any]) -> TypeAdapter[Any]:
    return TypeAdapter(kind)


# --- as a document --------------------------------------------------------------------------------------------------

_STATES: dict[str, type[BaseModel]] = {
    "probe/<name>": ProbePayload,
    "dish/<name>": DishPayload,
    "brooder/<name>": BrooderPayload,
    "alarm/<place>/<condition>": AlarmPayload,
    "done": AnswerPayload,
}


def mqtt_schema() -> dict[str, Any]:
    """JSON Schema 2020-12 of all that goes over MQTT, made from the models that are really sent and read.

    `$defs` has the models, `topics` says which one is sent below `<base>/<unit>/`.
    """
    reading: JsonSchemaMode = "validation"
    sending: JsonSchemaMode = "serialization"
    commands = {verb: model_of(verb) for verb in verbs_for(Giver.BROKER)}
    one_of: Any = reduce(or_, EVENTS.values())
    events: dict[str, Any] = TypeAdapter(Annotated[one_of, Field(discriminator="kind")]).json_schema(mode=sending)
    references, models = models_json_schema(
        [
            *((model, sending) for model in _STATES.values()),
            *((model, reading) for model in dict.fromkeys(commands.values())),
        ]
    )
    definitions = {**models["$defs"], **events.pop("$defs")}
    topics: dict[str, Any] = {"status": {"enum": ["online", "offline"]}, "event": events}
    topics |= {topic: references[model, sending] for topic, model in _STATES.items()}
    topics |= {f"do/{verb}": references[model, reading] for verb, model in commands.items()}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"sensord over MQTT, payload version {VERSION}",
        "topics": dict(sorted(topics.items())),
        "$defs": dict(sorted(definitions.items())),
    }
