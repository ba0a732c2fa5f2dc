"""One connection to an MQTT broker, kept up by a thread of its own. The only module that imports paho.

The thread builds a fresh client for every connection, drives it through paho's external loop, and calls the `Handler`
from outside paho's callbacks: an exception in a handler is counted and told, never the death of the thread (inside a
callback it would kill paho's own thread while `is_connected` stays true). Nothing here blocks anybody else.

MQTT 5 first; where the broker does not know it, 3.1.1 from then on. Fresh session, so that no command waits for us.
"""

import random
import select
import selectors
import socket
import ssl
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import Any, Literal, NamedTuple, Protocol

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from sensord.clock import SystemClock
from sensord.errors import BrokerError
from sensord.mqtt.broker_login import BrokerSettings, password, tls_context, why_unreachable

__all__ = ["BrokerSettings", "Connection", "Handler", "Link", "Message", "Received"]

CONNECT_SECONDS = 5.0
GOODBYE_SECONDS = 2.0
MOST_AT_ONCE = 200
"""Packets read before anything else gets its turn."""
SETTLED_SECONDS = 30.0
"""A connection that stood this long was a good one: the next attempt after it is a quick one again."""


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


class Link(Protocol):
    """What a handler may do while connected, from within its own calls only."""

    def publish(self, message: Message) -> int:
        """Send, or queue where the socket is full; the id that `confirmed` will name (QoS 1). 0: not sent."""

    def subscribe(self, topic: str, replay_retained: bool) -> None:
        """Ask for a topic at QoS 0, with or without what is retained there now."""

    def busy(self) -> bool:
        """Whether the socket is full: better to wait with what is not urgent."""


class Handler(Protocol):
    """What lives on a connection. All calls come from the connection's own thread."""

    def connected(self, link: Link) -> None:
        """A new session has begun: nothing of an older one will be confirmed any more."""

    def received(self, message: Received) -> None:
        """A message came."""

    def confirmed(self, identifier: int, refusal: str) -> None:
        """The broker has answered a publish at QoS 1; `refusal` is empty where it took it."""

    def turn(self, link: Link) -> float:
        """Publish what is waiting; in how many seconds to be called again at the latest."""


@dataclass(slots=True)
class _Inbox:
    """What paho's callbacks have put down for the loop."""

    connect: ReasonCode | None = None
    disconnect: ReasonCode | None = None
    messages: list[Received] = field(default_factory=list)
    confirmations: list[tuple[int, str]] = field(default_factory=list)


_UNTRIED = "not connected yet"


class Connection:
    """Keeps `handler` connected to the broker until `close`.

    `will` is published by the broker when we vanish, and by us on a clean goodbye. `jitter` returns a number from 0
    to 1; back-off is between half of it and the whole.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        handler: Handler,
        will: Message | None = None,
        jitter: Callable[[], float] = random.random,
    ) -> None:
        self._settings = settings
        self._handler = handler
        self._will = will
        self._jitter = jitter
        self._clock = SystemClock()
        self._protocol = MQTTProtocolVersion.MQTTv311 if settings.version == "3.1.1" else MQTTProtocolVersion.MQTTv5
        self._stop = threading.Event()
        self._woken, self._waker = socket.socketpair()
        self._woken.setblocking(False)
        self._waker.setblocking(False)
        self._thread = threading.Thread(target=self._run, name="mqtt", daemon=True)
        self._client: Client | None = None
        self._inbox = _Inbox()
        self._told_connected = False
        self._was_connected = False
        self._short_lives = 0
        self.up = False
        self.parted_well = False
        """Whether the last session ended with our own goodbye."""
        self.trouble = _UNTRIED
        self.failures = 0
        """Exceptions of the handler, which are bugs."""

    def start(self) -> None:
        """Begin to connect; returns at once, broker or not."""
        self._thread.start()

    def revive(self) -> bool:
        """Start the thread again where it has died; whether it had."""
        if self._thread.ident is None or self._thread.is_alive() or self._stop.is_set():
            return False
        self.up = False
        self._thread = threading.Thread(target=self._run, name="mqtt", daemon=True)
        self._thread.start()
        return True

    def wake(self) -> None:
        """Have `Handler.turn` called soon."""
        try:
            self._waker.send(b"\0")
        except BlockingIOError:
            pass  # so many are in there already that it will wake
        except OSError:
            pass  # closed meanwhile

    def close(self) -> None:
        """Say goodbye (the will's message, then DISCONNECT) and end the thread; takes a few seconds at most."""
        self._stop.set()
        self.wake()
        if self._thread.ident is not None:
            self._thread.join(CONNECT_SECONDS + GOODBYE_SECONDS)
        if not self._thread.is_alive():
            self._woken.close()
            self._waker.close()

    @property
    def missing(self) -> bool:
        """Whether there is no connection although one was tried."""
        return not self.up and self.trouble != _UNTRIED

    @property
    def words(self) -> str:
        """One line for a person: connected to what, or why not."""
        where = f"{self._settings.host}:{self._settings.port}"
        if self.up:
            secure = ", encrypted" if self._settings.encrypted else ""
            return f"connected to {where}, MQTT {'5' if self._is_5 else '3.1.1'}{secure}"
        return f"no broker at {where}: {self.trouble}"

    # --- Link -------------------------------------------------------------------------------------------------------

    def publish(self, message: Message) -> int:
        if self._client is None:
            return 0
        properties = None
        if self._is_5 and message.expiry_seconds is not None:
            properties = _properties(PacketTypes.PUBLISH)
            properties.MessageExpiryInterval = message.expiry_seconds
        told = self._client.publish(message.topic, message.payload, message.qos, message.retain, properties)
        return told.mid if told.rc == MQTTErrorCode.MQTT_ERR_SUCCESS else 0

    def subscribe(self, topic: str, replay_retained: bool) -> None:
        if self._client is None:
            return
        if self._is_5:
            # retainAsPublished: a command published as retained just now is seen as such, and can be refused.
            handling = (
                SubscribeOptions.RETAIN_SEND_ON_SUBSCRIBE if replay_retained else SubscribeOptions.RETAIN_DO_NOT_SEND
            )
            options = SubscribeOptions(qos=0, retainAsPublished=True, retainHandling=handling)
            self._client.subscribe(topic, options=options)
        else:
            self._client.subscribe(topic, qos=0)

    def busy(self) -> bool:
        return self._client is None or self._client.want_write()

    # --- the thread -------------------------------------------------------------------------------------------------

    @property
    def _is_5(self) -> bool:
        return self._protocol == MQTTProtocolVersion.MQTTv5

    def _run(self) -> None:
        delay = self._settings.first_back_off_seconds
        while not self._stop.is_set():
            started = self._clock.monotonic_seconds()
            try:
                self._session()
            except BrokerError as error:
                self.trouble = str(error)
            except Exception as error:  # a bug here must not end the connection for good
                self.failures += 1
                self.trouble = f"unexpected {type(error).__name__}: {error}"
            finally:
                self.up = False
                self._client = None
            if self._clock.monotonic_seconds() - started > SETTLED_SECONDS:
                delay, self._short_lives = self._settings.first_back_off_seconds, 0
            elif self._was_connected:
                self._short_lives += 1
            self._stop.wait(delay * (0.5 + 0.5 * self._jitter()))
            delay = min(2 * delay, self._settings.longest_back_off_seconds)

    def _session(self) -> None:
        """One connection from connect to loss. Raises `BrokerError` with the sentence for the screen."""
        self._inbox = _Inbox()
        self._told_connected = self._was_connected = False
        client = self._built()
        try:
            where = (self._settings.host, self._settings.port, self._settings.keepalive_seconds)
            if self._is_5:
                properties = _properties(PacketTypes.CONNECT)
                properties.SessionExpiryInterval = 0
                properties.MaximumPacketSize = self._settings.largest_packet_bytes
                client.connect(*where, clean_start=True, properties=properties)
            else:
                client.connect(*where)
            self._client = client
            self._pump(client)
        except BrokerError:
            raise  # an OSError too, but it has its sentence already
        except OSError as error:
            raise BrokerError(why_unreachable(self._settings, error)) from error
        finally:
            sock = client.socket()
            if sock is not None:
                sock.close()

    def _built(self) -> Client:
        settings = self._settings
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=settings.client_id,
            protocol=self._protocol,
            clean_session=None if self._is_5 else True,
            reconnect_on_failure=False,
        )
        client.suppress_exceptions = True
        client.connect_timeout = CONNECT_SECONDS
        client.max_inflight_messages_set(200)
        secret = password(settings)
        if settings.username is not None:
            client.username_pw_set(settings.username, secret)
        if settings.encrypted:
            client.tls_set_context(tls_context(settings))
        if self._will is not None:
            client.will_set(self._will.topic, self._will.payload, self._will.qos, self._will.retain)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        client.on_publish = self._on_publish
        return client

    # Callbacks only put down what happened.

    def _on_connect(
        self, _client: Client, _data: Any, _flags: ConnectFlags, reason: ReasonCode, _properties: Properties | None
    ) -> None:
        self._inbox.connect = reason

    def _on_disconnect(
        self, _client: Client, _data: Any, _flags: DisconnectFlags, reason: ReasonCode, _properties: Properties | None
    ) -> None:
        # The broker's own reason comes first; the closed connection after it knows none.
        self._inbox.disconnect = self._inbox.disconnect or reason

    def _on_message(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        payload = bytes(message.payload)
        try:
            topic = message.topic
        except UnicodeDecodeError:
            return
        self._inbox.messages.append(Received(topic, payload, message.retain))

    def _on_publish(
        self, _client: Client, _data: Any, identifier: int, reason: ReasonCode, _properties: Properties | None
    ) -> None:
        self._inbox.confirmations.append((identifier, str(reason) if reason.is_failure else ""))

    def _pump(self, client: Client) -> None:
        deadline = self._clock.monotonic_seconds() + 2 * CONNECT_SECONDS
        sock = client.socket()
        if sock is None:
            raise BrokerError("the connection was closed at once")
        # Small messages in a row would wait for the broker's delayed acknowledgement, 40 ms each time.
        if isinstance(sock, socket.socket):
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        wait = 0.0
        with selectors.DefaultSelector() as selector:
            selector.register(sock, selectors.EVENT_READ)
            selector.register(self._woken, selectors.EVENT_READ)
            while True:
                events = selectors.EVENT_READ | (selectors.EVENT_WRITE if client.want_write() else 0)
                selector.modify(sock, events)
                readable = False
                for key, mask in selector.select(wait):
                    if key.fileobj is self._woken:
                        self._woken.recv(4096)
                    else:
                        readable = bool(mask & selectors.EVENT_READ)
                code = self._moved(client, readable)
                self._take_in()
                if code != MQTTErrorCode.MQTT_ERR_SUCCESS or self._inbox.disconnect is not None:
                    raise BrokerError(self._lost(code))
                if self._stop.is_set():
                    self._goodbye(client)
                    return
                wait = 1.0
                if self.up:
                    wait = min(1.0, self._guarded(partial(self._handler.turn, self), 1.0))
                elif self._clock.monotonic_seconds() > deadline:
                    raise BrokerError("the broker accepts the connection and then says nothing: is it an MQTT broker?")

    @staticmethod
    def _moved(client: Client, readable: bool) -> MQTTErrorCode:
        """Read and write what can be read and written now."""
        code, packets = MQTTErrorCode.MQTT_ERR_SUCCESS, 0
        # One call reads one packet; more may wait, also such as TLS has decrypted already and no selector sees.
        while readable and code == MQTTErrorCode.MQTT_ERR_SUCCESS and packets < MOST_AT_ONCE:
            code, packets = client.loop_read(), packets + 1
            readable = _has_more(client.socket())
        if code == MQTTErrorCode.MQTT_ERR_SUCCESS and client.want_write():
            code = client.loop_write()
        return client.loop_misc() if code == MQTTErrorCode.MQTT_ERR_SUCCESS else code

    def _take_in(self) -> None:
        """Hand over what the callbacks have put down."""
        inbox = self._inbox
        if inbox.connect is not None and not self._told_connected:
            if inbox.connect.is_failure:
                raise BrokerError(self._refused(inbox.connect))
            self._told_connected = self._was_connected = True
            self.up, self.trouble = True, ""
            self._guarded(partial(self._handler.connected, self), None)
        messages, inbox.messages = inbox.messages, []
        for message in messages:
            self._guarded(partial(self._handler.received, message), None)
        confirmations, inbox.confirmations = inbox.confirmations, []
        for identifier, refusal in confirmations:
            self._guarded(partial(self._handler.confirmed, identifier, refusal), None)

    def _guarded(self, call: Callable[[], Any], otherwise: Any) -> Any:
        try:
            return call()
        except Exception as error:  # whatever a handler does, the connection stays
            self.failures += 1
            self.trouble = f"unexpected {type(error).__name__} while connected: {error}"
            return otherwise

    def _goodbye(self, client: Client) -> None:
        if self.up and self._will is not None:
            self.publish(self._will)
            self.parted_well = True
        client.disconnect()
        deadline = self._clock.monotonic_seconds() + GOODBYE_SECONDS
        sock = client.socket()
        while sock is not None and client.want_write() and self._clock.monotonic_seconds() < deadline:
            with selectors.DefaultSelector() as selector:
                selector.register(sock, selectors.EVENT_WRITE)
                selector.select(0.1)
            client.loop_write()
            sock = client.socket()

    # --- sentences --------------------------------------------------------------------------------------------------

    def _refused(self, reason: ReasonCode) -> str:
        name = reason.getName()
        if name == "Unsupported protocol version" and self._is_5 and self._settings.version == "auto":
            self._protocol = MQTTProtocolVersion.MQTTv311
            return "it does not speak MQTT 5, trying 3.1.1"
        if name in ("Not authorized", "Bad user name or password"):
            return (
                "it refuses the login: check mqtt.username and mqtt.password_file (or the credential mqtt-password),"
                " and that the broker knows them"
            )
        if name == "Client identifier not valid":
            return f"it does not like the client id {self._settings.client_id!r}: choose a shorter unit.name"
        return f"it refuses the connection: {name}"

    def _lost(self, code: MQTTErrorCode) -> str:
        reason = self._inbox.disconnect
        if not self._was_connected:
            if self._is_5 and self._settings.version == "auto":
                # Some old brokers hang up on a version that they do not know instead of refusing it.
                self._protocol = MQTTProtocolVersion.MQTTv311
            elif self._settings.version == "auto":
                self._protocol = MQTTProtocolVersion.MQTTv5
            return (
                "it hangs up before the login is done: check mqtt.port, mqtt.tls if the port wants TLS,"
                " and whether the broker is full (max_connections)"
            )
        if code == MQTTErrorCode.MQTT_ERR_KEEPALIVE:
            return f"nothing heard from it for {self._settings.keepalive_seconds} s: the network or the broker is down"
        # Not every broker gives the reason; who is thrown out again and again soon after the login can guess it.
        if (reason is not None and reason.getName() == "Session taken over") or self._short_lives >= 2:
            return (
                f"another program seems to use the client id {self._settings.client_id!r} and pushes this one out:"
                " give every daemon its own unit.name"
            )
        return f"the connection was lost ({reason.getName() if reason is not None else code.name})"


def _has_more(sock: Any) -> bool:
    if sock is None:
        return False
    if isinstance(sock, ssl.SSLSocket) and sock.pending():
        return True
    return bool(select.select([sock], [], [], 0)[0])


def _properties(packet: int) -> Properties:
    return Properties(packet)  # type: ignore[no-untyped-call]  # paho leaves this constructor untyped
