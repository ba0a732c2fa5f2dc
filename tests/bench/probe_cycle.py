"""How long one cycle over all probes of a bus takes: our reader against the plain loop, on true conversion times.

    python -m tests.bench.probe_cycle

The plain loop reads one probe after another with w1thermsensor, as its manual shows. Both read the FUSE model of the
kernel's tree (750 ms a conversion, 13 ms a scratchpad). The physical limit is one conversion plus N scratchpad reads.
"""

import sys
import tempfile
import threading
import time
from contextlib import AbstractContextManager
from itertools import pairwise
from pathlib import Path

from sensord.clock import SystemClock
from sensord.config.sections import OneWireSection
from sensord.demo.fake_tree import CONVERSION_SECONDS
from sensord.probes.one_wire import sensor_class
from sensord.probes.probe_reader import ProbeReader
from sensord.watch.events import Observed
from tests.bench.table import target
from tests.probes.fuse_kernel import SCRATCHPAD_SECONDS, MountedTree, served

__all__ = ["limit_seconds", "measure"]

COUNTS = (1, 4, 10, 20)
CYCLES = 6
LEAST_RATIO = 14.0
MOST_OVER_LIMIT = 1.05


def measure() -> list[tuple[str, float, float, float]]:
    """For each number of probes: name, seconds of our cycle and of the plain loop, ratio."""
    rows = []
    for count in COUNTS:
        roms = [f"28-{number:012x}" for number in range(1, count + 1)]
        with tempfile.TemporaryDirectory() as folder, _tree(Path(folder), roms) as tree:
            other = _plain_loop(tree.root)
            ours = _our_reader(tree, roms)
        rows.append((f"one cycle over {count} probes", ours, other, other / ours))
    return rows


def limit_seconds(count: int) -> float:
    """The least that physics allows for `count` probes at 12 bit on one bus."""
    return CONVERSION_SECONDS[12] + count * SCRATCHPAD_SECONDS


def _tree(folder: Path, roms: list[str]) -> AbstractContextManager[MountedTree]:
    return served(folder, [{"rom": rom, "celsius": 30.0 + index / 16} for index, rom in enumerate(roms)])


def _plain_loop(root: Path) -> float:
    sensors = sensor_class(root).get_available_sensors()
    started = time.monotonic()
    for sensor in sensors:
        sensor.get_temperature()
    return time.monotonic() - started


def _our_reader(tree: MountedTree, roms: list[str]) -> float:
    """Seconds from one complete set of readings to the next: the quickest of some cycles after the first, since
    whatever makes one slower is another program's work on this machine.
    """
    last_probe, ends, enough = f"probe{len(roms) - 1}", list[float](), threading.Event()

    def deliver(observed: Observed) -> None:
        if observed.observation.probe == last_probe:
            ends.append(time.monotonic())
            if len(ends) > CYCLES:
                enough.set()

    probes = {f"probe{index}": rom for index, rom in enumerate(roms)}
    reader = ProbeReader(OneWireSection(root=tree.root, interval_seconds=0.5), probes, SystemClock(), deliver)
    reader.start()
    enough.wait(60)
    reader.close()
    return min(after - before for before, after in pairwise(ends))


def main() -> int:
    rows = measure()
    print(f"{'':28}{'sensord':>10}{'plain loop':>12}{'times faster':>14}{'over the limit':>16}")
    for count, (name, ours, other, ratio) in zip(COUNTS, rows, strict=True):
        over = ours / limit_seconds(count) - 1
        print(f"{name:28}{ours:9.3f}s{other:11.3f}s{ratio:14.1f}{over:16.1%}")
    fast = rows[-1][3] >= LEAST_RATIO
    near = all(
        ours <= MOST_OVER_LIMIT * limit_seconds(count) for count, (_, ours, _, _) in zip(COUNTS, rows, strict=True)
    )
    met = [
        target(f"at {COUNTS[-1]} probes {LEAST_RATIO:g} times as fast as the plain loop", fast),
        target(f"within {MOST_OVER_LIMIT - 1:.0%} of the physical limit", near),
    ]
    return 0 if all(met) else 1


if __name__ == "__main__":
    sys.exit(main())
