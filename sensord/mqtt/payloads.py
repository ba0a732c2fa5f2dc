"""What is inside the MQTT messages: one versioned model a topic. `docs/mqtt.md` and `docs/mqtt-schema.json` show them.

Temperatures are degrees Celsius (UCUM code `Cel`); `expanded_uncertainty` goes with the coverage factor `k`
(JCGM 100, 6.2); intervals of estimates (`low`, `high`) hold 90 %. Times are RFC 3339 in UTC, with `clock_trusted` false
while nothing has set the clock of the unit yet. A value that is not known is null, never the last one.
"""

from typing import Annotated, Literal, TypeAlias

from pydantic import BaseModel, ConfigDict, Field

from sensord.readings import FaultKind, Place
from sensord.watch.conditions import Condition
from sensord.watch.effects import AlarmState, DishState, Note, Verdict
from sensord.watch.events import Origin

__all__ = [
    "VERSION",
    "AlarmEvent",
    "AlarmPayload",
    "AnswerPayload",
    "BandEvent",
    "BandPayload",
    "BatchEvent",
    "BrooderPayload",
    "DishEvent",
    "DishPayload",
    "Estimate",
    "EventPayload",
    "ForecastEvent",
    "GapEvent",
    "NoteEvent",
    "Payload",
    "ProbePayload",
    "Quality",
    "StatePayload",
]

VERSION = 1
"""Raised when a field changes its meaning or goes away; new fields may come without it."""

PriorityWord: TypeAlias = Literal["low", "medium", "high"]
Quality: TypeAlias = Literal["good", "fault", "none"]


class Payload(BaseModel):
    """What every message carries."""

    model_config = ConfigDict(defer_build=True, frozen=True, json_schema_serialization_defaults_required=True)

    version: Literal[1] = 1
    time: str = Field(
        description="when it was so, RFC 3339 in UTC", pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z$"
    )
    clock_trusted: bool = Field(description="false until something has set the clock of the unit")

    def encoded(self) -> bytes:
        """As UTF-8 JSON."""
        return self.model_dump_json().encode()


class StatePayload(Payload):
    """A retained state. A `sequence` lower than the one before means that the daemon was started again."""

    sequence: int = Field(ge=1, description="counts the states of the unit since its start")


class _Measured(StatePayload):
    value: float | None = Field(description="the calibrated reading, null while there is none")
    unit: Literal["Cel"] = "Cel"
    expanded_uncertainty: float | None = Field(description="of the value, with coverage factor k")
    k: Literal[2] = Field(2, description="as in the core: sensord.watch.effects.Measured")
    quality: Quality = Field(description="good: a fresh reading; fault: see fault; none: nothing read yet")


class BandPayload(BaseModel):
    """The allowed range in force, and who says so."""

    model_config = ConfigDict(defer_build=True, frozen=True, json_schema_serialization_defaults_required=True)
    low: float
    high: float
    source: str


class Estimate(BaseModel):
    """The mean temperature of the paste as estimated from the curve, with its 90 % interval."""

    model_config = ConfigDict(defer_build=True, frozen=True, json_schema_serialization_defaults_required=True)
    value: float | None
    low: float | None
    high: float | None


class ProbePayload(_Measured):
    """`probe/<name>`."""

    probe: str
    place: Place
    fault: FaultKind | None = None
    remedy: str = ""
    readings: int = Field(ge=0, description="good readings since the start")
    faults: int = Field(ge=0, description="failed readings since the start")


class DishPayload(_Measured):
    """`dish/<name>`. Only the state `ready` means: feed."""

    dish: str
    probe: str
    state: DishState
    ready: bool
    verdict: Verdict | None
    band: BandPayload
    why: str
    advice: str
    estimate: Estimate
    probability: float | None = Field(description="that the paste is in the band, 0 to 1")
    uptake_left_s: float | None
    age_s: float | None
    never: bool = Field(description="it will not get into the band on this course")
    ready_in_s: float | None
    ready_low_s: float | None
    ready_high_s: float | None
    open_for_s: float | None
    open_low_s: float | None
    open_high_s: float | None


class BrooderPayload(_Measured):
    """`brooder/<name>`."""

    brooder: str
    verdict: Verdict | None
    band: BandPayload
    pinned: bool
    stage: str
    heading: str
    leaves_band_in_s: float | None
    notes: list[str]


class AlarmPayload(StatePayload):
    """`alarm/<place>/<condition>`; states of IEC 62682."""

    place: str
    condition: Condition
    state: AlarmState
    active: bool = Field(description="the condition stands now, heard or not")
    priority: PriorityWord | None
    value: float | None
    unit: Literal["Cel"] = "Cel"
    since: str | None
    seen: str
    do_first: str
    shelved_left_s: float | None


class _Event(Payload):
    number: int = Field(ge=1, description="counts the events of a series; seen twice means sent twice")
    series: str = Field(description="a new one begins only when the outbox of the unit was lost")


class AlarmEvent(_Event):
    """One transition of one alarm."""

    kind: Literal["alarm"] = "alarm"
    place: str
    condition: Condition
    priority: PriorityWord
    state: AlarmState
    previous: AlarmState
    value: float | None
    unit: Literal["Cel"] = "Cel"
    origin: Origin
    seen: str
    do_first: str


class DishEvent(_Event):
    """A dish entered a state."""

    kind: Literal["dish"] = "dish"
    dish: str
    probe: str
    state: DishState
    previous: DishState
    estimate: Estimate
    unit: Literal["Cel"] = "Cel"
    why: str


class NoteEvent(_Event):
    """Something found from the readings of a probe."""

    kind: Literal["note"] = "note"
    probe: str
    what: Note
    fault: FaultKind | None
    gap_s: float | None
    detail: str


class ForecastEvent(_Event):
    """A brooder will leave its band unless something changes."""

    kind: Literal["forecast"] = "forecast"
    place: str
    condition: Condition
    in_s: float
    low_s: float
    high_s: float


class BandEvent(_Event):
    """A brooder is held to another band from now on."""

    kind: Literal["band"] = "band"
    place: str
    band: BandPayload
    pinned: bool


class BatchEvent(_Event):
    """A bowl of formula began."""

    kind: Literal["batch"] = "batch"
    dish: str
    origin: Origin


class GapEvent(_Event):
    """The daemon was off for a while."""

    kind: Literal["gap"] = "gap"
    gap_s: float | None
    before: dict[str, float]
    after: dict[str, float]


EventPayload: TypeAlias = Annotated[
    AlarmEvent | DishEvent | NoteEvent | ForecastEvent | BandEvent | BatchEvent | GapEvent, Field(discriminator="kind")
]


class AnswerPayload(Payload):
    """`done`: what became of one command."""

    request: str
    verb: str
    done: bool
    reason: str
