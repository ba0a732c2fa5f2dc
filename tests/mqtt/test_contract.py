"""The written contract is the one that is sent: schema file, manual, and what really goes over the wire."""

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.mqtt.messages import Timing, Transition, event_of, states_of
from sensord.mqtt.payloads import (
    AlarmPayload,
    AnswerPayload,
    BrooderPayload,
    DishPayload,
    ProbePayload,
    mqtt_schema,
    view_of,
)
from sensord.physics.conformity import Verdict
from sensord.physics.outlook import Outlook
from sensord.readings import Band, FaultKind, Interval
from sensord.watch.command_table import Giver, verbs_for
from sensord.watch.conditions import Condition, alarms_of
from sensord.watch.effects import BandMoved, BatchStarted, DishChanged, DishState, Forecast, GapFound, Note, Noted
from sensord.watch.events import Origin
from sensord.watch.views import AlarmView, BrooderView, DishView, ProbeView
from tests.mqtt.world import TOPICS, alarm_changed, alarm_view, snapshot

ROOT = Path(__file__).parents[2]
MANUAL = ROOT / "docs" / "mqtt.md"
DOCUMENT = mqtt_schema()
TIMING = Timing(100.0, 1_800_000_000.0, True)
EFFECTS: list[Transition] = [
    alarm_changed(1.0),
    DishChanged(
        seconds=1.0,
        dish="dish",
        probe="paste",
        state=DishState.READY,
        previous=DishState.HOT,
        estimate_celsius=Interval(37.1, 36.9, 37.3),
        why="in the band",
    ),
    Noted(seconds=1.0, probe="paste", what=Note.PROBE_FAULT, fault=FaultKind.CRC_ERROR),
    Forecast(
        seconds=1.0,
        place="brooder",
        condition=Condition.LOSING_HEAT,
        in_seconds=Interval(900.0, 600.0, 1500.0),
    ),
    BandMoved(seconds=1.0, place="brooder", band=Band(33.0, 35.0), band_source="a profile", pinned=False),
    BatchStarted(1.0, "dish", Origin.BUTTON),
    GapFound(1.0, None, {"air": 34.0}, {"air": 30.5}),
]


def checked(topic: str, payload: Any) -> None:
    schema = {**DOCUMENT["topics"][topic], "$defs": DOCUMENT["$defs"]}
    jsonschema.Draft202012Validator(schema).validate(payload)


def test_the_schema_is_one() -> None:
    jsonschema.Draft202012Validator.check_schema({"$defs": DOCUMENT["$defs"], "anyOf": [*DOCUMENT["topics"].values()]})


def test_the_schema_file_is_the_one_that_the_models_make() -> None:
    written = json.loads((ROOT / "docs" / "mqtt-schema.json").read_text())
    assert written == DOCUMENT, "run `sensord mqtt schema > docs/mqtt-schema.json`"


@pytest.mark.parametrize("effect", EFFECTS, ids=lambda effect: type(effect).__name__)
def test_every_event_fits_the_schema(effect: Transition) -> None:
    payload = json.loads(event_of(effect, TIMING, 7, "0a1b2c3d").encoded())
    checked("event", payload)
    assert (payload["number"], payload["series"]) == (7, "0a1b2c3d")
    assert payload["time"] == "2027-01-15T07:58:21.000Z"  # 99 s before 1800000000 s after the epoch


def test_every_state_fits_the_schema() -> None:
    alarms = alarms_of(["brooder"], ["dish"])
    for seen in (
        snapshot(alarms=(alarm_view(),), dish=DishState.READY),
        snapshot(celsius=None, fault=FaultKind.LATE),
        snapshot(celsius=float("nan")),
    ):
        states = states_of(seen, TOPICS, TIMING, alarms, 10.0)
        assert len(states) == 3 + 1 + 1 + len(alarms)
        for state in states:
            kind = state.topic.removeprefix(f"{TOPICS.root}/").split("/")[0]
            pattern = "alarm/<place>/<condition>" if kind == "alarm" else f"{kind}/<name>"
            checked(pattern, json.loads(state.payload(sequence=1).encoded()))


def test_an_answer_fits_the_schema() -> None:
    payload = AnswerPayload(
        time=TIMING.utc(0.0), clock_trusted=False, request="", verb="batch", done=False, reason="no such dish"
    )
    checked("done", json.loads(payload.encoded()))


def test_the_schema_can_say_no() -> None:
    payload = json.loads(event_of(EFFECTS[0], TIMING, 7, "0a1b2c3d").encoded())
    for change in ({"number": 0}, {"kind": "rumour"}, {"time": "2027-01-15 07:58"}):
        with pytest.raises(jsonschema.ValidationError):
            checked("event", {**payload, **change})


def examples() -> list[tuple[str, Any]]:
    """Fenced JSON of the manual with the topic that the line before it names."""
    found = re.findall(r"`sensord/nursery/([^`]+)`[^\n]*\n+```json\n(.*?)```", MANUAL.read_text(), re.DOTALL)
    return [(topic, json.loads(text)) for topic, text in found]


@pytest.mark.parametrize(("topic", "payload"), examples(), ids=lambda value: value if isinstance(value, str) else "")
def test_every_example_in_the_manual_fits_the_schema(topic: str, payload: Any) -> None:
    first, *rest = topic.split("/")
    pattern = {"alarm": "alarm/<place>/<condition>", "do": topic}.get(first, f"{first}/<name>" if rest else first)
    checked(pattern, payload)


def test_the_manual_shows_every_topic_and_verb() -> None:
    assert {topic.split("/")[0] for topic, _ in examples()} >= {
        "probe",
        "dish",
        "brooder",
        "alarm",
        "event",
        "do",
        "done",
    }
    text = MANUAL.read_text()
    assert [verb for verb in verbs_for(Giver.BROKER) if f"`{verb}`" not in text] == []


TENTHS = st.integers(-400, 1200).map(lambda n: n / 10)
SECONDS = st.integers(0, 72_000).map(lambda n: n / 10)
INTERVALS = st.tuples(TENTHS, TENTHS, TENTHS).map(lambda ends: Interval(sorted(ends)[1], min(ends), max(ends)))
WORDS = st.text(st.characters(categories=["L", "N", "P"]), max_size=12)
BANDS = st.integers(-400, 1200).map(lambda n: Band(n / 10, (n + 20) / 10))
DISHES = st.builds(
    DishView,
    name=WORDS,
    probe=WORDS,
    state=st.sampled_from(DishState),
    verdict=st.none() | st.sampled_from(Verdict),
    band=BANDS,
    band_source=WORDS,
    why=WORDS,
    advice=WORDS,
    reading_celsius=TENTHS,
    uncertainty_celsius=TENTHS,
    estimate_celsius=st.none() | INTERVALS,
    probability=st.none() | TENTHS,
    uptake_left_seconds=st.none() | SECONDS,
    age_seconds=st.none() | SECONDS,
    outlook=st.builds(Outlook, st.none() | INTERVALS, st.none() | INTERVALS, st.booleans()),
)
BROODERS = st.builds(
    BrooderView,
    name=WORDS,
    band=BANDS,
    band_source=WORDS,
    pinned=st.booleans(),
    celsius=st.none() | TENTHS,
    verdict=st.none() | st.sampled_from(Verdict),
    stage=WORDS,
    heading=WORDS,
    leaves_band_in_seconds=st.none() | SECONDS,
    notes=st.lists(WORDS, max_size=3).map(tuple),
)
HEAD = {**TIMING.head(1.0), "sequence": 1, "quality": "good"}


@given(DISHES)
def test_a_dish_comes_back_from_its_message_as_it_was(view: DishView) -> None:
    sent = DishPayload.of(view, **HEAD, expanded_uncertainty=view.uncertainty_celsius).encoded()
    heard = DishPayload.model_validate_json(sent)
    assert view_of(heard, DishView, uncertainty_celsius=heard.expanded_uncertainty) == view


@given(BROODERS)
def test_a_brooder_comes_back_from_its_message_as_it_was(view: BrooderView) -> None:
    sent = BrooderPayload.of(view, **HEAD, expanded_uncertainty=0.5).encoded()
    assert view_of(BrooderPayload.model_validate_json(sent), BrooderView) == view


def test_an_alarm_and_a_probe_come_back_too_but_for_what_stays_at_home() -> None:
    alarm = alarm_view()
    sent = AlarmPayload.of(alarm, **TIMING.head(1.0), sequence=1, since=TIMING.utc(0.0))
    assert view_of(sent, AlarmView, priority=alarm.priority, since_seconds=0.0) == alarm
    (air, *_) = snapshot().probes
    heard = ProbePayload.of(air, **HEAD, expanded_uncertainty=0.2)
    assert heard.faults == 1
    assert view_of(heard, ProbeView, uncertainty_celsius=0.2, age_seconds=0.0) == replace(air, faults={})
