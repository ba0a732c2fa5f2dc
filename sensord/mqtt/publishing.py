"""From the config to the MQTT output, and the visit by hand that takes away what a unit has left at the broker."""

import contextlib
import threading
from collections.abc import Callable, Iterable
from pathlib import Path
from secrets import token_hex

from sensord import __version__
from sensord.clock import Clock
from sensord.config.folders import load_profile, shipped_profiles
from sensord.config.sections import Config, MqttSection
from sensord.errors import BrokerError, StorageError
from sensord.mqtt.broker import Connection, Message, Received
from sensord.mqtt.discovery import Announcement, announce, component_marks, gone_components
from sensord.mqtt.messages import Topics, expiry_seconds
from sensord.mqtt.outbox import IN_MEMORY, Outbox
from sensord.mqtt.publisher import Publisher
from sensord.watch.conditions import alarms_of
from sensord.watch.events import Command

OUTBOX = "outbox.db"


def stages_of(config: Config) -> dict[str, tuple[str, ...]]:
    """The stages that each brooder with a shipped profile can be set to from a hub."""
    known = shipped_profiles()
    return {
        name: load_profile(section.profile).stages
        for name, section in config.brooders.items()
        if section.profile in known and section.band is None
    }


def announcement(config: Config, section: MqttSection) -> Announcement:
    """The unit as a hub is told of it."""
    return Announcement(
        topics=Topics(section.base, config.unit.name),
        prefix=section.discovery.prefix,
        form=section.discovery.form,
        version=__version__,
        read_only=section.read_only,
        probes=tuple(config.probes),
        dishes=tuple(config.dishes),
        brooders=tuple(config.brooders),
        stages=stages_of(config),
        alarms=alarms_of(config.brooders, config.dishes),
        expiry_seconds=expiry_seconds(section.interval_seconds),
    )


def open_publisher(
    config: Config, section: MqttSection, state_folder: Path, clock: Clock, deliver: Callable[[Command], None]
) -> Publisher:
    """The MQTT output, not started yet."""
    outbox = _outbox(config, section, state_folder / OUTBOX)
    announced: dict[str, bytes] = {}
    if section.discovery.enabled:
        unit = announcement(config, section)
        announced = dict(announce(unit, gone_components(unit, outbox.held())))
    alarms = alarms_of(config.brooders, config.dishes)
    return Publisher(section, config.unit.name, outbox, clock, deliver, alarms=alarms, announced=announced)


def _outbox(config: Config, section: MqttSection, path: Path) -> Outbox:
    """The outbox on the disk; where that is full or read-only, one in memory, so that the watch starts all the same."""
    marks = component_marks(announcement(config, section)) if section.discovery.enabled else ()
    with contextlib.ExitStack() as opened:
        try:
            outbox = Outbox(path)
            opened.callback(outbox.close)
            outbox.hold(marks)
        except StorageError as error:
            return Outbox(IN_MEMORY, trouble=f"what waits for the broker is lost with the power: {error}")
        opened.pop_all()
        return outbox


# --- taking a unit off the broker ---------------------------------------------------------------------------------

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

    def connected(self, link: Connection) -> None:
        link.subscribe(self._listen_to, replay_retained=True)
        self.inside.set()

    def received(self, message: Received) -> None:
        self.heard.append(message)
        self.heard_something.set()

    def confirmed(self, identifier: int, refusal: str) -> None:
        self.refused = self.refused or refusal
        self._waiting.discard(identifier)

    def turn(self, link: Connection) -> None:
        while self.may_speak.is_set() and self._messages and len(self._waiting) < 20:
            self._waiting.add(link.publish(self._messages.pop(0)))
        if not self._messages and not self._waiting:
            self.all_taken.set()


def forget_unit(config: Config, section: MqttSection, state_folder: Path) -> int:
    """Take every retained message and hub entity of this unit off the broker; how many topics there were.

    Raises `BrokerError` where the broker cannot be had or does not do it, or the daemon is running and would say it
    all again.
    """
    outbox = Outbox(state_folder / OUTBOX)
    try:
        held = {topic for topic in outbox.held() if "#" not in topic}
        # Even where the state folder was lost, what the config says now can be cleared.
        held |= {topic for topic, _ in announce(announcement(config, section))}
        _clear(section, Topics(section.base, config.unit.name), held)
        outbox.let_go(outbox.held())
    finally:
        outbox.close()
    return len(held)


def _clear(section: MqttSection, topics: Topics, held: Iterable[str]) -> None:
    messages = [Message(topic=topic, payload=b"", qos=1, retain=True) for topic in sorted({*held, topics.status})]
    visit = _Visit(topics.status, messages)
    # An id of its own, so that the daemon is not pushed out.
    connection = Connection(section, f"{topics.client_id}-{token_hex(3)}", visit)
    connection.start()
    try:
        if not _let_in(visit, connection):
            raise BrokerError(connection.words)
        if visit.heard_something.wait(1.0) and visit.heard[0].payload == b"online":
            raise BrokerError(
                f"the daemon of unit '{topics.unit}' is online and would say everything again: stop it first"
            )
        visit.may_speak.set()
        connection.wake()
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
