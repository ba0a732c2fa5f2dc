"""The control socket: how the dashboard and the commands reach the running daemon, without broker or network.

A Unix socket for the daemon's user and group only, a thread for each of a few clients. A client costs a bounded piece
of memory and time, whatever it does: its next request is read once the answer to the one before has gone out, and of
what it did not ask for only the newest snapshot and a few effects wait for it. `control_wire` says what goes over the
socket, `control_socket` who may connect.
"""

import logging
import os
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
from sensord.gate.command_gate import TokenBucket, read_fields
from sensord.watch.command_table import COMMANDS, Giver, check_giver
from sensord.watch.effects import Answered, Effect, Measured
from sensord.watch.events import Event
from sensord.watch.views import Snapshot

_log = logging.getLogger(__name__)

ANSWER_WITHIN_SECONDS = 5.0
IDLE_SECONDS = 60.0
"""A client that asks nothing, or takes nothing, for so long is let go."""
MOST_CLIENTS = 32
KEPT_FOR_OWNER = 4
GIVES_WAY_SECONDS = 5.0
"""Where all places are taken, the one that has been idle longest gives way, if it has been so for this long."""
_MOST_EFFECTS = 64
BURST, PER_SECOND = 60, 2.0
"""Commands of all clients of one standing: each costs its row in the history."""
_TOLD_AGAIN_SECONDS = 60.0
_LOOK_SECONDS = 0.5
_OWN_METHODS = ("version", "snapshot", "subscribe")


class _Client:
    """One connection, the answer that it waits for, and what waits to be pushed to it."""

    def __init__(self, connected: socket.socket, user: int | None) -> None:
        self.socket = connected
        self.user = user
        self.giver = Giver.OWNER if user in (0, os.geteuid()) else Giver.SOCKET
        self.answered = threading.Event()
        self.answer: Answered | None = None
        self.subscribed = False
        self.effects: deque[bytes] = deque()
        self.dropped = 0
        self.snapshot = b""
        self.waits_for_us = False
        self.moved_seconds = 0.0
        """When it last asked something, or took something."""

    def push_effect(self, line: bytes) -> None:
        """Queue an effect; the oldest waiting one gives way where there is no room."""
        if len(self.effects) >= _MOST_EFFECTS:
            self.effects.popleft()
            self.dropped += 1
        self.effects.append(line)

    def mail(self) -> bytes:
        """What waits to be pushed: the count of the effects that were lost, the effects, the newest snapshot."""
        dropped = push_line("dropped", json_bytes({"effects": self.dropped})) if self.dropped else b""
        found = b"".join((dropped, *self.effects, self.snapshot))
        self.dropped, self.snapshot = 0, b""
        self.effects.clear()
        return found


class ControlServer:
    """An output of the daemon that also brings in commands; serves from the moment it is made until `close`.

    `clock` stamps commands, and `deliver` gets each one and must not block. Raises `ConfigError` or `WiringError` where
    the socket cannot be opened (see `control_socket.Listener`).
    """

    name = "control"

    def __init__(self, path: Path, clock: Clock, deliver: Callable[[Event], None]) -> None:
        self._clock = clock
        self._real = SystemClock()  # people wait in life's own seconds, even where the daemon's clock runs faster
        self._deliver = deliver
        self._listener = Listener(path)
        self._news = threading.Condition()
        """Guards all below, and tells those who push that there is something."""
        self._clients: dict[_Client, threading.Thread] = {}
        self._asked: dict[str, _Client] = {}
        self._numbered = 0
        now = self._real.monotonic_seconds()
        self._budgets = {giver: TokenBucket(now, BURST, PER_SECOND) for giver in (Giver.OWNER, Giver.SOCKET)}
        self._latest: Snapshot | None = None
        self._latest_json = b""
        self._told: dict[str, float] = {}
        self._closed = threading.Event()
        self._thread = threading.Thread(target=self._accept, name="control", daemon=True)
        self._thread.start()

    def handle(self, item: Effect | Snapshot) -> None:
        """Pass on an effect or a snapshot to whom it concerns; never waits for a client."""
        with self._news:
            subscribers = [client for client in self._clients if client.subscribed]
            if isinstance(item, Snapshot):
                self._latest, self._latest_json = item, b""
                for client in subscribers:
                    client.snapshot = push_line("snapshot", self._snapshot_json())
            elif subscribers and not isinstance(item, Measured):  # readings are in the snapshots
                line = push_line("effect", effect_json(item))
                for client in subscribers:
                    client.push_effect(line)
            if isinstance(item, Answered) and (asker := self._asked.pop(item.request, None)) is not None:
                asker.answer = item
                asker.answered.set()
            self._news.notify_all()

    def words(self) -> str:
        return ""

    def close(self) -> None:
        """Let all clients go, end the threads and remove the socket."""
        self._closed.set()
        with suppress(OSError), socket.socket(socket.AF_UNIX) as waking:
            waking.settimeout(_LOOK_SECONDS)
            waking.connect(os.fspath(self._listener.path))
        self._thread.join()
        with self._news:
            threads = list(self._clients.values())
            for client in self._clients:
                client.answered.set()
                _hang_up(client)
            self._news.notify_all()
        for thread in threads:
            thread.join()
        self._listener.close()

    # --- who may come in ----------------------------------------------------------------------------------------------

    def _accept(self) -> None:
        self._listener.socket.settimeout(_LOOK_SECONDS)
        while not self._closed.is_set():
            try:
                connected, _ = self._listener.socket.accept()
            except TimeoutError:
                continue
            except OSError as error:  # gone again, or no file descriptor left: the others go on
                self._tell(f"a control client could not be taken: {error}")
                self._closed.wait(_LOOK_SECONDS)
                continue
            if self._closed.is_set():
                connected.close()
                break
            client = _Client(connected, peer_user(connected))
            if self._has_room(client):
                thread = threading.Thread(target=self._serve, args=(client,), name="control-client", daemon=True)
                with self._news:
                    self._clients[client] = thread
                thread.start()
            else:
                reason = "all places are taken by clients that are busy: close one, or ask again in a minute"
                self._tell(f"a control client was refused: {reason}")
                with suppress(OSError):  # gone already
                    connected.setblocking(False)
                    connected.send(error_line(None, Code.BUSY, reason))
                connected.close()

    def _has_room(self, client: _Client) -> bool:
        """Whether there is a place, if need be that of the one that has been idle longest."""
        client.moved_seconds = now = self._real.monotonic_seconds()
        with self._news:
            if len(self._clients) < MOST_CLIENTS - (0 if client.giver is Giver.OWNER else KEPT_FOR_OWNER):
                return True
            idle = [other for other in self._clients if not other.waits_for_us]
            idlest = min(idle, key=lambda other: other.moved_seconds, default=client)
            if now - idlest.moved_seconds < GIVES_WAY_SECONDS:
                return False
            _hang_up(idlest)
            del self._clients[idlest]
            return True

    def _tell(self, words: str) -> None:
        """Into the log, the same words at most once a minute: clients must not be able to fill it."""
        now = self._real.monotonic_seconds()
        self._told = {known: when for known, when in self._told.items() if now - when < _TOLD_AGAIN_SECONDS}
        if words not in self._told:
            self._told[words] = now
            _log.warning("%s", words)

    # --- one client, on its thread ------------------------------------------------------------------------------------

    def _serve(self, client: _Client) -> None:
        try:
            with client.socket, client.socket.makefile("rb") as lines:
                client.socket.settimeout(IDLE_SECONDS)
                while (line := lines.readline(LINE_LIMIT_BYTES + 1)).endswith(b"\n"):
                    client.moved_seconds = self._real.monotonic_seconds()
                    if line.strip():
                        self._send(client, self._answer(client, line))
                    while client.subscribed and not self._closed.is_set():
                        self._send(client, self._next_mail(client))
                if len(line) > LINE_LIMIT_BYTES:
                    reason = f"a line may have {LINE_LIMIT_BYTES} bytes at most"
                    self._send(client, error_line(None, Code.NOT_A_REQUEST, reason))
        except OSError:
            pass  # it has gone, or was idle for too long
        except Exception as error:
            self._tell(f"a control client was dropped: {type(error).__name__} while serving it: {error}")
        finally:
            with self._news:
                self._clients.pop(client, None)

    def _send(self, client: _Client, data: bytes) -> None:
        client.socket.sendall(data)
        client.moved_seconds = self._real.monotonic_seconds()

    def _next_mail(self, client: _Client) -> bytes:
        with self._news:
            client.waits_for_us = True
            self._news.wait_for(lambda: client.effects or client.snapshot or self._closed.is_set())
            client.waits_for_us = False
            return client.mail()

    def _answer(self, client: _Client, line: bytes) -> bytes:
        asked = read_request(line)
        if isinstance(asked, bytes):
            return asked
        match asked.method:
            case "version":
                return result_line(asked.request_id, json_bytes({"version": sensord.__version__}))
            case "snapshot":
                with self._news:
                    latest = self._snapshot_json()
                if not latest:
                    reason = "the daemon has only just started: ask again in a second"
                    return error_line(asked.request_id, Code.NO_ANSWER, reason)
                return result_line(asked.request_id, latest)
            case "subscribe":
                with self._news:
                    client.subscribed = True
                    latest = self._snapshot_json()
                    client.snapshot = push_line("snapshot", latest) if latest else b""
                return result_line(asked.request_id, b'{"subscribed":true}')
            case verb if verb in COMMANDS:
                return self._done(client, asked)
            case unknown:
                reason = f"{quoted(unknown)} is not known; known are {', '.join((*_OWN_METHODS, *COMMANDS))}"
                return error_line(asked.request_id, Code.UNKNOWN_METHOD, reason)

    def _snapshot_json(self) -> bytes:
        """The newest snapshot, made into JSON once and only if somebody wants it; empty before the first."""
        if not self._latest_json and self._latest is not None:
            self._latest_json = snapshot_json(self._latest)
        return self._latest_json

    def _done(self, client: _Client, asked: Request) -> bytes:
        """Have a command done by the rules; the line with their answer, or with the reason why they were not asked."""
        with self._news:
            within_budget = self._budgets[client.giver].take(self._real.monotonic_seconds())
            self._numbered += 1
            request = f"control-{self._numbered}"
        try:
            check_giver(asked.method, client.giver)
        except CommandError as error:
            return error_line(asked.request_id, Code.REFUSED, str(error))
        if not within_budget:
            return error_line(asked.request_id, Code.BUSY, f"too many commands: {PER_SECOND:g} a second are taken")
        fields = {**asked.params, "request": request}
        try:
            command = read_fields(asked.method, fields, self._clock.monotonic_seconds(), client.giver)
        except CommandError as error:
            return error_line(asked.request_id, Code.BAD_PARAMS, str(error))
        _log.info("%s asked for by user id %s: %.200s", asked.method, client.user, asked.params)
        client.answered.clear()
        with self._news:
            self._asked[request] = client
        client.waits_for_us = True
        self._deliver(command)
        client.answered.wait(ANSWER_WITHIN_SECONDS)
        client.waits_for_us = False
        with self._news:
            self._asked.pop(request, None)
            answer, client.answer = client.answer, None
        if answer is None:
            reason = f"the daemon did not answer within {ANSWER_WITHIN_SECONDS:.0f} s; it may still do it"
            return error_line(asked.request_id, Code.NO_ANSWER, reason)
        if not answer.done:
            return error_line(asked.request_id, Code.REFUSED, answer.reason or "refused, without a reason")
        return result_line(asked.request_id, json_bytes({"verb": answer.verb, "done": True, "reason": answer.reason}))


def _hang_up(client: _Client) -> None:
    """End a connection from outside its thread, which wakes up and lets go."""
    with suppress(OSError):
        client.socket.shutdown(socket.SHUT_RDWR)
