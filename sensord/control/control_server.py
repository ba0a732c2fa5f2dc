"""The control socket: how the dashboard and the commands reach the running daemon, without broker or network.

A Unix socket for the daemon's user and group only. One thread does all its input and output without blocking. A
client costs a bounded piece of memory and time, whatever it does: one request of it is dealt with at a time, the next
is read once the answer has gone out; of what it did not ask for, the newest snapshot and a few effects wait for it.
`control_wire` says what goes over the socket, `control_socket` who may connect.
"""

import logging
import os
import selectors
import socket
import threading
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import sensord
from sensord.clock import Clock, SystemClock
from sensord.control.control_socket import Listener, peer_user
from sensord.control.control_wire import (
    LINE_LIMIT_BYTES,
    Code,
    Request,
    error_line,
    json_bytes,
    push_line,
    read_request,
    result_line,
)
from sensord.control.view_wire import effect_json, snapshot_json
from sensord.errors import CommandError, quoted
from sensord.gate.command_reader import read_fields
from sensord.gate.network_gate import TokenBucket
from sensord.watch.command_table import COMMANDS, Giver, check_giver
from sensord.watch.effects import Answered, Effect, Measured
from sensord.watch.events import Event
from sensord.watch.views import Snapshot

__all__ = ["ANSWER_WITHIN_SECONDS", "IDLE_SECONDS", "MOST_CLIENTS", "ControlServer"]

_log = logging.getLogger(__name__)

ANSWER_WITHIN_SECONDS = 5.0
IDLE_SECONDS = 60.0
"""A client that asks nothing and takes nothing for so long is let go, and its place is free again."""
MOST_CLIENTS = 32
_KEPT_FOR_OWNER = 4
_GIVES_WAY_SECONDS = 5.0
"""Where all places are taken, the one that has been idle longest gives way, if it has been so for this long."""
_MOST_ITEMS = 1024
_MOST_EFFECTS = 64
_BURST, _PER_SECOND = 60, 2.0
"""Commands of all clients of one standing: each costs its row in the history."""
_LOOK_SECONDS = 0.5
"""How long a request without an answer can go unnoticed beyond its time."""
_TOLD_AGAIN_SECONDS = 60.0
_OWN_METHODS = ("version", "snapshot", "subscribe")


class _Client:
    """One connection: what came in, the command that it waits for, and what waits to go out."""

    def __init__(self, connected: socket.socket, user: int | None, seconds: float) -> None:
        self.socket = connected
        self.user = user
        self.giver = Giver.OWNER if user in (0, os.geteuid()) else Giver.SOCKET
        self.inbox = bytearray()
        self.asked: tuple[object, float] | None = None
        """The id of the request whose command is with the rules, and until when it may be."""
        self.answer = b""
        self.effects: deque[bytes] = deque()
        self.dropped = 0
        self.snapshot = b""
        self.sending = memoryview(b"")
        self.subscribed = False
        self.closing = False
        self.watched = 0
        self.moved_seconds = seconds
        """When it last asked something, or took something."""

    @property
    def has_mail(self) -> bool:
        return bool(self.sending or self.answer or self.effects or self.snapshot)

    @property
    def may_ask(self) -> bool:
        return not (self.asked or self.answer or self.sending or self.closing)

    @property
    def waits_for_us(self) -> bool:
        return self.asked is not None or (self.subscribed and not self.has_mail)

    def next_line(self) -> bytes:
        """What goes out next: an answer, an effect with the count of those that were lost before it, the snapshot."""
        if self.answer:
            line, self.answer = self.answer, b""
        elif self.effects:
            line, dropped, self.dropped = self.effects.popleft(), self.dropped, 0
            line = push_line("dropped", json_bytes({"effects": dropped})) + line if dropped else line
        else:
            line, self.snapshot = self.snapshot, b""
        return line

    def push_effect(self, line: bytes) -> None:
        """Queue an effect; the oldest waiting one gives way where there is no room."""
        if len(self.effects) >= _MOST_EFFECTS:
            self.effects.popleft()
            self.dropped += 1
        self.effects.append(line)


class ControlServer:
    """An output of the daemon that also brings in commands; serves from the moment it is made until `close`.

    `deliver` gets each command and must not block. `clock` stamps commands; `patience` measures how long an answer may
    take, in life's own seconds even where the daemon's clock runs faster. Raises `ConfigError` or `WiringError` where
    the socket cannot be opened (see `control_socket.Listener`).
    """

    name = "control"

    def __init__(
        self, path: Path, clock: Clock, deliver: Callable[[Event], None], patience: Clock | None = None
    ) -> None:
        self._clock = clock
        self._patience = patience or SystemClock()
        self._deliver = deliver
        self._listener = Listener(path)
        self._clients: set[_Client] = set()
        self._waiting: dict[str, _Client] = {}
        self._numbered = 0
        now = self._patience.monotonic_seconds()
        self._budgets = {giver: TokenBucket(now, _BURST, _PER_SECOND) for giver in (Giver.OWNER, Giver.SOCKET)}
        self._latest = b""
        self._items: deque[Effect | Snapshot] = deque()
        self._trouble = ""
        self._told: dict[str, float] = {}
        self._woken, self._waker = socket.socketpair()
        self._woken.setblocking(False)
        self._waker.setblocking(False)
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._listener.socket, selectors.EVENT_READ)
        self._selector.register(self._woken, selectors.EVENT_READ)
        self._closed = threading.Event()
        self._thread = threading.Thread(target=self._serve, name="control", daemon=True)
        self._thread.start()

    def handle(self, item: Effect | Snapshot) -> None:
        """Pass on an effect or a snapshot; returns at once. Raises `RuntimeError` where the thread has stumbled."""
        trouble, self._trouble = self._trouble, ""
        self._items.append(item)
        if len(self._items) > _MOST_ITEMS:
            self._items.popleft()
            trouble = trouble or "the control socket is behind: effects were lost"
        self._wake()
        if trouble:
            raise RuntimeError(trouble)

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

    # --- the thread -------------------------------------------------------------------------------------------------

    def _serve(self) -> None:
        while not self._closed.is_set():
            try:
                self._turn()
            except Exception as error:  # whatever it is, the socket stays
                self._trouble = f"the control socket stumbled: {type(error).__name__}: {error}"
                self._tell(self._trouble)
                self._closed.wait(_LOOK_SECONDS)
        for client in list(self._clients):
            self._drop(client)
        self._selector.close()
        self._listener.close()
        self._woken.close()
        self._waker.close()

    def _turn(self) -> None:
        for key, events in self._selector.select(_LOOK_SECONDS):
            if key.fileobj is self._listener.socket:
                self._accept()
            elif key.fileobj is self._woken:
                self._woken.recv(4096)
            else:
                self._served(key.data, bool(events & selectors.EVENT_READ))
        self._pass_on()
        self._look_after()

    def _tell(self, words: str) -> None:
        """Into the log, the same words at most once a minute: clients must not be able to fill it."""
        now = self._patience.monotonic_seconds()
        self._told = {known: when for known, when in self._told.items() if now - when < _TOLD_AGAIN_SECONDS}
        if words not in self._told:
            self._told[words] = now
            _log.warning("%s", words)

    def _accept(self) -> None:
        try:
            connected, _ = self._listener.socket.accept()
        except OSError as error:  # gone again, or no file descriptor left: the others go on
            self._tell(f"a control client could not be taken: {error}")
            self._closed.wait(0.05)
            return
        connected.setblocking(False)
        client = _Client(connected, peer_user(connected), self._patience.monotonic_seconds())
        most = MOST_CLIENTS if client.giver is Giver.OWNER else MOST_CLIENTS - _KEPT_FOR_OWNER
        if len(self._clients) >= most and not self._one_gave_way():
            reason = f"{len(self._clients)} clients are connected and busy: close one, or ask again in a minute"
            self._tell(f"a control client was refused: {reason}")
            with suppress(OSError):  # gone already
                connected.send(error_line(None, Code.BUSY, reason))
            connected.close()
            return
        self._clients.add(client)
        self._watch(client)

    def _one_gave_way(self) -> bool:
        idlest = min(
            (client for client in self._clients if not client.waits_for_us),
            key=lambda client: client.moved_seconds,
            default=None,
        )
        if idlest is None or self._patience.monotonic_seconds() - idlest.moved_seconds < _GIVES_WAY_SECONDS:
            return False
        self._drop(idlest)
        return True

    def _served(self, client: _Client, readable: bool = False) -> None:
        """One client's turn; whatever goes wrong in it ends that client only."""
        if client not in self._clients:
            return
        try:
            if readable and client.may_ask:
                data = client.socket.recv(LINE_LIMIT_BYTES)
                if not data:
                    self._drop(client)
                    return
                client.inbox += data
            self._flush(client)
            while client.may_ask and self._take_line(client):
                self._flush(client)
            self._watch(client)
        except BlockingIOError:
            pass
        except OSError:
            self._drop(client)
        except Exception as error:
            self._tell(f"a control client was dropped: {type(error).__name__} while serving it: {error}")
            self._drop(client)

    def _take_line(self, client: _Client) -> bool:
        """Deal with the next line that came in, if it is there as a whole."""
        end = client.inbox.find(b"\n")
        if end > LINE_LIMIT_BYTES or (end < 0 and len(client.inbox) > LINE_LIMIT_BYTES):
            reason = f"a line may have {LINE_LIMIT_BYTES} bytes at most"
            client.answer = error_line(None, Code.NOT_A_REQUEST, reason)
            client.closing = True
            return True
        if end < 0:
            return False
        line = bytes(client.inbox[:end])
        del client.inbox[: end + 1]
        if line.strip():
            client.moved_seconds = self._patience.monotonic_seconds()
            asked = read_request(line)
            client.answer = asked if isinstance(asked, bytes) else self._answer(client, asked)
        return True

    def _answer(self, client: _Client, asked: Request) -> bytes:
        """The answer to a request; empty where it comes from the rules."""
        match asked.method:
            case "version":
                return result_line(asked.request_id, json_bytes({"version": sensord.__version__}))
            case "snapshot" if not self._latest:
                reason = "the daemon has only just started: ask again in a second"
                return error_line(asked.request_id, Code.NO_ANSWER, reason)
            case "snapshot":
                return result_line(asked.request_id, self._latest)
            case "subscribe":
                client.subscribed = True
                client.snapshot = push_line("snapshot", self._latest) if self._latest else b""
                return result_line(asked.request_id, b'{"subscribed":true}')
            case verb if verb in COMMANDS:
                return self._ask(client, asked)
            case unknown:
                reason = f"{quoted(unknown)} is not known; known are {', '.join((*_OWN_METHODS, *COMMANDS))}"
                return error_line(asked.request_id, Code.UNKNOWN_METHOD, reason)

    def _ask(self, client: _Client, asked: Request) -> bytes:
        """Have a command done; the answer where it is refused at once."""
        now = self._patience.monotonic_seconds()
        try:
            check_giver(asked.method, client.giver)
        except CommandError as error:
            return error_line(asked.request_id, Code.REFUSED, str(error))
        if not self._budgets[client.giver].take(now):
            return error_line(asked.request_id, Code.BUSY, f"too many commands: {_PER_SECOND:g} a second are taken")
        self._numbered += 1
        request = f"control-{self._numbered}"
        fields = {**asked.params, "request": request}
        try:
            command = read_fields(asked.method, fields, self._clock.monotonic_seconds(), client.giver)
        except CommandError as error:
            return error_line(asked.request_id, Code.BAD_PARAMS, str(error))
        _log.info("%s asked for by user id %s: %.200s", asked.method, client.user, asked.params)
        client.asked = (asked.request_id, now + ANSWER_WITHIN_SECONDS)
        self._waiting[request] = client
        self._deliver(command)
        return b""

    def _pass_on(self) -> None:
        """Everything handed in since the last look goes to whom it concerns."""
        subscribers = [client for client in self._clients if client.subscribed]
        snapshot: Snapshot | None = None
        while self._items:
            item = self._items.popleft()
            if isinstance(item, Snapshot):
                snapshot = item  # an older one that nobody has seen yet would only be late
                continue
            if isinstance(item, Answered):
                self._answered(item)
            if subscribers and not isinstance(item, Measured):  # readings are in the snapshots
                line = push_line("effect", effect_json(item))
                for client in subscribers:
                    client.push_effect(line)
        if snapshot is not None:
            self._latest = snapshot_json(snapshot)
            line = push_line("snapshot", self._latest)
            for client in subscribers:
                client.snapshot = line
        for client in subscribers:
            self._served(client)

    def _answered(self, answer: Answered) -> None:
        client = self._waiting.pop(answer.request, None)
        if client is None or client.asked is None:
            return
        if answer.done:
            result = json_bytes({"verb": answer.verb, "done": True, "reason": answer.reason})
            client.answer = result_line(client.asked[0], result)
        else:
            reason = answer.reason or "refused, without a reason"
            client.answer = error_line(client.asked[0], Code.REFUSED, reason)
        client.asked = None
        self._served(client)

    def _look_after(self) -> None:
        """Answers that do not come, and clients with which nothing moves."""
        now = self._patience.monotonic_seconds()
        late = {client for client in self._clients if client.asked is not None and now >= client.asked[1]}
        if late:
            self._waiting = {request: client for request, client in self._waiting.items() if client not in late}
        for client in late:
            assert client.asked is not None
            reason = f"the daemon did not answer within {ANSWER_WITHIN_SECONDS:.0f} s; it may still do it"
            client.answer, client.asked = error_line(client.asked[0], Code.NO_ANSWER, reason), None
            self._served(client)
        for client in list(self._clients):
            if not client.waits_for_us and now - client.moved_seconds >= IDLE_SECONDS:
                self._drop(client)

    def _flush(self, client: _Client) -> None:
        """Send what the client takes now."""
        while client.sending or client.has_mail:
            if not client.sending:
                client.sending = memoryview(client.next_line())
            try:
                sent = client.socket.send(client.sending)
            except BlockingIOError:
                return
            client.moved_seconds = self._patience.monotonic_seconds()
            client.sending = client.sending[sent:]

    def _watch(self, client: _Client) -> None:
        """Ask to be woken for what the client may do next; whoever does not read is not listened to either."""
        if client.closing and not client.has_mail:
            self._drop(client)
            return
        wanted = (selectors.EVENT_WRITE if client.has_mail else 0) | (selectors.EVENT_READ if client.may_ask else 0)
        if wanted == client.watched:
            return
        if not client.watched:
            self._selector.register(client.socket, wanted, client)
        elif wanted:
            self._selector.modify(client.socket, wanted, client)
        else:  # it waits for its answer: a selector cannot wait for nothing
            self._selector.unregister(client.socket)
        client.watched = wanted

    def _drop(self, client: _Client) -> None:
        if client not in self._clients:
            return
        self._clients.remove(client)
        self._waiting = {request: other for request, other in self._waiting.items() if other is not client}
        if client.watched:
            self._selector.unregister(client.socket)
        client.socket.close()
