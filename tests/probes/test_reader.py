"""The real reader on the plain-folder fake of the kernel's tree: every fault, both buses, every way to read."""

import contextlib
import itertools
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from sensord.clock import FastClock, SystemClock
from sensord.demo.fake_tree import FakeProbe
from sensord.probes.bus import Method
from sensord.probes.one_wire import Chip, chip_at, locate, probe_at
from sensord.probes.probe_reader import ProbeReader
from sensord.probes.scratchpad import Converted
from sensord.readings import FaultKind, Reading
from tests.helpers.failing_tree import SPOILS, FailingTree, Failure
from tests.probes.heard import Heard, paced

AIR, PASTE, ROOM = "28-0000072431ab", "28-00000bbb9b13", "28-0000000000c4"
SPEED = 10.0


def steady(celsius: float) -> Callable[[float], float]:
    return lambda _seconds: celsius


@contextlib.contextmanager
def reading(
    tree: FailingTree,
    clock: FastClock | SystemClock,
    *,
    deadline: float = 5.0,
    bulk: bool = True,
    probes: dict[str, str] | None = None,
) -> Iterator[tuple[ProbeReader, Heard]]:
    heard = Heard()
    reader = ProbeReader(paced(tree.root, 1.0, deadline, bulk), probes or {"air": AIR, "paste": PASTE}, clock, heard)
    reader.start()
    try:
        yield reader, heard
    finally:
        reader.close()


@pytest.fixture
def clock() -> FastClock:
    return FastClock(SPEED)


@pytest.fixture
def tree(tmp_path: Path, clock: FastClock) -> Iterator[FailingTree]:
    probes = [FakeProbe(rom=AIR, celsius=steady(34.5)), FakeProbe(rom=PASTE, celsius=steady(-10.125))]
    with FailingTree(tmp_path, clock, probes) as made:
        yield made


@pytest.fixture
def two_buses(tmp_path: Path, clock: FastClock) -> Iterator[FailingTree]:
    probes = [
        FakeProbe(rom=AIR, celsius=steady(34.5)),
        FakeProbe(rom=PASTE, celsius=steady(37.0), bus="w1_bus_master2"),
    ]
    with FailingTree(tmp_path, clock, probes) as made:
        yield made


def test_bulk_conversion_is_used_where_it_proves_itself(tree: FailingTree, clock: FastClock) -> None:
    with reading(tree, clock) as (reader, heard):
        assert heard.reading("air").celsius == 34.5
        assert heard.reading("paste").celsius == -10.125
        heard.reading("air", after=heard.count)
        health = reader.health()
    assert health.alive
    assert [(bus.bus, bus.method) for bus in health.buses] == [("w1_bus_master1", Method.BULK)]
    assert health.buses[0].cycle_seconds is not None
    assert health.buses[0].cycle_seconds >= 0.75


def test_without_the_kernels_bulk_file_powered_probes_are_read_side_by_side(tmp_path: Path, clock: FastClock) -> None:
    with (
        FailingTree(
            tmp_path,
            clock,
            [FakeProbe(rom=AIR, celsius=steady(34.5)), FakeProbe(rom=PASTE, celsius=steady(1.0))],
            bulk=False,
        ) as tree,
        reading(tree, clock) as (reader, heard),
    ):
        heard.reading("paste")
        (bus,) = reader.health().buses
    assert bus.method is Method.PARALLEL
    assert "no bulk conversion" in bus.why


def test_one_parasite_probe_makes_the_bus_serial(tmp_path: Path, clock: FastClock) -> None:
    probes = [FakeProbe(rom=AIR, celsius=steady(34.5)), FakeProbe(rom=PASTE, celsius=steady(1.0), powered=False)]
    with FailingTree(tmp_path, clock, probes, bulk=False) as tree, reading(tree, clock) as (reader, heard):
        heard.reading("paste")
        (bus,) = reader.health().buses
    assert bus.method is Method.SERIAL
    assert "supply wire" in bus.why


def test_a_probe_that_is_unplugged_does_not_make_the_bus_serial(tmp_path: Path, clock: FastClock) -> None:
    """Listed for about 100 s more; the kernel answers `ext_power` with a negative errno."""
    probes = [
        FakeProbe(rom=AIR, celsius=steady(34.5)),
        FakeProbe(rom=PASTE, celsius=steady(1.0), spoil=SPOILS[Failure.EMPTY]),
    ]
    with FailingTree(tmp_path, clock, probes, bulk=False) as tree:
        (tree.root / PASTE / "ext_power").write_text("-5\n")
        with reading(tree, clock) as (reader, heard):
            heard.fault("paste", FaultKind.NO_RESPONSE)
            heard.reading("air")
            (bus,) = reader.health().buses
    assert bus.method is Method.PARALLEL


def test_bulk_can_be_switched_off(tree: FailingTree, clock: FastClock) -> None:
    with reading(tree, clock, bulk=False) as (reader, heard):
        heard.reading("air")
        (bus,) = reader.health().buses
    assert bus.method is Method.PARALLEL
    assert "switched off" in bus.why


def test_a_bulk_state_that_never_ends_leads_to_a_visible_fallback(tmp_path: Path, clock: FastClock) -> None:
    tree = FailingTree(tmp_path, clock, [FakeProbe(rom=AIR, celsius=steady(34.5))])
    state = tree.state_file()
    state.unlink()
    state.symlink_to("/dev/null")  # swallows the trigger and reads as empty: a state that never ends
    with reading(tree, clock, probes={"air": AIR}, deadline=2.0) as (reader, heard):
        assert heard.reading("air").celsius == 34.5
        (bus,) = reader.health().buses
    assert bus.method is Method.PARALLEL
    assert "never ended" in bus.why


def test_a_bulk_file_that_cannot_be_written_is_a_reason_that_is_told(tmp_path: Path, clock: FastClock) -> None:
    """On a Pi it is EACCES, root only; here EISDIR, which root gets too."""
    tree = FailingTree(tmp_path, clock, [FakeProbe(rom=AIR, celsius=steady(34.5))])
    tree.state_file().unlink()
    tree.state_file().mkdir()
    with reading(tree, clock, probes={"air": AIR}) as (reader, heard):
        heard.reading("air")
        (bus,) = reader.health().buses
    assert bus.method is Method.PARALLEL
    assert "cannot be written" in bus.why


def test_bulk_is_tried_again_after_a_while(tmp_path: Path) -> None:
    clock = FastClock(600.0)
    tree = FailingTree(tmp_path, clock, [FakeProbe(rom=AIR, celsius=steady(34.5))])
    tree.state_file().unlink()
    tree.state_file().mkdir()
    heard = Heard()
    reader = ProbeReader(paced(tree.root, 60.0, 600.0), {"air": AIR}, clock, heard)
    reader.start()
    try:
        heard.reading("air")
        assert reader.health().buses[0].method is Method.PARALLEL
        tree.state_file().rmdir()
        tree.state_file().write_text("0\n")
        with tree:
            heard.wait_for(lambda _: reader.health().buses[0].method is Method.BULK)
    finally:
        reader.close()


def test_results_left_by_a_crashed_run_are_not_told_as_new(tmp_path: Path, clock: FastClock) -> None:
    """State `1` at the start: the waiting results are old. The first thing heard must be from a new conversion."""
    tree = FailingTree(tmp_path, clock, [FakeProbe(rom=AIR, celsius=steady(20.0))])  # the old value is in place
    tree.state_file().write_text("1\n")
    tree.set_celsius(AIR, steady(34.5))
    with tree, reading(tree, clock, probes={"air": AIR}) as (_, heard):
        first = heard.reading("air")
    assert first.celsius == 34.5


@pytest.mark.parametrize(
    ("failure", "kind"),
    [
        (Failure.CRC_OLD_KERNEL, FaultKind.CRC_ERROR),
        (Failure.CRC_MISMATCH, FaultKind.CRC_ERROR),
        (Failure.EMPTY, FaultKind.NO_RESPONSE),
        (Failure.POWER_ON, FaultKind.POWER_ON_VALUE),
        (Failure.NO_POWER, FaultKind.OUT_OF_SPAN),
        (Failure.SHORTED, FaultKind.ZERO_SCRATCHPAD),
        (Failure.GARBLED, FaultKind.BUS_ERROR),
        (Failure.VANISHED, FaultKind.NO_RESPONSE),
    ],
)
def test_each_failure_has_its_fault_and_passes_when_healed(
    tree: FailingTree, clock: FastClock, failure: Failure, kind: FaultKind
) -> None:
    with reading(tree, clock) as (_, heard):
        heard.reading("air")
        tree.fail(AIR, failure)
        heard.fault("air", kind)
        tree.fail(AIR, None)
        assert heard.reading("air", after=heard.count).celsius == 34.5
        assert heard.reading("paste", after=heard.count).celsius == -10.125


def test_a_vanished_probe_is_named_absent_and_taken_up_again(tree: FailingTree, clock: FastClock) -> None:
    tree.fail(PASTE, Failure.VANISHED)
    with reading(tree, clock) as (_, heard):
        assert heard.fault("paste").detail == "not on the bus"
        heard.reading("air")
        tree.fail(PASTE, None)
        assert heard.reading("paste").celsius == -10.125


def test_no_tree_at_all_is_a_bus_error(tmp_path: Path, clock: FastClock) -> None:
    heard = Heard()
    reader = ProbeReader(paced(tmp_path / "none"), {"air": AIR}, clock, heard)
    reader.start()
    fault = heard.fault("air")
    reader.close()
    assert fault.kind is FaultKind.BUS_ERROR
    assert "no one-wire tree" in fault.detail


def test_a_hanging_bus_becomes_late_on_time_and_stops_no_other(two_buses: FailingTree, clock: FastClock) -> None:
    with reading(two_buses, clock) as (reader, heard):
        heard.reading("air")
        heard.reading("paste")
        two_buses.fail(PASTE, Failure.HANGING)
        before = heard.count
        late = heard.fault("paste", FaultKind.LATE, before)
        threads = threading.active_count()
        heard.wait_for(lambda o: o.probe == "paste" and o.seconds > late.seconds + 3.0, before)  # and again
        assert threading.active_count() == threads
        assert reader.health().alive
        two_buses.fail(PASTE, None)
        assert heard.reading("paste", heard.count).celsius == 37.0
    good = [o for o in heard.all if o.probe == "air"]
    assert all(isinstance(o, Reading) for o in good)
    gaps = [b.seconds - a.seconds for a, b in itertools.pairwise(good)]
    assert max(gaps) < 5.0


def test_one_hanging_probe_stops_no_other_that_is_read_side_by_side(tmp_path: Path, clock: FastClock) -> None:
    probes = [FakeProbe(rom=AIR, celsius=steady(34.5)), FakeProbe(rom=PASTE, celsius=steady(1.0))]
    with FailingTree(tmp_path, clock, probes, bulk=False) as tree, reading(tree, clock) as (_, heard):
        heard.reading("paste")
        tree.fail(PASTE, Failure.HANGING)
        heard.fault("paste", FaultKind.LATE, heard.count)
        heard.reading("air", heard.count)


def test_closing_does_not_wait_for_a_hanging_read(tmp_path: Path) -> None:
    clock = SystemClock()
    with FailingTree(tmp_path, clock, [FakeProbe(rom=AIR, celsius=steady(34.5))], bulk=False) as tree:
        tree.fail(AIR, Failure.HANGING)
        heard = Heard()
        reader = ProbeReader(paced(tree.root, 0.05, 0.1), {"air": AIR}, clock, heard)
        reader.start()
        heard.fault("air", FaultKind.LATE)
        started = clock.monotonic_seconds()
        reader.close()
        assert clock.monotonic_seconds() - started < 30.0  # the read never returns


def test_all_threads_end_with_the_reader(tree: FailingTree, clock: FastClock) -> None:
    before = set(threading.enumerate())
    with reading(tree, clock) as (_, heard):
        heard.reading("air")
        ours = set(threading.enumerate()) - before
        assert len(ours) >= 3
    for thread in ours:
        thread.join(30.0)
    assert not any(thread.is_alive() for thread in ours)


def test_signals_never_reach_a_thread_that_reads(tree: FailingTree, clock: FastClock) -> None:
    """One that does makes the kernel's driver answer with nothing; the masks are the kernel's own account."""
    before = set(threading.enumerate())
    with reading(tree, clock) as (_, heard):
        heard.reading("air")
        ours = set(threading.enumerate()) - before
        masks = [Path(f"/proc/self/task/{thread.native_id}/status").read_text() for thread in ours]
    assert len(masks) >= 3
    for mask in masks:
        blocked = int(mask.split("SigBlk:")[1].split()[0], 16)
        assert all(blocked >> number - 1 & 1 for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP))


def test_no_kernel_module_is_loaded(tree: FailingTree, tmp_path: Path) -> None:
    """w1thermsensor runs modprobe on import unless kept from it; here a modprobe that would leave a mark."""
    mark, programs = tmp_path / "loaded", tmp_path / "bin"
    programs.mkdir()
    (programs / "modprobe").write_text(f"#!/bin/sh\necho loaded > {mark}\n")
    (programs / "modprobe").chmod(0o755)
    code = (
        "import sys; from pathlib import Path; from sensord.probes.one_wire import Chip, chip_at, locate;"
        "assert 'w1thermsensor' not in sys.modules; root = Path(sys.argv[1]);"
        "assert all([chip_at(root, *item) for item in locate(root).items()])"
    )
    environment = {**os.environ, "PATH": f"{programs}:{os.environ['PATH']}"}
    repository = Path(__file__).parent.parent.parent
    command = [sys.executable, "-c", code, str(tree.root)]
    subprocess.run(command, check=True, env=environment, cwd=repository)
    assert not mark.exists()


def test_listing_tells_bus_power_and_resolution(tmp_path: Path, clock: FastClock) -> None:
    probes = [
        FakeProbe(rom=ROOM, celsius=steady(20.0), bits=9),
        FakeProbe(rom=AIR, celsius=steady(34.5), bus="w1_bus_master2", powered=False),
    ]
    tree = FailingTree(tmp_path, clock, probes)
    (tree.root / "00-800000000000").symlink_to("../../../devices/w1_bus_master1/00-800000000000")
    spots = locate(tree.root)
    chips = {rom: chip_at(tree.root, rom, spot) for rom, spot in spots.items()}
    assert chips == {ROOM: Chip("DS18B20", 9, True), AIR: Chip("DS18B20", 12, False)}
    assert [spots[rom].bus.name for rom in (ROOM, AIR)] == ["w1_bus_master1", "w1_bus_master2"]


def test_listing_survives_a_probe_that_vanishes_meanwhile(tree: FailingTree) -> None:
    (tree.root / ROOM).symlink_to(f"../../../devices/w1_bus_master1/{ROOM}")
    chips = {rom: chip_at(tree.root, rom, spot) for rom, spot in locate(tree.root).items()}
    assert [rom for rom, chip in chips.items() if chip is not None] == [AIR, PASTE]
    assert chips[ROOM] is None


def test_a_tree_without_links_is_read_too(tmp_path: Path, clock: FastClock) -> None:
    folder = tmp_path / AIR
    folder.mkdir()
    (folder / "w1_slave").write_text("48 02 4b 46 7f ff 08 10 ea : crc=ea YES\n48 02 4b 46 7f ff 08 10 ea t=36500\n")
    heard = Heard()
    reader = ProbeReader(paced(tmp_path), {"air": AIR}, clock, heard)
    reader.start()
    celsius = heard.reading("air").celsius
    reader.close()
    assert celsius == 36.5
    assert list(locate(tmp_path)) == [AIR]


def test_a_single_reading_for_commands(tree: FailingTree) -> None:
    decoded = probe_at(tree.root, PASTE, SystemClock())
    assert isinstance(decoded, Converted)
    assert decoded.celsius == -10.125
