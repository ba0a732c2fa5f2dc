"""Mock pins that note every change with its time, and a clock that moves only in steps while a thread waits on it."""

import threading
import time
from dataclasses import dataclass
from typing import Any

from gpiozero.pins.mock import MockFactory, MockPWMPin

from sensord.clock import Clock, FakeClock

__all__ = ["Change", "StepClock", "beeps", "recording_factory"]


@dataclass(frozen=True, slots=True)
class Change:
    """A pin went to `value` (a duty for tones) at `seconds`, with `hertz` set where it is a tone."""

    seconds: float
    pin: int
    value: float
    hertz: float | None


def recording_factory(clock: Clock) -> tuple[Any, list[Change]]:
    """A mock pin factory, and the list that its pins write their changes to."""
    changes: list[Change] = []

    class RecordingPin(MockPWMPin):  # type: ignore[misc]  # gpiozero ships no types
        def _change_state(self, value: float) -> bool:
            changed: bool = super()._change_state(value)
            if changed and self.function == "output":
                hertz = self.frequency
                changes.append(
                    Change(clock.monotonic_seconds(), int(self.info.name.removeprefix("GPIO")), float(value), hertz)
                )
            return changed

    return MockFactory(pin_class=RecordingPin), changes


def beeps(changes: list[Change], pin: int) -> list[tuple[float, float, float | None]]:
    """(onset, length, hertz) of every complete pulse on a pin."""
    found, started = [], None
    for change in changes:
        if change.pin != pin:
            continue
        if change.value and started is None:
            started = change
        elif not change.value and started is not None:
            found.append((started.seconds, change.seconds - started.seconds, started.hertz))
            started = None
    return found


class StepClock(FakeClock):
    """Virtual time for one waiting thread: `run(seconds)` lets it see every deadline in between, exactly."""

    def __init__(self) -> None:
        super().__init__()
        self._parked = threading.Condition()
        self._deadline: float | None = None
        self._waits = 0
        self._wake: threading.Event | None = None

    def wait(self, wake: threading.Event, seconds: float) -> bool:
        with self._parked:
            self._deadline, self._wake = self.monotonic_seconds() + max(0.0, seconds), wake
            self._waits += 1
            while not wake.is_set() and self.monotonic_seconds() < self._deadline:
                self._parked.wait(0.0005)
            self._deadline = None
            self._parked.notify_all()
            return wake.is_set()

    def run(self, seconds: float) -> None:
        """Let `seconds` pass; returns when the thread has done all that was due and waits again (or sleeps)."""
        target = self.monotonic_seconds() + seconds
        while self._settled() and (deadline := self._deadline) is not None and deadline <= target:
            with self._parked:
                waits = self._waits
                self.advance(deadline - self.monotonic_seconds())
                self._parked.notify_all()
            self._until(lambda before=waits: self._waits > before)
        self.advance(target - self.monotonic_seconds())

    def _settled(self) -> bool:
        return self._until(lambda: self._deadline is not None and self._wake is not None and not self._wake.is_set())

    def _until(self, true: Any) -> bool:
        give_up = time.perf_counter() + 0.05
        while time.perf_counter() < give_up:
            with self._parked:
                if true():
                    return True
                self._parked.wait(0.0005)
        return False
