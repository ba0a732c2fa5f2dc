"""One connection to an MQTT broker, kept up by a thread of its own. The only module that imports paho.

The thread builds a fresh client for every connection and runs paho's loop on it; the client's own reconnecting would
carry messages of the old session into the new one, before those that must go first. paho's callbacks only put down
what happened; the `Handler` is called afterwards, one call at a time, and an exception in it is counted and told.

MQTT 5 first; where the broker does not know it, 3.1.1 from then on. Fresh session, so that no command waits for us.
"""

import random
import socket
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any, Literal, NamedTuple, Protocol

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from sensord.clock import SystemClock
from sensord.config.sections import MqttSection
from sensord.errors import BrokerError
from sensord.mqtt.broker_login import password, tls_context, why_unreachable

FIRST_BACK_OFF_SECONDS, LONGEST_BACK_OFF_SECONDS = 1.0, 60.0
CONNECT_SECONDS = 5.0
GOODBYE_SECONDS = 2.0
SETTLED_SECONDS = 30.0
"""A connection that stood this long was a good one: the next attempt after it is a quick one again."""
_UNTRIED = "not connected yet"


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """Something to publish; `expiry_seconds` is heeded by MQTT 5 only."""

    topic: str
    payload: bytes
    qos: Literal[0, 1] = 0
    retain: bool = False
    expiry_seconds: int | None = None


class Received(NamedTuple):
    """Something that came; `retained` as the broker marks it."""

    topic: str
    payload: bytes
    retained: bool


class Handler(Protocol):
    """What lives on a connection. Only one call of it runs at any time."""

    def connected(self, link: "Connection") -> None:
        """A new session has begun: nothing of an older one will be confirmed any more."""

    def received(self, message: Received) -> None:
        """A message came."""

    def confirmed(self, identifier: int, refusal: str) -> None:
        """The broker has answered a publish at QoS 1; `refusal` is empty where it took it."""

    def turn(self, link: "Connection") -> None:
        """Publish what is waiting; called at least once a second while connected."""


class Connection:
    """Keeps `handler` connected to the broker of `section` until `close`.

    `will` is published by the broker when we vanish, and by us on a clean goodbye. `jitter` returns a number from 0
    to 1; back-off is between half of it and the whole.
    """

    def __init__(
        self,
        section: MqttSection,
        client_id: str,
        handler: Handler,
        will: Message | None = None,
        largest_packet_bytes: int = 4096,
        jitter: Callable[[], float] = random.random,
    ) -> None:
        self._section = section
        self._client_id = client_id
        self._handler = handler
        self._will = will
        self._largest_packet_bytes = largest_packet_bytes
        self._jitter = jitter
        self._clock = SystemClock()
        self._protocol = MQTTProtocolVersion.MQTTv311 if section.version == "3.1.1" else MQTTProtocolVersion.MQTTv5
        self._stop = threading.Event()
        self._lock = threading.RLock()
        self._thread = threading.Thread(target=self._run, name="mqtt", daemon=True)
        self._client: Client | None = None
        self._happened: deque[Callable[[], None]] = deque()
        self._parting: ReasonCode | None = None
        self._was_up = False
        self._short_lives = 0
        self.up = False
        self.parted_well = False
        """Whether the last session ended with our own goodbye."""
        self.trouble = _UNTRIED

    def start(self) -> None:
        """Begin to connect; returns at once, broker or not."""
        self._thread.start()

    def wake(self) -> None:
        """Have the handler's turn now, on the caller's thread, if there is a connection."""
        with self._lock:
            if self.up:
                self._guarded(partial(self._handler.turn, self))

    def close(self) -> None:
        """Say goodbye (the will's message, then DISCONNECT) and end the thread; takes a few seconds at most."""
        self._stop.set()
        with self._lock:
            if self._client is not None:
                if self.up and self._will is not None:
                    self.publish(self._will)
                self._client.disconnect()
        if self._thread.ident is not None:
            self._thread.join(CONNECT_SECONDS + GOODBYE_SECONDS)

    @property
    def missing(self) -> bool:
        """Whether there is no connection although one was tried."""
        return not self.up and self.trouble != _UNTRIED

    @property
    def words(self) -> str:
        """One line for a person: connected to what, or why not."""
        where = f"{self._section.host}:{self._section.port}"
        if self.up:
            secure = ", encrypted" if self._section.encrypted else ""
            return f"connected to {where}, MQTT {'5' if self._is_5 else '3.1.1'}{secure}"
        return f"no broker at {where}: {self.trouble}"

    # --- for the handler, from within its own calls only --------------------------------------------------------------

    def publish(self, message: Message) -> int:
        """Send, or queue where the socket is full; the id that `confirmed` will name (QoS 1). 0: not sent."""
        if self._client is None:
            return 0
        properties = None
        if self._is_5 and message.expiry_seconds is not None:
            properties = _properties(PacketTypes.PUBLISH)
            properties.MessageExpiryInterval = message.expiry_seconds
        told = self._client.publish(message.topic, message.payload, message.qos, message.retain, properties)
        return told.mid if told.rc == MQTTErrorCode.MQTT_ERR_SUCCESS else 0

    def subscribe(self, topic: str, replay_retained: bool) -> None:
        """Ask for a topic at QoS 0, with or without what is retained there now."""
        if self._client is None:
            return
        options = None
        if self._is_5:
            # retainAsPublished: a command published as retained just now is seen as such, and can be refused.
            handling = SubscribeOptions.RETAIN_SEND_ON_SUBSCRIBE
            if not replay_retained:
                handling = SubscribeOptions.RETAIN_DO_NOT_SEND
            options = SubscribeOptions(qos=0, retainAsPublished=True, retainHandling=handling)
        self._client.subscribe(topic, qos=0, options=options)

    def busy(self) -> bool:
        """Whether something still waits to be sent: better to wait with what is not urgent."""
        return self._client is None or self._client.want_write()

    # --- the thread -------------------------------------------------------------------------------------------------

    @property
    def _is_5(self) -> bool:
        return self._protocol == MQTTProtocolVersion.MQTTv5

    def _run(self) -> None:
        delay = FIRST_BACK_OFF_SECONDS
        while not self._stop.is_set():
            started = self._clock.monotonic_seconds()
            try:
                self._session()
            except BrokerError as error:
                self.trouble = str(error)
            except Exception as error:  # a bug here, or a broker's packet that nobody can read
                self.trouble = f"unexpected {type(error).__name__}: {error}"
            finally:
                with self._lock:
                    self.up, self._client = False, None
            if self._clock.monotonic_seconds() - started > SETTLED_SECONDS:
                delay, self._short_lives = FIRST_BACK_OFF_SECONDS, 0
            elif self._was_up:
                self._short_lives += 1
            self._stop.wait(delay * (0.5 + 0.5 * self._jitter()))
            delay = min(2 * delay, LONGEST_BACK_OFF_SECONDS)

    def _session(self) -> None:
        """One connection from connect to loss or goodbye. Raises `BrokerError` with the sentence for the screen."""
        self._happened.clear()
        self._parting, self._was_up = None, False
        client = self._built()
        try:
            self._connect(client)
            with self._lock:
                if self._stop.is_set():
                    return
                self._client = client
            while client.loop(1.0) == MQTTErrorCode.MQTT_ERR_SUCCESS and self._parting is None:
                self._take_in()
                self.wake()
            self._take_in()
            if not self._stop.is_set():
                raise BrokerError(self._lost())
            self.parted_well = self._was_up and self._parting is not None and not self._parting.is_failure
        except BrokerError:
            raise  # an OSError too, but it has its sentence already
        except OSError as error:
            raise BrokerError(why_unreachable(self._section, error)) from error
        finally:
            sock = client.socket()
            if sock is not None:
                sock.close()

    def _connect(self, client: Client) -> None:
        where = (self._section.host, self._section.port, self._section.keepalive_seconds)
        if self._is_5:
            properties = _properties(PacketTypes.CONNECT)
            properties.SessionExpiryInterval = 0
            properties.MaximumPacketSize = self._largest_packet_bytes
            client.connect(*where, clean_start=True, properties=properties)
        else:
            client.connect(*where)
        sock = client.socket()
        # Small messages in a row would wait for the broker's delayed acknowledgement, 40 ms each time.
        if isinstance(sock, socket.socket):
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def _built(self) -> Client:
        section = self._section
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._client_id,
            protocol=self._protocol,
            clean_session=None if self._is_5 else True,
            reconnect_on_failure=False,
        )
        client.suppress_exceptions = True
        client.connect_timeout = CONNECT_SECONDS
        client.max_inflight_messages_set(200)
        secret = password(section)
        if section.username is not None:
            client.username_pw_set(section.username, secret)
        if section.encrypted:
            client.tls_set_context(tls_context(section))
        if self._will is not None:
            client.will_set(self._will.topic, self._will.payload, self._will.qos, self._will.retain)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        client.on_publish = self._on_publish
        # Without one, a publish from another thread would write to the socket beside the loop.
        client.on_socket_register_write = lambda *_: None
        return client

    # Callbacks only put down what happened: paho holds locks while they run.

    def _on_connect(self, _client: Any, _data: Any, _flags: Any, reason: ReasonCode, _properties: Any) -> None:
        self._happened.append(partial(self._let_in, reason))

    def _on_disconnect(self, _client: Any, _data: Any, _flags: Any, reason: ReasonCode, _properties: Any) -> None:
        # The broker's own reason comes first; the closed connection after it knows none.
        self._parting = self._parting or reason

    def _on_message(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        received = Received(message.topic, bytes(message.payload), message.retain)
        self._happened.append(partial(self._handler.received, received))

    def _on_publish(self, _client: Any, _data: Any, identifier: int, reason: ReasonCode, _properties: Any) -> None:
        refusal = str(reason) if reason.is_failure else ""
        self._happened.append(partial(self._handler.confirmed, identifier, refusal))

    def _take_in(self) -> None:
        """Hand over what the callbacks have put down."""
        with self._lock:
            while self._happened:
                self._guarded(self._happened.popleft())

    def _let_in(self, reason: ReasonCode) -> None:
        if reason.is_failure:
            raise BrokerError(self._refused(reason))
        self._was_up = self.up = True
        self.trouble = ""
        self._handler.connected(self)

    def _guarded(self, call: Callable[[], None]) -> None:
        """Whatever a handler does, the connection stays; SystemExit would end the thread unheard."""
        try:
            call()
        except BrokerError:
            raise
        except BaseException as error:
            self.trouble = f"unexpected {type(error).__name__} while connected: {error}"

    # --- sentences --------------------------------------------------------------------------------------------------

    def _refused(self, reason: ReasonCode) -> str:
        name = reason.getName()
        if name == "Unsupported protocol version" and self._is_5 and self._section.version == "auto":
            self._protocol = MQTTProtocolVersion.MQTTv311
            return "it does not speak MQTT 5, trying 3.1.1"
        if name in ("Not authorized", "Bad user name or password"):
            return (
                "it refuses the login: check mqtt.username and mqtt.password_file (or the credential mqtt-password),"
                " and that the broker knows them"
            )
        if name == "Client identifier not valid":
            return f"it does not like the client id {self._client_id!r}: choose a shorter unit.name"
        return f"it refuses the connection: {name}"

    def _lost(self) -> str:
        reason = self._parting.getName() if self._parting is not None else "no reason given"
        if reason == "Keep alive timeout":
            if not self._was_up:
                return "the broker accepts the connection and then says nothing: is it an MQTT broker?"
            return f"nothing heard from it for {self._section.keepalive_seconds} s: the network or the broker is down"
        if not self._was_up:
            if self._section.version == "auto":
                # Some old brokers hang up on a version that they do not know instead of refusing it.
                self._protocol = MQTTProtocolVersion.MQTTv311 if self._is_5 else MQTTProtocolVersion.MQTTv5
            return (
                "it hangs up before the login is done: check mqtt.port, mqtt.tls if the port wants TLS,"
                " and whether the broker is full (max_connections)"
            )
        # Not every broker gives the reason; who is thrown out again and again soon after the login can guess it.
        if reason == "Session taken over" or self._short_lives >= 2:
            return (
                f"another program seems to use the client id {self._client_id!r} and pushes this one out:"
                " give every daemon its own unit.name"
            )
        return f"the connection was lost ({reason})"


def _properties(packet: int) -> Properties:
    return Properties(packet)  # type: ignore[no-untyped-call]  # paho leaves this constructor untyped
