"""Commands from outside: what is taken, what is refused and with which reason."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.errors import CommandError
from sensord.gate.commands import NETWORK_VERBS, VERBS, Limits, parse, parse_fields
from sensord.watch.conditions import Condition
from sensord.watch.events import (
    Acknowledge,
    Command,
    Origin,
    OutOfService,
    PauseAudio,
    SetStage,
    Shelve,
    StartBatch,
    Unshelve,
)

LIMITS = Limits(
    brooders=("brooder",), dishes=("dish",), stages={"brooder": ("hatchling", "feathered")}, shelve_seconds=600
)
TWO = Limits(brooders=("left", "right"), dishes=("a", "b"))


def asked(verb: str, payload: str, limits: Limits = LIMITS, origin: Origin = Origin.MQTT) -> Command:
    return parse(verb, payload.encode(), 5.0, origin, limits)


STAMP = {"seconds": 5.0, "origin": Origin.MQTT}


@pytest.mark.parametrize(
    ("verb", "payload", "command"),
    [
        ("acknowledge", "", Acknowledge(seconds=5.0, origin=Origin.MQTT)),
        ("acknowledge", "PRESS", Acknowledge(seconds=5.0, origin=Origin.MQTT)),
        (
            "acknowledge",
            "brooder/too-cold",
            Acknowledge(seconds=5.0, origin=Origin.MQTT, place="brooder", condition=Condition.TOO_COLD),
        ),
        (
            "acknowledge",
            '{"place": "brooder", "request": "a-1"}',
            Acknowledge(seconds=5.0, origin=Origin.MQTT, place="brooder", request="a-1"),
        ),
        ("shelve", "brooder", Shelve(seconds=5.0, origin=Origin.MQTT, place="brooder", for_seconds=600)),
        (
            "shelve",
            '{"place": "brooder", "for_seconds": 300}',
            Shelve(seconds=5.0, origin=Origin.MQTT, place="brooder", for_seconds=300),
        ),
        ("unshelve", "brooder", Unshelve(seconds=5.0, origin=Origin.MQTT, place="brooder")),
        ("batch", "PRESS", StartBatch(seconds=5.0, origin=Origin.MQTT, dish="dish")),
        ("batch", "dish", StartBatch(seconds=5.0, origin=Origin.MQTT, dish="dish")),
        ("stage", "feathered", SetStage(seconds=5.0, origin=Origin.MQTT, brooder="brooder", stage="feathered")),
        ("stage", "brooder/hatchling", SetStage(seconds=5.0, origin=Origin.MQTT, brooder="brooder", stage="hatchling")),
        ("pause", "90", PauseAudio(seconds=5.0, origin=Origin.MQTT, for_seconds=90)),
        ("pause", "PRESS", PauseAudio(seconds=5.0, origin=Origin.MQTT, for_seconds=120)),
    ],
)
def test_a_good_command_becomes_its_event(verb: str, payload: str, command: Command) -> None:
    assert asked(verb, payload) == command


@pytest.mark.parametrize(
    ("verb", "payload", "reason"),
    [
        ("open-the-lid", "", "there is no verb 'open-the-lid'"),
        ("acknowledge", "cellar", "there is no place 'cellar': known are brooder, dish"),
        ("acknowledge", "brooder/too-hot", "condition"),
        ("acknowledge", "brooder/too-cold/now", "too many parts"),
        ("acknowledge", '{"place": "brooder", "when": 1}', "unknown field 'when'"),
        ("acknowledge", '{"place": "bro', "not a JSON object"),
        ("acknowledge", '{"place": 7}', "place"),
        ("acknowledge", '{"request": "a b"}', "characters"),
        ("shelve", "PRESS", "place is missing"),
        ("shelve", '{"place": "brooder", "for_seconds": 601}', "alarms.shelve_seconds"),
        ("shelve", '{"place": "brooder", "for_seconds": 1e999}', "for_seconds"),
        ("shelve", '{"place": "brooder", "for_seconds": NaN}', "for_seconds"),
        ("shelve", '{"place": "brooder", "for_seconds": true}', "for_seconds"),
        ("shelve", '{"place": "brooder", "for_seconds": "300"}', "for_seconds"),
        ("shelve", '{"place": "brooder", "for_seconds": -5}', "for_seconds"),
        ("pause", "121", "alarms.pause_seconds"),
        ("pause", "nan", "for_seconds"),
        ("pause", "١٢", "for_seconds"),
        ("pause", "soon", "not a number of seconds"),
        ("stage", "eagle", "there is no stage 'eagle'"),
        ("stage", "", "stage is missing"),
        ("out-of-service", "brooder/too-cold", "not taken over the network"),
        ("test-sounds", "", "not taken over the network"),
    ],
)
def test_a_bad_command_is_refused_with_the_reason(verb: str, payload: str, reason: str) -> None:
    with pytest.raises(CommandError, match=reason.replace("(", r"\(")):
        asked(verb, payload)


def test_which_one_must_be_said_where_there_are_two() -> None:
    with pytest.raises(CommandError, match=r"which dish\? known are a, b"):
        asked("batch", "PRESS", TWO)
    with pytest.raises(CommandError, match="which brooder"):
        asked("stage", "feathered", TWO)


def test_a_payload_beyond_the_limit_is_not_even_read() -> None:
    with pytest.raises(CommandError, match="at most 256"):
        asked("acknowledge", " " * 257)


def test_what_is_not_text_is_refused() -> None:
    with pytest.raises(CommandError, match="UTF-8"):
        parse("acknowledge", b"\xff\xfe", 0.0, Origin.MQTT, LIMITS)


def test_the_local_socket_may_use_every_verb() -> None:
    command = parse_fields("out-of-service", {"place": "brooder", "condition": "too-cold"}, 1.0, Origin.CONTROL, LIMITS)
    assert command == OutOfService(seconds=1.0, origin=Origin.CONTROL, place="brooder", condition=Condition.TOO_COLD)
    assert set(NETWORK_VERBS) < set(VERBS)


def test_fields_that_are_not_json_are_refused() -> None:
    with pytest.raises(CommandError, match="plain JSON"):
        parse_fields("acknowledge", {"place": object()}, 0.0, Origin.CONTROL, LIMITS)


@given(st.sampled_from([*VERBS, "", "x/y"]), st.one_of(st.binary(max_size=300), st.text(max_size=80).map(str.encode)))
def test_no_payload_does_anything_but_answer(verb: str, payload: bytes) -> None:
    try:
        command = parse(verb, payload, 0.0, Origin.MQTT, LIMITS)
    except CommandError:
        return
    assert command.origin is Origin.MQTT


@given(
    st.sampled_from(NETWORK_VERBS),
    st.dictionaries(
        st.sampled_from(["place", "condition", "for_seconds", "dish", "brooder", "stage", "request", "other"]),
        st.one_of(
            st.none(), st.booleans(), st.floats(), st.integers(), st.sampled_from(["brooder", "dish", "too-cold"])
        ),
        max_size=4,
    ),
)
def test_no_fields_buy_more_quiet_than_the_config_allows(verb: str, fields: dict[str, object]) -> None:
    try:
        command = parse(verb, json.dumps(fields).encode(), 0.0, Origin.MQTT, LIMITS)
    except CommandError:
        return
    if isinstance(command, Shelve):
        assert 1 <= command.for_seconds <= LIMITS.shelve_seconds
    if isinstance(command, PauseAudio):
        assert 1 <= command.for_seconds <= LIMITS.pause_seconds
