"""Fixtures around a real broker."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from sensord.clock import SystemClock
from sensord.mqtt.broker import BrokerSettings
from sensord.mqtt.outbox import Outbox
from sensord.mqtt.publisher import Publisher, PublisherSettings
from sensord.watch.events import Command
from tests.mqtt.mosquitto import Broker
from tests.mqtt.world import settings as unit_settings


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    broker = Broker(tmp_path / "broker").start()
    yield broker
    broker.kill()


class Daemon:
    """A publisher with what it was told to deliver."""

    def __init__(self, publisher: Publisher, delivered: list[Command]) -> None:
        self.publisher = publisher
        self.delivered = delivered


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[Callable[..., Daemon]]:
    """Starts publishers; all are closed at the end."""
    started: list[Publisher] = []

    def start(port: int, settings: PublisherSettings | None = None, **broker: object) -> Daemon:
        delivered: list[Command] = []
        told = settings or unit_settings()
        publisher = Publisher(
            told,
            BrokerSettings(**{"host": "127.0.0.1", "port": port, "client_id": "sensord-nursery", **broker}),  # type: ignore[arg-type]
            # A unit takes back what its state folder says it has published: each has a folder of its own.
            Outbox(tmp_path / ("state" if told.topics.unit == "nursery" else told.topics.unit) / "outbox.db"),
            SystemClock(),
            delivered.append,
            birth_delay_seconds=lambda: 0.0,
        )
        publisher.start()
        started.append(publisher)
        return Daemon(publisher, delivered)

    yield start
    for publisher in started:
        publisher.close()
