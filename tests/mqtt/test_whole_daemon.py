"""The daemon as a process, on a tree that looks like the kernel's, with a real broker between it and us."""

import contextlib
import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from sensord.clock import SystemClock
from sensord.edges.topics import Topics
from sensord.fake_tree import FakeProbe, FakeTree
from sensord.watch.events import Condition
from tests.mqtt.listener import Listener
from tests.mqtt.mosquitto import Broker, until
from tests.program import ROOT, SENSORD

TOPICS = Topics("sensord", "attic")
TOO_COLD = TOPICS.alarm("brooder", Condition.TOO_COLD)
KEEPALIVE_SECONDS = 5

CONFIG = """
[unit]
name = "attic"
[probes.air]
rom = "28-0000072431ab"
place = "brooder"
[brooders.brooder]
probes = ["air"]
band = {{ low_celsius = 33.2, high_celsius = 35.8 }}
on_delay_seconds = 0
off_delay_seconds = 0
[mqtt]
host = "127.0.0.1"
port = {port}
keepalive_seconds = {keepalive}
interval_seconds = 1
"""


def sensord(verb: str) -> list[str]:
    return [*SENSORD, verb]


class Air:
    """What the probe feels."""

    def __init__(self) -> None:
        self.celsius = 34.5

    def __call__(self, _seconds: float) -> float:
        return self.celsius


@pytest.fixture
def air() -> Air:
    return Air()


@pytest.fixture
def command(tmp_path: Path, broker: Broker, air: Air) -> Iterator[list[str]]:
    """The command line of a daemon whose probe feels `air`."""
    config = tmp_path / "sensord.toml"
    config.write_text(CONFIG.format(port=broker.port, keepalive=KEEPALIVE_SECONDS))
    with FakeTree(tmp_path / "tree", SystemClock(), [FakeProbe("28-0000072431ab", air)]) as tree:
        yield [
            *sensord("run"), "--config", str(config), "--one-wire-root", str(tree.root),
            "--socket", str(tmp_path / "control.sock"), "--state", str(tmp_path / "state"),
        ]  # fmt: skip


@contextlib.contextmanager
def running(command: list[str]) -> Iterator[subprocess.Popen[bytes]]:
    """The daemon; gone at the end, whatever happened."""
    with subprocess.Popen(command, cwd=ROOT) as daemon:
        try:
            yield daemon
        except BaseException:
            daemon.kill()
            raise


def test_from_reading_to_alarm_to_acknowledged_to_normal_to_a_will(
    broker: Broker, command: list[str], air: Air
) -> None:
    clock = SystemClock()
    with Listener(broker.port) as listener:
        with running(command) as daemon:
            listener.wait_payload(TOPICS.status, b"online")
            until(lambda: {h.fields["value"] for h in listener.on(TOPICS.probe("air"))} >= {34.5})

            air.celsius = 32.0
            until(lambda: listener.wait(TOO_COLD)[-1].fields["state"] == "unacknowledged", seconds=20)
            listener.send(TOPICS.command("acknowledge"), '{"place": "brooder", "request": "phone-1"}')
            until(lambda: listener.wait(TOO_COLD)[-1].fields["state"] == "acknowledged")
            answer = listener.wait(TOPICS.done)[0].fields
            assert (answer["request"], answer["done"]) == ("phone-1", True)

            air.celsius = 34.5
            until(lambda: listener.wait(TOO_COLD)[-1].fields["state"] == "normal", seconds=20)
            states = [
                event.fields["state"]
                for event in listener.on(TOPICS.event)
                if event.fields["kind"] == "alarm" and event.fields["condition"] == "too-cold"
            ]
            assert states == ["unacknowledged", "acknowledged", "normal"]
            numbers = [event.fields["number"] for event in listener.on(TOPICS.event)]
            assert numbers == list(range(1, len(numbers) + 1))

            air.celsius = 32.0
            until(lambda: listener.wait(TOO_COLD)[-1].fields["active"], seconds=20)
            daemon.send_signal(signal.SIGKILL)
            killed = clock.monotonic_seconds()
        listener.wait_payload(TOPICS.status, b"offline", seconds=1.5 * KEEPALIVE_SECONDS)
        print(f"the will came {clock.monotonic_seconds() - killed:.2f} s after kill -9")

        air.celsius = 34.5
        with running(command) as daemon:
            listener.wait_payload(TOPICS.status, b"online")
            until(lambda: not listener.wait(TOO_COLD)[-1].fields["active"], what="no stale alarm left")
            daemon.send_signal(signal.SIGTERM)
        assert daemon.returncode == 0
        listener.wait_payload(TOPICS.status, b"offline", seconds=2)


def test_the_demo_publishes_and_leaves_nothing_at_the_broker(broker: Broker) -> None:
    demo = [*sensord("demo"), "--speed", "60", "--for", "5m", "--plain", "--broker", f"127.0.0.1:{broker.port}"]
    with Listener(broker.port) as listener, subprocess.Popen(demo, cwd=ROOT, stdout=subprocess.DEVNULL) as process:
        listener.wait_payload("sensord/demo/status", b"online", seconds=20)
        listener.wait("sensord/demo/brooder/nest")
        listener.wait("homeassistant/device/sensord_demo/config")
        assert process.wait(60) == 0
    with Listener(broker.port) as later:
        later.send("the/end", "")
        later.wait("the/end")
        assert [heard.topic for heard in later.heard] == ["the/end"]
