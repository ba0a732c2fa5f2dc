"""Blocking reads and writes with a deadline: threads may get stuck in the kernel, whoever asks them never does."""

import queue
import signal
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import TypeAlias

from sensord.clock import Clock

__all__ = ["Asker", "Closing", "Outcome", "Overdue", "block_signals"]


class Overdue:
    """The outcome of a job that did not come back in time."""


class Closing(Exception):  # noqa: N818 - a way out, not an error
    """Whoever asks is being closed."""


Outcome: TypeAlias = bytes | OSError | Overdue
Job: TypeAlias = Callable[[], bytes]


def block_signals() -> None:
    """Keep signals away from the calling thread: one that arrives during a one-wire read spoils the measurement."""
    signal.pthread_sigmask(signal.SIG_BLOCK, signal.valid_signals())


@dataclass(slots=True)
class _Errand:
    """One blocking job; `outcome` counts once `done`."""

    job: Job
    done: threading.Event = field(default_factory=threading.Event)
    outcome: bytes | OSError = b""


class _Hand:
    """One daemon thread that runs errands one at a time, and sets `wake` after each; `busy` while the kernel has it."""

    def __init__(self, name: str, wake: threading.Event) -> None:
        self._wake = wake
        self._errands: queue.SimpleQueue[_Errand | None] = queue.SimpleQueue()
        self._current: _Errand | None = None
        threading.Thread(target=self._run, name=name, daemon=True).start()

    @property
    def busy(self) -> bool:
        return self._current is not None and not self._current.done.is_set()

    def begin(self, job: Job) -> _Errand:
        errand = self._current = _Errand(job)
        self._errands.put(errand)
        return errand

    def close(self) -> None:
        """Let the thread end: at once, or when the kernel lets go of it."""
        self._errands.put(None)

    def _run(self) -> None:
        block_signals()
        while (errand := self._errands.get()) is not None:
            try:
                errand.outcome = errand.job()
            except OSError as error:
                errand.outcome = error
            errand.done.set()
            self._wake.set()


class Asker:
    """Runs blocking jobs for one thread, each for at most `deadline_seconds` of the clock.

    A job that does not come back keeps its thread; nothing more is given to that thread, so threads never pile up.
    All methods but `close` and the properties belong to the one thread that asks; they raise `Closing` after `close`.
    """

    def __init__(self, name: str, clock: Clock, deadline_seconds: float) -> None:
        self._name = name
        self._clock = clock
        self._deadline_seconds = deadline_seconds
        self._wake = threading.Event()
        self._closing = False
        self._hand = _Hand(f"{name} asks", self._wake)
        self._hands: dict[str, _Hand] = {}
        self._beat = clock.monotonic_seconds()

    @property
    def stuck(self) -> bool:
        """Whether the kernel still has the thread that `ask` uses."""
        return self._hand.busy

    @property
    def any_stuck(self) -> bool:
        """Whether the kernel still has any thread."""
        return self._hand.busy or any(hand.busy for hand in self._hands.values())

    @property
    def silent_seconds(self) -> float:
        """How long the thread that asks has not been heard of."""
        return self._clock.monotonic_seconds() - self._beat

    def ask(self, job: Job) -> Outcome:
        """Run one job; `Overdue` at the deadline, or at once while an earlier one is stuck."""
        if self._hand.busy:
            return Overdue()
        errand = self._hand.begin(job)
        for _ in self._until_deadline():
            if errand.done.is_set():
                return errand.outcome
        return Overdue()

    def ask_all(self, jobs: Mapping[str, Job]) -> Iterator[tuple[str, Outcome]]:
        """Run jobs side by side, one thread per key; outcomes as they come, `Overdue` ones last."""
        errands: dict[str, _Errand] = {}
        for key, job in jobs.items():
            if key not in self._hands:
                self._hands[key] = _Hand(f"{self._name} {key}", self._wake)
            if self._hands[key].busy:
                yield key, Overdue()
            else:
                errands[key] = self._hands[key].begin(job)
        for _ in self._until_deadline():
            for key in [key for key, errand in errands.items() if errand.done.is_set()]:
                yield key, errands.pop(key).outcome
            if not errands:
                return
        for key in errands:
            yield key, Overdue()

    def pause_until(self, seconds: float) -> None:
        """Wait until `seconds` on the clock."""
        while (left := seconds - self._clock.monotonic_seconds()) > 0:
            self._wake.clear()
            self._wait(left)
        self._wait(0.0)

    def close(self) -> None:
        """Wake whoever asks, and let the threads end."""
        self._closing = True
        self._wake.set()
        for hand in (self._hand, *self._hands.values()):
            hand.close()

    def _until_deadline(self) -> Iterator[None]:
        """One turn at once, and one after each time that something has come back, until the deadline."""
        give_up = self._clock.monotonic_seconds() + self._deadline_seconds
        while True:
            self._wake.clear()
            yield
            left = give_up - self._clock.monotonic_seconds()
            if left <= 0:
                return
            self._wait(left)

    def _wait(self, seconds: float) -> None:
        self._beat = self._clock.monotonic_seconds()
        if self._closing:
            raise Closing
        self._clock.wait(self._wake, seconds)
