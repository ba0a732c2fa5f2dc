"""A daemon process on a fake one-wire tree, watched from outside as a keeper would: its buzzer, its screen, its log."""

import contextlib
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Self

from sensord.clock import FastClock, SystemClock
from sensord.control.control_client import ControlClient
from sensord.demo.fake_tree import FakeProbe
from sensord.errors import SensordError
from sensord.watch.effects import AlarmChanged, AlarmState
from sensord.watch.views import AlarmView, Snapshot
from tests.helpers.failing_tree import FailingTree, Failure

__all__ = ["AIR", "PASTE", "House"]

AIR, PASTE = "28-00000000000a", "28-00000000000b"
TOP = Path(__file__).parents[2]
BUZZER = "GPIO18"
RIGHT_CELSIUS, COLD_CELSIUS = 34.5, 29.0
_PATIENCE = 40.0
"""Real seconds for anything to happen on a machine that is busy."""

_CONFIG = """
[unit]
name = "attic"
[one_wire]
root = "{root}"
interval_seconds = 1
[probes.air]
rom = "28-00000000000a"
place = "brooder"
[probes.bowl]
rom = "28-00000000000b"
place = "dish"
[brooders.nest]
probes = ["air"]
band = {{ low_celsius = 33.0, high_celsius = 36.0 }}
on_delay_seconds = 2
off_delay_seconds = 2
[dishes.supper]
probe = "bowl"
[chime]
kind = "active"
pin = 18
factory = "mock"
self_test = false
[buttons]
acknowledge_pin = 23
[history]
flush_seconds = 5
{more}
"""


class House:
    """One daemon and everything around it. `speed` is how much faster than life its clock runs."""

    def __init__(self, folder: Path, speed: float = 6.0, more: str = "") -> None:
        self.folder = folder
        self.speed = speed
        folder.mkdir(parents=True, exist_ok=True)
        self.air_celsius = RIGHT_CELSIUS
        probes = [
            FakeProbe(rom=AIR, celsius=lambda _s: self.air_celsius, bits=9),
            FakeProbe(rom=PASTE, celsius=lambda s: 21.0 + s // 60 % 2, bits=9),
        ]
        self.tree = FailingTree(folder / "tree", FastClock(speed), probes)
        (folder / "sensord.toml").write_text(_CONFIG.format(root=self.tree.root, more=more))
        self.socket = folder / "control.sock"
        self.state = folder / "state"
        self.child_options: list[str] = []
        self.tree_plays = True
        self.process: subprocess.Popen[str] | None = None
        self.snapshot: Snapshot | None = None
        self.told: list[AlarmChanged] = []
        self._clock = SystemClock()
        self._ending = threading.Event()
        self._watcher = threading.Thread(target=self._watch, daemon=True)

    def __enter__(self) -> Self:
        if self.tree_plays:
            self.tree.start()
        self._watcher.start()
        return self.start()

    def __exit__(self, *_: object) -> None:
        self._ending.set()
        self._let_go()
        self._watcher.join(5)
        self.tree.close()

    def start(self) -> Self:
        """Start the daemon and wait until it watches."""
        self.spawn()
        self.until(lambda: self.snapshot is not None and self.celsius() is not None, "the first reading")
        return self

    def _let_go(self) -> None:
        """End the process, and close our end of its standard input."""
        if self.process is None:
            return
        self.process.kill()
        self.process.wait()
        if self.process.stdin is not None:
            with contextlib.suppress(BrokenPipeError):
                self.process.stdin.close()

    def spawn(self) -> None:
        """Start the daemon; the one before, if any, has ended or is ended now."""
        self._let_go()
        self.snapshot = None
        with (self.folder / "journal.log").open("a") as journal:
            command = [sys.executable, "-m", "tests.fort.fault_child", str(self.folder), "--speed", f"{self.speed:g}"]
            command += self.child_options
            self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stderr=journal, text=True, cwd=TOP)

    def stop(self, number: signal.Signals = signal.SIGTERM) -> int:
        """End it; its exit code."""
        assert self.process is not None
        self.process.send_signal(number)
        return self.process.wait(30)

    def order(self, line: str) -> None:
        """Have some harm done from inside, see `fault_child`."""
        assert self.process is not None
        assert self.process.stdin is not None
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()

    def _watch(self) -> None:
        while not self._ending.wait(0.1):
            try:
                with ControlClient(self.socket) as client:
                    for push in client.subscribe(quiet_seconds=1.0):
                        if self._ending.is_set():
                            return
                        if isinstance(push, Snapshot):
                            self.snapshot = push
                        elif isinstance(push, AlarmChanged):
                            self.told.append(push)
            except SensordError:
                self.snapshot = None

    # What can be seen and heard

    def until(self, met: Callable[[], object], what: str, seconds: float = _PATIENCE) -> float:
        """Wait until `met`; how long it took in seconds of the daemon's clock."""
        started = self._clock.monotonic_seconds()
        while not met():
            assert self._clock.monotonic_seconds() - started < seconds, f"never came: {what}; {self.last_words()}"
            self._ending.wait(0.01)
        return (self._clock.monotonic_seconds() - started) * self.speed

    def wait(self, seconds: float) -> None:
        """Let seconds of the daemon's clock pass."""
        self._ending.wait(seconds / self.speed)

    def celsius(self, probe: str = "air") -> float | None:
        """The last good reading of a probe, None while it has none."""
        seen = self.snapshot
        found = [p for p in seen.probes if p.name == probe] if seen is not None else []
        return found[0].celsius if found and found[0].fault is None else None

    def alarm(self, *conditions: str) -> AlarmView | None:
        """The alarm of one of these conditions, if it stands unacknowledged."""
        for alarm in self.snapshot.alarms if self.snapshot is not None else ():
            if alarm.condition.value in conditions and alarm.state is AlarmState.UNACKNOWLEDGED:
                return alarm
        return None

    def output(self, name: str) -> tuple[bool, str]:
        """Whether an output works, and in words."""
        found = [o for o in self.snapshot.outputs if o.name == name] if self.snapshot is not None else []
        return (found[0].working, found[0].words) if found else (True, "")

    def beeps(self) -> int:
        """How often the buzzer has been switched on."""
        log = self.folder / "pins.log"
        lines = log.read_text().splitlines() if log.exists() else []
        return sum(line.split()[1:] == [BUZZER, "1"] for line in lines)

    def pins_low(self) -> bool:
        """Whether the buzzer's pin was left low."""
        log = self.folder / "pins.log"
        lines = [line.split() for line in log.read_text().splitlines()] if log.exists() else []
        mine = [line[2] for line in lines if line[1] == BUZZER]
        return not mine or mine[-1] == "0"

    def journal(self) -> str:
        return (self.folder / "journal.log").read_text()

    def last_words(self) -> str:
        """The end of the journal."""
        return " | ".join(self.journal().splitlines()[-4:])

    def memory_megabytes(self) -> float:
        """Resident memory of the daemon."""
        assert self.process is not None
        text = Path(f"/proc/{self.process.pid}/status").read_text()
        return next(int(line.split()[1]) for line in text.splitlines() if line.startswith("VmRSS")) / 1000

    # What a keeper goes through

    def cold_snap(self) -> str:
        """Let the brooder go cold: it must be heard and seen; then warm it again. Told in words."""
        before = self.beeps()
        self.air_celsius = COLD_CELSIUS
        try:
            took = self.until(lambda: self.alarm("too-cold", "dangerously-cold"), "an alarm for a cold brooder")
            self.until(lambda: self.beeps() > before, "a sound for a cold brooder")
        finally:
            self.air_celsius = RIGHT_CELSIUS
        self.until(lambda: not self.alarm("too-cold", "dangerously-cold"), "the end of the cold")
        return f"cold told after {took:.0f} s"

    def fail(self, failure: Failure | None, *roms: str) -> None:
        """Let probes fail, all of them if none is named."""
        for rom in roms or (AIR, PASTE):
            self.tree.fail(rom, failure)
