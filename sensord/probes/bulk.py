"""One conversion for all probes of a bus, through the kernel's `therm_bulk_read`, as long as it proves itself.

The kernel reports no errors here, so every conversion is checked: the state must turn to `1`, and not sooner than a
conversion takes. One that ended early (a signal, a dead bus) leaves old values or 85 °C behind and is not believed.
"""

from collections.abc import Callable
from pathlib import Path

from sensord.clock import Clock
from sensord.probes.deadlines import Asker, Overdue
from sensord.probes.one_wire import read_bytes, trigger

__all__ = ["BulkConversion"]

_READY, _IDLE = b"1", b"0"
_FIRST_POLL_SECONDS, _LONGEST_POLL_SECONDS = 0.005, 0.1
_EARLY = 0.9
"""A conversion that took less than this share of its time is not believed."""
_QUICK_RETRIES = 2
_AGAIN_SECONDS = 600.0


class BulkConversion:
    """The bulk file of one bus; `trouble` says in words why it is not used."""

    def __init__(self, file: Path, asker: Asker, clock: Clock, deadline_seconds: float, *, wanted: bool) -> None:
        self.trouble = "" if wanted else "bulk conversion is switched off"
        self._file = file
        self._asker = asker
        self._clock = clock
        self._deadline_seconds = deadline_seconds
        self._wanted = wanted
        self._failures = 0
        self._again_at = float("-inf")
        self._results_may_wait = True

    @property
    def due(self) -> bool:
        """Whether it is worth a try: there, wanted, and not in trouble a short while ago."""
        if not self._wanted:
            return False
        if not self._file.exists():
            self.trouble = "the kernel offers no bulk conversion on this bus"
            return False
        return self._clock.monotonic_seconds() >= self._again_at

    def convert(self, longest_wait: Callable[[bool], float]) -> bool:
        """Convert once; whether fresh results wait now.

        `longest_wait(ask_again)` gives the seconds that the slowest probe takes, as known or as asked for now.
        Where it fails, `trouble` says why, and the next try is in the next cycle or after ten minutes.
        """
        started = self._clock.monotonic_seconds()
        written = self._asker.ask(self._trigger)
        if isinstance(written, OSError):
            return self._failed(f"{self._file.name} cannot be written ({written.strerror})", patient=True)
        state = self._final_state(started, longest_wait) if isinstance(written, bytes) else b"no answer"
        took = self._clock.monotonic_seconds() - started
        if state == _IDLE:
            return self._failed("the kernel ignored the bulk conversion", patient=False)
        if state != _READY:
            return self._failed(f"bulk conversion never ended (state: {state.decode(errors='replace')})", patient=True)
        if took < _EARLY * longest_wait(False) and took < _EARLY * longest_wait(True):
            self._asker.pause_until(started + longest_wait(False))
            return self._failed(f"bulk conversion ended after {took:.2f} s, too early to be true", patient=False)
        self._failures = 0
        self._results_may_wait = False
        return True

    def doubt(self) -> None:
        """Some probe was not read, so it may still hold an old result."""
        self._results_may_wait = True

    def old_results_wait(self) -> bool:
        """Whether probes may hold results of an earlier conversion (of a run that crashed, say); told once."""
        if not self._results_may_wait:
            return False
        self._results_may_wait = False
        state = self._asker.ask(self._read_state)
        return isinstance(state, bytes) and state == _READY

    def _final_state(self, started: float, longest_wait: Callable[[bool], float]) -> bytes:
        """The state once it has settled, or what it was at the deadline; anything unknown counts as converting.

        On a Pi it has settled when the write returns; a plain folder that plays the kernel needs the waiting.
        """
        pause = _FIRST_POLL_SECONDS
        while True:
            state = self._asker.ask(self._read_state)
            if isinstance(state, Overdue):
                return b"no answer"
            if isinstance(state, OSError):
                return f"{state.strerror}".encode()
            if state in (_READY, _IDLE) or self._clock.monotonic_seconds() >= started + self._deadline_seconds:
                return state
            over = started + longest_wait(False)
            self._asker.pause_until(max(over, self._clock.monotonic_seconds() + pause))
            pause = min(2 * pause, _LONGEST_POLL_SECONDS)

    def _trigger(self) -> bytes:
        trigger(self._file)
        return b""

    def _read_state(self) -> bytes:
        words = read_bytes(self._file).split()
        return words[0] if words else b""

    def _failed(self, why: str, *, patient: bool) -> bool:
        self._failures += 1
        self._results_may_wait = True
        self.trouble = why
        if patient or self._failures > _QUICK_RETRIES:
            self._again_at = self._clock.monotonic_seconds() + _AGAIN_SECONDS
        return False
