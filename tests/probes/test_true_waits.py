"""The reader on the FUSE model of the kernel: reads that block, one conversion for all, a bus that hangs for real."""

import contextlib
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from sensord.clock import SystemClock
from sensord.probes.bus import Method
from sensord.probes.one_wire import probe_at, read_bytes, sensor_class, trigger
from sensord.probes.probe_reader import ProbeReader
from sensord.probes.scratchpad import Converted
from sensord.readings import FaultKind, Reading
from tests.probes.fuse_kernel import MountedTree, needs_fuse, served
from tests.probes.heard import Heard, paced

pytestmark = needs_fuse
CLOCK = SystemClock()
ROMS = [f"28-{number:012x}" for number in range(1, 7)]
BUS, OTHER_BUS = "w1_bus_master1", "w1_bus_master2"


def probe(number: int, celsius: float = 20.0, **more: Any) -> dict[str, Any]:
    return {"rom": ROMS[number], "celsius": celsius, **more}


@contextlib.contextmanager
def reading(
    tree: MountedTree, count: int, *, interval: float = 0.5, deadline: float = 5.0, bulk: bool = True
) -> Iterator[Any]:
    heard = Heard()
    probes = {f"probe{number}": ROMS[number] for number in range(count)}
    reader = ProbeReader(paced(tree.root, interval, deadline, bulk), probes, CLOCK, heard)
    reader.start()
    try:
        yield reader, heard
    finally:
        reader.close()


def test_a_read_takes_a_conversion_and_reading_on_ends_the_file(tmp_path: Path) -> None:
    """w1thermsensor, an independent reader, gets the same from the model as from a Pi."""
    with served(tmp_path, [probe(0, -10.125)]) as tree:
        (sensor,) = sensor_class(tree.root).get_available_sensors()
        took = list[float]()
        while not took or (min(took) >= 1.4 and len(took) < 10):  # another program's work only makes it longer
            started = CLOCK.monotonic_seconds()
            assert sensor.get_temperature() == -10.125
            took.append(CLOCK.monotonic_seconds() - started)
    assert 0.75 <= min(took) < 1.4  # one conversion, not two


def test_the_bulk_states_follow_the_kernels(tmp_path: Path) -> None:
    """Kernel driver w1_therm: exactly eight bytes trigger; the write blocks; -1 meanwhile, then 1, then 0."""
    with served(tmp_path, [probe(0), probe(1)]) as tree:
        file = tree.root / BUS / "therm_bulk_read"
        file.write_text("trigger")  # without the newline: dropped silently
        assert read_bytes(file) == b"0\n"
        writing = threading.Thread(target=trigger, args=(file,))
        writing.start()
        CLOCK.wait(threading.Event(), 0.3)
        assert read_bytes(file) == b"-1\n"
        assert read_bytes(tree.root / ROMS[0] / "w1_slave") == b""
        writing.join()
        assert read_bytes(file) == b"1\n"
        started = CLOCK.monotonic_seconds()
        for rom in ROMS[:2]:
            assert read_bytes(tree.root / rom / "w1_slave").startswith(b"40 01 ")
        assert CLOCK.monotonic_seconds() - started < 1.4  # two conversions would take 1.5 s
        assert read_bytes(file) == b"0\n"


@pytest.mark.parametrize(("bulk", "method"), [(True, Method.BULK), (False, Method.PARALLEL)])
def test_six_probes_cost_one_conversion(tmp_path: Path, bulk: bool, method: Method) -> None:
    with (
        served(tmp_path, [probe(number) for number in range(6)], bulk=bulk) as tree,
        reading(tree, 6) as (reader, heard),
    ):
        for number in range(6):
            heard.reading(f"probe{number}")
        cycles = list[float]()
        (bus,) = reader.health().buses
        while not cycles or (min(cycles) >= 2.0 and len(cycles) < 10):  # another program's work only makes it longer
            heard.reading("probe0", heard.count)
            (bus,) = reader.health().buses
            cycles.append(bus.cycle_seconds)
    assert bus.method is method
    assert 0.75 <= min(cycles) < 2.0  # one after the other it would be 4.5 s


def test_parasite_probes_are_read_one_after_another(tmp_path: Path) -> None:
    with (
        served(tmp_path, [probe(0, powered=False), probe(1, powered=False)], bulk=False) as tree,
        reading(tree, 2) as (reader, heard),
    ):
        heard.reading("probe1")
        heard.reading("probe0", heard.count)
        (bus,) = reader.health().buses
    assert bus.method is Method.SERIAL
    assert bus.cycle_seconds >= 1.5


def test_an_ignored_trigger_falls_back_and_says_so(tmp_path: Path) -> None:
    with served(tmp_path, [probe(0), probe(1)]) as tree:
        tree.ask(f"ignore {BUS}")
        with reading(tree, 2) as (reader, heard):
            heard.reading("probe1")
            (bus,) = reader.health().buses
    assert bus.method is Method.PARALLEL
    assert "ignored" in bus.why


def test_a_conversion_cut_short_is_not_told_as_a_reading(tmp_path: Path) -> None:
    """The registers still hold 20 °C; a batch that ended at once would tell them as new."""
    with served(tmp_path, [probe(0), probe(1)]) as tree:
        tree.ask(f"cut {BUS}")
        for rom in ROMS[:2]:
            tree.ask(f"celsius {rom} 34.5")
        with reading(tree, 2) as (reader, heard):
            heard.reading("probe0")
            heard.reading("probe1")
            (bus,) = reader.health().buses
            told = [seen.celsius for seen in heard.all if isinstance(seen, Reading)]
    assert "too early" in bus.why
    assert set(told) == {34.5}


def test_results_of_a_crashed_run_are_thrown_away_without_bulk_too(tmp_path: Path) -> None:
    with served(tmp_path, [probe(0), probe(1)]) as tree:
        tree.ask(f"leave-results {BUS}")
        for rom in ROMS[:2]:
            tree.ask(f"celsius {rom} 34.5")
        with reading(tree, 2, bulk=False) as (_, heard):
            assert heard.reading("probe0").celsius == 34.5
            assert heard.reading("probe1").celsius == 34.5


def test_a_command_that_reads_once_does_not_tell_old_results(tmp_path: Path) -> None:
    with served(tmp_path, [probe(0)]) as tree:
        tree.ask(f"leave-results {BUS}")
        tree.ask(f"celsius {ROMS[0]} 34.5")
        decoded = probe_at(tree.root, ROMS[0], CLOCK)
    assert isinstance(decoded, Converted)
    assert decoded.celsius == 34.5


def test_a_command_beside_a_running_daemon_neither_misses_a_probe_nor_disturbs(tmp_path: Path) -> None:
    """While the daemon's bulk conversion runs, the kernel answers other readers with nothing, at once."""
    with served(tmp_path, [probe(0), probe(1)]) as tree, reading(tree, 2, interval=1.5) as (_, heard):
        heard.reading("probe1")
        for rom in ROMS[:2] * 2:
            decoded = probe_at(tree.root, rom, CLOCK)
            assert isinstance(decoded, Converted), decoded
        heard.reading("probe1", heard.count)
        faults = [seen for seen in heard.all if not isinstance(seen, Reading)]
    assert faults == []


def test_probes_that_nobody_named_keep_no_result_of_ours(tmp_path: Path) -> None:
    with served(tmp_path, [probe(0), probe(1)]) as tree, reading(tree, 1, interval=5.0) as (_, heard):
        heard.reading("probe0")
        CLOCK.wait(threading.Event(), 0.3)
        assert read_bytes(tree.root / BUS / "therm_bulk_read") == b"0\n"


def test_a_bus_that_hangs_in_the_kernel_is_late_on_time_and_stops_no_other(tmp_path: Path) -> None:
    deadline = 1.5
    with (
        served(tmp_path, [probe(0, 34.5), probe(1, 37.0, bus=OTHER_BUS)]) as tree,
        reading(tree, 2, deadline=deadline) as (reader, heard),
    ):
        heard.reading("probe0")
        heard.reading("probe1")
        tree.ask(f"hang {OTHER_BUS}")
        hung_at, before = CLOCK.monotonic_seconds(), heard.count
        late = heard.fault("probe1", FaultKind.LATE, before)
        heard.reading("probe0", heard.count)
        alive = reader.health().alive
        tree.ask(f"free {OTHER_BUS}")
        back = heard.reading("probe1", heard.count)
        good = [seen for seen in heard.all if seen.probe == "probe0"]
    assert late.seconds - hung_at >= deadline - 0.05  # the order to hang returns a moment after the hang
    assert alive
    assert back.celsius == 37.0
    assert all(isinstance(seen, Reading) for seen in good)
