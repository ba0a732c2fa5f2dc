"""The ruler: a temperature scale with the band as a solid stretch and the reading as a mark that points at it.

Below hang the tracks: where the reading came from, newest first, on the same scale, between the walls of the band. So
one look tells how far, which way and how fast.

           ├─▼─┤
    ─32────33██34██35████36────37─
               │ ▀     │
    10 min     │▀      │
"""

from collections.abc import Sequence
from dataclasses import dataclass

from rich.text import Text

from sensord.readings import Band
from sensord.screens.page import QUIET, Glyphs
from sensord.watch.views import Trail

_PLAIN = "not dim"
_NUMERAL_CELLS = 4
# Half a row stands for no more than this, so that the newest track tells of now and not of the hour.
_MOST_BINS = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """Which Celsius each of `width` cells stands for; `burn_celsius` is where the scale warns, None for nowhere."""

    low_celsius: float
    high_celsius: float
    band: Band
    width: int
    burn_celsius: float | None = None

    def cell(self, celsius: float) -> int:
        """The cell of a temperature; below 0 or beyond the last where it lies off the scale."""
        return round((celsius - self.low_celsius) / (self.high_celsius - self.low_celsius) * (self.width - 1))

    def holds(self, cell: int) -> bool:
        """Whether a cell lies on the scale."""
        return 0 <= cell < self.width

    @property
    def band_cells(self) -> tuple[int, int]:
        """First and last cell of the band."""
        return max(0, self.cell(self.band.low_celsius)), min(self.width - 1, self.cell(self.band.high_celsius))


def mark_row(
    scale: Scale, celsius: float | None, uncertainty: float | None, estimate: float | None, style: str, glyphs: Glyphs
) -> Text:
    """The reading as a mark with its uncertainty to both sides, and the estimate of the paste where there is one."""
    cells = [" "] * scale.width
    if celsius is not None:
        here = scale.cell(celsius)
        if uncertainty is not None:
            first, last = scale.cell(celsius - uncertainty), scale.cell(celsius + uncertainty)
            for cell in filter(scale.holds, range(first, last + 1)):
                cells[cell] = glyphs.left_end if cell == first else glyphs.right_end if cell == last else glyphs.whisker
        if estimate is not None and scale.holds(scale.cell(estimate)):
            cells[scale.cell(estimate)] = glyphs.estimate
        if scale.holds(here):
            cells[here] = glyphs.mark
        elif here < 0:
            cells[:2] = [glyphs.beyond_left, glyphs.beyond_left]
        else:
            cells[-2:] = [glyphs.beyond_right, glyphs.beyond_right]
    return Text("".join(cells), style=style)


def scale_row(scale: Scale, glyphs: Glyphs) -> Text:
    """The scale: numerals on a line, the band solid with its numerals cut out of it."""
    cells = _lined(scale, glyphs)
    first, last = scale.band_cells
    ends = (first, last) if glyphs.only_ascii else ()  # where they are characters of their own, they stay
    numerals: list[int] = []
    degrees = scale.high_celsius - scale.low_celsius
    step = next(step for step in (1, 2, 5, 10, 100) if scale.width * step / degrees >= _NUMERAL_CELLS)
    for number in range(int(scale.low_celsius) + 1, int(scale.high_celsius) + 1):
        at = scale.cell(number)
        if number % step == 0 and at + 1 < scale.width:
            for cell, figure in zip((at, at + 1), f"{number:2d}", strict=False):
                cells[cell] = cells[cell] if cell in ends else figure
                numerals.append(cell)
    row = _with_band(cells, scale)
    for cell in numerals:
        inside = first <= cell <= last and not glyphs.only_ascii
        row.stylize(f"{_PLAIN} reverse" if inside else _PLAIN, cell, cell + 1)
    if scale.burn_celsius is not None:
        row.stylize(f"{_PLAIN} red", max(0, scale.cell(scale.burn_celsius)), scale.width)
    return row


def _lined(scale: Scale, glyphs: Glyphs) -> list[str]:
    """The line with its burn zone and the band on it."""
    burn = scale.width if scale.burn_celsius is None else min(scale.width, max(0, scale.cell(scale.burn_celsius)))
    cells = [glyphs.line] * burn + [glyphs.burn] * (scale.width - burn)
    first, last = scale.band_cells
    cells[first : last + 1] = ("=" if glyphs.only_ascii else glyphs.full) * (last + 1 - first)
    cells[first], cells[last] = glyphs.band_left, glyphs.band_right
    return cells


def _with_band(cells: list[str], scale: Scale) -> Text:
    row = Text("".join(cells), style=QUIET)
    first, last = scale.band_cells
    row.stylize(_PLAIN, first, last + 1)
    return row


def slim_row(scale: Scale, celsius: float | None, style: str, glyphs: Glyphs) -> Text:
    """Ruler and mark in one row, without numerals, for when many places share a screen."""
    cells = _lined(scale, glyphs)
    if celsius is None:
        return _with_band(cells, scale)
    here = min(max(scale.cell(celsius), 0), scale.width - 1)
    beyond = glyphs.beyond_left if here == 0 else glyphs.beyond_right
    cells[here] = glyphs.mark if scale.holds(scale.cell(celsius)) else beyond
    row = _with_band(cells, scale)
    first, last = scale.band_cells
    inside = first <= here <= last and not glyphs.only_ascii
    row.stylize(f"{_PLAIN} {style} reverse" if inside else f"{_PLAIN} {style}", here, here + 1)
    return row


def track_rows(scale: Scale, trail: Trail, rows: int, glyphs: Glyphs) -> list[tuple[float, Text]]:
    """The tracks, newest first: for each row how many seconds ago it ends, and what it shows."""
    halves = 1 if glyphs.only_ascii else 2
    bins = min(_MOST_BINS, max(1, -(-len(trail.celsius) // (rows * halves)))) if rows else 1
    newest_first = trail.celsius[::-1]
    means = [_mean(newest_first[start : start + bins]) for start in range(0, rows * halves * bins, bins)]
    return [
        ((row + 1) * halves * bins * trail.bin_seconds, _track(scale, means[row * halves : (row + 1) * halves], glyphs))
        for row in range(rows)
    ]


def _mean(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return sum(known) / len(known) if known else None


def _track(scale: Scale, means: Sequence[float | None], glyphs: Glyphs) -> Text:
    cells = [" "] * scale.width
    first, last = scale.band_cells
    cells[first] = cells[last] = glyphs.wall
    steps: dict[int, str] = {}
    for half, mean in zip((glyphs.upper, glyphs.lower), means, strict=False):
        if mean is not None:
            cell = min(max(scale.cell(mean), 0), scale.width - 1)
            steps[cell] = glyphs.full if cell in steps else half
    for cell, step in steps.items():
        cells[cell] = step
    row = Text("".join(cells), style=QUIET)
    for cell in steps:
        row.stylize(_PLAIN, cell, cell + 1)
    return row
