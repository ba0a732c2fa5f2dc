"""Commands from outside as they are written: what becomes a command, and what is refused before the rules see it."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.errors import CommandError
from sensord.gate.command_gate import read_fields, read_payload
from sensord.watch.command_table import (
    COMMANDS,
    Acknowledge,
    Giver,
    OutOfService,
    PauseAudio,
    SetStage,
    Shelve,
    StartBatch,
    Unshelve,
    verbs_for,
)
from sensord.watch.conditions import Condition
from sensord.watch.events import Command, Origin


def asked(verb: str, payload: str) -> Command:
    return read_payload(verb, payload.encode(), 5.0, Giver.BROKER)


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
        ("shelve", "brooder", Shelve(seconds=5.0, origin=Origin.MQTT, place="brooder")),
        (
            "shelve",
            '{"place": "brooder", "for_seconds": 300}',
            Shelve(seconds=5.0, origin=Origin.MQTT, place="brooder", for_seconds=300),
        ),
        ("unshelve", "brooder", Unshelve(seconds=5.0, origin=Origin.MQTT, place="brooder")),
        ("batch", "PRESS", StartBatch(seconds=5.0, origin=Origin.MQTT)),
        ("batch", "dish", StartBatch(seconds=5.0, origin=Origin.MQTT, dish="dish")),
        ("stage", "feathered", SetStage(seconds=5.0, origin=Origin.MQTT, stage="feathered")),
        ("stage", "brooder/hatchling", SetStage(seconds=5.0, origin=Origin.MQTT, brooder="brooder", stage="hatchling")),
        ("pause", "90", PauseAudio(seconds=5.0, origin=Origin.MQTT, for_seconds=90)),
        ("pause", "PRESS", PauseAudio(seconds=5.0, origin=Origin.MQTT)),
    ],
)
def test_a_good_command_becomes_its_event(verb: str, payload: str, command: Command) -> None:
    assert asked(verb, payload) == command


@pytest.mark.parametrize(
    ("verb", "payload", "reason"),
    [
        ("open-the-lid", "", "there is no verb 'open-the-lid'"),
        ("acknowledge", "brooder/too-hot", "condition"),
        ("acknowledge", "brooder/too-cold/now", "too many parts: send JSON or brooder/too-cold to acknowledge"),
        ("acknowledge", '{"place": "brooder", "when": 1}', "unknown field 'when'"),
        ("acknowledge", '{"place": "bro', "not a JSON object"),
        ("acknowledge", '{"place": 7}', "place"),
        ("acknowledge", '{"request": "a b"}', "characters"),
        ("shelve", "PRESS", "place is missing"),
        ("shelve", '{"place": "brooder", "for_seconds": 1e999}', "for_seconds"),
        ("shelve", '{"place": "brooder", "for_seconds": NaN}', "for_seconds"),
        ("shelve", '{"place": "brooder", "for_seconds": true}', "for_seconds"),
        ("shelve", '{"place": "brooder", "for_seconds": "300"}', "for_seconds"),
        ("shelve", '{"place": "brooder", "for_seconds": -5}', "for_seconds"),
        ("pause", "nan", "for_seconds"),
        ("pause", "١٢", "for_seconds"),
        ("pause", "soon", "not a number of seconds"),
        ("stage", "", "stage is missing"),
        ("out-of-service", "brooder/too-cold", "not taken over the network"),
        ("chick", "pip", "not taken over the network"),
        ("test-sounds", "", "not taken over the network"),
    ],
)
def test_a_bad_command_is_refused_with_the_reason(verb: str, payload: str, reason: str) -> None:
    with pytest.raises(CommandError, match=reason.replace("(", r"\(")):
        asked(verb, payload)


def test_a_payload_beyond_the_limit_is_not_even_read() -> None:
    with pytest.raises(CommandError, match="at most 256"):
        asked("acknowledge", " " * 257)
    assert asked("acknowledge", " " * 256) == Acknowledge(seconds=5.0, origin=Origin.MQTT)


def test_what_is_not_text_is_refused() -> None:
    with pytest.raises(CommandError, match="UTF-8"):
        read_payload("acknowledge", b"\xff\xfe", 0.0, Giver.BROKER)


def test_the_owner_may_give_every_command_and_the_others_what_their_rows_say() -> None:
    given_ = {"place": "brooder", "condition": "too-cold"}
    command = read_fields("out-of-service", given_, 1.0, Giver.OWNER)
    assert command == OutOfService(seconds=1.0, origin=Origin.CONTROL, place="brooder", condition=Condition.TOO_COLD)
    with pytest.raises(CommandError, match="only root or the user that runs sensord"):
        read_fields("out-of-service", given_, 1.0, Giver.SOCKET)
    assert set(verbs_for(Giver.OWNER)) == set(COMMANDS)
    assert set(COMMANDS) - set(verbs_for(Giver.SOCKET)) == {"stage", "out-of-service"}
    assert set(COMMANDS) - set(verbs_for(Giver.BROKER)) == {
        "chick",
        "out-of-service",
        "return-to-service",
        "test-sounds",
    }
    assert set(verbs_for(Giver.BUTTON)) == {"acknowledge", "batch", "pause"}


def test_fields_that_are_not_json_are_refused() -> None:
    with pytest.raises(CommandError, match="plain JSON"):
        read_fields("acknowledge", {"place": object()}, 0.0, Giver.OWNER)
    with pytest.raises(CommandError, match="plain JSON"):
        read_fields("pause", {"for_seconds": float("inf")}, 0.0, Giver.OWNER)


@given(
    st.sampled_from([*COMMANDS, "", "x/y"]), st.one_of(st.binary(max_size=300), st.text(max_size=80).map(str.encode))
)
def test_no_payload_does_anything_but_answer(verb: str, payload: bytes) -> None:
    try:
        command = read_payload(verb, payload, 0.0, Giver.BROKER)
    except CommandError:
        return
    assert command.origin is Origin.MQTT


def test_the_stamp_of_a_command_cannot_be_sent() -> None:
    for verb in COMMANDS:
        with pytest.raises(CommandError, match=f"{verb}: (unknown field 'seconds'|.* is missing)"):
            read_fields(verb, {"seconds": 1.0}, 0.0, Giver.OWNER)
