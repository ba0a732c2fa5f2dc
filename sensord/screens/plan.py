"""The coming days of a brooder as one table: a row a day, with its band drawn on a common scale of degrees."""

import math

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from sensord.care.brooding import DayPlan
from sensord.readings import Band

__all__ = ["draw_band", "plan_table"]

SCALE_WIDTH = 32


def draw_band(band: Band, low: int, high: int, width: int = SCALE_WIDTH) -> str:
    """The band as a bar between its ends on a scale of `width` characters from `low` to `high` Celsius."""
    start = round((band.low_celsius - low) / (high - low) * (width - 1))
    stop = round((band.high_celsius - low) / (high - low) * (width - 1))
    bar = "├" + "─" * (stop - start - 1) + "┤" if stop > start else "┼"
    return " " * start + bar


def plan_table(title: str, days: tuple[DayPlan, ...], notes: tuple[str, ...] = ()) -> RenderableType:
    """The table and, below it, where the numbers come from and what to look for in the chick."""
    low = math.floor(min(day.brooding.band.low_celsius for day in days)) - 1
    high = math.ceil(max(day.brooding.band.high_celsius for day in days)) + 1
    scale = f"{low} °C".ljust(SCALE_WIDTH - 5) + f"{high} °C"
    table = Table(title=title, title_justify="left", box=None, pad_edge=False)
    for heading in ("date", "age", "stage", "band"):
        table.add_column(heading, no_wrap=True)
    table.add_column(scale, no_wrap=True)
    for day in days:
        age = "" if day.age_days is None else f"{day.age_days} d"
        brooding = day.brooding
        table.add_row(day.day.isoformat(), age, brooding.stage, str(brooding.band), draw_band(brooding.band, low, high))
    return Group(table, *(Text(line) for line in (*notes, *_footnotes(days))))


def _footnotes(days: tuple[DayPlan, ...]) -> list[str]:
    """Each stage once: humidity, signs and source; then what is special about single days."""
    lines: list[str] = [""]
    stages: dict[str, DayPlan] = {}
    remarks: dict[str, DayPlan] = {}
    for day in days:
        stages.setdefault(day.brooding.stage, day)
        for note in day.brooding.notes:
            remarks.setdefault(note, day)
    for stage, day in stages.items():
        brooding = day.brooding
        humidity = f" Humidity {brooding.humidity}." if brooding.humidity else ""
        lines.append(f"{stage}:{humidity} {brooding.signs}")
        lines.append(f"  source: {brooding.source}")
    lines += [f"from {day.day}: {note}" for note, day in remarks.items()]
    return [
        *lines,
        "Bands are the practice of clinics, zoos and rehabilitators; your avian vet's word goes before them.",
    ]
