"""How large the history gets and what it writes: `python -m tests.bench.history_size [--days N]`.

Four probes at 1 Hz go through the real writer on a clock that runs as fast as the machine can: two restless ones in a
brooder under a thermostat, a dish that is used eight times a day, a calm one in the room. Prints the file's size, what
SQLite wrote (log and file), the times of the questions that reports ask; `--full` simulates 365 days, in a quarter of
an hour, where twelve days tell the year's size by the growth of the last three.
"""

import argparse
import math
import random
import time
from collections.abc import Callable
from math import exp, sin
from pathlib import Path
from tempfile import TemporaryDirectory

from sensord.config.sections import HistorySection
from sensord.history.history_file import HistoryFile
from sensord.history.history_reader import HistoryReader, ProbePoint
from sensord.history.history_writer import History
from sensord.readings import Reading
from sensord.watch.effects import Measured
from tests.bench.table import target
from tests.helpers.fake_clock import FakeClock

UTC = 1_800_000_000.0
YEAR_DAYS = 365
MOST_MEGABYTES = 120.0
MOST_GIGABYTES_WRITTEN = 159.0 / 2
"""Plain rows, committed every 10 s, cost 159 GB a year: measured beside it in the same way."""
MOST_DAY_MILLISECONDS, MOST_YEAR_MILLISECONDS = 100.0, 1000.0
LEVEL_DAYS = 9
"""From then on single readings are let go of as fast as they come."""
STEP = 0.0625  # a DS18B20 at 12 bits


class Nursery:
    """Four probes: a thermostat's swing with turbulence, a dish, a room; quantised as the probes do."""

    def __init__(self, seed: int) -> None:
        self._chance = random.Random(seed)
        self._noise = [self._chance.gauss(0, 1) for _ in range(65_536)]
        self._at = 0

    def read(self, second: int) -> tuple[float, float, float, float]:
        self._at = (self._at + 4) % 65_532
        left, right, dish, room = self._noise[self._at : self._at + 4]
        air = 34.0 + 0.35 * sin(second / 95.0) + 0.2 * sin(second / 4000.0)
        since = second % 10_800
        bowl = 22.0 + (19.0 * exp(-since / 900.0) if since < 900 else 0.0)
        values = (air + 0.05 * left, air + 0.3 + 0.05 * right, bowl + 0.03 * dish, 21.0 + 0.02 * room)
        a, b, c, d = values
        return round(a / STEP) * STEP, round(b / STEP) * STEP, round(c / STEP) * STEP, round(d / STEP) * STEP


def write(folder: Path, days: float, flush_seconds: float) -> tuple[float, int, dict[int, int]]:
    """Seconds that it took, bytes that this process handed to the file system, and the file's bytes by day."""
    clock = FakeClock(0.0, UTC)
    rules = HistorySection(flush_seconds=flush_seconds)
    history = History(HistoryFile(folder, clock), rules, clock)
    nursery = Nursery(1)
    names = ("left", "right", "dish", "room")
    before, begun, sizes = _written(), time.monotonic(), dict[int, int]()
    for second in range(1, round(days * 86_400) + 1):
        clock.advance(1.0)
        now = float(second)
        for name, celsius in zip(names, nursery.read(second), strict=True):
            history.handle(Measured(Reading(name, now, celsius), 0.5))
        if second % 86_400 == 0:
            sizes[second // 86_400] = (folder / "history.db").stat().st_size
    taken, wrote = time.monotonic() - begun, _written() - before
    history.close()
    return taken, wrote, sizes


def _written() -> int:
    """`wchar` of the process (proc(5)): bytes passed to write calls, whatever the file system makes of them."""
    lines = Path("/proc/self/io").read_text().splitlines()
    return int(next(line for line in lines if line.startswith("wchar")).split()[1])


def year(folder: Path, days: float) -> bool:
    """Print what is found; whether every target is met that so many days can judge."""
    taken, wrote, sizes = write(folder, days, 30.0)
    path = folder / "history.db"
    print(f"{days:g} days at 1 Hz from four probes, flush every 30 s, in {taken:.0f} s")
    megabytes = path.stat().st_size / 1e6
    print(f"file after retention: {megabytes:.1f} MB")
    gigabytes = wrote / 1e9 * YEAR_DAYS / days
    print(f"handed to the file system: {gigabytes:.1f} GB a year")
    met = [target(f"under {MOST_GIGABYTES_WRITTEN:g} GB written a year", gigabytes < MOST_GIGABYTES_WRITTEN)]
    last = max(sizes, default=0)
    if last > LEVEL_DAYS:
        a_day = (sizes[last] - sizes[LEVEL_DAYS]) / (last - LEVEL_DAYS) / 1e6
        megabytes += a_day * (YEAR_DAYS - days)
        print(f"grows by {a_day:.3f} MB a day from day {LEVEL_DAYS} on: {megabytes:.0f} MB after a year")
        met.append(target(f"under {MOST_MEGABYTES:g} MB after a year", megabytes < MOST_MEGABYTES))
    end = UTC + days * 86_400
    with HistoryReader(path) as reader:
        rows = reader.counts()
        print(", ".join(f"{count} {name}" for name, count in rows.items() if count))
        questions: list[tuple[str, float, Callable[[str], list[ProbePoint]]]] = [
            ("a day by minutes", MOST_DAY_MILLISECONDS, lambda p: reader.minutes(p, end - 86_400, end)),
            ("a day, every reading", math.inf, lambda p: reader.fine(p, end - 86_400, end)),
            ("all by hours", MOST_YEAR_MILLISECONDS, lambda p: reader.hours(p, end - 366 * 86_400, end)),
            ("every minute (no report asks for it)", math.inf, lambda p: reader.minutes(p, end - 366 * 86_400, end)),
        ]
        for what, most, ask in questions:
            begun = time.monotonic()
            points = sum(len(ask(probe)) for probe in reader.probes())
            milliseconds = 1000 * (time.monotonic() - begun)
            print(f"{what}, four probes: {milliseconds:.0f} ms for {points} points")
            if most < math.inf:
                met.append(target(f"{what} within {most:g} ms", milliseconds < most))
        begun = time.monotonic()
        reader.check()
        print(f"integrity check: {time.monotonic() - begun:.2f} s")
    return all(met)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=float, default=0.5)
    parser.add_argument("--full", action="store_true")
    options = parser.parse_args()
    with TemporaryDirectory() as name:
        return 0 if year(Path(name), YEAR_DAYS if options.full else options.days) else 1


if __name__ == "__main__":
    raise SystemExit(main())
