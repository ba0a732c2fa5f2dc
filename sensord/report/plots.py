"""The pictures of a report, drawn by Matplotlib (the extra `report`) and handed out as SVG to stand in a page.

One module knows the plotting library. Lines differ in lightness and in form, never in hue alone: the pictures are
read in grey and by colour-blind eyes. Inks are those of the page.
"""

import io
import re
from collections.abc import Sequence
from datetime import datetime, timedelta, tzinfo
from textwrap import wrap
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.dates import DateFormatter, DayLocator, HourLocator, MinuteLocator, date2num
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.ticker import FuncFormatter, MaxNLocator

from sensord.care.chicks import SECONDS_A_DAY, age_days
from sensord.care.growth import expected_grams
from sensord.history.history_reader import Point
from sensord.readings import Band
from sensord.report.report_data import BrooderPart, ChickPart, Report, RoundPart
from sensord.report.report_figures import band_at, binned

__all__ = ["INK", "air", "dish_curve", "feeds_by_day", "growth", "growth_small", "sheet", "svg"]

INK = {
    "paper": "#fffdf8",
    "ink": "#22303a",
    "quiet": "#6d7a80",
    "rule": "#d9d4c7",
    "band": "#dfe7d8",
    "band_edge": "#8ea384",
    "air": "#155a86",
    "reach": "#9dbdd3",
    "out": "#b8431a",
    "gap": "#b9b3a5",
}
_STYLE: dict[str, Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "sensord",
    "font.family": "sans-serif",
    "font.size": 9,
    "axes.edgecolor": INK["quiet"],
    "axes.linewidth": 0.6,
    "axes.labelcolor": INK["quiet"],
    "xtick.color": INK["quiet"],
    "ytick.color": INK["quiet"],
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "xtick.major.size": 3,
    "ytick.major.size": 0,
    "text.color": INK["ink"],
    "figure.facecolor": "none",
    "axes.facecolor": "none",
    "savefig.facecolor": "none",
    "path.simplify": True,
    "path.simplify_threshold": 0.3,
    "hatch.linewidth": 0.7,
}
_WIDE, _NARROW = 7.2, 3.7  # inches of 96 pixels: an A4 column, a phone
_SHORT_DAYS = 4.0  # in a longer span single feeds and lids run together
_MARKS = {"high": "^", "medium": "D", "low": "o"}


def svg(figure: Figure, described: str) -> str:
    """The figure as an `<svg>` element that takes the page's fonts and is described to those who do not see it."""
    out = io.StringIO()
    with mpl.rc_context(_STYLE):
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    text = out.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r'<g id="[a-zA-Z]+[0-9._]*_?\d*">', "<g>", text)
    text = re.sub(r"font: ([0-9.]+)px [^;\"]*", r"font-size: \1px", text)
    text = re.sub(r'(<svg[^>]*?) height="[^"]*"', r"\1", text, count=1)
    text = re.sub(r'(<svg[^>]*?) width="[^"]*"', r"\1", text, count=1)
    label = described.replace("&", "&amp;").replace('"', "&quot;").replace("<", "&lt;")
    return text.replace("<svg ", f'<svg role="img" aria-label="{label}" ', 1)


def _figure(width: float, height: float) -> tuple[Figure, Axes]:
    figure = Figure(figsize=(width, height), layout=ConstrainedLayoutEngine(w_pad=0.01, h_pad=0.02))
    return figure, figure.add_subplot()


def _plain(axes: Axes, left: bool = True) -> None:
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.grid(axis="y", color=INK["rule"], linewidth=0.6)
    axes.set_axisbelow(True)
    axes.tick_params(axis="y", labelleft=left)


def _times(points: Sequence[float], zone: tzinfo | None) -> list[float]:
    return [_num(at, zone) for at in points]


def _num(utc_seconds: float, zone: tzinfo | None) -> float:
    moment = datetime.fromtimestamp(utc_seconds, tz=zone).astimezone(zone)
    return float(date2num(moment.replace(tzinfo=None)))


def air(report: Report, part: BrooderPart, zone: tzinfo | None = None, narrow: bool = False) -> Figure:
    """The air of one brooder against its band, with what happened above it."""
    with mpl.rc_context(_STYLE):
        width = _NARROW if narrow else _WIDE
        layout = ConstrainedLayoutEngine(w_pad=0.01, h_pad=0.01, hspace=0.0)
        figure = Figure(figsize=(width, 3.1 if narrow else 3.3), layout=layout)
        strip, axes = figure.subplots(2, 1, sharex=True, height_ratios=(1.15 if report.days <= _SHORT_DAYS else 0.5, 5))
        _draw_air(axes, report, part, zone, narrow)
        _draw_strip(strip, report, part, zone)
        return figure


def _draw_air(axes: Axes, report: Report, part: BrooderPart, zone: tzinfo | None, narrow: bool) -> None:
    bins = 240 if narrow else 480
    step = max(part.step_seconds, (report.end - report.start) / bins // part.step_seconds * part.step_seconds)
    points = binned(part.points, step)
    _draw_band(axes, report, part, zone)
    for run in _unbroken(points, step * 2.5):
        times = _times([point.utc_seconds + step / 2 for point in run], zone)
        lows = [point.low_celsius or 0.0 for point in run]
        highs = [point.high_celsius or 0.0 for point in run]
        means = [point.mean_celsius or 0.0 for point in run]
        axes.fill_between(times, lows, highs, color=INK["reach"], linewidth=0, alpha=0.75)
        axes.plot(times, means, color=INK["air"], linewidth=1.3, solid_joinstyle="round")
        outside = [not _inside(part, point) for point in run]
        if any(outside):
            shown = [mean if out else float("nan") for mean, out in zip(means, outside, strict=True)]
            axes.plot(times, shown, color=INK["out"], linewidth=2.4, solid_capstyle="round")
    for gap in report.gaps:
        if gap.gap_seconds:
            span = _times([gap.utc_seconds - gap.gap_seconds, gap.utc_seconds], zone)
            axes.axvspan(*span, facecolor="none", edgecolor=INK["gap"], hatch="////", linewidth=0)
    _plain(axes)
    axes.yaxis.set_major_locator(MaxNLocator(5))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}°"))
    axes.set_xlim(_num(report.start, zone), _num(report.end, zone))
    _time_axis(axes, report, narrow)


def _draw_band(axes: Axes, report: Report, part: BrooderPart, zone: tzinfo | None) -> None:
    if not part.bands:
        return
    changes = sorted({report.start, *(row.utc_seconds for row in part.bands if row.utc_seconds > report.start)})
    edges = [*changes, report.end]
    rows = [band_at(part.bands, at) for at in changes]
    times = _times(edges, zone)
    lows = [row.low_celsius for row in rows if row is not None]
    highs = [row.high_celsius for row in rows if row is not None]
    axes.fill_between(
        times, [*lows, lows[-1]], [*highs, highs[-1]], step="post", color=INK["band"], linewidth=0, zorder=0
    )
    for values in (lows, highs):
        axes.step(times, [*values, values[-1]], where="post", color=INK["band_edge"], linewidth=0.8, zorder=1)


def _inside(part: BrooderPart, point: Point) -> bool:
    band = band_at(part.bands, point.utc_seconds)
    mean = point.mean_celsius
    return band is None or mean is None or mean in Band(band.low_celsius, band.high_celsius)


def _unbroken(points: Sequence[Point], longest: float) -> list[list[Point]]:
    runs: list[list[Point]] = []
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
    short = report.days <= _SHORT_DAYS
    strip.set_ylim(-0.7 if short else 1.3, 2.7)
    strip.set_yticks([2, 1, 0] if short else [2], ["alarms", "lid", "feeds"] if short else ["alarms"])
    for side in ("top", "right", "left", "bottom"):
        strip.spines[side].set_visible(False)
    strip.tick_params(axis="x", length=0, labelbottom=False)
    for height in range(0 if short else 2, 3):
        strip.axhline(height, color=INK["rule"], linewidth=0.6, zorder=0)
    for one in report.alarms:
        if one.place not in (part.name, "unit"):
            continue
        over = report.end if one.over is None else one.over
        strip.plot(_times([one.raised, over], zone), [2, 2], color=INK["out"], linewidth=1.6, alpha=0.55)
        size = {"high": 6.0, "medium": 4.4, "low": 3.8}.get(one.priority, 4.0)
        fill = INK["out"] if one.priority == "high" else INK["paper"]
        strip.plot(
            _times([one.raised], zone), [2], _MARKS.get(one.priority, "o"), markersize=size, color=INK["out"],
            markerfacecolor=fill, markeredgewidth=1.1,
        )  # fmt: skip
    if not short:
        return
    strip.plot(_times(part.lids, zone), [1] * len(part.lids), "|", color=INK["ink"], markersize=6, markeredgewidth=1.2)
    rounds = [one.row.utc_seconds for one in report.rounds] or [feed.utc_seconds for feed in report.feeds]
    strip.plot(_times(rounds, zone), [0] * len(rounds), "o", color=INK["ink"], markersize=3.2)


def _time_axis(axes: Axes, report: Report, narrow: bool) -> None:
    hours = (report.end - report.start) / 3600
    if hours <= 5:
        axes.xaxis.set_major_locator(MinuteLocator(byminute=range(0, 60, 30 if hours > 1.5 else 10)))
        axes.xaxis.set_major_formatter(DateFormatter("%H:%M"))
    elif hours <= 40:
        axes.xaxis.set_major_locator(HourLocator(byhour=range(0, 24, 4 if narrow and hours > 14 else 2)))
        axes.xaxis.set_major_formatter(DateFormatter("%H"))
    else:
        most = 5 if narrow else 10
        axes.xaxis.set_major_locator(DayLocator(interval=max(1, round(hours / 24 / most))))
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: _day(value)))


def _day(value: float) -> str:
    moment = datetime(1970, 1, 1) + timedelta(days=value)  # noqa: DTZ001 Matplotlib's days have no zone
    return f"{moment.day} {moment:%b}"


def dish_curve(part: RoundPart, band: tuple[float, float] | None = None) -> Figure:
    """One bowl from its mixing to the lift, minutes before the feed on the axis."""
    with mpl.rc_context(_STYLE):
        figure, axes = _figure(2.3, 1.35)
        lift = part.row.utc_seconds
        minutes = [(point.utc_seconds - lift) / 60 for point in part.curve if point.mean_celsius is not None]
        celsius = [point.mean_celsius for point in part.curve if point.mean_celsius is not None]
        if band is not None:
            axes.axhspan(*band, color=INK["band"], linewidth=0)
        axes.plot(minutes, celsius, color=INK["air"], linewidth=1.2)
        if part.row.celsius is not None:
            axes.plot([0], [part.row.celsius], "o", color=INK["ink"], markersize=4)
        _plain(axes)
        top = max((point.high_celsius or 0.0 for point in part.curve), default=44.0)
        axes.set_ylim(34, max(46.0, top + 1))
        axes.set_yticks([35, 40, 45], ["35°", "40°", "45°"])
        axes.xaxis.set_major_locator(MaxNLocator(4, integer=True))
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: "lift" if value == 0 else f"{-value:g} min"))
        return figure


def growth(part: ChickPart, narrow: bool = False) -> Figure:
    """One chick's weights against its fitted curve and, where there is one, the published mean."""
    with mpl.rc_context(_STYLE):
        figure, axes = _figure(_NARROW if narrow else _WIDE, 2.6 if narrow else 3.0)
        _draw_growth(axes, part)
        axes.set_xlabel("days since hatching" if part.chick.hatched else "days", loc="right")
        axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g} g"))
        axes.yaxis.set_major_locator(MaxNLocator(5))
        return figure


def growth_small(part: ChickPart) -> Figure:
    """The same, small enough to stand among forty."""
    with mpl.rc_context(_STYLE):
        figure, axes = _figure(1.7, 0.95)
        _draw_growth(axes, part, small=True)
        axes.xaxis.set_major_locator(MaxNLocator(3, integer=True))
        axes.yaxis.set_major_locator(MaxNLocator(2, integer=True))
        axes.tick_params(labelsize=7.5)
        return figure


def _ages(part: ChickPart) -> list[float]:
    first = part.weighings[0].utc_seconds
    hatched = part.chick.hatched
    return [
        (one.utc_seconds - first) / SECONDS_A_DAY if hatched is None else age_days(hatched, one.utc_seconds)
        for one in part.weighings
    ]


def _draw_growth(axes: Axes, part: ChickPart, small: bool = False) -> None:
    ages = _ages(part)
    grams = [one.grams for one in part.weighings]
    last = ages[-1]
    if part.fit is not None:
        days = [last * number / 60 for number in range(61)]
        curve = [part.fit.curve.grams(day) for day in days]
        axes.plot(days, curve, color=INK["reach"], linewidth=1.6 if small else 2.2, zorder=1)
    published = [(day, expected_grams(part.chick.kind, day)) for day in range(int(last) + 2)]
    known = [(day, found[0]) for day, found in published if found is not None]
    if known and not small:
        axes.plot(*zip(*known, strict=True), color=INK["quiet"], linewidth=1, linestyle=(0, (4, 3)))
    axes.plot(ages, grams, "o", color=INK["air"], markersize=1.8 if small else 3.6, zorder=2)
    if part.flags:
        axes.plot(ages[-1:], grams[-1:], "s", color=INK["out"], markersize=4 if small else 6, zorder=3)
    _plain(axes)
    axes.set_ylim(0, max(grams) * 1.12)
    axes.set_xlim(-0.3, last + 0.8)


def feeds_by_day(part: ChickPart, zone: tzinfo | None = None, narrow: bool = False) -> Figure:
    """What one chick took each day, in millilitres, with the number of feeds written above."""
    with mpl.rc_context(_STYLE):
        figure, axes = _figure(_NARROW if narrow else _WIDE, 1.7)
        taken: dict[int, list[float]] = {}
        for feed in part.feeds:
            day = int(_num(feed.utc_seconds, zone))
            taken.setdefault(day, []).append(feed.millilitres or 0.0)
        days = sorted(taken)
        totals = [sum(taken[day]) for day in days]
        axes.bar(days, totals, width=0.72, color=INK["reach"], edgecolor=INK["air"], linewidth=0.6)
        if len(days) <= (12 if narrow else 31):
            for day, total in zip(days, totals, strict=True):
                axes.annotate(str(len(taken[day])), (day, total), ha="center", va="bottom", fontsize=8)
        _plain(axes)
        axes.set_ylim(0, max(totals, default=1.0) * 1.2)
        axes.yaxis.set_major_locator(MaxNLocator(3))
        axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g} ml"))
        most = 5 if narrow else 10
        axes.xaxis.set_major_locator(DayLocator(interval=max(1, round(len(days) / most))))
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: _day(value)))
        return figure


def sheet(report: Report, sentences: Sequence[str], closing: str, zone: tzinfo | None = None) -> Figure:
    """One A4 sheet for PDF or SVG: what is to be said, the air of each brooder, the growth, a line at the foot."""
    with mpl.rc_context({**_STYLE, "svg.fonttype": "path"}):
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
            strip = figure.add_axes((0.13, top - height * 0.24, 0.8, height * 0.2))
            axes = figure.add_axes((0.13, top - height * 0.9, 0.8, height * 0.64))
            _draw_air(axes, report, brooder, zone, narrow=False)
            _draw_strip(strip, report, brooder, zone)
            strip.set_xlim(axes.get_xlim())
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
            axes.yaxis.set_major_locator(MaxNLocator(2, integer=True))
            axes.xaxis.set_major_locator(MaxNLocator(2, integer=True))
        figure.text(0.08, 0.03, "\n".join(wrap(closing, 130)), fontsize=7.5, color=INK["quiet"])
        return figure
