"""Threads that may get stuck in the kernel on somebody's behalf, so that whoever asked never does."""

import queue
import signal
import threading
from collections.abc import Callable
from dataclasses import dataclass, field

__all__ = ["Errand", "Hand", "block_signals"]


def block_signals() -> None:
    """Keep signals away from the calling thread: one that arrives during a one-wire read spoils the measurement."""
    signal.pthread_sigmask(signal.SIG_BLOCK, signal.valid_signals())


@dataclass(slots=True)
class Errand:
    """One blocking read or write; `outcome` is there once `done`."""

    job: Callable[[], bytes]
    done: threading.Event = field(default_factory=threading.Event)
    outcome: bytes | OSError = b""


class Hand:
    """One daemon thread that runs errands one at a time, and sets `wake` after each.

    A hand that is stuck stays `busy`: nothing more is given to it, so threads never pile up.
    """

    def __init__(self, name: str, wake: threading.Event) -> None:
        self._wake = wake
        self._errands: queue.SimpleQueue[Errand | None] = queue.SimpleQueue()
        self._current: Errand | None = None
        threading.Thread(target=self._run, name=name, daemon=True).start()

    @property
    def busy(self) -> bool:
        return self._current is not None and not self._current.done.is_set()

    def begin(self, job: Callable[[], bytes]) -> Errand:
        """Start an errand; only on a hand that is not busy."""
        errand = self._current = Errand(job)
        self._errands.put(errand)
        return errand

    def close(self) -> None:
        """Let the thread end; at once, or when the kernel lets go of it."""
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
