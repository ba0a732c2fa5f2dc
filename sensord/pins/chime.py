"""The buzzer and the lamp. What is due comes from `watch.sound.score`; here it reaches the pins, and on time.

A new effect is applied to the pins inside `handle`, before it returns; one thread does the rest of each pattern. The
pins are low whenever nothing is due, after `close`, and after a normal exit or an exception anywhere. A process that
is ended by a signal has to turn it into an exit (the daemon does); after SIGKILL only the resistor that holds the
buzzer's transistor off helps, see hardware.md.
"""

import atexit
import sys
import threading
from contextlib import suppress
from datetime import UTC, datetime, time

from sensord.clock import Clock
from sensord.config.sections import ChimeSection
from sensord.errors import WiringError
from sensord.pins import factory as pins
from sensord.watch.sound.patterns import TONE_DUTY, Colour, Pulse
from sensord.watch.sound.score import Due, Score, advance, opening, take

# A part that failed is tried again this often: a loose wire may come back.
_RETRY_SECONDS = 5.0
_ANY_TONE_HERTZ = 440.0
_SWITCH_SECONDS = 0.001


class Chime:
    """An output: takes `Alerting`, `Cued` and `DishChanged`, and lets everything else pass.

    `factory` is a gpiozero pin factory to use instead of the configured one. Raises `WiringError` where a pin or the
    factory cannot be had; `handle` raises it while a part does not work, and goes on trying.
    """

    name = "chime"

    def __init__(self, section: ChimeSection, clock: Clock, factory: pins.Factory | None = None) -> None:
        self._section, self._clock = section, clock
        self._lock, self._wake, self._closed = threading.RLock(), threading.Event(), False
        self._trouble: WiringError | None = None
        self._buzzer: pins.Part | None = None
        self._lamp: list[pins.Part] = []
        self._pulse: Pulse | None = None
        self._colour = Colour.DARK
        self._thread: threading.Thread | None = None
        self._score = Score()
        self._next_seconds: float | None = None
        lamp_pins = section.lamp_pins or (() if section.lamp_pin is None else (section.lamp_pin,))
        if not lamp_pins and section.kind == "none":
            return
        self._open(lamp_pins, factory or pins.open_factory(section.factory, "chime.factory"))
        # The interpreter lets a busy thread run this long before another may; at the default of 5 ms a few hand-overs
        # cost more than a keeper's alarm should wait.
        sys.setswitchinterval(min(sys.getswitchinterval(), _SWITCH_SECONDS))
        if section.self_test:
            self._score = opening(clock.monotonic_seconds())
        try:
            self._play()
        except WiringError:
            self._close_parts()
            raise
        # Registered after gpiozero's own exit hook, so it runs before that one takes the pins away.
        atexit.register(self.close)
        self._thread = threading.Thread(target=self._run, name="chime", daemon=True)
        self._thread.start()

    def handle(self, item: object) -> None:
        """Take an effect; what it asks for has reached the pins on return. Raises `WiringError` where it cannot."""
        with self._lock:
            if self._closed or self._thread is None:
                return
            before = self._score
            self._score = take(before, item, self._clock.monotonic_seconds())
            if self._score is not before:
                try:
                    self._play()
                finally:
                    self._wake.set()
            elif self._trouble is not None:
                raise self._trouble

    def words(self) -> str:
        return ""

    def close(self) -> None:
        """Silence, darkness, and the pins given back. May be called twice, and from any thread."""
        with self._lock:
            if self._closed:
                return
            self._closed = True
            self._close_parts()
        self._wake.set()
        atexit.unregister(self.close)
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join(timeout=1.0)

    def _open(self, lamp_pins: tuple[int, ...], factory: pins.Factory) -> None:
        section = self._section
        try:
            if section.kind != "none":
                if section.pin is None:
                    raise WiringError(f'chime.pin: a buzzer of kind "{section.kind}" needs its pin')
                if section.kind == "active":
                    self._buzzer = pins.switch(factory, section.pin, "chime.pin")
                else:
                    self._buzzer = pins.tone(factory, section.pin, _ANY_TONE_HERTZ, "chime.pin")
            key = "chime.lamp_pin" if section.lamp_pins is None else "chime.lamp_pins"
            for pin in lamp_pins:
                self._lamp.append(pins.switch(factory, pin, key))
        except WiringError:
            self._close_parts()
            raise

    def _close_parts(self) -> None:
        self._hush()
        for part in self._parts():
            try:
                part.close()
            except Exception:  # the others have to be closed all the same
                continue

    def _parts(self) -> list[pins.Part]:
        return [*self._lamp, *([] if self._buzzer is None else [self._buzzer])]

    def _run(self) -> None:
        while True:
            with self._lock:
                if self._closed:
                    return
                with suppress(WiringError):  # kept in `_trouble`, and tried again
                    self._play()
                next_seconds = self._next_seconds
            if next_seconds is None:
                self._wake.wait()
            else:
                self._clock.wait(self._wake, next_seconds - self._clock.monotonic_seconds())
            self._wake.clear()

    def _play(self) -> None:
        """Bring the pins to what is due now. Raises `WiringError`, after which the pins are tried afresh."""
        now = self._clock.monotonic_seconds()
        self._score, due = advance(self._score, now)
        try:
            if due.pulse != self._pulse:
                self._sound(due)
            if due.colour is not self._colour:
                self._shine(due.colour)
        except Exception as error:  # each pin library fails in its own way
            self._trouble = WiringError(f"chime: the pins do not answer ({error}): check the wiring, see hardware.md")
            self._next_seconds = now + _RETRY_SECONDS
            self._hush()
            raise self._trouble from error
        self._trouble, self._next_seconds = None, due.next_seconds

    def _sound(self, due: Due) -> None:
        buzzer, self._pulse = self._buzzer, due.pulse
        if buzzer is None:
            return
        if due.pulse is None:
            buzzer.off()
        elif self._section.kind == "active":
            buzzer.on()
        else:
            buzzer.frequency = due.pulse.hertz
            buzzer.value = TONE_DUTY * (1.0 if due.danger else self._level())

    def _shine(self, colour: Colour) -> None:
        self._colour = colour
        wanted = colour.value if len(self._lamp) == 3 else (max(colour.value) if colour is not Colour.BLUE else 0,)
        for part, lit in zip(self._lamp, wanted, strict=False):
            if lit:
                part.on()
            else:
                part.off()

    def _hush(self) -> None:
        """After a failure: try to end silent, and forget what the pins were believed to show."""
        self._pulse, self._colour = None, Colour.DARK
        for part in self._parts():
            try:
                part.off()
            except Exception:  # the failure is told already; the next attempt comes by itself
                continue

    def _level(self) -> float:
        """The part of full loudness for now. Without a trusted clock it is never night."""
        if self._section.night is None or not self._clock.wall_clock_trusted():
            return 1.0
        start, end = (time.fromisoformat(text) for text in self._section.night.split("-"))
        now = datetime.fromtimestamp(self._clock.utc_seconds(), tz=UTC).astimezone().time()
        night = start <= now < end if start <= end else now >= start or now < end
        return self._section.night_level if night else 1.0
