"""A short visit to the broker by hand, that takes away what a unit has left there."""

import threading
from collections.abc import Iterable
from dataclasses import replace
from secrets import token_hex

from sensord.errors import BrokerError
from sensord.mqtt.broker import BrokerSettings, Connection, Link, Message, Received
from sensord.mqtt.topics import Topics

__all__ = ["clear"]

PATIENCE_SECONDS = 8.0


class _Visit:
    """A handler that hears a retained topic, publishes when it may, and waits until all was taken."""

    def __init__(self, listen_to: str, messages: Iterable[Message]) -> None:
        self._listen_to = listen_to
        self._messages = list(messages)
        self._waiting: set[int] = set()
        self.heard: list[Received] = []
        self.refused = ""
        self.inside = threading.Event()
        self.heard_something = threading.Event()
        self.all_taken = threading.Event()
        self.may_speak = threading.Event()

    def connected(self, link: Link) -> None:
        link.subscribe(self._listen_to, replay_retained=True)
        self.inside.set()

    def received(self, message: Received) -> None:
        self.heard.append(message)
        self.heard_something.set()

    def confirmed(self, identifier: int, refusal: str) -> None:
        self.refused = self.refused or refusal
        self._waiting.discard(identifier)

    def turn(self, link: Link) -> float:
        if not self.may_speak.is_set():
            return 0.1
        while self._messages and len(self._waiting) < 20:
            self._waiting.add(link.publish(self._messages.pop(0)))
        if not self._messages and not self._waiting:
            self.all_taken.set()
        return 0.1


def clear(settings: BrokerSettings, topics: Topics, held: Iterable[str]) -> None:
    """Take every retained message of the unit off the broker.

    Raises `BrokerError` where the broker cannot be had, refuses, or the daemon of the unit is running.
    """
    messages = [Message(topic=topic, payload=b"", qos=1, retain=True) for topic in sorted({*held, topics.status})]
    visit = _Visit(topics.status, messages)
    # An id of its own, so that the daemon is not pushed out.
    connection = Connection(replace(settings, client_id=f"{settings.client_id}-{token_hex(3)}"), visit)
    connection.start()
    try:
        if not _let_in(visit, connection):
            raise BrokerError(connection.words)
        if visit.heard_something.wait(1.0) and visit.heard[0].payload == b"online":
            raise BrokerError(
                f"the daemon of unit '{topics.unit}' is online and would say everything again: stop it first"
            )
        visit.may_speak.set()
        if not visit.all_taken.wait(PATIENCE_SECONDS + len(messages) / 10) or visit.refused:
            raise BrokerError(f"the broker did not take everything ({visit.refused or 'no answer'}): try again")
    finally:
        connection.close()


def _let_in(visit: _Visit, connection: Connection) -> bool:
    """Whether the broker let us in; a refusal is not waited out, but an older MQTT version is tried."""
    waited = 0.0
    while not visit.inside.wait(0.1):
        waited += 0.1
        if waited > PATIENCE_SECONDS or not ("not connected yet" in connection.words or "3.1.1" in connection.words):
            return False
    return True
