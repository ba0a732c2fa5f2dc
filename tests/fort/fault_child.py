"""The daemon as `sensord run` starts it, but on a clock that may run fast and jump, and with faults on command.

Commands come as lines on the standard input, see `_COMMANDS`; every change of the buzzer's pin goes into a file.
"""

import argparse
import math
import resource
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from gpiozero.pins.mock import MockFactory, MockPWMPin

from sensord.clock import FastClock
from sensord.commands.run import stop_daemon_on_signals
from sensord.config.folders import Places
from sensord.config.loading import load
from sensord.history import database
from sensord.log import chick_log
from sensord.pins import factory as pins
from sensord.probes.probe_reader import ProbeReader
from sensord.run import daemon as rhythm
from sensord.run.daemon import Daemon
from sensord.run.journal import Journal, Notifier
from sensord.run.outlets import Item
from sensord.run.service import build

_FACTORY = "mock"
_TELLING = database.telling


class JumpyClock(FastClock):
    """A fast clock whose wall time can be set by hand; it hides no stall."""

    def __init__(self, speed: float) -> None:
        super().__init__(speed, longest_step_seconds=math.inf)
        self.offset_seconds = 0.0

    def utc_seconds(self) -> float:
        return super().utc_seconds() + self.offset_seconds


class Saboteur:
    """An output that does harm: raises, eats memory, or ends its thread."""

    name = "saboteur"

    def __init__(self) -> None:
        self.harm: Callable[[], object] = lambda: None

    def handle(self, _item: Item) -> None:
        self.harm()

    def words(self) -> str:
        return ""

    def close(self) -> None:
        return


def _raise(error: BaseException) -> None:
    raise error


def recording_factory(clock: FastClock, path: Path) -> MockFactory:
    """Mock pins whose changes go into a file: seconds, pin, value."""
    file = path.open("a", buffering=1)

    class RecordingPin(MockPWMPin):  # type: ignore[misc]  # gpiozero ships no types
        def _change_state(self, value: float) -> bool:
            changed: bool = super()._change_state(value)
            if changed and self.function == "output":
                file.write(f"{clock.monotonic_seconds():.3f} {self.info.name} {float(value):g}\n")
            self.clear_states()  # gpiozero's mock keeps every change for ever, which would look like a leak of ours
            return changed

    return MockFactory(pin_class=RecordingPin)


class Sabotage:
    """What can be done to the daemon from inside."""

    def __init__(self, daemon: Daemon, clock: JumpyClock, saboteur: Saboteur, button_pin: str) -> None:
        self._daemon, self._clock, self._saboteur, self._button_pin = daemon, clock, saboteur, button_pin
        self._never = threading.Event()

    def listen(self) -> None:
        for line in sys.stdin:
            verb, _, value = line.strip().partition(" ")
            getattr(self, verb)(float(value or 0))

    def jump(self, seconds: float) -> None:
        """Set the wall clock that much further."""
        self._clock.offset_seconds += seconds

    def crash(self, _value: float) -> None:
        """An output raises at every item."""
        self._saboteur.harm = lambda: _raise(RuntimeError("a bug in an adapter"))

    def leave(self, _value: float) -> None:
        """An output ends its thread."""
        self._saboteur.harm = lambda: _raise(SystemExit("a library that wants to end the program"))

    def break_words(self, _value: float) -> None:
        """An output cannot say how it fares."""
        self._saboteur.words = self._raising  # type: ignore[method-assign]

    def break_view(self, _value: float) -> None:
        """Nothing can be shown of the rules."""
        vars(rhythm)["snapshot"] = self._raising

    def break_day(self, _value: float) -> None:
        """The log of the chicks cannot read the day."""
        chick_log.chick_views = self._raising

    def break_reader(self, _value: float) -> None:
        """The probes' reader cannot say how it fares."""
        ProbeReader.health = self._raising  # type: ignore[method-assign]

    def break_notifier(self, _value: float) -> None:
        """The service manager cannot be told."""
        Notifier.alive = self._raising  # type: ignore[method-assign]

    def _raising(self, *_arguments: object, **_named: object) -> Any:
        raise KeyError("a slip in the program")

    def memory(self, _value: float) -> None:
        """An output asks for more memory than there is."""
        used = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
        resource.setrlimit(resource.RLIMIT_AS, (used + 64_000_000, resource.RLIM_INFINITY))
        self._saboteur.harm = lambda: bytearray(1_000_000_000)

    def hang(self, _value: float) -> None:
        """An output never comes back."""
        self._saboteur.harm = self._never.wait

    def heal(self, _value: float) -> None:
        """No more harm."""
        self._saboteur.harm = lambda: None

    def slow(self, seconds: float) -> None:
        """Every commit to the history takes so much longer (of life)."""
        never = self._never

        def telling(path: Path) -> object:
            never.wait(seconds)
            return _TELLING(path)

        database.telling = telling  # type: ignore[assignment]

    def bounce(self, count: float) -> None:
        """The acknowledge button's contact chatters."""
        pin = pins.open_factory(_FACTORY, "").pin(self._button_pin)
        for _ in range(int(count)):
            pin.drive_low()
            pin.drive_high()


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--speed", type=float, default=1.0)
    parser.add_argument("--button", default="GPIO23")
    parser.add_argument("--tick", type=float, help="seconds between two ticks, where a second is too short a time")
    options = parser.parse_args()
    folder: Path = options.folder
    if options.tick:
        rhythm._TICK_SECONDS = options.tick
    clock = JumpyClock(options.speed)
    pins._open[_FACTORY] = recording_factory(clock, folder / "pins.log")
    journal = Journal(sys.stderr)
    journal.adopt()
    config = load(folder / "sensord.toml")
    saboteur, places = Saboteur(), Places(folder / "state", folder / "control.sock")
    daemon = build(config, clock, places, journal, more=[saboteur])
    stop_daemon_on_signals(daemon)
    sabotage = Sabotage(daemon, clock, saboteur, options.button)
    threading.Thread(target=sabotage.listen, daemon=True).start()
    daemon.run()


if __name__ == "__main__":
    from sensord.errors import SensordError

    try:
        main()
    except SensordError as error:
        print(f"sensord run: {error}", file=sys.stderr)
        raise SystemExit(2) from error
