"""The daemon as a process: how it ends, and what a second one is told. The path of an alarm is in tests/mqtt."""

import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from sensord.mqtt.messages import Topics
from tests.helpers.daemon_house import House
from tests.helpers.program import ROOT
from tests.mqtt.listener import Listener
from tests.mqtt.mosquitto import Broker

STATUS = Topics("sensord", "attic").status


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    broker = Broker(tmp_path / "broker").start()
    yield broker
    broker.kill()


@pytest.fixture
def listener(broker: Broker) -> Iterator[Listener]:
    with Listener(broker.port) as listener:
        yield listener


@pytest.fixture
def house(tmp_path: Path, broker: Broker) -> Iterator[House]:
    with House(tmp_path, broker.port) as house:
        yield house


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_stopped_daemon_ends_quietly_and_says_goodbye(
    house: House, listener: Listener, number: signal.Signals
) -> None:
    process = house.run()
    listener.wait_payload(STATUS, b"online", 15)
    process.send_signal(number)
    _, err = process.communicate(timeout=60)
    assert process.returncode == 0
    assert "Traceback" not in err
    listener.wait_payload(STATUS, b"offline", 5)
    assert not house.socket.exists()


def test_a_second_daemon_on_the_same_socket_is_refused_with_a_sentence(house: House, listener: Listener) -> None:
    house.run()
    listener.wait_payload(STATUS, b"online", 15)
    second = subprocess.run(
        [*house.command[:-1], str(house.state / "second")],
        capture_output=True,
        text=True,
        cwd=ROOT,
        timeout=60,
        check=False,
    )
    assert second.returncode == 2
    assert "Traceback" not in second.stderr
    assert str(house.socket) in second.stderr
