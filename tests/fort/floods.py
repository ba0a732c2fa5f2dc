"""Floods on a real daemon: hostile MQTT messages over a real broker, clients of the control socket that misbehave.

A danger stands meanwhile (the brooder is at 29 °C). Looked at from outside: the horn's pin, memory, open files, whether
the owner is still served, whether the log holds a traceback, whether the history is whole at the end.
"""

import contextlib
import json
import math
import os
import random
import socket
import threading
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from sensord.clock import SystemClock
from sensord.control.control_client import ControlClient
from sensord.control.control_server import MOST_CLIENTS
from sensord.history.history_file import FILE_NAME
from sensord.history.history_reader import HistoryReader
from tests.fort.fault_house import BUZZER, House
from tests.fort.rows import FortRow
from tests.mqtt.mosquitto import Broker
from tests.mqtt.test_fuzz import made_up

__all__ = ["deaf_clients", "garbage_lines", "hostile_messages", "idle_clients"]

NETWORK_SECONDS = 120.0
MOST_MEGABYTES_DURING, MOST_MEGABYTES_AFTER = 40.0, 12.0
MOST_SILENCE_SECONDS = 20.0
"""Between two bursts lie eight seconds at most; on a busy machine, six times as fast as life, a burst may be late."""
_LINES = """
[mqtt]
host = "127.0.0.1"
port = {port}
interval_seconds = 5
[alarms]
network_silence_seconds = {limit:g}
"""
_ORDERS = ("acknowledge", "pause", "shelve", "unshelve", "batch", "reset", "test-sounds", "stage", "out-of-service")
_PAUSE = threading.Event()
_NOBODY = 65_534


def _attacked(
    name: str, folder: Path, flood: Callable[[House, int], str], count: int, silence_allowed: float, port: int = 9
) -> FortRow:
    """Do a flood to a daemon whose brooder is in danger, and look."""
    failures: list[str] = []
    with House(folder / "house", 6.0, _LINES.format(port=port, limit=NETWORK_SECONDS)) as house:
        house.air_celsius = 29.0
        house.until(lambda: house.alarm("dangerously-cold"), "the danger")
        house.wait(30)
        start = last_change(house)
        before = _memory(house), _handles(house)
        during, over = [before], threading.Event()

        def look() -> None:
            while not over.wait(0.2):
                with contextlib.suppress(OSError, StopIteration):
                    during.append((_memory(house), _handles(house)))

        looking = threading.Thread(target=look)
        looking.start()
        try:
            seen = flood(house, count)
        except Exception as error:  # a row of the table
            seen = ""
            failures.append(f"{type(error).__name__}: {error}")
        finally:
            over.set()
            looking.join()
        house.wait(60)
        with contextlib.suppress(AssertionError):
            house.until(lambda: _memory(house) - before[0] < MOST_MEGABYTES_AFTER / 2, "memory back", 20)
        after = _memory(house), _handles(house)
        silence = longest_silence(house, start)
        most = max(one for one, _ in during), max(one for _, one in during)
        if house.process is None or house.process.poll() is not None:
            failures.append("the daemon has ended")
        if silence > silence_allowed + MOST_SILENCE_SECONDS:
            failures.append(f"silent for {silence:.0f} s")
        if most[0] - before[0] > MOST_MEGABYTES_DURING or after[0] - before[0] > MOST_MEGABYTES_AFTER:
            failures.append(f"memory grew from {before[0]:.1f} to {most[0]:.1f} and stayed at {after[0]:.1f} MB")
        if after[1] > before[1] + 2:
            failures.append(f"{after[1] - before[1]} files or sockets were not given back")
        with ControlClient(house.socket) as owner:
            owner.snapshot()
        if "Traceback" in house.journal():
            failures.append("a traceback in the log")
        if house.stop() != 0:
            failures.append("did not end with 0")
        with HistoryReader(house.state / FILE_NAME) as reader:
            reader.check()
    return FortRow(
        attack=name,
        count=count,
        failures=tuple(failures),
        seen=seen,
        silence_seconds=silence,
        megabytes=(before[0], most[0], after[0]),
        handles=(before[1], most[1], after[1]),
    )


def _memory(house: House) -> float:
    return house.memory_megabytes()


def _handles(house: House) -> int:
    assert house.process is not None
    return len(list(Path(f"/proc/{house.process.pid}/fd").iterdir()))


def last_change(house: House) -> float:
    """When the buzzer's pin last changed, in seconds of the daemon's clock."""
    return _changes(house)[-1][0]


def longest_silence(house: House, since_seconds: float) -> float:
    """The longest time without the buzzer from then until now, in seconds of the daemon's clock."""
    edges = [(at, on) for at, on in _changes(house) if at >= since_seconds]
    if house.snapshot is not None:  # a silence that has not ended yet counts as far as it has lasted
        edges.append((house.snapshot.seconds, True))
    gaps = [later - at for (at, on), (later, _) in pairwise(edges) if not on]
    return max(gaps, default=math.inf)


def _changes(house: House) -> list[tuple[float, bool]]:
    lines = [line.split() for line in (house.folder / "pins.log").read_text().splitlines()]
    return [(float(at), value != "0") for at, pin, value in lines if pin == BUZZER]


# --- MQTT -------------------------------------------------------------------------------------------------------------


def hostile_messages(folder: Path, count: int) -> FortRow:
    """Noise, broken JSON and well-formed orders for silence to every topic of the unit, as fast as the broker takes."""
    broker = Broker(folder / "broker").start()

    def flood(house: House, count: int) -> str:
        house.until(lambda: "connected" in house.output("mqtt")[1], "the broker")
        client = Client(CallbackAPIVersion.VERSION2)
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        answered: list[int] = []
        client.on_message = lambda *_: answered.append(1)
        client.subscribe("sensord/attic/done")
        for number, (topic, payload, retained) in enumerate(_messages(count)):
            sent = client.publish(topic, payload, qos=1, retain=retained)
            if number % 200 == 199 or number == count - 1:
                sent.wait_for_publish(60)
        _PAUSE.wait(2)
        client.loop_stop()
        return f"{len(answered)} answers"

    try:
        return _attacked("hostile MQTT messages", folder, flood, count, NETWORK_SECONDS, broker.port)
    finally:
        broker.kill()


def _messages(count: int) -> Iterator[tuple[str, bytes, bool]]:
    chance, noise = random.Random(3), made_up(random.Random(7))
    for number in range(count):
        if number % 3 == 0:
            verb, place = chance.choice(_ORDERS), chance.choice(("nest", "supper"))
            told: dict[str, Any] = {"place": place} if verb in ("shelve", "unshelve", "acknowledge") else {}
            told |= {"request": f"r{number}"} if chance.random() < 0.5 else {}
            yield f"sensord/attic/do/{verb}", json.dumps(told).encode() if told else b"PRESS", False
            continue
        verb, payload, retained = next(noise, ("", b"", False))
        topic = f"sensord/attic/do/{verb}".replace("\0", "0").replace("+", "p").replace("#", "n")
        if number % 10 == 0:
            topic = chance.choice(("sensord/attic/status", "sensord/attic/event", "homeassistant/status", "sensord/x"))
        yield topic, payload, retained


# --- the control socket -----------------------------------------------------------------------------------------------


def _connected(house: House) -> socket.socket:
    """A client that is not the owner, where root lets us be somebody else (the kernel notes who connects)."""
    one = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    one.settimeout(5)
    is_root = os.geteuid() == 0
    if is_root:
        for folder in (house.folder, house.folder.parent):
            folder.chmod(0o755)
        os.seteuid(_NOBODY)
    try:
        one.connect(str(house.socket))
    finally:
        if is_root:
            os.seteuid(0)
    return one


def deaf_clients(folder: Path, count: int) -> FortRow:
    """Clients that ask for pictures of everything and never read an answer; `count` is how many requests they send."""

    def flood(house: House, count: int) -> str:
        deaf = [_connected(house) for _ in range(MOST_CLIENTS - 1)]
        line, sent = b'{"jsonrpc": "2.0", "id": 1, "method": "snapshot"}\n' * 50, 0
        for one in deaf:
            one.setblocking(False)
        clock = SystemClock()
        until = clock.monotonic_seconds() + 30
        while sent < count and clock.monotonic_seconds() < until:
            for one in deaf:
                with contextlib.suppress(OSError):
                    sent += one.send(line) // (len(line) // 50)
            _PAUSE.wait(0.01)
        for _ in range(10):
            _PAUSE.wait(1)
            with ControlClient(house.socket) as owner:
                owner.snapshot()
        for one in deaf:
            one.close()
        return f"{len(deaf)} clients, {sent} requests taken before they were stopped"

    return _attacked("clients that ask and never read", folder, flood, count, 0.0)


def idle_clients(folder: Path, count: int) -> FortRow:
    """More clients than there are places, which connect and say nothing; the owner must be served all the same."""

    def flood(house: House, count: int) -> str:
        idle = []
        for _ in range(count):
            with contextlib.suppress(OSError):
                idle.append(_connected(house))
            if len(idle) > 2 * MOST_CLIENTS:
                idle.pop(0).close()
        served = 0
        for _ in range(20):
            _PAUSE.wait(0.2)
            with ControlClient(house.socket) as owner:
                owner.snapshot()
                served += 1
        for one in idle:
            one.close()
        return f"the owner was served {served} of 20 times"

    return _attacked("clients that say nothing", folder, flood, count, 0.0)


def garbage_lines(folder: Path, count: int) -> FortRow:
    """Lines of garbage: lone surrogates, 5,000 digits, nests, NUL bytes, no UTF-8, no end; then orders for silence."""

    def flood(house: House, count: int) -> str:
        chance, answered = random.Random(5), 0
        one = _connected(house)
        for number in range(count):
            try:
                one.sendall(_GARBAGE[number % len(_GARBAGE)](chance) + b"\n")
                answered += bool(one.recv(65536))
            except OSError:
                one.close()
                one = _connected(house)
        one.close()
        return f"{answered} lines answered"

    return _attacked("lines of garbage at the socket", folder, flood, count, 600.0)


_GARBAGE: tuple[Callable[[random.Random], bytes], ...] = (
    lambda _: b'{"jsonrpc": "2.0", "id": "\\ud800", "method": "snapshot"}',
    lambda _: b'{"jsonrpc": "2.0", "id": ' + b"9" * 5000 + b', "method": "version"}',
    lambda _: b"[" * 3000,
    lambda _: b'{"jsonrpc": "2.0", "id": 1, "method": "feed", "params": {"chick": "\\u0000", "millilitres": 1e308}}',
    lambda chance: chance.randbytes(200).replace(b"\n", b""),
    lambda _: b'{"jsonrpc": "2.0", "id": 1, "method": "weigh", "params": {"chick": "pip", "grams": 5e-324}}',
    lambda _: b'{"jsonrpc": "2.0", "id": 1, "method": "shelve", "params": {"place": "nest", "for_seconds": 1e400}}',
    lambda _: b'{"jsonrpc": "2.0", "id": null, "method": "\\u202e", "params": [[[]]]}',
    lambda _: b'{"jsonrpc": "2.0", "id": 2, "method": "pause", "params": {}}',
    lambda _: b'{"jsonrpc": "2.0", "id": 2, "method": "acknowledge", "params": {}}',
)
