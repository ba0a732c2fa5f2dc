"""Blocking reads and writes with a deadline: threads may get stuck in the kernel, whoever asks them never does."""

import queue
import signal
import threading
from collections.abc import Callable, Iterator, Mapping
from typing import TypeAlias

from sensord.clock import Clock


class Overdue:
    """The outcome of a job that did not come back in time."""


class Closing(Exception):  # noqa: N818 - a way out, not an error
    """Whoever asks is being closed."""


Outcome: TypeAlias = bytes | OSError | Overdue
Job: TypeAlias = Callable[[], bytes]

_OWN = ""
"""The key of the thread that single jobs go to."""


def block_signals() -> None:
    """Keep signals away from the calling thread: one that arrives during a one-wire read spoils the measurement."""
    signal.pthread_sigmask(signal.SIG_BLOCK, signal.valid_signals())


class _Hand:
    """One daemon thread that runs one job after the other; `busy` while the kernel has it, then `outcome` tells."""

    def __init__(self, name: str, wake: threading.Event) -> None:
        self.busy = False
        self.outcome: bytes | OSError = b""
        self._wake = wake
        self._jobs: queue.SimpleQueue[Job | None] = queue.SimpleQueue()
        threading.Thread(target=self._run, name=name, daemon=True).start()

    def begin(self, job: Job) -> None:
        self.busy = True
        self._jobs.put(job)

    def close(self) -> None:
        """Let the thread end: at once, or when the kernel lets go of it."""
        self._jobs.put(None)

    def _run(self) -> None:
        block_signals()
        while (job := self._jobs.get()) is not None:
            try:
                self.outcome = job()
            except OSError as error:
                self.outcome = error
            self.busy = False
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
        self._hands: dict[str, _Hand] = {_OWN: _Hand(f"{name} asks", self._wake)}
        self._beat = clock.monotonic_seconds()

    @property
    def stuck(self) -> bool:
        """Whether the kernel still has the thread that `ask` uses."""
        return self._hands[_OWN].busy

    @property
    def silent_seconds(self) -> float:
        """How long the thread that asks has not been heard of."""
        return self._clock.monotonic_seconds() - self._beat

    def ask(self, job: Job) -> Outcome:
        """Run one job; `Overdue` at the deadline, or at once while an earlier one is stuck."""
        ((_, outcome),) = self.ask_all({_OWN: job})
        return outcome

    def ask_all(self, jobs: Mapping[str, Job]) -> Iterator[tuple[str, Outcome]]:
        """Run jobs side by side, one thread per key; outcomes as they come, `Overdue` ones last."""
        waiting = []
        for key, job in jobs.items():
            if key not in self._hands:
                self._hands[key] = _Hand(f"{self._name} {key}", self._wake)
            if self._hands[key].busy:
                yield key, Overdue()
            else:
                self._hands[key].begin(job)
                waiting.append(key)
        give_up = self._clock.monotonic_seconds() + self._deadline_seconds
        while waiting:
            self._wake.clear()
            for key in [key for key in waiting if not self._hands[key].busy]:
                waiting.remove(key)
                yield key, self._hands[key].outcome
            left = give_up - self._clock.monotonic_seconds()
            if left <= 0:
                break
            if waiting:
                self._wait(left)
        for key in waiting:
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
        for hand in self._hands.values():
            hand.close()

    def _wait(self, seconds: float) -> None:
        self._beat = self._clock.monotonic_seconds()
        if self._closing:
            raise Closing
        self._clock.wait(self._wake, seconds)
