"""Mock pins that note every change with its time, and a clock that moves only in steps while a thread waits on it."""

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from gpiozero.pins.mock import MockFactory, MockPWMPin

from sensord.clock import Clock
from tests.helpers.fake_clock import FakeClock

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
    """Virtual time for one waiting thread: `run` lets it see every deadline on the way, exactly."""

    def __init__(self) -> None:
        super().__init__()
        self._parked = threading.Condition()
        self._deadline: float | None = None

    def wait(self, wake: threading.Event, seconds: float) -> bool:
        with self._parked:
            self._deadline = self.monotonic_seconds() + max(0.0, seconds)
            while not wake.is_set() and self.monotonic_seconds() < self._deadline:
                self._parked.wait(0.0005)
            self._deadline = None
            return wake.is_set()

    def run(self, seconds: float, next_seconds: Callable[[], float | None]) -> None:
        """Let `seconds` pass. `next_seconds` tells when the thread will act next, None where it sleeps until woken.

        Fails where the thread has not come to wait for that instant within ten seconds of real time.
        """
        target = self.monotonic_seconds() + seconds
        while (due := next_seconds()) is not None and due <= target:
            self._until_changed(next_seconds, due)
        self.advance(target - self.monotonic_seconds())

    def _until_changed(self, next_seconds: Callable[[], float | None], due: float) -> None:
        give_up = time.perf_counter() + 10
        while next_seconds() == due:
            assert time.perf_counter() < give_up, f"the thread did not act at {due}"
            with self._parked:
                if self._deadline is not None and abs(self._deadline - due) < 1e-6:
                    self.advance(max(0.0, self._deadline - self.monotonic_seconds()))
                self._parked.wait(0.0005)
