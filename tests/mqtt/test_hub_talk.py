"""Discovery over a real broker: said at birth, said again when the hub is back, taken away when it has gone."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from sensord.cli import main
from sensord.clock import SystemClock
from sensord.config.loading import parse
from sensord.config.sections import Config
from sensord.mqtt import publishing
from sensord.mqtt.outbox import Outbox
from sensord.mqtt.publisher import MOST_BIRTHS, Publisher
from tests.mqtt.listener import Listener
from tests.mqtt.mosquitto import Broker, until

DEVICE = "homeassistant/device/sensord_nursery/config"
STATUS = "sensord/nursery/status"

CONFIG = """
[unit]
name = "nursery"
state_folder = "{state}"
[probes.air]
rom = "28-0000072431ab"
place = "brooder"
{more}
[brooders.brooder]
probes = ["air"]
band = {{ low_celsius = 33.2, high_celsius = 35.8 }}
[mqtt]
host = "127.0.0.1"
port = {port}
[mqtt.discovery]
form = "{form}"
"""
FLOOR = '[probes.floor]\nrom = "28-0000072431ac"\nplace = "room"'


class Station:
    """A broker and a state folder, where units come and go."""

    def __init__(self, broker: Broker, folder: Path) -> None:
        self.broker = broker
        self.state = folder / "state"
        self.file = folder / "sensord.toml"
        self._open: list[Publisher] = []

    def config(self, more: str = "", form: str = "device") -> Config:
        text = CONFIG.format(state=self.state, port=self.broker.port, more=more, form=form)
        self.file.write_text(text)
        return parse(text, "file")

    def live(self, config: Config) -> Publisher:
        assert config.mqtt is not None
        made = publishing.open_publisher(config, config.mqtt, self.state, SystemClock(), lambda _command: None)
        made._birth_delay_seconds = lambda: 0.05
        made.start()
        self._open.append(made)
        until(lambda: made.working)
        with Listener(self.broker.port) as listener:  # discovery is said before the status
            listener.wait_payload(STATUS, b"online")
        return made

    def die(self) -> None:
        while self._open:
            self._open.pop().close()


@pytest.fixture
def station(broker: Broker, tmp_path: Path) -> Iterator[Station]:
    made = Station(broker, tmp_path)
    yield made
    made.die()


def test_the_hub_is_told_at_birth_and_again_when_it_is_back(station: Station) -> None:
    station.live(station.config())
    with Listener(station.broker.port) as listener:
        (first,) = listener.wait(DEVICE)
        assert first.retained
        assert "probe_air_temperature" in first.fields["components"]
        listener.send("homeassistant/status", "offline")
        listener.send("homeassistant/status", "online")
        again = listener.wait(DEVICE, 2)[1]
        assert again.payload == first.payload
        listener.wait(STATUS, 2)


def test_a_flood_of_claims_to_be_the_hub_is_answered_a_few_times(station: Station) -> None:
    made = station.live(station.config())
    made._birth_delay_seconds = lambda: 0.0
    with Listener(station.broker.port) as listener:
        for _ in range(500):
            listener.send("homeassistant/status", "online")
        listener.send("sensord/nursery/do/acknowledge", "PRESS")
        until(lambda: made._gate._seen, what="the last message")
        listener.send("the/end", "")
        listener.wait("the/end")
        assert 2 <= len(listener.on(DEVICE)) <= 1 + MOST_BIRTHS


def test_a_dropped_probe_leaves_the_hub_and_its_topic(station: Station) -> None:
    station.live(station.config(FLOOR))
    station.die()
    with Listener(station.broker.port) as listener:
        assert "probe_floor_temperature" in listener.wait(DEVICE)[0].fields["components"]
        station.live(station.config())
        listener.wait(DEVICE, 2)
        components = listener.on(DEVICE)[1].fields["components"]
        assert components["probe_floor_temperature"] == {"platform": "sensor"}
        assert len(components["probe_air_temperature"]) > 5


def test_the_other_form_replaces_the_one_before(station: Station) -> None:
    station.live(station.config(form="entity"))
    station.die()
    old = "homeassistant/sensor/sensord_nursery/probe_air_temperature/config"
    with Listener(station.broker.port) as listener:
        assert json.loads(listener.wait(old)[0].payload)["expire_after"] == 60
        station.live(station.config(form="device"))
        listener.wait_payload(old, b"")
        listener.wait(DEVICE)
        order = [heard.topic for heard in listener.heard if not heard.retained]
        assert order.index(old) < order.index(DEVICE), "an id must have gone before it comes again"


def left_at(broker: Broker) -> set[str]:
    with Listener(broker.port) as listener:
        listener.send("the/end", "")
        listener.wait("the/end")
        return {heard.topic for heard in listener.heard} - {"the/end"}


def test_remove_leaves_nothing_behind_but_not_while_the_daemon_lives(
    station: Station, capsys: pytest.CaptureFixture[str]
) -> None:
    station.live(station.config(FLOOR))
    until(lambda: DEVICE in left_at(station.broker))
    assert main(["mqtt", "remove", "--config", str(station.file)]) == 1
    assert "is online" in capsys.readouterr().out
    station.die()
    assert DEVICE in left_at(station.broker)
    assert main(["mqtt", "remove", "--config", str(station.file)]) == 0
    assert left_at(station.broker) == set()
    assert Outbox(station.state / "outbox.db").held() == set()


def test_schema_is_printed_without_any_config(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["mqtt", "schema"]) == 0
    assert "topics" in json.loads(capsys.readouterr().out)
