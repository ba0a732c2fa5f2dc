"""How quick the dashboard is: `python -m tests.bench.dashboard`.

The start of `sensord watch` beside that of the bare interpreter, and the time to draw one screen. Targets: `watch`
shows its first picture within 1 s on a laptop, a screen takes under 100 ms.
"""

import os
import pty
import select
import statistics
import subprocess
import sys
import tempfile
import termios
import time
from collections.abc import Callable
from io import StringIO
from pathlib import Path

from rich.console import Console

from sensord.clock import SystemClock
from sensord.screens.dashboard import dashboard
from sensord.screens.page import Look
from tests.bench.table import Ratio, show, target
from tests.helpers.fake_daemon import FakeDaemon
from tests.helpers.program import SENSORD
from tests.screens.invented import SNAPSHOTS

__all__ = ["main"]

START_TARGET_SECONDS = 1.0
DRAW_TARGET_SECONDS = 0.1
_SNAPSHOT = SNAPSHOTS["many"]
_WATCH = [*SENSORD, "watch"]


def _median_seconds(act: Callable[[], object], rounds: int, clock: Callable[[], float] = time.perf_counter) -> float:
    taken = []
    for _ in range(rounds):
        start = clock()
        act()
        taken.append(clock() - start)
    return statistics.median(taken)


def _first_picture_seconds(path: Path) -> float:
    """From starting the process to the first answer on its terminal."""
    master, slave = pty.openpty()
    termios.tcsetwinsize(slave, (24, 80))
    start = time.perf_counter()
    process = subprocess.Popen([*_WATCH, "--socket", str(path)], stdin=slave, stdout=slave, stderr=slave)
    text = b""
    while b"FEED NOW" not in text and select.select([master], [], [], 10)[0]:
        text += os.read(master, 65536)
    seconds = time.perf_counter() - start
    process.terminate()
    while process.poll() is None:
        if select.select([master], [], [], 0.1)[0]:
            os.read(master, 65536)
    os.close(master)
    os.close(slave)
    return seconds


def _draw_seconds(width: int, height: int) -> float:
    console = Console(file=StringIO(), width=width, height=height, force_terminal=True, color_system="standard")
    return _median_seconds(
        lambda: console.print(dashboard(_SNAPSHOT, Look(width=width, height=height))), 20, time.process_time
    )


def main() -> int:
    """Print the table; 1 where a target is missed."""
    with tempfile.TemporaryDirectory() as folder:
        daemon = FakeDaemon(Path(folder) / "control.sock", SystemClock())
        daemon.show(_SNAPSHOT)
        starts = statistics.median(_first_picture_seconds(daemon.path) for _ in range(5))
        daemon.close()
    bare = _median_seconds(lambda: subprocess.run([sys.executable, "-c", "pass"], check=True), 5)
    small, large = _draw_seconds(80, 24), _draw_seconds(200, 50)
    show(
        [
            Ratio("watch to first picture, s (other: python)", starts, bare, f"at most {START_TARGET_SECONDS:g} s"),
            Ratio("one screen 200×50, CPU ms (other: 80×24)", large * 1e3, small * 1e3, "at most 100 ms"),
        ]
    )
    met = [
        target(f"`watch` shows its first picture within {START_TARGET_SECONDS:g} s", starts <= START_TARGET_SECONDS),
        target(f"a screen in under {1000 * DRAW_TARGET_SECONDS:g} ms", large < DRAW_TARGET_SECONDS),
    ]
    return 0 if all(met) else 1


if __name__ == "__main__":
    sys.exit(main())
