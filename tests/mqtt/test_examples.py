"""The broker files under config/ do what they say: tried with a real mosquitto, as written but for folders and port."""

import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.mqtt.conftest import Daemon
from tests.mqtt.listener import Listener
from tests.mqtt.mosquitto import DURABLE, Broker, until
from tests.mqtt.world import TOPICS, alarm_changed, snapshot

Start = Callable[..., Daemon]
CONFIG = Path(__file__).parents[2] / "config"
LOGINS = {"nursery": "n", "attic": "a", "hub": "h", "viewer": "v"}


@pytest.fixture
def guarded(tmp_path: Path) -> Iterator[Broker]:
    folder = tmp_path / "guarded"
    folder.mkdir()
    (folder / "users").touch(mode=0o600)
    for user, word in LOGINS.items():
        subprocess.run(["mosquitto_passwd", "-b", folder / "users", user, word], check=True)
    (folder / "sensord.acl").write_text((CONFIG / "mosquitto-acl.example").read_text())
    text = (CONFIG / "mosquitto.conf.example").read_text()
    text = text.replace("/etc/mosquitto/sensord.users", "{folder}/users")
    text = text.replace("/etc/mosquitto/sensord.acl", "{folder}/sensord.acl").replace(
        "listener 1883", "listener {port}"
    )
    broker = Broker(folder, text.splitlines()).start()
    yield broker
    broker.kill()


def test_a_unit_says_all_of_its_own_and_nothing_of_another(guarded: Broker, daemon: Start, tmp_path: Path) -> None:
    secret = tmp_path / "password"
    secret.write_text(LOGINS["nursery"])
    announced = {
        "homeassistant/device/sensord_nursery/config": b"{}",
        "homeassistant/sensor/sensord_nursery/probe_air_temperature/config": b"{}",
    }
    nursery = daemon(guarded.port, announced=announced, username="nursery", password_file=secret)
    with Listener(guarded.port, login=("hub", "h")) as hub:
        until(lambda: nursery.publisher.working)
        nursery.publisher.handle(snapshot())
        nursery.publisher.handle(alarm_changed(1.0))
        states = (TOPICS.status, TOPICS.probe("paste"), TOPICS.dish("dish"), TOPICS.brooder("brooder"))
        for topic in (*states, TOPICS.event, *announced):
            hub.wait(topic)
        hub.send(TOPICS.command("batch"), "PRESS")
        until(lambda: len(nursery.delivered) == 1)
        assert nursery.publisher.working, nursery.publisher.words()
        with (
            Listener(guarded.port, login=("attic", "a")) as attic,
            Listener(guarded.port, login=("viewer", "v")) as viewer,
        ):
            attic.send(TOPICS.probe("air"), '"a lie"')
            viewer.send(TOPICS.command("batch"), "PRESS")
            hub.send("sensord/nursery/checkup", "the hub may not write states either")
            hub.send(TOPICS.command("batch"), "PRESS")
            until(lambda: len(nursery.delivered) == 2)
            assert b"lie" not in b"".join(heard.payload for heard in hub.heard)
            assert not hub.on("sensord/nursery/checkup")


def test_a_unit_hears_the_word_by_which_checkup_tries_its_rights(guarded: Broker) -> None:
    with Listener(guarded.port, ("sensord/nursery/checkup",), login=("nursery", "n")) as nursery:
        nursery.send("sensord/nursery/checkup", "word")
        nursery.wait("sensord/nursery/checkup")


def test_the_lines_that_the_durability_tests_use_are_those_of_the_example() -> None:
    lines = (CONFIG / "mosquitto.conf.example").read_text().splitlines()
    assert set(DURABLE) <= set(lines)
