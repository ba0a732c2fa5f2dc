"""Hundreds of simulated units on one broker, each with a connection and a will of its own, and the screen of all.

    python -m tests.bench.fleet                            500 units for 20 s, then the numbers
    python -m tests.bench.fleet --stay --port 18831        units that stay, to look at with `watch --fleet`

The units speak raw MQTT 3.1.1 (a thread each would measure Python, not the broker); what they say is made by the same
code as in the daemon.
"""

import argparse
import random
import socket
import statistics
import tempfile
import threading
import time
from dataclasses import replace
from pathlib import Path

from rich.console import Console

from sensord.clock import SystemClock
from sensord.mqtt.broker import BrokerSettings
from sensord.mqtt.messages import Timing, states_of
from sensord.mqtt.topics import Topics
from sensord.mqtt.units import LARGEST_PACKET_BYTES, FleetListener
from sensord.screens.fleet_screen import Finder, fleet
from sensord.screens.page import Look
from sensord.watch.conditions import Condition, Priority, alarms_of
from sensord.watch.effects import AlarmState, DishState, Verdict
from sensord.watch.views import AlarmView, Snapshot
from tests.bench.table import target
from tests.mqtt.mosquitto import Broker, free_port
from tests.mqtt.world import alarm_view, snapshot

WORDS = ("attic", "barn", "cellar", "porch", "garden", "shed", "loft", "kitchen", "annex", "clinic")
INTERVAL_SECONDS = 10.0
REDRAW_MILLISECONDS = 100.0
KEEPALIVE_SECONDS = 60


def _text(text: str) -> bytes:
    data = text.encode()
    return len(data).to_bytes(2, "big") + data


def _packet(first: int, body: bytes) -> bytes:
    """Fixed header with its variable length (MQTT 3.1.1, 2.2.3) and body."""
    length, encoded = len(body), bytearray()
    while True:
        length, digit = divmod(length, 128)
        encoded.append(digit | (0x80 if length else 0))
        if not length:
            return bytes([first, *encoded]) + body


class Unit:
    """One simulated daemon on a raw socket."""

    def __init__(self, port: int, name: str, seed: int) -> None:
        self.topics = Topics("sensord", name)
        self._random = random.Random(seed)
        self._celsius = self._random.uniform(33.6, 35.4)
        self._trouble = self._random.random()
        self._socket = socket.create_connection(("127.0.0.1", port))
        flags = 0x02 | 0x04 | 0x20  # clean session, will, will retained
        connect = _text("MQTT") + bytes([4, flags]) + KEEPALIVE_SECONDS.to_bytes(2, "big")
        self._socket.sendall(_packet(0x10, connect + _text(name) + _text(self.topics.status) + _text("offline")))
        assert self._socket.recv(4) == b"\x20\x02\x00\x00"
        self.publish(self.topics.status, b"online")
        self._said: dict[str, tuple[object, ...]] = {}

    def publish(self, topic: str, payload: bytes) -> int:
        packet = _packet(0x31, _text(topic) + payload)  # QoS 0, retained
        self._socket.sendall(packet)
        return len(packet)

    def vanish(self) -> None:
        """As when the plug is pulled: no goodbye."""
        self._socket.close()

    def speak(self, seconds: float, utc_seconds: float) -> tuple[int, int]:
        """Say every state whose meaning has changed, and the numbers; messages and bytes."""
        count = size = 0
        for state in states_of(
            self._seen(seconds), self.topics, Timing(seconds, utc_seconds, True), _ALARMS, INTERVAL_SECONDS, 60
        ):
            if state.pace_seconds == float("inf") and self._said.get(state.topic) == state.meaning:
                continue
            self._said[state.topic] = state.meaning
            size += self.publish(state.topic, state.payload(sequence=1).encoded())
            count += 1
        return count, size

    def _seen(self, seconds: float) -> Snapshot:
        self._celsius += self._random.gauss(0, 0.03)
        alarms: tuple[AlarmView, ...] = ()
        celsius, dish = self._celsius, DishState.AWAY
        if self._trouble < 0.01:
            celsius = 29.8
            alarms = (
                replace(
                    alarm_view(),
                    condition=Condition.DANGEROUSLY_COLD,
                    priority=Priority.HIGH,
                    celsius=29.8,
                    since_seconds=seconds - 200,
                ),
            )
        elif self._trouble < 0.02:
            alarms = (replace(alarm_view(), since_seconds=seconds - 900),)
        elif self._trouble < 0.025:
            alarms = (replace(alarm_view(AlarmState.SHELVED), since_seconds=seconds - 60, shelved_left_seconds=240),)
        elif self._trouble < 0.045:
            dish = DishState.READY
        elif self._trouble < 0.06:
            dish = DishState.HOT
        now = snapshot(seconds, celsius=celsius, dish=dish, alarms=alarms)
        verdict = Verdict.OUT_OF_BAND if alarms else Verdict.IN_BAND
        brooders = tuple(replace(brooder, verdict=verdict) for brooder in now.brooders)
        return replace(now, brooders=brooders)


_ALARMS = alarms_of(["brooder"], ["dish"])


class Traffic:
    """Lets all units speak once per interval, spread evenly, until stopped."""

    def __init__(self, units: list[Unit]) -> None:
        self._units = units
        self._stop = threading.Event()
        self.messages = self.bytes = 0
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()

    def _run(self) -> None:
        clock = SystemClock()
        began, turn = clock.monotonic_seconds(), 0
        while not self._stop.is_set():
            unit = self._units[turn % len(self._units)]
            count, size = unit.speak(clock.monotonic_seconds(), clock.utc_seconds())
            self.messages += count
            self.bytes += size
            turn += 1
            due = began + turn * INTERVAL_SECONDS / len(self._units)
            self._stop.wait(max(0.0, due - clock.monotonic_seconds()))


def redraw_milliseconds(listener: FleetListener, size: tuple[int, int], times: int) -> list[float]:
    """From the book to the characters for the terminal, again and again."""
    clock, (width, height), took = SystemClock(), size, []
    for _ in range(times):
        began = time.perf_counter()
        units = listener.book.units(clock.utc_seconds())
        console = Console(width=width, height=height, file=open("/dev/null", "w"), force_terminal=True)  # noqa: SIM115, PTH123
        console.print(fleet(units, Look(width=width, height=height, keys=True, chosen="attic-001"), Finder()))
        took.append(1000 * (time.perf_counter() - began))
    return took


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--units", type=int, default=500)
    parser.add_argument("--seconds", type=float, default=20)
    parser.add_argument("--port", type=int)
    parser.add_argument("--stay", action="store_true", help="until Ctrl-C")
    options = parser.parse_args()
    quick = True
    with tempfile.TemporaryDirectory(prefix="fleet-") as folder:
        broker = Broker(Path(folder), port=options.port or free_port()).start()
        names = [f"{WORDS[number % len(WORDS)]}-{number // len(WORDS):03d}" for number in range(options.units)]
        units = [Unit(broker.port, name, seed) for seed, name in enumerate(names)]
        for unit in units[7::97]:
            unit.speak(SystemClock().monotonic_seconds(), SystemClock().utc_seconds())
            unit.vanish()
        living = [unit for unit in units if unit not in units[7::97]]
        traffic = Traffic(living)
        traffic.start()
        listener = FleetListener(
            BrokerSettings(
                host="127.0.0.1", port=broker.port, client_id="bench-fleet", largest_packet_bytes=LARGEST_PACKET_BYTES
            ),
            "sensord",
            SystemClock(),
        )
        listener.start()
        try:
            if options.stay:
                print(f"{len(living)} units at port {broker.port}; Ctrl-C ends them")
                threading.Event().wait()
            time.sleep(INTERVAL_SECONDS + 2)
            messages, size, heard = traffic.messages, traffic.bytes, listener.book.changes
            cpu, began = time.process_time(), time.monotonic()
            time.sleep(options.seconds)
            took = time.monotonic() - began
            cpu = time.process_time() - cpu
            print(
                f"{len(living)} of {options.units} units online: {(traffic.messages - messages) / took:.0f} messages/s"
                f" ({(traffic.bytes - size) / took / 1024:.0f} kB/s) said,"
                f" {(listener.book.changes - heard) / took:.0f}/s heard (probes are not asked for);"
                f" {100 * cpu / took:.0f} % of a core for units and listener together"
            )
            seen = listener.book.units(SystemClock().utc_seconds())
            print(f"{len(seen)} units seen, {sum(unit.stale_seconds is not None for unit in seen)} of them offline")
            medians = []
            for width, height in ((80, 24), (120, 40), (200, 60)):
                redraws = redraw_milliseconds(listener, (width, height), 30)
                medians.append(statistics.median(redraws))
                print(f"redraw {width}x{height}: median {medians[-1]:.1f} ms, worst {max(redraws):.1f} ms")
            quick = target(
                f"a redraw of all units under {REDRAW_MILLISECONDS:g} ms (median)", max(medians) < REDRAW_MILLISECONDS
            )
        except KeyboardInterrupt:
            pass
        finally:
            traffic.stop()
            listener.close()
            broker.kill()
    return 0 if quick else 1


if __name__ == "__main__":
    raise SystemExit(main())
