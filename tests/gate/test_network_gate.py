"""What comes over the network and is not let in."""

from collections.abc import Callable

from sensord.gate.command_gate import BURST, PER_MINUTE, NetworkGate, TokenBucket
from sensord.watch.command_table import PauseAudio
from sensord.watch.effects import Answered
from sensord.watch.events import Command, Origin
from tests.helpers.fake_clock import FakeClock


def at_the_door(read_only: bool = False) -> tuple[NetworkGate, list[Command], FakeClock]:
    clock, let_in = FakeClock(), list[Command]()
    deliver: Callable[[Command], None] = let_in.append
    return NetworkGate(read_only, clock, deliver), let_in, clock


def test_ten_at_once_and_then_six_a_minute() -> None:
    gate, let_in, clock = at_the_door()
    answers = [gate.take("acknowledge", b"", retained=False) for _ in range(1000)]
    assert len(let_in) == BURST
    assert gate.dropped == 1000 - BURST
    told = [answer for answer in answers if answer]
    assert len(told) == 1, "a flood is answered once"
    assert "too many commands" in told[0].reason
    assert not told[0].done
    for _ in range(3):
        clock.advance(10.0)
        gate.take("acknowledge", b"", retained=False)
    assert len(let_in) == BURST + 3


def test_a_flood_of_invented_verbs_does_not_use_up_the_real_ones() -> None:
    gate, let_in, _ = at_the_door()
    for number in range(1000):
        gate.take(f"verb-{number}", b"", retained=False)
    assert gate.dropped == 1000 - BURST
    assert gate.take("acknowledge", b"", retained=False) is None
    assert len(let_in) == 1


def test_a_bucket_never_holds_more_than_its_burst() -> None:
    bucket = TokenBucket(0.0, burst=2, per_second=1.0)
    assert [bucket.take(1e6) for _ in range(3)] == [True, True, False]


def test_a_retained_command_is_refused_and_its_clearing_is_silent() -> None:
    gate, let_in, _ = at_the_door()
    answer = gate.take("pause", b"PRESS", retained=True)
    assert answer is not None
    assert "never carried out" in answer.reason
    assert gate.take("pause", b"", retained=True) is None
    assert not let_in


def test_a_repeated_request_gets_the_first_answer_and_is_not_carried_out_again() -> None:
    gate, let_in, _ = at_the_door()
    payload = b'{"for_seconds": 60, "request": "r-1"}'
    assert gate.take("pause", payload, retained=False) is None
    assert gate.take("pause", payload, retained=False) is None, "not answered yet"
    assert [type(command) for command in let_in] == [PauseAudio]
    first = Answered(seconds=1.0, request="r-1", origin=Origin.MQTT, verb="pause", done=False, reason="nothing sounds")
    assert gate.answered(first)
    assert gate.take("pause", payload, retained=False) == first
    assert len(let_in) == 1


def test_a_command_without_a_request_gets_one_so_that_its_answer_finds_it() -> None:
    gate, let_in, _ = at_the_door()
    gate.take("pause", b"60", retained=False)
    assert let_in[0].request
    assert gate.answered(Answered(seconds=1.0, request=let_in[0].request, origin=Origin.MQTT, verb="pause", done=True))


def test_commands_without_a_request_are_numbered_one_by_one() -> None:
    gate, let_in, _ = at_the_door()
    for _ in range(3):
        gate.take("pause", b"60", retained=False)
    assert [command.request for command in let_in] == ["unnamed-1", "unnamed-2", "unnamed-3"]


def test_answers_to_others_are_not_told_on_mqtt() -> None:
    gate, _, _ = at_the_door()
    answer = Answered(seconds=1.0, request="x", origin=Origin.CONTROL, verb="acknowledge", done=True)
    assert not gate.answered(answer)


def test_a_refusal_names_the_request_even_where_the_rest_is_wrong() -> None:
    gate, _, _ = at_the_door(read_only=True)
    answer = gate.take("shelve", b'{"request": "q7", "nonsense": []}', retained=False)
    assert answer is not None
    assert (answer.request, answer.done) == ("q7", False)
    assert "mqtt.read_only" in answer.reason


def test_an_hour_of_two_messages_a_second_is_let_in_as_far_as_the_budget_goes() -> None:
    gate, let_in, clock = at_the_door()
    for _ in range(3600):
        gate.take("shelve", b"brooder", retained=False)
        gate.take("unshelve", b"brooder", retained=False)
        clock.advance(1.0)
    assert len(let_in) == 2 * (BURST + 3600 * PER_MINUTE // 60 - 1)
    assert gate.dropped == 2 * 3600 - len(let_in)
