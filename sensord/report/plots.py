"""The pictures of a report, drawn by Matplotlib (the extra `report`).

One module knows the plotting library. Lines differ in lightness and in form, never in hue alone: the pictures are
read in grey and by colour-blind eyes. Inks are those of the page.
"""

import io
from base64 import b64encode
from collections.abc import Sequence
from datetime import datetime, tzinfo
from textwrap import wrap
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.dates import DateFormatter, DayLocator, HourLocator, MinuteLocator, date2num, num2date
from matplotlib.figure import Figure as Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.ticker import FuncFormatter, MaxNLocator

from sensord.care.growth import expected_grams
from sensord.history.history_reader import ProbePoint
from sensord.readings import Band
from sensord.report.report_data import BrooderPart, ChickPart, Report, RoundPart
from sensord.report.report_figures import band_at, binned

_INK = {
    "paper": "#fffdf8", "ink": "#22303a", "quiet": "#6d7a80", "rule": "#d9d4c7", "band": "#dfe7d8",
    "band_edge": "#8ea384", "air": "#155a86", "reach": "#9dbdd3", "out": "#b8431a", "gap": "#b9b3a5",
}  # fmt: skip
_STYLE: dict[str, Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "sensord",
    "font.size": 9,
    "axes.edgecolor": _INK["quiet"],
    "axes.linewidth": 0.6,
    "axes.labelcolor": _INK["quiet"],
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.spines.left": False,
    "axes.grid": True,
    "axes.grid.axis": "y",
    "axes.axisbelow": True,
    "grid.color": _INK["rule"],
    "grid.linewidth": 0.6,
    "xtick.color": _INK["quiet"],
    "ytick.color": _INK["quiet"],
    "xtick.major.width": 0.6,
    "ytick.major.size": 0,
    "text.color": _INK["ink"],
    "figure.facecolor": "none",
    "axes.facecolor": "none",
    "savefig.facecolor": "none",
    "path.simplify_threshold": 0.3,
    "hatch.linewidth": 0.7,
}
_WIDE, _NARROW = 7.2, 3.7  # inches of 96 pixels: an A4 column, a phone
_SHORT_DAYS = 4.0  # in a longer span single feeds and lids run together
_MARKS = {"high": ("^", 6.0), "medium": ("D", 4.4), "low": ("o", 3.8)}


@mpl.rc_context(_STYLE)
def data_uri(figure: Figure) -> str:
    """The figure as the address of an SVG picture that carries its bytes in itself."""
    out = io.BytesIO()
    figure.savefig(out, format="svg", metadata={"Date": None})
    return f"data:image/svg+xml;base64,{b64encode(out.getvalue()).decode()}"


def _figure(width: float, height: float) -> tuple[Figure, Axes]:
    figure = Figure(figsize=(width, height), layout=ConstrainedLayoutEngine(w_pad=0.01, h_pad=0.02))
    return figure, figure.add_subplot()


def _say_values(axes: Axes, unit: str, most: int = 5) -> None:
    axes.yaxis.set_major_locator(MaxNLocator(most))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}{unit}"))


def _num(utc_seconds: float, zone: tzinfo | None) -> float:
    moment = datetime.fromtimestamp(utc_seconds, tz=zone).astimezone(zone)
    return float(date2num(moment.replace(tzinfo=None)))


def _times(points: Sequence[float], zone: tzinfo | None) -> list[float]:
    return [_num(at, zone) for at in points]


@mpl.rc_context(_STYLE)
def air(report: Report, part: BrooderPart, zone: tzinfo | None = None, narrow: bool = False) -> Figure:
    """The air of one brooder against its band, with what happened above it."""
    layout = ConstrainedLayoutEngine(w_pad=0.01, h_pad=0.01, hspace=0.0)
    figure = Figure(figsize=(_NARROW, 3.1) if narrow else (_WIDE, 3.3), layout=layout)
    strip, axes = figure.subplots(2, 1, sharex=True, height_ratios=(1.15 if report.days <= _SHORT_DAYS else 0.5, 5))
    _draw_air(axes, report, part, zone, narrow)
    _draw_strip(strip, report, part, zone)
    return figure


def _draw_air(axes: Axes, report: Report, part: BrooderPart, zone: tzinfo | None, narrow: bool) -> None:
    bins = 240 if narrow else 480
    step = max(part.step_seconds, (report.end - report.start) / bins // part.step_seconds * part.step_seconds)
    _draw_band(axes, report, part, zone)
    for run in _unbroken(binned(part.points, step), step * 2.5):
        times = _times([point.utc_seconds + step / 2 for point in run], zone)
        lows = [point.low_celsius or 0.0 for point in run]
        highs = [point.high_celsius or 0.0 for point in run]
        means = [point.mean_celsius or 0.0 for point in run]
        axes.fill_between(times, lows, highs, color=_INK["reach"], linewidth=0, alpha=0.75)
        axes.plot(times, means, color=_INK["air"], linewidth=1.3, solid_joinstyle="round")
        outside = [float("nan") if _inside(part, point) else point.mean_celsius or 0.0 for point in run]
        axes.plot(times, outside, color=_INK["out"], linewidth=2.4, solid_capstyle="round")
    for gap in report.gaps:
        if gap.gap_seconds:
            span = _times([gap.utc_seconds - gap.gap_seconds, gap.utc_seconds], zone)
            axes.axvspan(*span, facecolor="none", edgecolor=_INK["gap"], hatch="////", linewidth=0)
    _say_values(axes, "°")
    axes.set_xlim(_num(report.start, zone), _num(report.end, zone))
    _time_axis(axes, report, narrow)


def _draw_band(axes: Axes, report: Report, part: BrooderPart, zone: tzinfo | None) -> None:
    if not part.bands:
        return
    changes = sorted({report.start, *(row.utc_seconds for row in part.bands if row.utc_seconds > report.start)})
    rows = [row for row in (band_at(part.bands, at) for at in changes) if row is not None]
    times = _times([*changes, report.end], zone)
    rows.append(rows[-1])
    lows, highs = [row.low_celsius for row in rows], [row.high_celsius for row in rows]
    axes.fill_between(times, lows, highs, step="post", color=_INK["band"], linewidth=0, zorder=0)
    for values in (lows, highs):
        axes.step(times, values, where="post", color=_INK["band_edge"], linewidth=0.8, zorder=1)


def _inside(part: BrooderPart, point: ProbePoint) -> bool:
    band = band_at(part.bands, point.utc_seconds)
    mean = point.mean_celsius
    return band is None or mean is None or mean in Band(band.low_celsius, band.high_celsius)


def _unbroken(points: Sequence[ProbePoint], longest: float) -> list[list[ProbePoint]]:
    runs: list[list[ProbePoint]] = []
    for point in points:
        if point.mean_celsius is None:
            continue
        if runs and point.utc_seconds - runs[-1][-1].utc_seconds <= longest:
            runs[-1].append(point)
        else:
            runs.append([point])
    return runs


def _draw_strip(strip: Axes, report: Report, part: BrooderPart, zone: tzinfo | None) -> None:
    """Three thin lines above the curve: alarms, lids, feeds."""
    heights = {"alarms": 2, "lid": 1, "feeds": 0} if report.days <= _SHORT_DAYS else {"alarms": 2}
    strip.set_ylim(min(heights.values()) - 0.7, 2.7)
    strip.set_yticks([*heights.values()], [*heights])
    strip.spines["bottom"].set_visible(False)
    strip.tick_params(axis="x", length=0, labelbottom=False)
    for one in report.alarms:
        if one.place in (part.name, "unit"):
            over = report.end if one.over is None else one.over
            mark, size = _MARKS.get(one.priority, ("o", 4.0))
            fill = _INK["out"] if one.priority == "high" else _INK["paper"]
            times = _times([one.raised, over], zone)
            strip.plot(times, [2, 2], color=_INK["out"], linewidth=1.6, alpha=0.55)
            strip.plot(
                times[:1], [2], mark, markersize=size, color=_INK["out"], markerfacecolor=fill, markeredgewidth=1.1
            )
    if "lid" in heights:
        rounds = [one.row.utc_seconds for one in report.rounds] or [feed.utc_seconds for feed in report.feeds]
        for at, height, mark, size in ((part.lids, 1, "|", 6.0), (rounds, 0, "o", 3.2)):
            strip.plot(
                _times(at, zone), [height] * len(at), mark, color=_INK["ink"], markersize=size, markeredgewidth=1.2
            )


def _time_axis(axes: Axes, report: Report, narrow: bool) -> None:
    hours = (report.end - report.start) / 3600
    if hours <= 5:
        axes.xaxis.set_major_locator(MinuteLocator(byminute=range(0, 60, 30 if hours > 1.5 else 10)))
        axes.xaxis.set_major_formatter(DateFormatter("%H:%M"))
    elif hours <= 40:
        axes.xaxis.set_major_locator(HourLocator(byhour=range(0, 24, 4 if narrow and hours > 14 else 2)))
        axes.xaxis.set_major_formatter(DateFormatter("%H"))
    else:
        _day_axis(axes, hours / 24, narrow)


def _day_axis(axes: Axes, days: float, narrow: bool) -> None:
    axes.xaxis.set_major_locator(DayLocator(interval=max(1, round(days / (5 if narrow else 10)))))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{num2date(value).day} {num2date(value):%b}"))


@mpl.rc_context(_STYLE)
def dish_curve(part: RoundPart, band: tuple[float, float] | None = None) -> Figure:
    """One bowl from its mixing to the lift, minutes before the feed on the axis."""
    figure, axes = _figure(2.3, 1.35)
    read = [(point.utc_seconds, point.mean_celsius) for point in part.curve if point.mean_celsius is not None]
    if band is not None:
        axes.axhspan(*band, color=_INK["band"], linewidth=0)
    minutes = [(at - part.row.utc_seconds) / 60 for at, _ in read]
    axes.plot(minutes, [celsius for _, celsius in read], color=_INK["air"], linewidth=1.2)
    if part.row.celsius is not None:
        axes.plot([0], [part.row.celsius], "o", color=_INK["ink"], markersize=4)
    top = max((point.high_celsius or 0.0 for point in part.curve), default=44.0)
    axes.set_ylim(34, max(46.0, top + 1))
    axes.set_yticks([35, 40, 45], ["35°", "40°", "45°"])
    axes.xaxis.set_major_locator(MaxNLocator(4, integer=True))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: "lift" if value == 0 else f"{-value:g} min"))
    return figure


@mpl.rc_context(_STYLE)
def growth(part: ChickPart, narrow: bool = False) -> Figure:
    """One chick's weights against its fitted curve and, where there is one, the published mean."""
    figure, axes = _figure(_NARROW if narrow else _WIDE, 2.6 if narrow else 3.0)
    _draw_growth(axes, part)
    axes.set_xlabel("days since hatching" if part.chick.hatched else "days", loc="right")
    _say_values(axes, " g")
    return figure


@mpl.rc_context(_STYLE)
def growth_small(part: ChickPart) -> Figure:
    """The same, small enough to stand among forty."""
    figure, axes = _figure(1.7, 0.95)
    _draw_growth(axes, part, small=True)
    axes.tick_params(labelsize=7.5)
    return figure


def _draw_growth(axes: Axes, part: ChickPart, small: bool = False) -> None:
    grams = [one.grams for one in part.weighings]
    last = part.ages_days[-1]
    if part.fit is not None:
        days = [last * number / 60 for number in range(61)]
        curve = [part.fit.curve.grams(day) for day in days]
        axes.plot(days, curve, color=_INK["reach"], linewidth=1.6 if small else 2.2, zorder=1)
    published = [(day, expected_grams(part.chick.kind, day)) for day in range(int(last) + 2)]
    known = [(day, found[0]) for day, found in published if found is not None]
    if known and not small:
        axes.plot(*zip(*known, strict=True), color=_INK["quiet"], linewidth=1, linestyle=(0, (4, 3)))
    axes.plot(part.ages_days, grams, "o", color=_INK["air"], markersize=1.8 if small else 3.6, zorder=2)
    if part.flags:
        axes.plot([last], grams[-1:], "s", color=_INK["out"], markersize=4 if small else 6, zorder=3)
    axes.set_ylim(0, max(grams) * 1.12)
    axes.set_xlim(-0.3, last + 0.8)
    if small:
        axes.xaxis.set_major_locator(MaxNLocator(3, integer=True))
        axes.yaxis.set_major_locator(MaxNLocator(2, integer=True))


@mpl.rc_context(_STYLE)
def feeds_by_day(part: ChickPart, zone: tzinfo | None = None, narrow: bool = False) -> Figure:
    """What one chick took each day, in millilitres, with the number of feeds written above."""
    figure, axes = _figure(_NARROW if narrow else _WIDE, 1.7)
    taken: dict[int, list[float]] = {}
    for feed in part.feeds:
        taken.setdefault(int(_num(feed.utc_seconds, zone)), []).append(feed.millilitres or 0.0)
    totals = [sum(millilitres) for millilitres in taken.values()]
    axes.bar([*taken], totals, width=0.72, color=_INK["reach"], edgecolor=_INK["air"], linewidth=0.6)
    if len(taken) <= (12 if narrow else 31):
        for (day, millilitres), total in zip(taken.items(), totals, strict=True):
            axes.annotate(str(len(millilitres)), (day, total), ha="center", va="bottom", fontsize=8)
    axes.set_ylim(0, (max(totals, default=0.0) or 1.0) * 1.2)
    _say_values(axes, " ml", 3)
    _day_axis(axes, len(taken), narrow)
    return figure


@mpl.rc_context({**_STYLE, "svg.fonttype": "path"})
def sheet(report: Report, sentences: Sequence[str], closing: str, zone: tzinfo | None = None) -> Figure:
    """One A4 sheet for PDF or SVG: what is to be said, the air of each brooder, the growth, a line at the foot."""
    figure = Figure(figsize=(8.27, 11.69), facecolor="white")
    figure.text(0.08, 0.945, report.title, fontsize=19, family="serif")
    top = 0.915
    for line in (line for sentence in sentences for line in wrap(sentence, 98)):
        figure.text(0.08, top, line, fontsize=9.5, va="top")
        top -= 0.018
    brooders = report.brooders[:3]
    height = 0.36 / max(1, len(brooders))
    top -= 0.02
    for brooder in brooders:
        axes = figure.add_axes((0.13, top - height * 0.9, 0.8, height * 0.64))
        strip = figure.add_axes((0.13, top - height * 0.24, 0.8, height * 0.2), sharex=axes)
        _draw_air(axes, report, brooder, zone, narrow=False)
        _draw_strip(strip, report, brooder, zone)
        strip.set_title(brooder.name, loc="left", fontsize=10, family="serif")
        top -= height
    weighed = [part for part in report.chicks if part.weighings]
    columns = 5 if len(weighed) <= 15 else 8
    rows = max(1, -(-len(weighed) // columns))
    cell, across = min(0.12, (top - 0.07) / rows), 0.86 / columns
    for number, part in enumerate(weighed):
        row, column = divmod(number, columns)
        axes = figure.add_axes((0.1 + column * across, top - (row + 0.72) * cell, across * 0.74, cell * 0.5))
        _draw_growth(axes, part, small=True)
        axes.set_title(f"{part.chick.name}  {part.weighings[-1].grams:g} g", loc="left", fontsize=7, pad=2)
        axes.tick_params(labelsize=5.5, length=1.5, pad=1.5)
    figure.text(0.08, 0.03, "\n".join(wrap(closing, 130)), fontsize=7.5, color=_INK["quiet"])
    return figure
