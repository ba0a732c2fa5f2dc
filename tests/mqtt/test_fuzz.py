"""A hundred thousand made-up commands: nothing breaks, nothing invalid gets through, nothing piles up."""

import json
import random
import string
import tracemalloc
from collections.abc import Iterator

from sensord.gate.command_gate import NetworkGate
from sensord.watch.command_table import COMMANDS, Giver, PauseAudio, Shelve, verbs_for
from sensord.watch.events import Command, Origin
from tests.helpers.fake_clock import FakeClock

MESSAGES = 100_000
WORDS = ["brooder", "dish", "too-cold", "cellar", "PRESS", "all", "for_seconds", "place", "condition", "request", "60"]


def made_up(rng: random.Random) -> Iterator[tuple[str, bytes, bool]]:
    """Topics' last levels, payloads and retain flags, from noise to almost right."""

    def noise() -> bytes:
        return rng.randbytes(rng.choice([0, 1, 7, 60, 256, 257, 4000]))

    def text() -> bytes:
        return "".join(rng.choices(string.printable + "äé漢\0", k=rng.randrange(60))).encode()

    def words() -> bytes:
        return rng.choice("/ ,|").join(rng.choices(WORDS, k=rng.randrange(1, 5))).encode()

    def value(depth: int = 0) -> object:
        kinds: list[object] = [None, True, rng.choice(WORDS), rng.randrange(-9, 10**6), rng.random() * 900, 1e308, -0.0]
        if depth < 3:
            kinds += [[value(depth + 1)], {rng.choice(WORDS): value(depth + 1)}]
        return rng.choice(kinds)

    def fields() -> bytes:
        return json.dumps({rng.choice(WORDS): value() for _ in range(rng.randrange(4))}).encode()

    def broken() -> bytes:
        whole = bytearray(fields())
        for _ in range(rng.randrange(1, 4)):
            whole[rng.randrange(len(whole))] = rng.randrange(256)
        return bytes(whole[: rng.randrange(len(whole) + 1)])

    def deep() -> bytes:
        return rng.choice([b"[", b'{"place":']) * rng.randrange(1, 80)

    makers = [noise, text, words, fields, broken, deep]
    topics = [*COMMANDS, "", "acknowledge/x", "../status", "ACKNOWLEDGE", "\0", "漢" * 40]
    for _ in range(MESSAGES):
        yield rng.choice(topics), rng.choice(makers)(), rng.random() < 0.1


def test_nothing_invalid_comes_through_and_memory_stays_flat() -> None:
    let_in: list[Command] = []
    clock = FakeClock()
    gate = NetworkGate(False, clock, let_in.append)
    refused = admitted = 0
    after_warm_up = 0
    tracemalloc.start()
    for number, (verb, payload, retained) in enumerate(made_up(random.Random(5))):
        clock.advance(10.0)  # slow enough for all to be looked at
        answer = gate.take(verb, payload, retained)
        if answer is not None:
            refused += 1
            assert not answer.done
            assert answer.reason
            assert len(answer.reason) < 500
        for command in let_in:
            admitted += 1
            assert verb in verbs_for(Giver.BROKER)
            assert not retained
            assert len(payload) <= 256
            assert command.origin is Origin.MQTT
            if isinstance(command, Shelve | PauseAudio):
                assert command.for_seconds is None or 1 <= command.for_seconds <= 1e308
        let_in.clear()
        if number == MESSAGES // 10:
            after_warm_up = tracemalloc.get_traced_memory()[0]
    grown = tracemalloc.get_traced_memory()[0] - after_warm_up
    tracemalloc.stop()
    print(f"{MESSAGES} messages: {refused} refused, {admitted} let in, memory {grown / 1024:+.0f} kB")
    assert admitted > 1000, "the made-up messages must not all be hopeless"
    assert grown < 256 * 1024
