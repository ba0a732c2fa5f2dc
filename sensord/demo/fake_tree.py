"""A plain folder that looks and behaves like the kernel's one-wire tree; demo and tests run the real reader on it.

Use: `with FakeTree(folder, clock, [FakeProbe("28-000000000001", lambda seconds: 36.5)]) as tree:` and hand `tree.root`
to whatever reads probes. A helper thread plays the kernel: it answers a `trigger` in `therm_bulk_read` with `-1`,
lets the conversion time pass on the given clock, puts fresh bytes in each `w1_slave` and shows `1`.

What a plain folder cannot do: a write to `therm_bulk_read` returns at once instead of after the conversion, and a
read outside a bulk conversion does not wait but returns what was converted within the last second.

Layout, file names and their content follow the kernel's w1 core and its driver w1_therm (5.10 and later).
"""

import threading
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from sensord.clock import Clock
from sensord.probes.scratchpad import crc8

CONVERSION_SECONDS = {9: 0.095, 10: 0.190, 11: 0.375, 12: 0.750}
"""How long the kernel waits for a conversion, by bits (driver w1_therm; the data sheet's maxima, rounded up)."""

_POLL_SECONDS = 0.002
_FRESH_SECONDS = 0.75
_HOLD_SECONDS = 2.0
_IDLE_SECONDS = 30.0


@dataclass(slots=True, kw_only=True)
class FakeProbe:
    """One probe: `celsius(seconds)` is the temperature at its tip, `seconds` on the tree's clock.

    `spoil` makes of its good scratchpad what `w1_slave` holds while something is wrong with it.
    """

    rom: str
    celsius: Callable[[float], float]
    bus: str = "w1_bus_master1"
    bits: int = 12
    powered: bool = True
    spoil: Callable[[bytes], bytes] | None = None


def scratchpad_of(celsius: float, bits: int = 12, remainder: int | None = None) -> bytes:
    """The nine bytes of a DS18B20 at `celsius` (data sheet: 1/16 °C, two's complement, low byte first; then TH, TL,
    configuration, FFh, count remainder, 10h, CRC). `remainder` overrides byte 6."""
    register = round(celsius * 16) >> (12 - bits) << (12 - bits)
    low, high = register.to_bytes(2, "little", signed=True)
    byte6 = 0x10 - (low & 0x0F) if remainder is None else remainder
    data = bytes([low, high, 0x4B, 0x46, 0x1F | (bits - 9) << 5, 0xFF, byte6, 0x10])
    return data + bytes([crc8(data)])


def w1_slave_of(scratchpad: bytes, verdict: str = "YES") -> bytes:
    """The two lines of `w1_slave`; `t=` is truncated toward zero as the kernel's integer division does."""
    register = int.from_bytes(scratchpad[:2], "little", signed=True)
    millidegrees = int(register * 1000 / 16)
    text = scratchpad.hex(" ")
    return f"{text} : crc={crc8(scratchpad[:8]):02x} {verdict}\n{text} t={millidegrees}\n".encode()


def crc_fails(scratchpad: bytes) -> bytes:
    """What kernels before about 5.8 print when a bit was lost on the way: the damaged bytes, and `NO`."""
    return w1_slave_of(bytes([scratchpad[0] ^ 0x40, *scratchpad[1:]]), "NO")


def content_of(probe: FakeProbe, seconds: float) -> bytes:
    """What `w1_slave` of the probe holds after a conversion that ended at `seconds`."""
    return (probe.spoil or w1_slave_of)(scratchpad_of(probe.celsius(seconds), probe.bits))


class FakeTree:
    """The tree on disk and the thread that plays the kernel. `root` is what `/sys/bus/w1/devices` is on a Pi.

    `bulk` off leaves out `therm_bulk_read`, as on older kernels. Raises `OSError` where `folder` cannot be written.
    """

    def __init__(self, folder: Path, clock: Clock, probes: Iterable[FakeProbe], *, bulk: bool = True) -> None:
        self.root = folder / "bus" / "w1" / "devices"
        self._devices = folder / "devices"
        self._clock = clock
        self._bulk = bulk
        self._probes = {probe.rom: probe for probe in probes}
        self._converting: dict[str, float] = {}
        self._held: dict[str, float] = {}
        self._idle_at: dict[str, float] = {}
        self._fresh_at = float("-inf")
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._play, name="fake-kernel", daemon=True)
        self.root.mkdir(parents=True, exist_ok=True)
        for bus in dict.fromkeys(probe.bus for probe in self._probes.values()):
            self._make_bus(bus)
        for probe in self._probes.values():
            self._make_probe(probe)

    def start(self) -> None:
        """Begin to play the kernel."""
        self._thread.start()

    def close(self) -> None:
        """Stop."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def spoil(self, rom: str, how: Callable[[bytes], bytes] | None) -> None:
        """Let something be wrong with a probe from now on, as `FakeProbe.spoil`; None heals it."""
        with self._lock:
            self._probes[rom].spoil = how
            self._convert(self._probes[rom])

    def state_file(self, bus: str = "w1_bus_master1") -> Path:
        """The `therm_bulk_read` of a bus."""
        return self._devices / bus / "therm_bulk_read"

    def _folder(self, probe: FakeProbe) -> Path:
        return self._devices / probe.bus / probe.rom

    def _make_bus(self, bus: str) -> None:
        folder = self._devices / bus
        folder.mkdir(parents=True, exist_ok=True)
        self._link(Path(bus))
        if self._bulk:
            self.state_file(bus).write_text("0\n")

    def _make_probe(self, probe: FakeProbe) -> None:
        folder = self._folder(probe)
        folder.mkdir(exist_ok=True)
        (folder / "name").write_text(f"{probe.rom}\n")
        (folder / "ext_power").write_text(f"{int(probe.powered)}\n")
        (folder / "resolution").write_text(f"{probe.bits}\n")
        (folder / "conv_time").write_text(f"{round(CONVERSION_SECONDS[probe.bits] * 1000)}\n")
        self._convert(probe)
        self._link(Path(probe.bus, probe.rom))
        self._list_slaves(probe.bus)

    def _list_slaves(self, bus: str) -> None:
        here = [probe.rom for probe in self._probes.values() if probe.bus == bus]
        (self._devices / bus / "w1_master_slaves").write_text("".join(f"{rom}\n" for rom in here) or "not found.\n")

    def _link(self, device: Path) -> None:
        link = self.root / device.name
        if not link.is_symlink():
            link.symlink_to(Path("../../../devices") / device)

    def _convert(self, probe: FakeProbe) -> None:
        """Put the result of a conversion that ends now in place, whole or not at all."""
        target = self._folder(probe) / "w1_slave"
        fresh = target.with_name(".w1_slave")
        fresh.write_bytes(content_of(probe, self._clock.monotonic_seconds()))
        fresh.replace(target)

    def _play(self) -> None:
        while not self._stop.wait(_POLL_SECONDS):
            with self._lock:
                now = self._clock.monotonic_seconds()
                for bus in {probe.bus for probe in self._probes.values()}:
                    if self._bulk:
                        self._play_bulk(bus, now)
                if now - self._fresh_at >= _FRESH_SECONDS:
                    self._fresh_at = now
                    self._convert_all({p.bus for p in self._probes.values()} - set(self._converting) - set(self._held))

    def _play_bulk(self, bus: str, now: float) -> None:
        state = self.state_file(bus)
        if state.read_text() == "trigger\n":
            # In place, not replaced: the reader may hold the file open, as it may hold the kernel's.
            state.write_text("-1\n")
            here = [probe for probe in self._probes.values() if probe.bus == bus]
            self._held.pop(bus, None)
            self._idle_at.pop(bus, None)
            self._converting[bus] = now + max((CONVERSION_SECONDS[probe.bits] for probe in here), default=0.0)
        elif now >= self._converting.get(bus, float("inf")):
            del self._converting[bus]
            self._convert_all({bus})
            self._held[bus] = now + _HOLD_SECONDS
            state.write_text("1\n")
        elif now >= self._held.get(bus, float("inf")):
            del self._held[bus]
            self._idle_at[bus] = now + _IDLE_SECONDS
        elif now >= self._idle_at.get(bus, float("inf")):
            # The kernel shows `0` when the last result was read; reads of a plain file cannot be seen.
            del self._idle_at[bus]
            state.write_text("0\n")

    def _convert_all(self, buses: set[str]) -> None:
        for probe in self._probes.values():
            if probe.bus in buses:
                self._convert(probe)
