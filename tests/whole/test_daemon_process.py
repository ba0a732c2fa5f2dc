"""The daemon as a process: how it ends, and what a second one is told. The path of an alarm is in tests/mqtt."""

import os
import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from sensord.clock import SystemClock
from sensord.edges.topics import Topics
from sensord.fake_tree import FakeProbe, FakeTree
from tests.mqtt.listener import Listener
from tests.mqtt.mosquitto import Broker
from tests.program import ROOT, SENSORD

STATUS = Topics("sensord", "attic").status
AIR, PASTE = "28-00000000000a", "28-00000000000b"

CONFIG = """
[unit]
name = "attic"
[one_wire]
root = "{root}"
interval_seconds = 0.5
[probes.brooder]
rom = "28-00000000000a"
place = "brooder"
[probes.bowl]
rom = "28-00000000000b"
place = "dish"
[brooders.brooder]
probes = ["brooder"]
band = {{ low_celsius = 33.0, high_celsius = 36.0 }}
on_delay_seconds = 1
off_delay_seconds = 1
[dishes.supper]
probe = "bowl"
[chime]
kind = "active"
pin = 18
factory = "mock"
self_test = false
[mqtt]
host = "127.0.0.1"
port = {port}
interval_seconds = 1
keepalive_seconds = 5
"""


class House:
    """A daemon process on a fake tree, and a listener at its broker."""

    def __init__(self, folder: Path, broker: Broker, listener: Listener) -> None:
        self.folder = folder
        self.tree = FakeTree(
            folder / "tree",
            SystemClock(),
            [FakeProbe(AIR, lambda _s: 34.5), FakeProbe(PASTE, lambda _s: 21.0)],
        )
        self.config = folder / "sensord.toml"
        self.config.write_text(CONFIG.format(root=self.tree.root, port=broker.port))
        self.socket = folder / "control.sock"
        self.listener = listener
        self.process: subprocess.Popen[str] | None = None

    def run(self) -> subprocess.Popen[str]:
        options = ["--config", str(self.config), "--socket", str(self.socket), "--state", str(self.folder / "state")]
        self.process = subprocess.Popen(
            [*SENSORD, "run", *options], stderr=subprocess.PIPE, text=True, cwd=ROOT, env={**os.environ}
        )
        return self.process


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    broker = Broker(tmp_path / "broker").start()
    with Listener(broker.port) as listener:
        house = House(tmp_path, broker, listener)
        with house.tree:
            yield house
        if house.process is not None:
            if house.process.poll() is None:
                house.process.kill()
            house.process.communicate()
    broker.kill()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_stopped_daemon_ends_quietly_and_says_goodbye(house: House, number: signal.Signals) -> None:
    process = house.run()
    house.listener.wait_payload(STATUS, b"online", 15)
    process.send_signal(number)
    _, err = process.communicate(timeout=15)
    assert process.returncode == 0
    assert "Traceback" not in err
    house.listener.wait_payload(STATUS, b"offline", 5)
    assert not house.socket.exists()


def test_a_second_daemon_on_the_same_socket_is_refused_with_a_sentence(house: House) -> None:
    house.run()
    house.listener.wait_payload(STATUS, b"online", 15)
    second = subprocess.run(
        [*SENSORD, "run", "--config", str(house.config), "--socket", str(house.socket), "--state", str(house.folder)],
        capture_output=True,
        text=True,
        cwd=ROOT,
        timeout=20,
        check=False,
    )
    assert second.returncode == 2
    assert "Traceback" not in second.stderr
    assert str(house.socket) in second.stderr
