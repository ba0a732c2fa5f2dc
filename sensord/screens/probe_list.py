"""The list of probes as a person sees it: which chip is where, what it reads, and what to do where it does not.

Pure: rows in, lines out, none wider than 80 columns. No colour, so nothing rests on it.
"""

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from sensord.care.remedies import REMEDIES
from sensord.readings import FaultKind

__all__ = ["BusRow", "ProbeRow", "how_to_name", "lines", "nothing_found", "wrapped"]

_WIDTH = 80
_POWER = {True: "3 wires", False: "parasite", None: ""}


@dataclass(frozen=True, slots=True)
class BusRow:
    """A bus by name, and what it offers for bulk conversion, in words."""

    bus: str
    bulk: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeRow:
    """One probe: on the bus, in the config (`name`, `place`), or both. `celsius` is raw, not calibrated.

    `bus` is empty where the kernel does not list the probe. `powered` as in `probes.one_wire.FoundProbe`.
    """

    rom: str
    name: str
    place: str
    bus: str = ""
    chip: str = ""
    bits: int | None = None
    powered: bool | None = None
    celsius: float | None = None
    fault: FaultKind | None = None
    detail: str = ""

    @property
    def remedy(self) -> str:
        """What the keeper can do; empty where nothing is wrong."""
        return "" if self.fault is None else REMEDIES[self.fault]


def lines(probes: Sequence[ProbeRow], buses: Sequence[BusRow]) -> list[str]:
    """The whole list; `probes` is not empty."""
    names = max(len(row.name or "-") for row in probes)
    told = [f"{'ROM ID':17}{'NAME':{names + 2}}{'PLACE':9}{'READS':>9}  RESOLUTION  POWER     BUS"]
    for row in probes:
        told.append(_line(row, names))
        if row.fault is not None:
            told += wrapped(f"{row.fault}: {row.detail}", "    ")
            told += wrapped(row.remedy, "    → ")
    told.append("")
    for bus in buses:
        told += wrapped(f"{bus.bus}: {bus.bulk}", "")
    strangers = [row for row in probes if not row.name]
    if strangers:
        told += ["", *how_to_name(strangers[0].rom)]
    return told


def _line(row: ProbeRow, names: int) -> str:
    reads = "fault" if row.celsius is None else f"{row.celsius:.2f} °C"
    bits = f"{row.bits} bit" if row.bits else ""
    name, place, bus = row.name or "-", row.place or "-", row.bus.removeprefix("w1_bus_") or "none"
    return f"{row.rom:17}{name:{names + 2}}{place:9}{reads:>9}  {bits:12}{_POWER[row.powered]:10}{bus}".rstrip()


def how_to_name(rom: str) -> list[str]:
    """What to write into the config for a probe that is not in it."""
    return [
        "A probe without a name is not in the config. Give it one there, for example:",
        "",
        "    [probes.air]",
        f'    rom = "{rom}"',
        '    place = "brooder"    # or "dish", "room"',
    ]


def nothing_found(root: str, tree_exists: bool) -> list[str]:
    """What to do where no probe is listed at all."""
    if not tree_exists:
        remedy = (
            f"There is no one-wire tree at {root}. On a Pi, add the line dtoverlay=w1-gpio to"
            " /boot/firmware/config.txt and restart; elsewhere, try --one-wire-root with"
            " another tree, or `sensord demo`."
        )
    else:
        remedy = (
            f"No probe on any bus of {root}. Check the data wire (GPIO 4 unless configured otherwise), ground, 3.3 V"
            " and the 4.7 kΩ pull-up between data and 3.3 V; a probe shows about ten seconds after it was plugged in."
        )
    return textwrap.wrap(remedy, _WIDTH)


def wrapped(text: str, start: str) -> list[str]:
    """Lines of at most 80 columns, the first beginning with `start`, the others indented as far."""
    return textwrap.wrap(text, _WIDTH, initial_indent=start, subsequent_indent=" " * len(start))
