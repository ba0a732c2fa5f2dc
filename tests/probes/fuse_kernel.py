"""The kernel's one-wire tree with true waits, as a FUSE file system: reads block for the conversion, and may hang.

Serves from a process of its own (`served`), because a process that reads from its own mount can block itself at exit.
The model follows the kernel driver w1_therm (5.10 and later): a mutex per bus that is let go during the conversion of
an externally powered probe, one shared bulk conversion whose results wait in a flag per probe, 13 ms of bus time per
scratchpad read (152 slots of 70 µs, a reset of 570 µs and 1 ms of sleep).

Not modelled: a signal does not cut a read short; searches take no bus time.
"""

import argparse
import contextlib
import errno
import json
import os
import shutil
import stat
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from sensord.clock import SystemClock
from sensord.demo.fake_tree import CONVERSION_SECONDS, FakeProbe, content_of
from tests.helpers.failing_tree import SPOILS, Failure

__all__ = ["SCRATCHPAD_SECONDS", "MountedTree", "needs_fuse", "served"]

SCRATCHPAD_SECONDS = 0.013
_CLOCK = SystemClock()
_DEVICES, _LINKS, _CONTROL = "/devices", "/bus/w1/devices", "/control"
_PROBE_FILES = ("w1_slave", "name", "ext_power", "resolution", "conv_time")
_FUSE_WORKS = shutil.which("fusermount3") is not None and os.access("/dev/fuse", os.R_OK | os.W_OK)
needs_fuse = pytest.mark.skipif(
    not _FUSE_WORKS and os.environ.get("CI") != "true", reason="/dev/fuse or fusermount3 is missing"
)


@dataclass(slots=True)
class Wired:
    """A probe on its bus: what it last converted, and whether a bulk result waits."""

    probe: FakeProbe
    register: bytes = b""
    waits: bool = False
    failure: Failure | None = None


@dataclass(slots=True)
class Master:
    """A bus master: its mutex, and whether a bulk conversion runs, is ignored or is cut short."""

    mutex: threading.Lock = field(default_factory=threading.Lock)
    wired: dict[str, Wired] = field(default_factory=dict)
    running: bool = False
    ignores: bool = False
    cut_short: bool = False
    released: threading.Event = field(default_factory=threading.Event)


def _steady(celsius: float) -> Callable[[float], float]:
    return lambda _seconds: celsius


def _pass(seconds: float) -> None:
    threading.Event().wait(seconds)


class Kernel:
    """The driver's state machine, in real time."""

    def __init__(self, probes: list[FakeProbe]) -> None:
        self.masters: dict[str, Master] = {}
        for probe in probes:
            master = self.masters.setdefault(probe.bus, Master())
            master.wired[probe.rom] = Wired(probe, content_of(probe, 0.0))
        for master in self.masters.values():
            master.released.set()

    def wired(self, rom: str) -> Wired:
        return next(master.wired[rom] for master in self.masters.values() if rom in master.wired)

    def measure(self, bus: str, rom: str) -> bytes:
        """One read of `w1_slave` at its beginning."""
        master = self.masters[bus]
        wired = master.wired[rom]
        if master.running:
            return b""
        with master.mutex:
            master.released.wait()
            if not wired.waits and wired.failure is not Failure.EMPTY:
                self._convert(master, wired)
            wired.waits = False
            _pass(SCRATCHPAD_SECONDS)
            return wired.register

    def _convert(self, master: Master, wired: Wired) -> None:
        seconds = CONVERSION_SECONDS[wired.probe.bits]
        if wired.probe.powered:
            master.mutex.release()
            _pass(seconds)
            master.mutex.acquire()
            master.released.wait()
        else:
            _pass(seconds)
        wired.register = content_of(wired.probe, _CLOCK.monotonic_seconds())

    def bulk(self, bus: str) -> None:
        """A `trigger`: returns when the conversion is over."""
        master = self.masters[bus]
        with master.mutex:
            master.released.wait()
            if master.ignores:
                return
            master.running = True
        _pass(0.0 if master.cut_short else max(CONVERSION_SECONDS[w.probe.bits] for w in master.wired.values()))
        with master.mutex:
            for wired in master.wired.values():
                if wired.probe.rom[:2] != "42":
                    wired.waits = True
                    if not master.cut_short:
                        wired.register = content_of(wired.probe, _CLOCK.monotonic_seconds())
            master.running = False

    def bulk_state(self, bus: str) -> bytes:
        master = self.masters[bus]
        if master.running:
            return b"-1\n"
        return b"1\n" if any(wired.waits for wired in master.wired.values()) else b"0\n"

    def control(self, order: str) -> None:
        """What a test asks for: `fail ROM FAILURE`, `heal ROM`, `celsius ROM NUMBER`, `hang BUS`, `free BUS`,
        `ignore BUS`, `cut BUS`, `leave-results BUS`."""
        verb, target, *rest = order.split()
        match verb:
            case "fail" | "heal":
                wired = self.wired(target)
                wired.failure = Failure[rest[0]] if rest else None
                wired.probe.spoil = SPOILS.get(wired.failure)
            case "celsius":
                self.wired(target).probe.celsius = _steady(float(rest[0]))
            case "hang":
                self.masters[target].released.clear()
            case "free":
                self.masters[target].released.set()
            case "ignore":
                self.masters[target].ignores = True
            case "cut":
                self.masters[target].cut_short = True
            case "leave-results":
                for wired in self.masters[target].wired.values():
                    wired.waits = True
            case _:
                raise ValueError(order)


class Files:
    """The tree as FUSE asks for it; paths as in the kernel's."""

    use_ns = True

    def __init__(self, kernel: Kernel, bulk: bool) -> None:
        self._kernel = kernel
        self._bulk = bulk

    def _entry(self, path: str) -> list[str] | str | None:
        """A folder's names, a link's target, or None for a file; raises where there is nothing."""
        masters = self._kernel.masters
        present = {
            rom: bus
            for bus, master in masters.items()
            for rom, wired in master.wired.items()
            if wired.failure is not Failure.VANISHED
        }
        parts = path.strip("/").split("/")
        match parts:
            case [""]:
                return ["devices", "bus", "control"]
            case ["control"]:
                return None
            case ["bus"]:
                return ["w1"]
            case ["bus", "w1"]:
                return ["devices"]
            case ["bus", "w1", "devices"]:
                return [*masters, *present]
            case ["bus", "w1", "devices", name] if name in masters:
                return f"../../../devices/{name}"
            case ["bus", "w1", "devices", name] if name in present:
                return f"../../../devices/{present[name]}/{name}"
            case ["devices"]:
                return list(masters)
            case ["devices", bus] if bus in masters:
                own = ["therm_bulk_read"] if self._bulk else []
                return [*own, *(rom for rom, its_bus in present.items() if its_bus == bus)]
            case ["devices", bus, "therm_bulk_read"] if bus in masters and self._bulk:
                return None
            case ["devices", bus, rom] if present.get(rom) == bus:
                return list(_PROBE_FILES)
            case ["devices", bus, rom, file] if present.get(rom) == bus and file in _PROBE_FILES:
                return None
            case _:
                raise OSError(errno.ENOENT, "not there")

    def getattr(self, path: str, fh: Any = None) -> dict[str, int]:  # noqa: ARG002 - FUSE's signature
        entry = self._entry(path)
        if isinstance(entry, list):
            return {"st_mode": stat.S_IFDIR | 0o755, "st_nlink": 2}
        if isinstance(entry, str):
            return {"st_mode": stat.S_IFLNK | 0o777, "st_nlink": 1, "st_size": len(entry)}
        return {"st_mode": stat.S_IFREG | 0o644, "st_nlink": 1, "st_size": 4096}

    def readdir(self, path: str, fh: Any) -> list[str]:  # noqa: ARG002
        entry = self._entry(path)
        return [".", "..", *entry] if isinstance(entry, list) else []

    def readlink(self, path: str) -> str:
        entry = self._entry(path)
        if not isinstance(entry, str):
            raise OSError(errno.EINVAL, "no link")
        return entry

    def open(self, path: str, file_info: Any) -> int:
        self._entry(path)
        file_info.direct_io = 1
        return 0

    def truncate(self, path: str, length: int, fh: Any = None) -> int:  # noqa: ARG002
        return 0

    def read(self, path: str, size: int, offset: int, fh: Any) -> bytes:  # noqa: ARG002
        if offset:
            return b""
        self._entry(path)
        match path.strip("/").split("/"):
            case ["devices", bus, "therm_bulk_read"]:
                return self._kernel.bulk_state(bus)
            case ["devices", bus, rom, "w1_slave"]:
                return self._kernel.measure(bus, rom)
            case ["devices", _, rom, file]:
                probe = self._kernel.wired(rom).probe
                values = {
                    "name": rom,
                    "ext_power": int(probe.powered),
                    "resolution": probe.bits,
                    "conv_time": round(CONVERSION_SECONDS[probe.bits] * 1000),
                }
                return f"{values[file]}\n".encode()
            case _:
                return b""

    def write(self, path: str, data: bytes, offset: int, fh: Any) -> int:  # noqa: ARG002
        match path.strip("/").split("/"):
            case ["control"]:
                self._kernel.control(data.decode())
            case ["devices", bus, "therm_bulk_read"] if data == b"trigger\n":
                self._kernel.bulk(bus)
        return len(data)


@dataclass(frozen=True, slots=True)
class MountedTree:
    """`root` is the tree's `devices` folder; `ask` sends an order to the model (`Kernel.control`)."""

    root: Path
    mount: Path

    def ask(self, order: str) -> None:
        (self.mount / "control").write_text(order)


@contextlib.contextmanager
def served(mount: Path, probes: list[dict[str, Any]], *, bulk: bool = True) -> Iterator[MountedTree]:
    """Mount the tree on the empty folder `mount`, served by another process.

    Each probe is a dict with `rom`, `celsius` (a number) and, where they differ from FakeProbe's, `bus`, `bits`,
    `powered`.
    """
    command = [sys.executable, __file__, str(mount), json.dumps(probes), *([] if bulk else ["--no-bulk"])]
    repository = Path(__file__).parent.parent.parent
    said = tempfile.TemporaryFile()  # noqa: SIM115 - closed below; libfuse warns of its own default there
    server = subprocess.Popen(command, env={**os.environ, "PYTHONPATH": str(repository)}, stderr=said)
    tree = MountedTree(mount / "bus" / "w1" / "devices", mount)
    try:
        for _ in range(500):
            if tree.root.is_dir() or server.poll() is not None:
                break
            _pass(0.02)
        said.seek(0)
        assert tree.root.is_dir(), f"the FUSE server did not start: {said.read().decode()}"
        yield tree
    finally:
        subprocess.run(["fusermount3", "-u", "-z", str(mount)], check=False)
        server.kill()
        server.wait()
        said.close()


def _serve() -> None:
    from mfusepy import FUSE

    parser = argparse.ArgumentParser()
    parser.add_argument("mount")
    parser.add_argument("probes")
    parser.add_argument("--no-bulk", action="store_true")
    options = parser.parse_args()
    probes = [FakeProbe(celsius=_steady(given.pop("celsius")), **given) for given in json.loads(options.probes)]
    files = Files(Kernel(probes), bulk=not options.no_bulk)
    fresh = {"entry_timeout": 0, "attr_timeout": 0, "negative_timeout": 0}
    FUSE(files, options.mount, raw_fi=True, foreground=True, **fresh)


if __name__ == "__main__":
    _serve()
