"""A fake one-wire tree whose probes fail in every way that the kernel shows."""

import contextlib
import os
from collections.abc import Callable, Iterable
from enum import Enum, auto, unique
from pathlib import Path

from sensord.clock import Clock
from sensord.demo.fake_tree import FakeProbe, FakeTree, crc_fails, scratchpad_of, w1_slave_of

__all__ = ["SPOILS", "FailingTree", "Failure"]


@unique
class Failure(Enum):
    """What can go wrong with a probe, as the kernel shows it."""

    CRC_OLD_KERNEL = auto()
    """Kernels before about 5.8 print the damaged bytes and `NO`."""
    CRC_MISMATCH = auto()
    """`YES` beside bytes whose CRC is wrong."""
    EMPTY = auto()
    """Unplugged, or a CRC storm on a newer kernel: the file is empty."""
    POWER_ON = auto()
    """85 °C with byte 6 = 0Ch."""
    NO_POWER = auto()
    """127.94 °C: the conversion failed."""
    SHORTED = auto()
    """All zeros with a valid CRC."""
    GARBLED = auto()
    """Bytes that are no text."""
    HANGING = auto()
    """A read never returns."""
    VANISHED = auto()
    """The kernel has dropped the probe."""


SPOILS: dict[Failure | None, Callable[[bytes], bytes]] = {
    Failure.CRC_OLD_KERNEL: crc_fails,
    Failure.CRC_MISMATCH: lambda good: w1_slave_of(bytes([good[0] ^ 0x40, *good[1:]])),
    Failure.EMPTY: lambda _good: b"",
    Failure.POWER_ON: lambda _good: w1_slave_of(scratchpad_of(85.0, 12, remainder=0x0C)),
    Failure.NO_POWER: lambda _good: w1_slave_of(scratchpad_of(0x07FF / 16, 12, remainder=0x0C)),
    Failure.SHORTED: lambda _good: w1_slave_of(bytes(9)),
    Failure.GARBLED: lambda _good: b"\xff\xfe\x80 not text\n",
}


class FailingTree(FakeTree):
    """A hang is real: the file becomes a pipe that nobody writes to, so that a reader blocks in the kernel."""

    def __init__(self, folder: Path, clock: Clock, probes: Iterable[FakeProbe], *, bulk: bool = True) -> None:
        self._hanging = set[str]()
        self._gone = dict[str, FakeProbe]()
        super().__init__(folder, clock, probes, bulk=bulk)

    def close(self) -> None:
        """Stop, and let go of every reader that hangs."""
        super().close()
        with self._lock:
            for rom in self._hanging:
                self._unhang(self._folder(self._probes[rom]) / "w1_slave")

    def set_celsius(self, rom: str, celsius: Callable[[float], float]) -> None:
        """Give a probe another temperature over time."""
        with self._lock:
            self._probes[rom].celsius = celsius

    def fail(self, rom: str, failure: Failure | None) -> None:
        """Let a probe fail from now on; None heals it, and puts it back on the bus if it had vanished."""
        with self._lock:
            if rom in self._gone:
                back = self._gone.pop(rom)
                self._probes[rom] = back
                self._make_probe(back)
            probe = self._probes[rom]
            if rom in self._hanging:
                self._hanging.discard(rom)
                self._unhang(self._folder(probe) / "w1_slave")
            probe.spoil = SPOILS.get(failure)
            if failure is Failure.HANGING:
                self._hanging.add(rom)
            if failure is Failure.VANISHED:
                self._gone[rom] = self._probes.pop(rom)
                self._drop(probe)
            else:
                self._convert(probe)

    def _drop(self, probe: FakeProbe) -> None:
        (self.root / probe.rom).unlink(missing_ok=True)
        folder = self._folder(probe)
        for file in folder.iterdir():
            file.unlink()
        folder.rmdir()
        self._list_slaves(probe.bus)

    def _convert(self, probe: FakeProbe) -> None:
        target = self._folder(probe) / "w1_slave"
        if probe.rom not in self._hanging:
            super()._convert(probe)
        elif not target.is_fifo():
            target.unlink(missing_ok=True)
            os.mkfifo(target)

    def _unhang(self, file: Path) -> None:
        """Whoever blocks on the pipe gets an empty answer."""
        if file.is_fifo():
            with contextlib.suppress(OSError):  # ENXIO: nobody is blocked
                os.close(os.open(file, os.O_WRONLY | os.O_NONBLOCK))
            file.unlink()
