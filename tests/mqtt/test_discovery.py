"""What the hub is told: ids, topics, rights, and what goes away again. The hub's own schemas: test_discovery_hub.py."""

import json
import re
from dataclasses import replace

import pytest

from sensord.gate.command_gate import read_payload
from sensord.mqtt.discovery import Announcement, announce, component_marks, entities, gone_components
from sensord.watch.command_table import Giver, SetStage
from sensord.watch.conditions import Condition, alarms_of
from tests.mqtt.units import all_units

UNIT = next(unit for unit in all_units() if unit.probes and unit.brooders and unit.dishes and unit.stages)
SAFE = re.compile(r"[a-zA-Z0-9_-]+")


@pytest.mark.parametrize("unit", list(all_units()), ids=lambda unit: unit.topics.unit)
def test_ids_are_unique_and_made_of_what_the_hub_takes(unit: Announcement) -> None:
    found = entities(unit)
    assert len({entity.key for entity in found}) == len(found)
    assert all(SAFE.fullmatch(entity.key) for entity in found)
    for topic, payload in announce(unit):
        prefix, *levels, last = topic.split("/")
        assert (prefix, last) == ("homeassistant", "config")
        assert all(SAFE.fullmatch(level) for level in levels)
        json.loads(payload)


def test_whatever_is_measured_expires_so_that_it_never_looks_live() -> None:
    for entity in entities(UNIT):
        measured = entity.platform == "sensor" or entity.key.endswith(("_ready", "_answers"))
        assert entity.settings.get("expire_after") == (UNIT.expiry_seconds if measured else None), entity.key


def test_a_hub_is_told_of_every_alarm_that_the_places_can_have_and_of_no_other() -> None:
    """From the rows of the conditions; lists by hand had forgotten feed-overdue."""
    told = {entity.key: entity.settings for entity in entities(UNIT) if entity.key.startswith("alarm_")}
    possible = alarms_of(UNIT.brooders, UNIT.dishes)
    assert set(told) - {"alarm_event"} == {f"alarm_{place}_{condition}" for place, condition in possible}
    assert "alarm_unit_feed-overdue" in told
    aside = {key for key, settings in told.items() if settings.get("entity_category") == "diagnostic"}
    assert aside == {f"alarm_{place}_{each}" for place, each in possible if each.row.is_diagnostic}
    assert "alarm_unit_output-failed" in aside


def test_a_read_only_unit_offers_nothing_to_press() -> None:
    assert not {"command_topic"} & {key for e in entities(replace(UNIT, read_only=True)) for key in e.settings}
    assert {"button", "select"} <= {entity.platform for entity in entities(UNIT)}


def test_what_the_buttons_and_selects_send_is_a_command_that_the_parser_takes() -> None:
    pressed = 0
    for entity in entities(UNIT):
        if entity.platform == "button":
            verb = entity.settings["command_topic"].removeprefix(UNIT.topics.command(""))
            read_payload(verb, entity.settings["payload_press"].encode(), 0.0, Giver.BROKER)
            pressed += 1
        if entity.platform == "select":
            for option in entity.settings["options"]:
                payload = entity.settings["command_template"].replace("{{ value }}", option)
                command = read_payload("stage", payload.encode(), 0.0, Giver.BROKER)
                assert isinstance(command, SetStage)
                assert command.stage == option
    assert pressed >= 6


def test_both_forms_name_the_same_entities() -> None:
    by_device = json.loads(announce(replace(UNIT, form="device"))[0][1])["components"]
    by_entity = [json.loads(payload) for _, payload in announce(replace(UNIT, form="entity"))]
    assert sorted(c["unique_id"] for c in by_device.values()) == sorted(e["unique_id"] for e in by_entity)


def test_a_probe_that_left_the_config_is_taken_off_the_hub_and_may_come_back() -> None:
    unit = replace(UNIT, form="device", probes=("air", "floor"))
    marks = component_marks(unit)
    smaller = replace(unit, probes=("air",))
    gone = gone_components(smaller, marks)
    assert set(gone) == {f"probe_floor_{what}" for what in ("temperature", "answers", "fault", "faults")}
    components = json.loads(announce(smaller, gone)[0][1])["components"]
    assert components["probe_floor_temperature"] == {"platform": "sensor"}
    assert gone_components(unit, marks) == {}


def test_alarms_are_problems_for_every_place_and_condition() -> None:
    unit = replace(UNIT, alarms=frozenset({("brooder", Condition.TOO_COLD)}))
    (alarm,) = [entity for entity in entities(unit) if entity.settings.get("device_class") == "problem"]
    assert alarm.settings["state_topic"] == unit.topics.alarm("brooder", Condition.TOO_COLD)
