"""Push buttons to ground: acknowledge, and 'a bowl was just mixed'.

| button | pressed | held for three seconds |
|---|---|---|
| acknowledge | `Acknowledge` of everything that stands | also `PauseAudio` for the configured time |
| batch | `StartBatch` of the dish | - |
"""

import threading
from collections.abc import Callable
from typing import Protocol, TypeAlias

from sensord.clock import Clock
from sensord.errors import WiringError
from sensord.pins import factory as pins
from sensord.watch.command_table import Acknowledge, PauseAudio, StartBatch
from sensord.watch.events import Event, Origin

__all__ = ["Buttons", "ButtonsSettings"]

HOLD_SECONDS = 3.0
# Contacts of small push buttons settle within about 10 ms; common practice, no source.
_BOUNCE_SECONDS = 0.05
# On top of the library's debouncing, which some pin drivers lack: a press counts only after this much rest. A contact
# that chatters without end is one press.
_REST_SECONDS = 0.25


_Make: TypeAlias = Callable[[], Event | None]


class ButtonsSettings(Protocol):
    """What the config's section `[buttons]` has to offer (`sensord.config.sections.ButtonsSection` does)."""

    @property
    def acknowledge_pin(self) -> int | None: ...
    @property
    def batch_pin(self) -> int | None: ...


class _Guard:
    """Lets the first of a rapid series through."""

    def __init__(self, clock: Clock, rest_seconds: float) -> None:
        self._clock, self._rest_seconds = clock, rest_seconds
        self._lock = threading.Lock()
        self._last_seconds: float | None = None

    def passes(self) -> bool:
        with self._lock:
            now, last = self._clock.monotonic_seconds(), self._last_seconds
            self._last_seconds = now
            return last is None or now - last >= self._rest_seconds


class Buttons:
    """An input: calls `deliver(event)` from the pin library's threads. `deliver` must not block.

    `dish` is the one that the batch button speaks of; `pause_seconds` how long a held acknowledge button silences.
    Raises `WiringError` where a pin or the factory cannot be had. `trouble` is the last exception that `deliver`
    raised, as text; it never reaches the pin library, whose thread would end.
    """

    name = "buttons"

    def __init__(
        self,
        section: ButtonsSettings,
        clock: Clock,
        deliver: Callable[[Event], None],
        factory: pins.Factory | None = None,
        *,
        factory_name: str | None = None,
        dish: str | None = None,
        pause_seconds: float = 120.0,
        hold_seconds: float = HOLD_SECONDS,
    ) -> None:
        self._clock, self._deliver, self._dish, self._pause_seconds = clock, deliver, dish, pause_seconds
        self._parts: list[pins.Part] = []
        self.trouble = ""
        wanted: list[tuple[str, int | None, _Make, _Make | None]] = [
            ("buttons.acknowledge_pin", section.acknowledge_pin, self._acknowledge, self._pause),
            ("buttons.batch_pin", section.batch_pin, self._batch, None),
        ]
        try:
            for key, pin, pressed, held in wanted:
                if pin is None:
                    continue
                factory = factory or pins.open_factory(factory_name, "chime.factory")
                part = pins.button(factory, pin, hold_seconds, _BOUNCE_SECONDS, key)
                self._parts.append(part)
                part.when_pressed = self._guarded(pressed, _REST_SECONDS)
                if held is not None:
                    part.when_held = self._guarded(held, hold_seconds)
        except WiringError:
            self.close()
            raise

    @property
    def any_down(self) -> bool:
        """Whether a button is down at this moment."""
        return any(part.is_pressed for part in self._parts)

    def close(self) -> None:
        """Give the pins back; may be called twice."""
        while self._parts:
            self._parts.pop().close()

    def _guarded(self, make: _Make, rest_seconds: float) -> Callable[[], None]:
        guard = _Guard(self._clock, rest_seconds)

        def called() -> None:
            try:
                event = make() if guard.passes() else None
                if event is not None:
                    self._deliver(event)
            except Exception as error:  # would end the pin library's thread, and with it every later press
                self.trouble = f"{type(error).__name__}: {error}"

        return called

    def _acknowledge(self) -> Event:
        return Acknowledge(seconds=self._clock.monotonic_seconds(), origin=Origin.BUTTON)

    def _pause(self) -> Event:
        now = self._clock.monotonic_seconds()
        return PauseAudio(seconds=now, origin=Origin.BUTTON, for_seconds=self._pause_seconds)

    def _batch(self) -> Event | None:
        if self._dish is None:
            return None
        return StartBatch(seconds=self._clock.monotonic_seconds(), origin=Origin.BUTTON, dish=self._dish)
