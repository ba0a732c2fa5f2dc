"""The soak: many days through the real daemon process at a fast clock; is it as lean at the end as it was?

`python -m tests.bench.soak [--days 2]` prints memory, threads, open files and the size of the database
once every quarter of a day, and in the end how each has grown; exits with 1 where one has grown by more than its limit.

Each day the brooder goes cold for half an hour, a bowl is dipped, a button is pressed, the broker is lost, and
dashboards come and go. So that days pass in seconds, probes are read once a minute and the daemon ticks every ten
seconds; readings are kept for a day and minutes for eight, so that the database can have become level by day 10.
"""

import argparse
import contextlib
import math
import os
import random
import shutil
import sys
import tempfile
import threading
from collections.abc import Sequence
from itertools import combinations
from pathlib import Path
from statistics import median
from typing import NamedTuple

from sensord.clock import FastClock
from sensord.control.control_client import ControlClient
from sensord.demo.fake_tree import FakeProbe, content_of
from sensord.errors import SensordError
from tests.fort.fault_house import AIR, PASTE, House
from tests.helpers.failing_tree import FailingTree
from tests.mqtt.mosquitto import Broker

__all__ = ["Sample", "slope", "soak", "verdicts"]

DAY_SECONDS = 86_400.0
SPEED, INTERVAL_SECONDS = 1800.0, 60.0
"""How much faster than life, and how often each probe is read."""
MINUTE_DAYS = 8
MEMORY_MEGABYTES_A_DAY, MEMORY_MEGABYTES = 0.05, 2.0
"""A Pi Zero 2 W has 512 MB: a year may cost 18 of them. Less than that cannot be told from the heap's own unrest."""
DATABASE_KILOBYTES_A_DAY = 150.0
"""What is kept for ever (hours, alarms, entries) may cost 55 MB a year."""
_MORE = """
fine_days = 1
minute_days = {minutes}
[mqtt]
host = "127.0.0.1"
port = {port}
interval_seconds = 300
"""


class Sample(NamedTuple):
    """The process at one moment of its life."""

    days: float
    megabytes: float
    threads: int
    files: int
    database_kilobytes: float

    def __str__(self) -> str:
        return (
            f"day {self.days:5.2f}   {self.megabytes:6.1f} MB   {self.threads:3d} threads   {self.files:3d} files"
            f"   {self.database_kilobytes:7.0f} kB"
        )


class _SoakHouse(House):
    """A house whose days are played; its tree is written by hand, without bulk conversion and without waiting."""

    def __init__(self, folder: Path, port: int) -> None:
        super().__init__(folder, SPEED, _MORE.format(port=port, minutes=MINUTE_DAYS))
        self._noise = random.Random(1)
        self.clock = FastClock(SPEED, longest_step_seconds=math.inf)
        shutil.rmtree(folder / "tree")
        self.probes = [FakeProbe(rom=AIR, celsius=self._air), FakeProbe(rom=PASTE, celsius=self._paste)]
        self.tree = FailingTree(folder / "tree", self.clock, self.probes, bulk=False)
        config = (folder / "sensord.toml").read_text()
        slow = f"interval_seconds = {INTERVAL_SECONDS:g}\ndeadline_seconds = 60\n"
        (folder / "sensord.toml").write_text(config.replace("interval_seconds = 1\n", slow, 1))
        self.tree_plays = False
        self.child_options = ["--tick", f"{max(1.0, INTERVAL_SECONDS / 6):g}"]

    def _air(self, seconds: float) -> float:
        cold = 0.4 < seconds % DAY_SECONDS / DAY_SECONDS < 0.42
        return (29.0 if cold else 34.5) + 0.3 * math.sin(seconds / 900) + self._noise.gauss(0, 0.05)

    def _paste(self, seconds: float) -> float:
        since = seconds % (DAY_SECONDS / 4)
        dipped = 20.0 * math.exp(-since / 1800) if since < 3600 else 0.2 * math.sin(since / 700)
        return 22.0 + dipped + self._noise.gauss(0, 0.05)

    def rewrite(self) -> None:
        """Fresh bytes for every probe."""
        for probe in self.probes:
            file = self.folder / "tree" / "devices" / probe.bus / probe.rom / "w1_slave"
            fresh = file.with_name(".w1_slave")
            fresh.write_bytes(content_of(probe, self.clock.monotonic_seconds()))
            fresh.replace(file)

    def sample(self, days: float) -> Sample:
        assert self.process is not None
        folder = Path(f"/proc/{self.process.pid}")
        threads = next(line.split()[1] for line in (folder / "status").read_text().splitlines() if "Threads" in line)
        size = sum(file.stat().st_size for file in self.state.glob("*.db*"))
        return Sample(days, self.memory_megabytes(), int(threads), len(list((folder / "fd").iterdir())), size / 1000)


def soak(days: float) -> list[Sample]:
    """Play so many days; a sample every quarter of a day."""
    samples: list[Sample] = []
    with tempfile.TemporaryDirectory(prefix="soak-") as text, contextlib.ExitStack() as stack:
        folder = Path(text)
        broker = Broker(folder / "broker").start()
        stack.callback(broker.kill)
        house = _SoakHouse(folder / "house", broker.port)
        stack.enter_context(house)
        started, pause = house.clock.monotonic_seconds(), threading.Event()
        while (passed := (house.clock.monotonic_seconds() - started) / DAY_SECONDS) < days:
            house.rewrite()
            if passed * 4 >= len(samples):
                samples.append(house.sample(passed))
                _disturb(house, broker, len(samples))
                print(samples[-1], flush=True)
            pause.wait(0.02)
        code = house.stop()
        assert code == 0, code
        assert "Traceback" not in house.journal(), house.last_words()
    return samples


def _disturb(house: _SoakHouse, broker: Broker, number: int) -> None:
    """What happens around a daemon: dashboards, a button, a broker that is restarted."""
    for _ in range(5):
        with contextlib.suppress(SensordError), ControlClient(house.socket) as client:
            client.snapshot()
    house.order("bounce 3")
    if number % 4 == 0:
        broker.kill()
        broker.start()


def slope(samples: Sequence[Sample], figure: str) -> float:
    """By how much a figure grows in a day: the median over all pairs of samples (Theil and Sen)."""
    values = [(one.days, float(getattr(one, figure))) for one in samples]
    return median((after - before) / (later - day) for (day, before), (later, after) in combinations(values, 2))


def verdicts(samples: Sequence[Sample]) -> list[tuple[bool, str]]:
    """Each figure against its limit, over the last two thirds of the run: the first third is for filling caches.

    A creep shows in both of them. A single step shows in one, as when Python takes another MB at an unlucky moment and
    keeps it: that is allowed, up to `MEMORY_MEGABYTES` in all.
    """
    third = len(samples) // 3
    second, last = samples[third : 2 * third], samples[2 * third :]
    creep = min(slope(part, "megabytes") for part in (second, last))
    rise = median(one.megabytes for one in last[-4:]) - median(one.megabytes for one in second[:4])
    words = (
        f"memory: {creep:+.3f} MB a day from day {second[0].days:.0f} on (limit {MEMORY_MEGABYTES_A_DAY:g}),"
        f" {rise:+.1f} MB in all (limit {MEMORY_MEGABYTES:g})"
    )
    found = [(creep <= MEMORY_MEGABYTES_A_DAY and rise <= MEMORY_MEGABYTES, words)]
    for figure, name in (("threads", "threads"), ("files", "open files")):
        first, now = (median(getattr(one, figure) for one in part) for part in (samples[:third], last))
        found.append((now <= first, f"{name}: {now:g}, in the first third {first:g}"))
    # The databases are level only once minutes have begun to be let go of.
    level = [one for one in samples if one.days > MINUTE_DAYS + 1]
    if len(level) > 8:
        grown = slope(level, "database_kilobytes")
        words = f"databases: {grown:+.0f} kB a day from day {level[0].days:.0f} on (limit {DATABASE_KILOBYTES_A_DAY:g})"
        found.append((grown <= DATABASE_KILOBYTES_A_DAY, words))
    return found


def main() -> int:
    """Play and judge."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--days", type=float, default=2.0, help="default: %(default)g")
    options = parser.parse_args()
    os.environ.setdefault("MALLOC_ARENA_MAX", "2")  # as systemd/sensord.service does
    samples = soak(options.days)
    found = verdicts(samples)
    print("\n".join(f"{'level' if met else 'GROWS'}  {words}" for met, words in found))
    return 0 if all(met for met, _ in found) else 1


if __name__ == "__main__":
    sys.exit(main())
