"""A clock for tests."""

import threading

__all__ = ["FakeClock"]


class FakeClock:
    """A clock that moves only when told to, for tests. `wait` moves it and returns at once."""

    def __init__(self, monotonic_seconds: float = 0.0, utc_seconds: float = 1_800_000_000.0) -> None:
        self.boot = "fake"
        self._monotonic = monotonic_seconds
        self._utc = utc_seconds
        self.trusted = True

    def monotonic_seconds(self) -> float:
        return self._monotonic

    def utc_seconds(self) -> float:
        return self._utc

    def wall_clock_trusted(self) -> bool:
        return self.trusted

    def advance(self, seconds: float) -> None:
        """Let `seconds` pass on both clocks."""
        self._monotonic += seconds
        self._utc += seconds

    def set_wall_clock(self, utc_seconds: float) -> None:
        """Let the wall clock jump; the monotonic clock does not notice."""
        self._utc = utc_seconds

    def wait(self, wake: threading.Event, seconds: float) -> bool:
        if not wake.is_set():
            self.advance(max(0.0, seconds))
        return wake.is_set()
