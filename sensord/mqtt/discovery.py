"""What a home automation hub is told about a unit, so that its entities appear without hand-written configuration.

Pure: from a description of the unit to retained messages. Two forms, chosen in the config: one payload for the whole
device (hubs of late 2024 and newer), or one per entity (older ones). Ids are made of base, unit and role only, never of
a ROM id: a probe that is replaced stays the same entity. Values expire, so that an old one never looks live.
"""

import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

from sensord.mqtt.topics import Topics
from sensord.readings import FaultKind
from sensord.watch.conditions import Condition
from sensord.watch.effects import AlarmState, DishState, Verdict

__all__ = ["Announcement", "Entity", "announce", "component_marks", "entities", "gone_components"]

FRESH_SECONDS = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Announcement:
    """The unit as the hub is told of it. `stages` are those of each brooder that has any; names as in the config."""

    topics: Topics
    prefix: str = "homeassistant"
    form: Literal["device", "entity"] = "device"
    version: str = ""
    read_only: bool = False
    probes: tuple[str, ...] = ()
    dishes: tuple[str, ...] = ()
    brooders: tuple[str, ...] = ()
    stages: Mapping[str, tuple[str, ...]] | None = None
    alarms: frozenset[tuple[str, Condition]] = frozenset()
    expiry_seconds: int = 60

    @property
    def device_id(self) -> str:
        return re.sub(r"[^A-Za-z0-9_-]", "-", f"{self.topics.base}_{self.topics.unit}")

    @property
    def device_topic(self) -> str:
        return f"{self.prefix}/device/{self.device_id}/config"


class Entity(NamedTuple):
    """One entity: the hub's platform, an id that is unique in the unit, and its settings."""

    platform: str
    key: str
    settings: dict[str, Any]


def announce(unit: Announcement, gone: Mapping[str, str] | None = None) -> list[tuple[str, bytes]]:
    """The retained messages, topic and payload. `gone` are components (key to platform) that the hub should drop."""
    found = entities(unit)
    device = {
        "identifiers": [unit.device_id],
        "name": unit.topics.unit,
        "model": "brooder and formula dish watch",
        "sw_version": unit.version or "unknown",
    }
    origin = {"name": "sensord", "sw_version": unit.version or "unknown"}
    availability = [{"topic": unit.topics.status}]
    if unit.form == "entity":
        return [
            (
                f"{unit.prefix}/{entity.platform}/{unit.device_id}/{entity.key}/config",
                _encoded(
                    {
                        **entity.settings,
                        "unique_id": f"{unit.device_id}_{entity.key}",
                        "availability": availability,
                        "device": device,
                        "origin": origin,
                    }
                ),
            )
            for entity in found
        ]
    components: dict[str, dict[str, Any]] = {
        # A component with nothing but its platform is one that the hub removes. It stays in the retained payload:
        # a hub that was off when the probe left the config learns of it later.
        key: {"platform": platform}
        for key, platform in (gone or {}).items()
    }
    for entity in found:
        unique = {"unique_id": f"{unit.device_id}_{entity.key}"}
        components[entity.key] = {"platform": entity.platform, **entity.settings, **unique}
    payload = {"device": device, "origin": origin, "availability": availability, "components": components}
    return [(unit.device_topic, _encoded(payload))]


def component_marks(unit: Announcement) -> list[str]:
    """What to remember, so that `gone_components` can tell later: no topic, since `#` never is part of one."""
    if unit.form == "entity":
        return []
    return [f"{unit.device_topic}#{entity.platform}#{entity.key}" for entity in entities(unit)]


def gone_components(unit: Announcement, marks: Iterable[str]) -> dict[str, str]:
    """From the marks of earlier lives: components, key to platform, that this unit does not have any more."""
    now = {entity.key for entity in entities(unit)}
    head = f"{unit.device_topic}#"
    found = (mark.removeprefix(head).split("#") for mark in sorted(marks) if mark.startswith(head))
    return {key: platform for platform, key in found if key not in now}


def entities(unit: Announcement) -> list[Entity]:
    """Every entity of the unit."""
    found: list[Entity] = []
    for name in unit.probes:
        found += _probe(unit, name)
    for name in unit.brooders:
        found += _brooder(unit, name)
    for name in unit.dishes:
        found += _dish(unit, name)
    found += [_alarm(unit, place, condition) for place, condition in sorted(unit.alarms)]
    found.append(_alarm_event(unit))
    if not unit.read_only:
        found += _controls(unit)
    return found


def _probe(unit: Announcement, name: str) -> list[Entity]:
    topic = {"state_topic": unit.topics.probe(name)}
    expiry = {"expire_after": unit.expiry_seconds}
    return [
        Entity(
            "sensor",
            f"probe_{name}_temperature",
            {
                "name": f"Probe {name}",
                **topic,
                **_TEMPERATURE,
                "value_template": "{{ value_json.value }}",
                **_attributes(topic["state_topic"], "quality", "expanded_uncertainty", "k", "fault", "remedy"),
                **expiry,
            },
        ),
        Entity(
            "binary_sensor",
            f"probe_{name}_answers",
            {
                "name": f"Probe {name} answers",
                **topic,
                "device_class": "connectivity",
                "value_template": _on_off("value_json.quality == 'good'"),
                "entity_category": "diagnostic",
                **expiry,
            },
        ),
        Entity(
            "sensor",
            f"probe_{name}_fault",
            {
                "name": f"Probe {name} fault",
                **topic,
                **_enum(unit, ["none", *FaultKind]),
                "value_template": "{{ value_json.fault or 'none' }}",
                "entity_category": "diagnostic",
                **expiry,
            },
        ),
        Entity(
            "sensor",
            f"probe_{name}_faults",
            {
                "name": f"Probe {name} failed readings",
                **topic,
                "state_class": "total_increasing",
                "value_template": "{{ value_json.faults }}",
                "entity_category": "diagnostic",
                **expiry,
            },
        ),
    ]


def _brooder(unit: Announcement, name: str) -> list[Entity]:
    topic = {"state_topic": unit.topics.brooder(name)}
    expiry = {"expire_after": unit.expiry_seconds}
    return [
        Entity(
            "sensor",
            f"brooder_{name}_temperature",
            {
                "name": f"Brooder {name}",
                **topic,
                **_TEMPERATURE,
                "value_template": "{{ value_json.value }}",
                **_attributes(topic["state_topic"], "expanded_uncertainty", "k", "band", "pinned", "stage", "notes"),
                **expiry,
            },
        ),
        Entity(
            "sensor",
            f"brooder_{name}_verdict",
            {
                "name": f"Brooder {name} verdict",
                **topic,
                **_enum(unit, Verdict),
                "value_template": "{{ value_json.verdict }}",
                **expiry,
            },
        ),
    ]


def _dish(unit: Announcement, name: str) -> list[Entity]:
    topic = {"state_topic": unit.topics.dish(name)}
    expiry = {"expire_after": unit.expiry_seconds}
    this = f"value_json.kind == 'dish' and value_json.dish == '{name}'"
    told = "'why': value_json.why, 'celsius': value_json.estimate.value"
    # Events are never lost, so one may come hours late, after an outage: an old `ready` must not call anybody.
    fresh = f"(as_timestamp(now()) - as_timestamp(value_json.time, 0)) | abs < {FRESH_SECONDS}"
    seconds = {"device_class": "duration", "unit_of_measurement": "s"}
    return [
        Entity(
            "sensor",
            f"dish_{name}_state",
            {
                "name": f"Dish {name}",
                **topic,
                **_enum(unit, DishState),
                "value_template": "{{ value_json.state }}",
                **_attributes(topic["state_topic"], "why", "advice", "verdict", "band", "probability", "never"),
                **expiry,
            },
        ),
        Entity(
            "binary_sensor",
            f"dish_{name}_ready",
            {"name": f"Dish {name} ready", **topic, "value_template": _on_off("value_json.ready"), **expiry},
        ),
        Entity(
            "event",
            f"dish_{name}_ready_event",
            {
                "name": f"Dish {name} becomes ready",
                "state_topic": unit.topics.event,
                "event_types": ["ready", "not-ready"],
                "value_template": (
                    f"{{% if {this} and value_json.state == 'ready' and {fresh} %}}"
                    f"{{{{ {{'event_type': 'ready', {told}}} | tojson }}}}"
                    f"{{% elif {this} and value_json.previous == 'ready' %}}"
                    f"{{{{ {{'event_type': 'not-ready', {told}}} | tojson }}}}"
                    "{% endif %}"
                ),
            },
        ),
        Entity(
            "sensor",
            f"dish_{name}_temperature",
            {
                "name": f"Dish {name} paste (estimate)",
                **topic,
                **_TEMPERATURE,
                "value_template": "{{ value_json.estimate.value }}",
                **expiry,
            },
        ),
        Entity(
            "sensor",
            f"dish_{name}_ready_in",
            {
                "name": f"Dish {name} ready in",
                **topic,
                **seconds,
                "value_template": "{{ value_json.ready_in_s }}",
                **expiry,
            },
        ),
        Entity(
            "sensor",
            f"dish_{name}_open_for",
            {
                "name": f"Dish {name} open for",
                **topic,
                **seconds,
                "value_template": "{{ value_json.open_for_s }}",
                **expiry,
            },
        ),
    ]


def _alarm(unit: Announcement, place: str, condition: Condition) -> Entity:
    topic = unit.topics.alarm(place, condition)
    return Entity(
        "binary_sensor",
        f"alarm_{place}_{condition.value}",
        {
            "name": f"{place} {condition.value.replace('-', ' ')}",
            "state_topic": topic,
            "device_class": "problem",
            "value_template": _on_off("value_json.active"),
            **_attributes(topic, "state", "priority", "seen", "do_first", "since"),
            **({"entity_category": "diagnostic"} if condition.row.is_diagnostic else {}),
        },
    )


def _alarm_event(unit: Announcement) -> Entity:
    told = ", ".join(
        f"'{field}': value_json.{field}" for field in ("place", "condition", "priority", "seen", "do_first")
    )
    return Entity(
        "event",
        "alarm_event",
        {
            "name": "Alarm changes",
            "state_topic": unit.topics.event,
            "event_types": [state.value for state in AlarmState],
            "value_template": (
                "{% if value_json.kind == 'alarm' %}"
                f"{{{{ {{'event_type': value_json.state, {told}}} | tojson }}}}"
                "{% endif %}"
            ),
        },
    )


def _controls(unit: Announcement) -> list[Entity]:
    found = [
        _button(unit, "acknowledge_all", "Acknowledge all alarms", "acknowledge", "PRESS"),
        _button(unit, "pause", "Pause the sound", "pause", "PRESS"),
    ]
    for name in unit.brooders:
        found += [
            _button(unit, f"brooder_{name}_acknowledge", f"Acknowledge brooder {name}", "acknowledge", name),
            _button(unit, f"brooder_{name}_shelve", f"Shelve brooder {name} (lid open)", "shelve", name),
            _button(unit, f"brooder_{name}_unshelve", f"Unshelve brooder {name}", "unshelve", name),
        ]
        stages = (unit.stages or {}).get(name, ())
        if stages:
            found.append(_stage(unit, name, stages))
    for name in unit.dishes:
        found.append(_button(unit, f"dish_{name}_batch", f"Batch started in dish {name}", "batch", name))
    return found


def _button(unit: Announcement, key: str, name: str, verb: str, payload: str) -> Entity:
    topic = unit.topics.command(verb)
    return Entity("button", key, {"name": name, "command_topic": topic, "payload_press": payload})


def _stage(unit: Announcement, brooder: str, stages: tuple[str, ...]) -> Entity:
    return Entity(
        "select",
        f"brooder_{brooder}_stage",
        {
            "name": f"Stage in brooder {brooder}",
            "state_topic": unit.topics.brooder(brooder),
            "value_template": f"{{{{ value_json.stage if value_json.stage in {json.dumps(stages)} else None }}}}",
            "command_topic": unit.topics.command("stage"),
            "command_template": f"{brooder}/{{{{ value }}}}",
            "options": list(stages),
            "entity_category": "config",
        },
    )


_TEMPERATURE = {
    "device_class": "temperature",
    "state_class": "measurement",
    "unit_of_measurement": "°C",
    "suggested_display_precision": 1,
}


def _enum(unit: Announcement, words: Iterable[str]) -> dict[str, Any]:
    """The words that a sensor can have; hubs that need the older form do not know the key."""
    if unit.form == "entity":
        return {}
    return {"device_class": "enum", "options": [str(word) for word in words]}


def _on_off(condition: str) -> str:
    return f"{{{{ 'ON' if {condition} else 'OFF' }}}}"


def _attributes(topic: str, *fields: str) -> dict[str, str]:
    """Some fields of a payload as attributes: not times and counters, which would fill a hub's history."""
    chosen = ", ".join(f"'{field}': value_json.{field}" for field in fields)
    return {"json_attributes_topic": topic, "json_attributes_template": f"{{{{ {{{chosen}}} | tojson }}}}"}


def _encoded(payload: dict[str, Any]) -> bytes:
    return json.dumps(payload, ensure_ascii=False, separators=(",", ":")).encode()
