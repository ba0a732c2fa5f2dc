"""What waits to go out to one control client: bounded, so that one that does not read costs no more than this."""

import json
import socket
from collections import deque

from sensord.control.control_wire import push_line

__all__ = ["Outbox"]

_MOST_EFFECTS = 64
_MOST_ANSWERS = 64


class Outbox:
    """Answers in order and all of them; effects as far as there is room; of the snapshots only the newest.

    The oldest effects give way, and the client is told how many it missed (`dropped`) before the next one.
    """

    def __init__(self) -> None:
        self._answers: deque[bytes] = deque()
        self._effects: deque[bytes] = deque()
        self._snapshot: bytes | None = None
        self._dropped = 0
        self._sending = memoryview(b"")

    @property
    def empty(self) -> bool:
        """Whether nothing waits."""
        return not (self._sending or self._answers or self._effects or self._snapshot)

    @property
    def crowded(self) -> bool:
        """Whether so many answers wait that no further request should be read."""
        return len(self._answers) >= _MOST_ANSWERS

    def answer(self, line: bytes) -> None:
        """Queue the answer to a request."""
        self._answers.append(line)

    def effect(self, line: bytes) -> None:
        """Queue an effect; the oldest waiting one gives way where there is no room."""
        if len(self._effects) >= _MOST_EFFECTS:
            self._effects.popleft()
            self._dropped += 1
        self._effects.append(line)

    def snapshot(self, line: bytes) -> None:
        """Queue a snapshot in place of an older one that was not sent yet."""
        self._snapshot = line

    def write_to(self, connected: socket.socket) -> bool:
        """Send as much as goes without waiting; whether any went. Raises `OSError` where the client has gone."""
        progressed = False
        while True:
            if not self._sending:
                self._sending = memoryview(self._next())
            if not self._sending:
                return progressed
            try:
                sent = connected.send(self._sending)
            except BlockingIOError:
                return progressed
            progressed = True
            self._sending = self._sending[sent:]

    def _next(self) -> bytes:
        if self._answers:
            return self._answers.popleft()
        if self._effects:
            dropped, self._dropped = self._dropped, 0
            line = self._effects.popleft()
            return push_line("dropped", json.dumps({"effects": dropped}).encode()) + line if dropped else line
        line, self._snapshot = self._snapshot or b"", None
        return line
