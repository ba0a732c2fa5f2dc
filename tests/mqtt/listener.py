"""A subscriber that knows nothing of sensord: plain paho, everything it hears kept in order."""

import json
import threading
from collections.abc import Sequence
from types import TracebackType
from typing import Any, NamedTuple, Self

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from tests.mqtt.mosquitto import until

__all__ = ["Heard", "Listener"]


class Heard(NamedTuple):
    topic: str
    payload: bytes
    retained: bool
    qos: int

    @property
    def fields(self) -> dict[str, Any]:
        decoded: dict[str, Any] = json.loads(self.payload)
        return decoded


class Listener:
    """Subscribes to `topics` at QoS 1. With `durable` the broker keeps its session while it is away."""

    def __init__(
        self, port: int, topics: Sequence[str] = ("#",), durable: str = "", login: tuple[str, str] | None = None
    ) -> None:
        self.heard: list[Heard] = []
        self._ready = threading.Event()
        self._topics = topics
        self.client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=durable,
            clean_session=not durable,
            protocol=MQTTProtocolVersion.MQTTv311,
        )
        if login:
            self.client.username_pw_set(*login)
        self.client.reconnect_delay_set(1, 1)
        self.client.on_connect = self._on_connect
        self.client.on_subscribe = lambda *_: self._ready.set()
        self.client.on_message = self._on_message
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert self._ready.wait(30)

    def _on_connect(self, client: Client, *_: object) -> None:
        client.subscribe([(topic, 1) for topic in self._topics])

    def _on_message(self, _client: Client, _data: object, message: MQTTMessage) -> None:
        self.heard.append(Heard(message.topic, bytes(message.payload), message.retain, message.qos))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, _kind: type[BaseException] | None, _error: BaseException | None, _trace: TracebackType | None
    ) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def leave(self) -> None:
        """Go away; a durable session stays at the broker."""
        self.client.disconnect()
        self.client.loop_stop()

    def come_back(self) -> None:
        self.client.reconnect()
        self.client.loop_start()

    def send(self, topic: str, payload: str | bytes, retain: bool = False, qos: int = 1) -> None:
        self.client.publish(topic, payload, qos=qos, retain=retain).wait_for_publish(10)

    def on(self, topic: str) -> list[Heard]:
        """What was heard on exactly this topic so far."""
        return [heard for heard in list(self.heard) if heard.topic == topic]

    def wait(self, topic: str, count: int = 1, seconds: float = 60.0) -> list[Heard]:
        """Wait until `count` messages were heard on `topic`; all of them."""
        until(lambda: len(self.on(topic)) >= count, seconds, f"{count} on {topic}, heard {self.on(topic)}")
        return self.on(topic)

    def wait_payload(self, topic: str, payload: bytes, seconds: float = 60.0) -> None:
        """Wait until the newest message on `topic` is `payload`."""
        until(
            lambda: bool(self.on(topic)) and self.on(topic)[-1].payload == payload,
            seconds,
            f"{payload!r} on {topic}, heard {self.on(topic)}",
        )
