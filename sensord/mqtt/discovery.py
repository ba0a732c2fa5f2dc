"""What a home automation hub is told about a unit, so that its entities appear without hand-written configuration.

Pure: from a description of the unit to retained messages. Two forms, chosen in the config: one payload for the whole
device (hubs of late 2024 and newer), or one per entity (older ones). Ids are made of base, unit and role only, never of
a ROM id: a probe that is replaced stays the same entity. Values expire, so that an old one never looks live.
"""

import json
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

from sensord.mqtt.messages import Topics
from sensord.physics.conformity import Verdict
from sensord.readings import FaultKind
from sensord.watch.conditions import Condition
from sensord.watch.effects import AlarmState, DishState

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
    common = {
        "device": {
            "identifiers": [unit.device_id],
            "name": unit.topics.unit,
            "model": "brooder and formula dish watch",
            "sw_version": unit.version or "unknown",
        },
        "origin": {"name": "sensord", "sw_version": unit.version or "unknown"},
        "availability": [{"topic": unit.topics.status}],
    }
    found = [(one, {**one.settings, "unique_id": f"{unit.device_id}_{one.key}"}) for one in entities(unit)]
    if unit.form == "entity":
        return [
            (f"{unit.prefix}/{one.platform}/{unit.device_id}/{one.key}/config", _encoded({**settings, **common}))
            for one, settings in found
        ]
    # A component with nothing but its platform is one that the hub removes. It stays in the retained payload: a hub
    # that was off when the probe left the config learns of it later.
    components: dict[str, dict[str, Any]] = {key: {"platform": platform} for key, platform in (gone or {}).items()}
    components |= {one.key: {"platform": one.platform, **settings} for one, settings in found}
    return [(unit.device_topic, _encoded({**common, "components": components}))]


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
    places = [("probe", name, unit.topics.probe(name)) for name in unit.probes]
    places += [("brooder", name, unit.topics.brooder(name)) for name in unit.brooders]
    places += [("dish", name, unit.topics.dish(name)) for name in unit.dishes]
    found = [_showing(unit, kind, name, topic, shown) for kind, name, topic in places for shown in _SHOWN[kind]]
    found += [_becomes_ready(unit, name) for name in unit.dishes]
    found += [_alarm(unit, place, condition) for place, condition in sorted(unit.alarms)]
    found.append(_alarm_event(unit))
    if not unit.read_only:
        found += _controls(unit)
    return found


class _Shown(NamedTuple):
    """What one entity shows of the payloads of a probe or place: its value, as the hub's templates say it.

    `words` are all that the value can be, where that is a word; `told` are the fields that go with it as attributes.
    """

    key: str
    name: str
    value: str
    settings: Mapping[str, Any] = {}
    words: Iterable[str] = ()
    told: str = ""
    platform: str = "sensor"


def _on_off(condition: str) -> str:
    return f"'ON' if {condition} else 'OFF'"


_TEMPERATURE: dict[str, Any] = {
    "device_class": "temperature",
    "state_class": "measurement",
    "unit_of_measurement": "°C",
    "suggested_display_precision": 1,
}
_SECONDS = {"device_class": "duration", "unit_of_measurement": "s"}
_ASIDE = {"entity_category": "diagnostic"}
_LINK = {"device_class": "connectivity", **_ASIDE}
_COUNT = {"state_class": "total_increasing", **_ASIDE}

_SHOWN = {
    "probe": (
        _Shown("temperature", "", "value_json.value", _TEMPERATURE, told="quality expanded_uncertainty k fault remedy"),
        _Shown("answers", "answers", _on_off("value_json.quality == 'good'"), _LINK, platform="binary_sensor"),
        _Shown("fault", "fault", "value_json.fault or 'none'", _ASIDE, words=("none", *FaultKind)),
        _Shown("faults", "failed readings", "value_json.faults", _COUNT),
    ),
    "brooder": (
        _Shown(
            "temperature", "", "value_json.value", _TEMPERATURE, told="expanded_uncertainty k band pinned stage notes"
        ),
        _Shown("verdict", "verdict", "value_json.verdict", words=Verdict),
    ),
    "dish": (
        _Shown("state", "", "value_json.state", words=DishState, told="why advice verdict band probability never"),
        _Shown("ready", "ready", _on_off("value_json.ready"), platform="binary_sensor"),
        _Shown("temperature", "paste (estimate)", "value_json.estimate.value", _TEMPERATURE),
        _Shown("ready_in", "ready in", "value_json.ready_in_s", _SECONDS),
        _Shown("open_for", "open for", "value_json.open_for_s", _SECONDS),
    ),
}


def _showing(unit: Announcement, kind: str, name: str, topic: str, shown: _Shown) -> Entity:
    """The entity of one place, live for as long as the payloads on `topic` are fresh."""
    settings: dict[str, Any] = {
        "name": f"{kind.capitalize()} {name} {shown.name}".rstrip(),
        "state_topic": topic,
        "value_template": f"{{{{ {shown.value} }}}}",
    }
    if shown.words and unit.form == "device":  # hubs that need the older form do not know the keys
        settings |= {"device_class": "enum", "options": [str(word) for word in shown.words]}
    settings |= shown.settings
    if shown.told:
        settings |= _attributes(topic, shown.told)
    return Entity(shown.platform, f"{kind}_{name}_{shown.key}", {**settings, "expire_after": unit.expiry_seconds})


def _becomes_ready(unit: Announcement, dish: str) -> Entity:
    this = f"value_json.kind == 'dish' and value_json.dish == '{dish}'"
    told = "'why': value_json.why, 'celsius': value_json.estimate.value"
    # Events are never lost, so one may come hours late, after an outage: an old `ready` must not call anybody.
    fresh = f"(as_timestamp(now()) - as_timestamp(value_json.time, 0)) | abs < {FRESH_SECONDS}"
    template = (
        f"{{% if {this} and value_json.state == 'ready' and {fresh} %}}"
        f"{{{{ {{'event_type': 'ready', {told}}} | tojson }}}}"
        f"{{% elif {this} and value_json.previous == 'ready' %}}"
        f"{{{{ {{'event_type': 'not-ready', {told}}} | tojson }}}}"
        "{% endif %}"
    )
    return _event(unit, f"dish_{dish}_ready_event", f"Dish {dish} becomes ready", ["ready", "not-ready"], template)


def _alarm(unit: Announcement, place: str, condition: Condition) -> Entity:
    topic = unit.topics.alarm(place, condition)
    settings = {
        "name": f"{place} {condition.value.replace('-', ' ')}",
        "state_topic": topic,
        "device_class": "problem",
        "value_template": f"{{{{ {_on_off('value_json.active')} }}}}",
        **_attributes(topic, "state priority seen do_first since"),
        **(_ASIDE if condition.row.is_diagnostic else {}),
    }
    return Entity("binary_sensor", f"alarm_{place}_{condition.value}", settings)


def _alarm_event(unit: Announcement) -> Entity:
    told = _copied("place condition priority seen do_first")
    changed = f"{{{{ {{'event_type': value_json.state, {told}}} | tojson }}}}"
    template = f"{{% if value_json.kind == 'alarm' %}}{changed}{{% endif %}}"
    return _event(unit, "alarm_event", "Alarm changes", [state.value for state in AlarmState], template)


def _event(unit: Announcement, key: str, name: str, types: list[str], template: str) -> Entity:
    settings = {"name": name, "state_topic": unit.topics.event, "event_types": types, "value_template": template}
    return Entity("event", key, settings)


def _controls(unit: Announcement) -> Iterator[Entity]:
    """Buttons and selects: each sends the bare payload of a command."""

    def button(key: str, name: str, verb: str, payload: str = "PRESS") -> Entity:
        topic = unit.topics.command(verb)
        return Entity("button", key, {"name": name, "command_topic": topic, "payload_press": payload})

    yield button("acknowledge_all", "Acknowledge all alarms", "acknowledge")
    yield button("pause", "Pause the sound", "pause")
    for name in unit.brooders:
        yield button(f"brooder_{name}_acknowledge", f"Acknowledge brooder {name}", "acknowledge", name)
        yield button(f"brooder_{name}_shelve", f"Shelve brooder {name} (lid open)", "shelve", name)
        yield button(f"brooder_{name}_unshelve", f"Unshelve brooder {name}", "unshelve", name)
        if stages := (unit.stages or {}).get(name, ()):
            yield _stage(unit, name, stages)
    for name in unit.dishes:
        yield button(f"dish_{name}_batch", f"Batch started in dish {name}", "batch", name)


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


def _attributes(topic: str, fields: str) -> dict[str, str]:
    """Some fields of a payload as attributes: not times and counters, which would fill a hub's history."""
    template = f"{{{{ {{{_copied(fields)}}} | tojson }}}}"
    return {"json_attributes_topic": topic, "json_attributes_template": template}


def _copied(fields: str) -> str:
    return ", ".join(f"'{field}': value_json.{field}" for field in fields.split())


def _encoded(payload: dict[str, Any]) -> bytes:
    return json.dumps(payload, ensure_ascii=False, separators=(",", ":")).encode()
