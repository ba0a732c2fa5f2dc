"""A broker of few words: it takes MQTT 5 and 3.1.1 connections, and keeps what they said of themselves.

Only what a test of the config needs (MQTT 5.0 and 3.1.1, sections 3.1 to 3.9): every login is taken, nothing is passed
on, and quality of service goes up to 1.
"""

import socket
import ssl
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from types import TracebackType
from typing import Self

__all__ = ["Caller", "TinyBroker"]

_PATIENCE_SECONDS = 60.0


@dataclass
class Caller:
    """One connection: who it says it is, what it listens to, and what it published."""

    client_id: str
    level: int
    keepalive: int
    will: str
    username: str | None
    password: str | None
    filters: list[str] = field(default_factory=list)
    published: list[tuple[str, bytes]] = field(default_factory=list)

    def said(self, topic: str) -> list[bytes]:
        return [payload for name, payload in list(self.published) if name == topic]


class _Reader:
    """Takes MQTT's fields off the front of a packet."""

    def __init__(self, data: bytes) -> None:
        self.data = data

    def take(self, count: int) -> bytes:
        head, self.data = self.data[:count], self.data[count:]
        return head

    def number(self, count: int = 2) -> int:
        return int.from_bytes(self.take(count), "big")

    def text(self) -> str:
        return self.take(self.number()).decode()

    def length(self) -> int:
        """A variable byte integer (MQTT 5.0, section 1.5.5)."""
        value = shift = 0
        while True:
            byte = self.number(1)
            value |= (byte & 0x7F) << shift
            shift += 7
            if byte < 0x80:
                return value

    def skip_properties(self, level: int) -> None:
        if level == 5:
            self.take(self.length())


class TinyBroker:
    """`with TinyBroker() as broker:` listens on `broker.port` of 127.0.0.1, over TLS where a context is given."""

    def __init__(self, tls: ssl.SSLContext | None = None, levels: tuple[int, ...] = (5, 4)) -> None:
        self.callers: list[Caller] = []
        self._tls, self._levels = tls, levels
        self._changed = threading.Condition()
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listening.getsockname()[1]
        self._open: list[socket.socket] = []

    def __enter__(self) -> Self:
        threading.Thread(target=self._accept, daemon=True).start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._listening.close()
        for connection in self._open:
            connection.close()

    def wait(self, met: Callable[[Caller], object]) -> Caller:
        """The caller of whom `met` becomes true."""

        def found() -> Caller | None:
            return next((each for each in self.callers if met(each)), None)

        with self._changed:
            assert self._changed.wait_for(lambda: found() is not None, _PATIENCE_SECONDS), self.callers
            caller = found()
            assert caller is not None
            return caller

    def stays_away(self, seconds: float) -> bool:
        """Whether nobody got in for so long."""
        with self._changed:
            return not self._changed.wait_for(lambda: bool(self.callers), seconds)

    def send(self, topic: str, payload: bytes) -> None:
        """Publish to whoever called last."""
        name = topic.encode()
        body = len(name).to_bytes(2, "big") + name + (b"\0" if self.callers[-1].level == 5 else b"") + payload
        self._open[-1].sendall(bytes([0x30, len(body)]) + body)

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._listening.accept()
                if self._tls is not None:
                    connection = self._tls.wrap_socket(connection, server_side=True)
            except (OSError, ssl.SSLError):
                if self._listening.fileno() < 0:
                    return
                continue
            self._open.append(connection)
            threading.Thread(target=self._serve, args=[connection], daemon=True).start()

    def _serve(self, connection: socket.socket) -> None:
        caller: Caller | None = None
        try:
            while (packet := _packet(connection)) is not None:
                kind, flags, body = packet
                with self._changed:
                    if kind == 1:
                        caller = _introduced(body)
                        known = caller.level in self._levels
                        # 0x84: unsupported protocol version (3.1.1: return code 1)
                        answer = b"\0" + (b"\0" if known else b"\x84" if caller.level == 5 else b"\1")
                        answer += b"\0" if caller.level == 5 else b""
                        connection.sendall(bytes([0x20, len(answer)]) + answer)
                        if not known:
                            return
                        self.callers.append(caller)
                    elif caller is not None:
                        connection.sendall(_answered(caller, kind, flags, body))
                    self._changed.notify_all()
        except OSError:
            return


def _packet(connection: socket.socket) -> tuple[int, int, _Reader] | None:
    head = _exactly(connection, 1)
    if not head:
        return None
    size = shift = 0
    while True:
        byte = _exactly(connection, 1)[0]
        size |= (byte & 0x7F) << shift
        shift += 7
        if byte < 0x80:
            return head[0] >> 4, head[0] & 0x0F, _Reader(_exactly(connection, size))


def _exactly(connection: socket.socket, count: int) -> bytes:
    data = b""
    while len(data) < count:
        piece = connection.recv(count - len(data))
        if not piece:
            return b""
        data += piece
    return data


def _introduced(body: _Reader) -> Caller:
    body.text()
    level, flags, keepalive = body.number(1), body.number(1), body.number()
    body.skip_properties(level)
    client_id, will = body.text(), ""
    if flags & 0x04:
        body.skip_properties(level)
        will = body.text()
        body.text()
    username = body.text() if flags & 0x80 else None
    return Caller(client_id, level, keepalive, will, username, body.text() if flags & 0x40 else None)


def _answered(caller: Caller, kind: int, flags: int, body: _Reader) -> bytes:
    if kind == 3:
        topic = body.text()
        number = body.take(2) if flags & 0x06 else b""
        body.skip_properties(caller.level)
        caller.published.append((topic, body.data))
        return b"\x40\x02" + number if number else b""
    if kind == 8:
        number = body.take(2)
        body.skip_properties(caller.level)
        granted = b""
        while body.data:
            caller.filters.append(body.text())
            body.take(1)
            granted += b"\1"
        answer = number + (b"\0" if caller.level == 5 else b"") + granted
        return bytes([0x90, len(answer)]) + answer
    return b"\xd0\0" if kind == 12 else b""
