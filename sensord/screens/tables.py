"""Lists for a terminal: which probe is where and what it reads, and the bands of a brooder's coming days.

Pure: rows in, lines out. No colour, so nothing rests on it.
"""

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from sensord.care.brooding import Brooding, DayPlan
from sensord.care.remedies import REMEDIES
from sensord.readings import Band, FaultKind
from sensord.texts import plain_text

_WIDTH = 80
_SCALE_WIDTH = 32
_POWER = {True: "3 wires", False: "parasite", None: ""}


@dataclass(frozen=True, slots=True)
class BusRow:
    """A bus by name, and what it offers for bulk conversion, in words."""

    bus: str
    bulk: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeRow:
    """One probe: on the bus, in the config (`name`, `place`), or both. `celsius` is raw, not calibrated.

    `bus` is empty where the kernel does not list the probe. `powered` as in `probes.one_wire.Chip`.
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


def probe_lines(probes: Sequence[ProbeRow], buses: Sequence[BusRow]) -> list[str]:
    """The whole list; `probes` is not empty."""
    names = max(len(row.name or "-") for row in probes)
    told = [f"{'ROM ID':17}{'NAME':{names + 2}}{'PLACE':9}{'READS':>9}  RESOLUTION  POWER     BUS"]
    for row in probes:
        told.append(_line(row, names))
        if row.fault is not None:
            told += indented(f"{row.fault}: {row.detail}", "    ")
            told += indented(row.remedy, "    → ")
    told.append("")
    for bus in buses:
        told += indented(f"{bus.bus}: {bus.bulk}", "")
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


def indented(text: str, start: str) -> list[str]:
    """Lines of at most 80 columns, the first beginning with `start`, the others indented as far."""
    return textwrap.wrap(plain_text(text), _WIDTH, initial_indent=start, subsequent_indent=" " * len(start))


def draw_band(band: Band, low: int, high: int, width: int = _SCALE_WIDTH) -> str:
    """The band as a bar between its ends on a scale of `width` characters from `low` to `high` Celsius."""
    start = round((band.low_celsius - low) / (high - low) * (width - 1))
    stop = round((band.high_celsius - low) / (high - low) * (width - 1))
    bar = "├" + "─" * (stop - start - 1) + "┤" if stop > start else "┼"
    return " " * start + bar


def plan_lines(title: str, days: Sequence[DayPlan], notes: Sequence[str] = (), width: int = _WIDTH) -> list[str]:
    """A row a day with its band on a common scale of degrees, then where the numbers come from and what to look for."""
    low = math.floor(min(day.brooding.band.low_celsius for day in days)) - 1
    high = math.ceil(max(day.brooding.band.high_celsius for day in days)) + 1
    rows = [("date", "age", "stage", "band", f"{low} °C".ljust(_SCALE_WIDTH - 5) + f"{high} °C")]
    for day in days:
        age, band = "" if day.age_days is None else f"{day.age_days} d", day.brooding.band
        rows.append((day.day.isoformat(), age, day.brooding.stage, str(band), draw_band(band, low, high)))
    wide = [max(map(len, column)) for column in zip(*rows, strict=True)]
    table = ["  ".join(map(str.ljust, row, wide)).rstrip() for row in rows]
    told = [row for note in (*notes, *_footnotes(days)) for row in textwrap.wrap(note, width) or [""]]
    return [title, *table, *told]


def _footnotes(days: Sequence[DayPlan]) -> list[str]:
    """Each stage once: humidity, signs and source; then what is special about single days."""
    told: list[str] = [""]
    stages: dict[str, Brooding] = {}
    remarks: dict[str, date] = {}
    for day in days:
        stages.setdefault(day.brooding.stage, day.brooding)
        for note in day.brooding.notes:
            remarks.setdefault(note, day.day)
    for stage, brooding in stages.items():
        humidity = f" Humidity {brooding.humidity}." if brooding.humidity else ""
        told += [f"{stage}:{humidity} {brooding.signs}", f"  source: {brooding.source}"]
    told += [f"from {day}: {note}" for note, day in remarks.items()]
    return [
        *told,
        "Bands are the practice of clinics, zoos and rehabilitators; your avian vet's word goes before them.",
    ]
