"""The broker: reached, logged in to, and does what we publish come back?

A connection of its own, under another client id so that the running daemon's is left alone; one message that is not
retained, on a topic that nobody else listens to.
"""

import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from secrets import token_hex

from sensord.checks.site import CheckFinding, Site, bad, fine, warn
from sensord.clock import Clock, SystemClock
from sensord.config.sections import MqttSection
from sensord.mqtt.broker import Connection, Message, Received
from sensord.mqtt.broker_login import open_secrets
from sensord.mqtt.messages import Topics

CREDENTIAL = Path("/etc/sensord/mqtt-password")
_PATIENCE_SECONDS = 12.0
_RIGHTS = "give this user the right to write and read {root}/# in the broker's access list"


@dataclass
class _Echo:
    """Publishes one message, and listens for it."""

    topic: str
    clock: Clock
    payload: bytes = field(default_factory=lambda: token_hex(8).encode())
    welcome: threading.Event = field(default_factory=threading.Event)
    answered: threading.Event = field(default_factory=threading.Event)
    echoed: threading.Event = field(default_factory=threading.Event)
    refusal: str = ""
    sent_seconds: float = 0.0
    took_seconds: float = 0.0

    def connected(self, link: Connection) -> None:
        self.welcome.set()
        link.subscribe(self.topic, replay_retained=False)
        self.sent_seconds = self.clock.monotonic_seconds()
        link.publish(Message(topic=self.topic, payload=self.payload, qos=1, expiry_seconds=10))

    def received(self, message: Received) -> None:
        if message.payload == self.payload:
            self.took_seconds = self.clock.monotonic_seconds() - self.sent_seconds
            self.echoed.set()

    def confirmed(self, _identifier: int, refusal: str) -> None:
        self.refusal = refusal
        self.answered.set()

    def turn(self, _link: Connection) -> None:
        """Nothing waits."""


def broker(site: Site, patience_seconds: float = _PATIENCE_SECONDS) -> Iterator[CheckFinding]:
    """Reach, login, rights and round trip; why not, where one of them fails."""
    section = site.config.mqtt
    if section is None:
        yield fine("mqtt.wanted", "no broker is configured: nothing is published, and nothing is missed")
        return
    if secrets := open_secrets(section):
        yield warn("mqtt.secrets", *secrets.rsplit(": ", 1))
    section, trouble = _with_password(site, section)
    if trouble is not None:
        yield trouble
        return
    topics = Topics(section.base, site.config.unit.name)
    root = topics.root
    clock = SystemClock()
    echo = _Echo(f"{root}/checkup", clock)
    connection = Connection(section, f"{topics.client_id}-checkup-{token_hex(2)}", echo)
    connection.start()
    try:
        yield from _told(echo, connection, root, clock, patience_seconds)
    finally:
        connection.close()
    if not section.encrypted and section.username is not None and section.host not in ("localhost", "127.0.0.1", "::1"):
        yield warn(
            "mqtt.secrecy",
            "the password goes over the network unencrypted",
            "fine at home behind a router; else give the broker TLS and set mqtt.tls = true or mqtt.ca_file",
        )


def _told(
    echo: _Echo, connection: Connection, root: str, clock: Clock, patience_seconds: float
) -> Iterator[CheckFinding]:
    deadline = clock.monotonic_seconds() + patience_seconds
    while not echo.welcome.wait(0.1):
        done = clock.monotonic_seconds() >= deadline
        if done or (connection.trouble != "not connected yet" and "trying 3.1.1" not in connection.trouble):
            yield bad("mqtt.reach", connection.words, "mend what it names; the watch goes on without a broker")
            return
    yield fine("mqtt.reach", connection.words)
    if not echo.answered.wait(max(0.1, deadline - clock.monotonic_seconds())):
        yield bad("mqtt.publish", "it lets us in but never confirms what we publish", "look into the broker's log")
    elif echo.refusal:
        yield bad("mqtt.publish", f"it refuses what we publish ({echo.refusal})", _RIGHTS.format(root=root))
    elif echo.echoed.wait(2.0):
        yield fine("mqtt.echo", f"a message came back after {echo.took_seconds * 1000:.0f} ms")
    else:
        yield warn(
            "mqtt.echo",
            "what we publish does not come back to us: this user may not write or not read there, so states may be"
            " missing at the hub and commands may not reach us",
            _RIGHTS.format(root=root),
        )


def _with_password(site: Site, section: MqttSection) -> tuple[MqttSection, CheckFinding | None]:
    """As the daemon's, with the service's password where we may read it."""
    credential = site.machine.at(CREDENTIAL)
    if section.username is None or section.password_file is not None or "CREDENTIALS_DIRECTORY" in site.environment:
        return section, None
    try:
        if credential.read_text(encoding="utf-8").strip():
            return section.model_copy(update={"password_file": credential}), None
    except PermissionError:
        return section, warn(
            "mqtt.password", f"the password in {credential} is for root and the daemon only", "sudo sensord checkup"
        )
    except OSError:
        return section, None
    return section, None
