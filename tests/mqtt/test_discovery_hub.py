"""Every discovery payload against the hub's own schemas, in an environment of the hub's own (tests/hub/run)."""

import json
import os
import subprocess
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from sensord.clock import SystemClock
from sensord.mqtt.discovery import Announcement, announce, entities
from sensord.mqtt.messages import Timing, Transition, event_of, states_of
from sensord.readings import FaultKind, Interval
from sensord.watch.conditions import Condition
from sensord.watch.effects import DishChanged, DishState
from sensord.watch.views import Snapshot
from tests.mqtt.units import all_units
from tests.mqtt.world import TOPICS, alarm_changed, alarm_view, snapshot

HUB = Path(__file__).parent.parent / "hub"
HUB_PYTHON = os.environ.get("SENSORD_HUB_PYTHON")

pytestmark = pytest.mark.skipif(HUB_PYTHON is None, reason="needs the hub's package: tests/hub/run")


def checked(payloads: Path) -> subprocess.CompletedProcess[str]:
    assert HUB_PYTHON is not None
    return subprocess.run(
        [HUB_PYTHON, HUB / "validate_discovery.py", payloads], capture_output=True, text=True, timeout=600, check=False
    )


def rendered(asked: Sequence[tuple[str, str]]) -> list[str]:
    assert HUB_PYTHON is not None
    done = subprocess.run(
        [HUB_PYTHON, HUB / "render.py"], input=json.dumps(asked), capture_output=True, text=True, timeout=60, check=True
    )
    results: list[str] = json.loads(done.stdout)
    return results


def test_the_templates_make_of_our_payloads_what_the_entities_need() -> None:
    unit = Announcement(
        topics=TOPICS,
        probes=("air",),
        dishes=("dish",),
        brooders=("brooder",),
        stages={"brooder": ("hatchling",)},
        alarms=frozenset({("brooder", Condition.TOO_COLD)}),
    )
    timing = Timing(1.0, SystemClock().utc_seconds(), True)
    long_ago = Timing(1.0, timing.utc_seconds - 600, True)

    def states(seen: Snapshot) -> dict[str, str]:
        told = states_of(seen, TOPICS, timing, unit.alarms, 10.0)
        return {state.topic: state.payload(sequence=1).encoded().decode() for state in told}

    good = states(snapshot(dish=DishState.READY))
    bad = states(snapshot(celsius=None, fault=FaultKind.CRC_ERROR, alarms=(alarm_view(),)))
    ready = DishChanged(
        seconds=1.0,
        dish="dish",
        probe="paste",
        state=DishState.READY,
        previous=DishState.HOT,
        estimate_celsius=Interval(37.1, 36.9, 37.3),
        why="in the band",
    )
    effects: dict[str, Transition] = {
        "ready": ready,
        "ended": replace(ready, state=DishState.COOL, previous=DishState.READY),
        "other": replace(ready, dish="other"),
        "alarm": alarm_changed(1.0),
    }
    events = {name: event_of(effect, timing, 1, "s").encoded().decode() for name, effect in effects.items()}
    by_key = {entity.key: entity.settings for entity in entities(unit)}

    def of(key: str, payloads: dict[str, str]) -> tuple[str, str]:
        settings = by_key[key]
        return settings["value_template"], payloads[settings["state_topic"]]

    expected = [
        (of("probe_air_temperature", good), "34.5"),
        (of("probe_air_temperature", bad), "None"),  # the hub's word for an unknown value
        (of("probe_air_answers", good), "ON"),
        (of("probe_air_answers", bad), "OFF"),
        (of("probe_air_fault", good), "none"),
        (of("probe_air_fault", bad), "crc_error"),
        (of("brooder_brooder_temperature", bad), "None"),
        (of("brooder_brooder_stage", good), "None"),
        (of("dish_dish_ready", good), "ON"),
        (of("dish_dish_ready", bad), "OFF"),
        (of("dish_dish_state", good), "ready"),
        (of("dish_dish_ready_in", good), "None"),
        (of("alarm_brooder_too-cold", good), "OFF"),
        (of("alarm_brooder_too-cold", bad), "ON"),
        ((by_key["alarm_event"]["value_template"], events["ready"]), ""),
        ((by_key["dish_dish_ready_event"]["value_template"], events["other"]), ""),
        ((by_key["dish_dish_ready_event"]["value_template"], event_of(ready, long_ago, 1, "s").encoded().decode()), ""),
        ((by_key["dish_dish_ready_event"]["value_template"], events["alarm"]), ""),
    ]
    assert rendered([asked for asked, _ in expected]) == [answer for _, answer in expected]
    told = rendered(
        [
            (by_key["dish_dish_ready_event"]["value_template"], events["ready"]),
            (by_key["dish_dish_ready_event"]["value_template"], events["ended"]),
            (by_key["alarm_event"]["value_template"], events["alarm"]),
            (
                by_key["alarm_brooder_too-cold"]["json_attributes_template"],
                bad[TOPICS.alarm("brooder", Condition.TOO_COLD)],
            ),
        ]
    )
    types = [json.loads(text).get("event_type") for text in told]
    assert types == ["ready", "not-ready", "unacknowledged", None]
    assert json.loads(told[3])["state"] == "unacknowledged"


def test_the_check_itself_refuses_what_is_wrong() -> None:
    told = checked(HUB / "bad.json")
    assert told.returncode == 1
    assert "13 rejected" in told.stdout


def test_nothing_is_refused_and_nothing_warned_of_whatever_the_config(tmp_path: Path) -> None:
    payloads: dict[str, str] = {}
    for unit in all_units():
        gone = {"probe_gone_temperature": "sensor", "gone_button": "button"} if unit.form == "device" else None
        payloads |= {topic: payload.decode() for topic, payload in announce(unit, gone)}
    path = tmp_path / "payloads.json"
    path.write_text(json.dumps(payloads))
    told = checked(path)
    lines = told.stdout.splitlines()
    if "knows no device discovery" in told.stdout:
        # This hub is older than the per-device form: only the other form can be put through its schemas.
        lines = [line for line in lines if "/device/" not in line]
    remarks = [line for line in lines if line.startswith(("FAIL", "WARN"))]
    assert remarks == []
    assert told.returncode == 0, told.stderr
    accepted = sum(line.startswith("ok ") for line in lines)
    print(f"{lines[-1]}; {accepted} entities accepted, {len(remarks)} remarks")
    assert accepted > 3000
