"""Talking to a running daemon over its control socket: for the dashboard and the commands."""

import json
import os
import select
import socket
import struct
from collections.abc import Iterator
from types import TracebackType
from typing import TYPE_CHECKING, Any, NamedTuple, Self, TypeAlias

from sensord.control.control_wire import Code
from sensord.errors import CommandError, DataError, WiringError

if TYPE_CHECKING:  # a verb that only gives a command should not have to wait for the models of views
    from sensord.watch.effects import Effect
    from sensord.watch.views import Snapshot

# Longer than the daemon's own patience, so that its answer is the one that is heard.
_ANSWER_SECONDS = 8.0
_CONNECT_SECONDS = 3
_CHUNK_BYTES = 64 * 1024


class DaemonAwayError(WiringError):
    """No daemon answers at the socket, or it has stopped."""


class Missed(NamedTuple):
    """So many effects were not sent because this client was slow."""

    effects: int


Push: TypeAlias = "Snapshot | Effect | Missed"


class ControlClient:
    """One connection to the daemon at `path`, opened at once; also a context manager.

    Raises `DaemonAwayError` where no daemon answers; its methods do so where the daemon goes away.
    """

    def __init__(self, path: "str | os.PathLike[str]") -> None:
        self._path = path
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        # A crowd may stand before the door: only a blocking socket waits for its turn there (unix(7), EAGAIN).
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_SNDTIMEO, struct.pack("ll", _CONNECT_SECONDS, 0))
        self._buffer = bytearray()
        self._requests = 0
        try:
            self._socket.connect(str(path))
        except OSError as error:
            self._socket.close()
            raise DaemonAwayError(_why_away(path, error)) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End the connection."""
        self._socket.close()

    def version(self) -> str:
        """The daemon's version."""
        return str(self._ask("version", {})["version"])

    def snapshot(self) -> "Snapshot":
        """What the daemon sees now. Raises `CommandError` in the first second of its life, `DataError` on nonsense."""
        from sensord.control.view_wire import snapshot_from

        return snapshot_from(self._ask("snapshot", {}))

    def call(self, verb: str, **params: object) -> str:
        """Have a command done, its parameters named as over MQTT; the daemon's remark, mostly empty.

        Raises `CommandError` with the daemon's reason where it refuses.
        """
        return str(self._ask(verb, params).get("reason", ""))

    def subscribe(self, quiet_seconds: float = 5.0) -> Iterator["Push | None"]:
        """Snapshots and effects as they come; None each time that nothing came for `quiet_seconds`.

        Raises `DaemonAwayError` when the daemon stops, `DataError` where it says what cannot be understood.
        """
        self._ask("subscribe", {})
        while True:
            message = self._message(quiet_seconds)
            if message is None:
                yield None
            elif (push := _push(message)) is not None:
                yield push

    def _ask(self, method: str, params: dict[str, Any]) -> dict[str, Any]:
        self._requests += 1
        request = {"jsonrpc": "2.0", "id": self._requests, "method": method, "params": params}
        try:
            self._socket.settimeout(_ANSWER_SECONDS)
            self._socket.sendall(json.dumps(request).encode() + b"\n")
        except OSError as error:
            raise self._gone() from error
        while (answer := self._message(_ANSWER_SECONDS)) is not None:
            if "error" in answer and answer.get("id") in (None, self._requests):
                raise CommandError(_reason(answer["error"]))
            if answer.get("id") == self._requests:
                result = answer.get("result")
                return result if isinstance(result, dict) else {}
        raise DaemonAwayError(f"the daemon at {self._path} takes connections but does not answer: restart it")

    def _message(self, within_seconds: float) -> dict[str, Any] | None:
        """The next line; None where none came in time."""
        while (end := self._buffer.find(b"\n")) < 0:
            try:
                ready, _, _ = select.select([self._socket], [], [], within_seconds)
                if not ready:
                    return None
                data = self._socket.recv(_CHUNK_BYTES)
            except (OSError, ValueError) as error:  # ValueError: closed by another thread meanwhile
                raise self._gone() from error
            if not data:
                raise self._gone()
            self._buffer += data
        line = bytes(self._buffer[:end])
        del self._buffer[: end + 1]
        try:
            message = json.loads(line)
        except ValueError:
            message = None
        if not isinstance(message, dict):
            raise DataError(f"what answers at {self._path} is not sensord: {line[:60]!r}")
        return message

    def _gone(self) -> DaemonAwayError:
        return DaemonAwayError(f"the daemon at {self._path} has stopped")


def _why_away(path: "str | os.PathLike[str]", error: OSError) -> str:
    match error:
        case PermissionError():
            remedy = "join its group (sudo usermod -aG sensord $USER, then log in again)"
            return f"{path}: you may not talk to this daemon: {remedy}"
        case BlockingIOError():
            return f"the daemon at {path} takes no connections: restart it"
        case _:
            return f"no daemon answers at {path}: start it with `sensord run` (or `systemctl start sensord`)"


def _reason(error: object) -> str:
    if not isinstance(error, dict):
        return str(error)
    if error.get("code") == Code.UNKNOWN_METHOD:
        return f"{error.get('message')}: the daemon is of another version, restart it"
    return str(error.get("message"))


def _push(message: dict[str, Any]) -> "Push | None":
    from sensord.control.view_wire import effect_from, snapshot_from

    params = message.get("params")
    match message.get("method"):
        case "snapshot":
            return snapshot_from(params)
        case "effect":
            return effect_from(params)
        case "dropped":
            return Missed(int(params["effects"]) if isinstance(params, dict) else 0)
        case _:
            return None
