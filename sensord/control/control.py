"""The control socket: how the dashboard and the commands reach the running daemon, without broker or network.

A Unix socket for the daemon's user and group only. One thread does all its input and output without blocking, so
that a client that never reads costs its own small queue and nothing else. `control_wire` says what goes over it.
"""

import json
import logging
import selectors
import socket
import threading
from collections import deque
from collections.abc import Callable
from pathlib import Path

import sensord
from sensord.clock import Clock, SystemClock
from sensord.control.control_commands import CommandDesk
from sensord.control.control_outbox import Outbox
from sensord.control.control_socket import Listener, peer_user
from sensord.control.control_wire import (
    LINE_LIMIT_BYTES,
    Code,
    Request,
    effect_json,
    error_line,
    push_line,
    read_request,
    result_line,
    snapshot_json,
)
from sensord.watch.command_table import COMMANDS
from sensord.watch.effects import Answered, Effect, Measured
from sensord.watch.events import Event
from sensord.watch.views import Snapshot

__all__ = ["ControlServer"]

_log = logging.getLogger(__name__)

# A client that takes nothing for so long is let go, so that stuck ones cannot use up the places of all others.
_STUCK_SECONDS = 60.0
_MOST_CLIENTS = 32
_MOST_ITEMS = 1024
# How long a request without an answer can go unnoticed beyond its time, and how long closing may take.
_LOOK_SECONDS = 0.25
_OWN_METHODS = ("version", "snapshot", "subscribe")


class _Client:
    """One connection: what came in and is not a whole line yet, and what waits to go out."""

    def __init__(self, connected: socket.socket) -> None:
        self.socket = connected
        self.user = peer_user(connected)
        self.inbox = bytearray()
        self.outbox = Outbox()
        self.subscribed = False
        self.closing = False
        self.stuck_since_seconds: float | None = None


class ControlServer:
    """An output of the daemon that also brings in commands; serves from the moment it is made until `close`.

    `deliver` gets each command and must not block. `clock` stamps commands;
    `patience` measures how long an answer may take, in life's own seconds even where the daemon's clock runs faster.
    Raises `ConfigError` or `WiringError` where the socket cannot be opened (see `control_socket.Listener`).
    """

    name = "control"

    def __init__(
        self,
        path: Path,
        clock: Clock,
        deliver: Callable[[Event], None],
        patience: Clock | None = None,
    ) -> None:
        self._patience = patience or SystemClock()
        self._desk: CommandDesk[_Client] = CommandDesk(clock, deliver, self._patience)
        self._listener = Listener(path)
        self._clients: set[_Client] = set()
        self._latest: bytes | None = None
        self._items: deque[Effect | Snapshot] = deque(maxlen=_MOST_ITEMS)
        self._woken, self._waker = socket.socketpair()
        self._woken.setblocking(False)
        self._waker.setblocking(False)
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._listener.socket, selectors.EVENT_READ)
        self._selector.register(self._woken, selectors.EVENT_READ)
        self._closed = threading.Event()
        self._broken: Exception | None = None
        self._thread = threading.Thread(target=self._serve, name="control", daemon=True)
        self._thread.start()

    def handle(self, item: Effect | Snapshot) -> None:
        """Pass on an effect or a snapshot; returns at once. Raises `RuntimeError` once the serving thread has died."""
        if self._broken is not None:
            raise RuntimeError(f"the control socket stopped: {self._broken}") from self._broken
        self._items.append(item)
        self._wake()

    def words(self) -> str:
        return ""

    def close(self) -> None:
        """Say goodbye to all clients, stop the thread and remove the socket."""
        self._closed.set()
        self._wake()
        self._thread.join()

    def _wake(self) -> None:
        try:
            self._waker.send(b"!")
        except BlockingIOError:
            pass  # it is about to wake anyway
        except OSError:
            if not self._closed.is_set():
                raise

    def _serve(self) -> None:
        try:
            while not self._closed.is_set():
                for key, events in self._selector.select(_LOOK_SECONDS):
                    if key.fileobj is self._listener.socket:
                        self._accept()
                    elif key.fileobj is self._woken:
                        self._woken.recv(4096)
                    else:
                        self._guarded(key.data, events)
                self._pass_on()
                self._expire()
        except Exception as error:
            _log.exception("the control socket stopped")
            self._broken = error
        finally:
            for client in list(self._clients):
                self._drop(client)
            self._selector.close()
            self._listener.close()
            self._woken.close()
            self._waker.close()

    def _accept(self) -> None:
        try:
            connected, _ = self._listener.socket.accept()
        except OSError as error:  # gone again, or no file descriptor left: the others go on
            _log.warning("a control client could not be taken: %s", error)
            return
        connected.setblocking(False)
        client = _Client(connected)
        self._clients.add(client)
        self._selector.register(connected, selectors.EVENT_READ, client)
        if len(self._clients) > _MOST_CLIENTS:
            client.outbox.answer(error_line(None, Code.BUSY, f"{_MOST_CLIENTS} clients are connected: close one"))
            client.closing = True
            self._flush(client)

    def _guarded(self, client: _Client, events: int) -> None:
        """One client's turn; whatever goes wrong in it ends that client only."""
        try:
            if events & selectors.EVENT_READ:
                self._read(client)
            if client in self._clients:
                self._flush(client)
        except OSError:
            self._drop(client)
        except Exception:
            _log.exception("a control client was dropped: its request could not be dealt with")
            self._drop(client)

    def _read(self, client: _Client) -> None:
        try:
            data = client.socket.recv(LINE_LIMIT_BYTES)
        except BlockingIOError:
            return
        if not data:
            self._drop(client)
            return
        client.inbox += data
        while not client.closing and (end := client.inbox.find(b"\n")) >= 0:
            line = bytes(client.inbox[:end])
            del client.inbox[: end + 1]
            if len(line) <= LINE_LIMIT_BYTES:
                if line.strip():
                    self._request(client, line)
            else:
                self._refuse_long(client)
        if not client.closing and len(client.inbox) > LINE_LIMIT_BYTES:
            self._refuse_long(client)

    def _refuse_long(self, client: _Client) -> None:
        client.outbox.answer(error_line(None, Code.NOT_A_REQUEST, f"a line may have {LINE_LIMIT_BYTES} bytes at most"))
        client.closing = True

    def _request(self, client: _Client, line: bytes) -> None:
        asked = read_request(line)
        if isinstance(asked, bytes):
            client.outbox.answer(asked)
        elif asked.method in _OWN_METHODS:
            self._own_method(client, asked)
        elif asked.method in COMMANDS:
            refusal = self._desk.ask(client, client.user, asked)
            if refusal is not None:
                client.outbox.answer(refusal)
        else:
            known = ", ".join((*_OWN_METHODS, *COMMANDS))
            reason = f"'{asked.method[:40]}' is not known; known are {known}"
            client.outbox.answer(error_line(asked.request_id, Code.UNKNOWN_METHOD, reason))

    def _own_method(self, client: _Client, asked: Request) -> None:
        if asked.method == "version":
            version = json.dumps({"version": sensord.__version__}).encode()
            client.outbox.answer(result_line(asked.request_id, version))
        elif asked.method == "subscribe":
            client.subscribed = True
            client.outbox.answer(result_line(asked.request_id, b'{"subscribed":true}'))
            if self._latest is not None:
                client.outbox.snapshot(push_line("snapshot", self._latest))
        elif self._latest is None:
            reason = "the daemon has only just started: ask again in a second"
            client.outbox.answer(error_line(asked.request_id, Code.NO_ANSWER, reason))
        else:
            client.outbox.answer(result_line(asked.request_id, self._latest))

    def _pass_on(self) -> None:
        """Everything handed in since the last look goes to whom it concerns."""
        subscribers = [client for client in self._clients if client.subscribed]
        snapshot: Snapshot | None = None
        while self._items:
            item = self._items.popleft()
            if isinstance(item, Snapshot):
                snapshot = item  # an older one that nobody has seen yet would only be late
                continue
            if isinstance(item, Answered) and (found := self._desk.answered(item)) is not None:
                self._send(*found)
            if subscribers and not isinstance(item, Measured):  # readings are in the snapshots
                line = push_line("effect", effect_json(item))
                for client in subscribers:
                    client.outbox.effect(line)
        if snapshot is not None:
            self._latest = snapshot_json(snapshot)
            line = push_line("snapshot", self._latest)
            for client in subscribers:
                client.outbox.snapshot(line)
        for client in subscribers:
            self._guarded(client, selectors.EVENT_WRITE)

    def _expire(self) -> None:
        for client, line in self._desk.expired():
            self._send(client, line)
        now = self._patience.monotonic_seconds()
        for client in list(self._clients):
            if client.stuck_since_seconds is not None and now - client.stuck_since_seconds >= _STUCK_SECONDS:
                _log.warning("a control client that takes nothing was let go (user id %s)", client.user)
                self._drop(client)

    def _send(self, client: _Client, line: bytes) -> None:
        if client in self._clients:
            client.outbox.answer(line)
            self._guarded(client, selectors.EVENT_WRITE)

    def _flush(self, client: _Client) -> None:
        """Send what the client takes now; ask to be woken for the rest."""
        progressed = client.outbox.write_to(client.socket)
        if client.outbox.empty:
            client.stuck_since_seconds = None
        elif progressed or client.stuck_since_seconds is None:
            client.stuck_since_seconds = self._patience.monotonic_seconds()
        if client.closing and client.outbox.empty:
            self._drop(client)
            return
        wanted = selectors.EVENT_WRITE if not client.outbox.empty else 0
        if not client.closing and not client.outbox.crowded:  # whoever does not read is not listened to either
            wanted |= selectors.EVENT_READ
        self._selector.modify(client.socket, wanted, client)

    def _drop(self, client: _Client) -> None:
        if client not in self._clients:
            return
        self._clients.remove(client)
        self._selector.unregister(client.socket)
        client.socket.close()
