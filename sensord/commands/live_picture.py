"""The newest snapshot of a daemon, kept up to date by a thread that connects again whenever the daemon went away."""

import threading
from collections import deque
from dataclasses import dataclass
from pathlib import Path

from sensord.clock import Clock
from sensord.control.control_client import ControlClient, Missed
from sensord.errors import SensordError
from sensord.watch.effects import Effect
from sensord.watch.views import Snapshot

# The daemon sends a snapshot each second; three missing ones are no hiccup.
STALE_SECONDS = 3.0
_QUIET_SECONDS = 0.5
_RETRY_SECONDS = 1.0
_MOST_EFFECTS = 200


@dataclass(frozen=True, slots=True)
class Seen:
    """What is known: the last snapshot, its age on this side, and why none comes (empty where they come)."""

    snapshot: Snapshot | None
    age_seconds: float
    trouble: str

    @property
    def stale_seconds(self) -> float | None:
        """The age where it is too high to believe; None where the snapshot is fresh."""
        return self.age_seconds if self.age_seconds > STALE_SECONDS else None


class LivePicture:
    """Follows the daemon at `path` from the moment it is made until `close`."""

    def __init__(self, path: str | Path, clock: Clock) -> None:
        self._path = path
        self._clock = clock
        self._last: tuple[Snapshot | None, float] = (None, clock.monotonic_seconds())
        self._trouble = ""
        self._effects: deque[Effect | Missed] = deque(maxlen=_MOST_EFFECTS)
        self._closed = threading.Event()
        self._first = threading.Event()
        self._thread = threading.Thread(target=self._follow, name="live-picture", daemon=True)
        self._thread.start()

    def seen(self) -> Seen:
        """What is known now."""
        snapshot, arrived = self._last
        return Seen(snapshot, self._clock.monotonic_seconds() - arrived, self._trouble)

    def effects(self) -> list[Effect | Missed]:
        """What happened since the last call, oldest first."""
        taken = []
        while self._effects:
            taken.append(self._effects.popleft())
        return taken

    def wait_for_first(self, seconds: float) -> bool:
        """Whether a first snapshot came within `seconds` of life."""
        return self._first.wait(seconds)

    def close(self) -> None:
        """Stop following."""
        self._closed.set()
        self._thread.join()

    def _follow(self) -> None:
        while not self._closed.is_set():
            try:
                with ControlClient(self._path) as client:
                    self._listen(client)
            except SensordError as error:  # it went away, or speaks another version: say so, and look again
                self._trouble = str(error)
            self._closed.wait(_RETRY_SECONDS)

    def _listen(self, client: ControlClient) -> None:
        for push in client.subscribe(_QUIET_SECONDS):
            if self._closed.is_set():
                return
            if isinstance(push, Snapshot):
                self._take(push)
            elif push is not None:
                self._effects.append(push)

    def _take(self, snapshot: Snapshot) -> None:
        """A snapshot that was seen before, from a daemon that stands still, makes nothing fresh."""
        before = self._last[0]
        if before is None or before.seconds != snapshot.seconds:
            self._last = (snapshot, self._clock.monotonic_seconds())
            self._trouble = ""
            self._first.set()
