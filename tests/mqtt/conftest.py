"""Fixtures around a real broker."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from sensord.mqtt.publisher import Publisher
from sensord.watch.events import Command
from tests.mqtt.mosquitto import Broker
from tests.mqtt.world import publisher_at


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

    def start(port: int, unit: str = "nursery", **section: object) -> Daemon:
        delivered: list[Command] = []
        # A unit takes back what its state folder says it has published: each has a folder of its own.
        outbox = tmp_path / ("state" if unit == "nursery" else unit) / "outbox.db"
        publisher = publisher_at(port, outbox, unit, delivered.append, **section)  # type: ignore[arg-type]
        publisher.start()
        started.append(publisher)
        return Daemon(publisher, delivered)

    yield start
    for publisher in started:
        publisher.close()
