"""Push buttons to ground: acknowledge, and 'a bowl was just mixed'.

| button | pressed | held for three seconds |
|---|---|---|
| acknowledge | `Acknowledge` of everything that stands | also `PauseAudio` for the configured time |
| batch | `StartBatch` of the dish | - |
"""

from collections.abc import Callable
from functools import partial

from sensord.clock import Clock
from sensord.config.sections import ButtonsSection
from sensord.errors import WiringError
from sensord.pins import factory as pins
from sensord.watch.command_table import Acknowledge, PauseAudio, StartBatch
from sensord.watch.events import Command, Event, Origin

HOLD_SECONDS = 3.0
# Contacts of small push buttons settle within about 10 ms; common practice, no source.
_BOUNCE_SECONDS = 0.05
# On top of the library's debouncing, which some pin drivers lack: a press counts only after this much rest. A contact
# that chatters without end is one press.
_REST_SECONDS = 0.25


class Buttons:
    """An input: calls `deliver(event)` from the pin library's threads. `deliver` must not block.

    `dish` is the one that the batch button speaks of; a held acknowledge button silences for as long as allowed.
    Raises `WiringError` where a pin or the factory cannot be had. `trouble` is the last exception that `deliver`
    raised, as text; it never reaches the pin library, whose thread would end.
    """

    name = "buttons"

    def __init__(
        self,
        section: ButtonsSection,
        clock: Clock,
        deliver: Callable[[Event], None],
        factory: pins.Factory | None = None,
        *,
        factory_name: str | None = None,
        dish: str | None = None,
        hold_seconds: float = HOLD_SECONDS,
    ) -> None:
        self._clock, self._deliver = clock, deliver
        self._parts: list[pins.Part] = []
        self.trouble = ""
        wanted: list[tuple[str, int | None, Callable[..., Command], Callable[..., Command] | None]] = [
            ("buttons.acknowledge_pin", section.acknowledge_pin, Acknowledge, PauseAudio),
            ("buttons.batch_pin", section.batch_pin, partial(StartBatch, dish=dish), None),
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

    def _guarded(self, command: Callable[..., Command], rest_seconds: float) -> Callable[[], None]:
        """Delivers the first of a rapid series. The pin library calls it from one thread a pin."""
        last_seconds: float | None = None

        def called() -> None:
            nonlocal last_seconds
            try:
                now, before = self._clock.monotonic_seconds(), last_seconds
                last_seconds = now
                if before is None or now - before >= rest_seconds:
                    self._deliver(command(seconds=now, origin=Origin.BUTTON))
            except Exception as error:  # would end the pin library's thread, and with it every later press
                self.trouble = f"{type(error).__name__}: {error}"

        return called
