"""The kernel's one-wire tree as files: who is on which bus, one read of a probe, one trigger of a bulk conversion.

What a chip is called comes from w1thermsensor; its readings are not used, because it believes the kernel's `YES`,
returns 127.9 °C as a temperature and raises bare errors on damaged text. Nothing here waits on its own account, but
any read of a probe blocks for as long as the kernel takes.
"""

import contextlib
import errno
import os
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from sensord.clock import Clock
from sensord.probes.deadlines import Outcome, Overdue
from sensord.probes.scratchpad import Decoded, Refused, decode
from sensord.readings import PROBE_FAMILIES, FaultKind

BULK_FILE = "therm_bulk_read"
_TRIGGER = b"trigger\n"  # exactly these eight bytes; without the newline the kernel ignores them and says nothing
_PROBE_FILE_BYTES = 4096
_AT_ONCE_SECONDS = 0.05
_BULK_SECONDS = 2.0
_GONE = (errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.ENOTDIR)
_DEFAULT_CONVERSION_SECONDS = 0.75


@dataclass(frozen=True, slots=True)
class Chip:
    """What the kernel knows of a probe: `kind`, `bits` of resolution where it says so, `powered` by its own wire
    (True), from the data line (False), or not known (None)."""

    kind: str
    bits: int | None
    powered: bool | None


class ProbeSpot(NamedTuple):
    """Where a probe is: its own folder, and that of its bus master."""

    probe: Path
    bus: Path


def shows_thermometer(name: str) -> bool:
    """Whether a name in the tree is that of a thermometer; `00-…` names are noise of a bus without pull-up."""
    return len(name) == 15 and name[2] == "-" and name[:2] in PROBE_FAMILIES


def read_bytes(file: Path) -> bytes:
    """One open and one read: on `w1_slave` exactly one measurement. Raises `OSError`."""
    handle = os.open(file, os.O_RDONLY)
    try:
        return os.read(handle, _PROBE_FILE_BYTES)
    finally:
        os.close(handle)


def trigger(bulk_file: Path) -> None:
    """Start a conversion of all probes of a bus; the kernel returns when it is over. Raises `OSError`."""
    handle = os.open(bulk_file, os.O_WRONLY)
    try:
        os.write(handle, _TRIGGER)
    finally:
        os.close(handle)


def locate(root: Path) -> dict[str, ProbeSpot]:
    """The ROM ids that the kernel lists, each with its folders. Raises `OSError` where there is no tree.

    The bus is the parent of what the probe's link points to; in a tree without links, the master that lists the probe.
    """
    names = sorted(os.listdir(root))  # noqa: PTH208 - names only, once a second
    real_root = root.resolve()
    found: dict[str, ProbeSpot] = {}
    for name in names:
        if not shows_thermometer(name):
            continue
        try:
            target = Path(os.path.normpath(real_root / (root / name).readlink()))
        except OSError:
            found[name] = ProbeSpot(root / name, _master_that_lists(root, name, names))
        else:
            found[name] = ProbeSpot(target, target.parent)
    return found


def _master_that_lists(root: Path, rom: str, names: list[str]) -> Path:
    masters = [root / name for name in names if name.startswith("w1_bus_master")]
    for master in masters:
        with contextlib.suppress(OSError):
            if rom in (master / "w1_master_slaves").read_text().split():
                return master
    return masters[0] if len(masters) == 1 else root


def conversion_seconds(probe_folder: Path) -> float:
    """How long the kernel lets this probe convert; 0.75 s where it does not say. No bus traffic."""
    try:
        return max(0.0, int(read_bytes(probe_folder / "conv_time")) / 1000)
    except (OSError, ValueError):
        return _DEFAULT_CONVERSION_SECONDS


def _number(file: Path) -> int | None:
    try:
        return int(read_bytes(file))
    except (OSError, ValueError):
        return None


def externally_powered(probe_folder: Path) -> bool | None:
    """Whether the probe has a supply wire of its own; None where the kernel cannot say. Asks the bus."""
    answer = _number(probe_folder / "ext_power")
    return bool(answer) if answer in (0, 1) else None  # a negative number is an errno in words


def refusal_of(error: OSError) -> Refused:
    """The fault that a failed read stands for."""
    if error.errno in _GONE:
        return Refused(FaultKind.NO_RESPONSE, "not on the bus")
    if error.errno in (errno.EACCES, errno.EPERM):
        return Refused(FaultKind.BUS_ERROR, f"not permitted to read {error.filename}")
    name = errno.errorcode.get(error.errno or 0, "OSError")
    return Refused(FaultKind.BUS_ERROR, f"{name}: {error.strerror or error}")


def meaning(rom: str, outcome: Outcome, late: str) -> Decoded:
    """What a read of the probe `rom` came to; `late` says how long it was waited for in vain."""
    if isinstance(outcome, Overdue):
        return Refused(FaultKind.LATE, late)
    return refusal_of(outcome) if isinstance(outcome, OSError) else decode(outcome, rom[:2])


def patient_bytes(spot: ProbeSpot, clock: Clock) -> bytes:
    """Like `read_bytes` of a probe, beside somebody else's bulk conversions: while one runs, the kernel answers every
    read with nothing, at once. Raises `OSError`.
    """
    began = clock.monotonic_seconds()
    content = read_bytes(spot.probe / "w1_slave")
    if content.strip():
        return content
    at_once = clock.monotonic_seconds() - began < _AT_ONCE_SECONDS
    converting = False
    while _bulk_state(spot) == b"-1" and clock.monotonic_seconds() - began < _BULK_SECONDS:
        converting = True
        clock.wait(threading.Event(), _AT_ONCE_SECONDS)
    return read_bytes(spot.probe / "w1_slave") if converting or at_once else content


def fresh_bytes(spot: ProbeSpot, clock: Clock) -> bytes:
    """What a probe says of a conversion that begins now; waits as long as the kernel does. Raises `OSError`.

    A value left over from an interrupted bulk conversion is thrown away, a power-on value read once more.
    """
    if _bulk_state(spot) == b"1":
        read_bytes(spot.probe / "w1_slave")
    content = patient_bytes(spot, clock)
    decoded = decode(content)
    if isinstance(decoded, Refused) and decoded.kind is FaultKind.POWER_ON_VALUE:
        return patient_bytes(spot, clock)
    return content


def _bulk_state(spot: ProbeSpot) -> bytes:
    try:
        return read_bytes(spot.bus / BULK_FILE).strip()
    except OSError:
        return b""


def probe_at(root: Path, rom: str, clock: Clock) -> Decoded:
    """One reading of one probe, for commands that may wait."""
    try:
        return decode(fresh_bytes(locate(root).get(rom, ProbeSpot(root / rom, root)), clock), rom[:2])
    except OSError as error:
        return refusal_of(error)


def sensor_class(root: Path) -> Any:
    """w1thermsensor's class, looking at `root`. Imported late, and kept from loading kernel modules on import."""
    os.environ["W1THERMSENSOR_NO_KERNEL_MODULE"] = "1"
    from w1thermsensor import W1ThermSensor

    return type("SensorOfTree", (W1ThermSensor,), {"BASE_DIRECTORY": Path(root)})


def chip_at(root: Path, rom: str, spot: ProbeSpot) -> Chip | None:
    """What the kernel knows of a probe; None where it has just vanished. Asks the bus, so it may block."""
    sensor_of_tree = sensor_class(root)
    from w1thermsensor import NoSensorFoundError, Sensor

    try:
        sensor = sensor_of_tree(Sensor.from_id_string(rom[:2]), rom[3:])
    except NoSensorFoundError:
        return None
    bits = _number(spot.probe / "resolution")
    return Chip(sensor.name, bits if bits is not None and 9 <= bits <= 12 else None, externally_powered(spot.probe))
