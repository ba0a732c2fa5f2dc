"""The daemon as a process, on a tree that looks like the kernel's, with a real broker between it and us."""

import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from sensord.clock import SystemClock
from sensord.mqtt.messages import Topics
from sensord.watch.conditions import Condition
from tests.helpers.daemon_house import KEEPALIVE_SECONDS, House
from tests.helpers.program import ROOT, SENSORD
from tests.mqtt.listener import Listener
from tests.mqtt.mosquitto import Broker, until

TOPICS = Topics("sensord", "attic")
TOO_COLD = TOPICS.alarm("brooder", Condition.TOO_COLD)


@pytest.fixture
def house(tmp_path: Path, broker: Broker) -> Iterator[House]:
    with House(tmp_path, broker.port) as house:
        yield house


def test_from_reading_to_alarm_to_acknowledged_to_normal_to_a_will(broker: Broker, house: House) -> None:
    clock = SystemClock()
    with Listener(broker.port) as listener:
        daemon = house.run()
        listener.wait_payload(TOPICS.status, b"online")
        until(lambda: {h.fields["value"] for h in listener.on(TOPICS.probe("air"))} >= {34.5})

        house.air = 32.0
        until(lambda: listener.wait(TOO_COLD)[-1].fields["state"] == "unacknowledged", seconds=20)
        listener.send(TOPICS.command("acknowledge"), '{"place": "brooder", "request": "phone-1"}')
        until(lambda: listener.wait(TOO_COLD)[-1].fields["state"] == "acknowledged")
        answer = listener.wait(TOPICS.done)[0].fields
        assert (answer["request"], answer["done"]) == ("phone-1", True)

        house.air = 34.5
        until(lambda: listener.wait(TOO_COLD)[-1].fields["state"] == "normal", seconds=20)
        states = [
            event.fields["state"]
            for event in listener.on(TOPICS.event)
            if event.fields["kind"] == "alarm" and event.fields["condition"] == "too-cold"
        ]
        assert states == ["unacknowledged", "acknowledged", "normal"]
        numbers = [event.fields["number"] for event in listener.on(TOPICS.event)]
        assert numbers == list(range(1, len(numbers) + 1))

        house.air = 32.0
        until(lambda: listener.wait(TOO_COLD)[-1].fields["active"], seconds=20)
        daemon.send_signal(signal.SIGKILL)
        killed = clock.monotonic_seconds()
        listener.wait_payload(TOPICS.status, b"offline", seconds=1.5 * KEEPALIVE_SECONDS)
        print(f"the will came {clock.monotonic_seconds() - killed:.2f} s after kill -9")

        house.air = 34.5
        daemon = house.run()
        listener.wait_payload(TOPICS.status, b"online")
        until(lambda: not listener.wait(TOO_COLD)[-1].fields["active"], what="no stale alarm left")
        daemon.send_signal(signal.SIGTERM)
        listener.wait_payload(TOPICS.status, b"offline", seconds=5)
        daemon.communicate(timeout=60)
        assert daemon.returncode == 0


def test_the_demo_publishes_and_leaves_nothing_at_the_broker(broker: Broker) -> None:
    demo = [*SENSORD, "demo", "--speed", "60", "--for", "5m", "--plain", "--broker", f"127.0.0.1:{broker.port}"]
    with Listener(broker.port) as listener, subprocess.Popen(demo, cwd=ROOT, stdout=subprocess.DEVNULL) as process:
        listener.wait_payload("sensord/demo/status", b"online", seconds=20)
        listener.wait("sensord/demo/brooder/nest")
        listener.wait("homeassistant/device/sensord_demo/config")
        assert process.wait(60) == 0
    with Listener(broker.port) as later:
        later.send("the/end", "")
        later.wait("the/end")
        assert [heard.topic for heard in later.heard] == ["the/end"]
