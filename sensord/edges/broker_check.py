"""Short visits to the broker by hand: does it let us in and carry what we say, and clearing what we left there."""

import threading
from collections.abc import Iterable
from dataclasses import dataclass, replace
from secrets import token_hex

from sensord.edges.broker import BrokerSettings, Connection, Link, Message, Received
from sensord.edges.topics import Topics
from sensord.errors import BrokerError

__all__ = ["Finding", "check", "clear"]

PATIENCE_SECONDS = 8.0
ANSWER_SECONDS = 3.0


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at: whether it is right, and a sentence."""

    subject: str
    good: bool
    words: str


class _Visit:
    """A handler that subscribes, publishes and waits for what comes of it."""

    def __init__(self, listen_to: str, messages: Iterable[Message], replay_retained: bool) -> None:
        self._listen_to = listen_to
        self._messages = list(messages)
        self._replay_retained = replay_retained
        self._waiting: set[int] = set()
        self.heard: list[Received] = []
        self.refused = ""
        self.inside = threading.Event()
        self.heard_something = threading.Event()
        self.all_taken = threading.Event()
        self.may_speak = threading.Event()

    def connected(self, link: Link) -> None:
        link.subscribe(self._listen_to, self._replay_retained)
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


def check(settings: BrokerSettings, topics: Topics) -> list[Finding]:
    """Reach, login and round trip, with a client id of its own so that a running daemon is left alone.

    A 3.1.1 broker answers a forbidden publish with success: only what comes back proves the right to say it.
    """
    topic = f"{topics.root}/check"
    word = token_hex(8).encode()
    visit = _Visit(topic, [Message(topic, word, qos=1)], replay_retained=False)
    connection = Connection(_beside(settings), visit)
    connection.start()
    try:
        if not visit.inside.wait(PATIENCE_SECONDS):
            return [Finding("broker", False, connection.words)]
        found = [Finding("broker", True, connection.words)]
        visit.may_speak.set()
        back = visit.heard_something.wait(ANSWER_SECONDS) and visit.heard[0].payload == word
        words = f"what it says on {topic} comes back"
        if not back:
            refused = f" ({visit.refused})" if visit.refused else ""
            words = (
                f"what it says on {topic} does not come back{refused}: the broker's access list should let this user"
                f" write and read below {topics.root}/ (config/mosquitto-acl.example)"
            )
        return [*found, Finding("broker access", back, words)]
    finally:
        connection.close()


def clear(settings: BrokerSettings, topics: Topics, held: Iterable[str]) -> None:
    """Take every retained message of the unit off the broker.

    Raises `BrokerError` where the broker cannot be had, refuses, or the daemon of the unit is running.
    """
    messages = [Message(topic, b"", qos=1, retain=True) for topic in sorted({*held, topics.status})]
    visit = _Visit(topics.status, messages, replay_retained=True)
    connection = Connection(_beside(settings), visit)
    connection.start()
    try:
        if not visit.inside.wait(PATIENCE_SECONDS):
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


def _beside(settings: BrokerSettings) -> BrokerSettings:
    return replace(settings, client_id=f"{settings.client_id}-{token_hex(3)}")
