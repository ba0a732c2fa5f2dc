"""The MQTT contract as one JSON Schema document, made from the models that are really sent and read."""

from typing import Any

from pydantic import BaseModel, TypeAdapter
from pydantic.json_schema import JsonSchemaMode, models_json_schema

from sensord.gate.command_reader import model_of
from sensord.mqtt import payloads
from sensord.watch.command_table import Giver, verbs_for

__all__ = ["schema"]

_STATES: dict[str, type[BaseModel]] = {
    "probe/<name>": payloads.ProbePayload,
    "dish/<name>": payloads.DishPayload,
    "brooder/<name>": payloads.BrooderPayload,
    "alarm/<place>/<condition>": payloads.AlarmPayload,
    "done": payloads.AnswerPayload,
}


def schema() -> dict[str, Any]:
    """JSON Schema 2020-12: `$defs` has the models, `topics` says which one is sent below `<base>/<unit>/`."""
    reading: JsonSchemaMode = "validation"
    sending: JsonSchemaMode = "serialization"
    commands = [model_of(verb) for verb in verbs_for(Giver.BROKER)]
    events = TypeAdapter(payloads.EventPayload).json_schema(mode=sending)
    references, models = models_json_schema(
        [*((model, sending) for model in _STATES.values()), *((model, reading) for model in dict.fromkeys(commands))]
    )
    definitions = {**models["$defs"], **events.pop("$defs")}
    topics: dict[str, Any] = {"status": {"enum": ["online", "offline"]}, "event": events}
    topics |= {topic: references[model, sending] for topic, model in _STATES.items()}
    topics |= {f"do/{verb}": references[model_of(verb), reading] for verb in verbs_for(Giver.BROKER)}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"sensord over MQTT, payload version {payloads.VERSION}",
        "topics": dict(sorted(topics.items())),
        "$defs": dict(sorted(definitions.items())),
    }
