"""One place on the dashboard: its reading in large figures, its ruler and tracks, and what is known of it in words."""

from dataclasses import dataclass
from statistics import fmean

from rich.text import Text

from sensord.care.formula import CROP_BURN_CELSIUS
from sensord.durations import countdown, countdown_between, duration
from sensord.readings import Band
from sensord.screens.page import PRIORITY_STYLES, QUIET, Look, letters, line, wrapped
from sensord.screens.ruler import Scale, mark_row, scale_row, slim_row, track_rows
from sensord.screens.words import (
    brooder_band_words,
    brooder_words,
    dish_band_words,
    dish_words,
    is_for_the_keeper,
    is_in_band,
    wait_for_ready,
)
from sensord.watch.effects import DishState
from sensord.watch.views import BrooderView, DishView, ProbeView, Snapshot, Trail

_FIGURE_CELLS = 18
_AGES = 8
# Below the one there is no room for large figures beside a ruler, from the other on for very large ones.
_NARROW = 64
_WIDE = 90
# How far the scales reach beyond their bands; the dish's shows where the burn alarm stands.
_BROODER_REACH_CELSIUS = 4.0
_DISH_REACH_CELSIUS = 3.5
_DISH_TOP_CELSIUS = CROP_BURN_CELSIUS + 1.5
# A smaller difference between reading and estimate is not worth a second mark.
_SHOWN_DIFFERENCE_CELSIUS = 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """How much a screen shows.

    `letters` is the scale of the large letters (0 none); a place has `tracks` rows below its ruler, and what is known
    of it in `words`, or is `slim`: one row for all of it. So many `alarms` stand in full, the others by name; `probes`
    are shown one by one; `air` leaves room between the blocks and tells of the probes; `chicks` have their rows.
    """

    letters: int = 1
    tracks: int = 0
    words: bool = True
    slim: bool = False
    alarms: int = 3
    probes: bool = False
    air: bool = True
    chicks: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shown:
    """What brooder and dish have in common for drawing; `details` in words, each with its style."""

    name: str
    words: str
    style: str
    celsius: float | None
    uncertainty: float | None
    estimate: float | None = None
    band: Band
    band_words: str
    trail: Trail
    scale: tuple[float, float]
    burn_celsius: float | None = None
    drawn: bool = True
    details: list[tuple[str, str]]


def place_rows(view: BrooderView | DishView, snapshot: Snapshot, look: Look, layout: Layout, width: int) -> list[Text]:
    """The rows of one place, none wider than `width` cells."""
    shown = _brooder(view, snapshot) if isinstance(view, BrooderView) else _dish(view, snapshot)
    if layout.slim:
        return [_slim(shown, look, width)]
    stale = look.stale_seconds is not None
    rows = [_header(shown, "" if layout.words else shown.band_words, look, width)]
    if shown.drawn:
        rows += _ruler(shown, look, layout, width)
    for text, style in shown.details:
        if (style == QUIET or not stale) and (style != QUIET or layout.words):
            rows += [line(look, width, "   ", (row, style)) for row in wrapped(text, width - 4)]
    return rows


def _name(shown: _Shown, look: Look) -> tuple[str, tuple[str, str]]:
    chosen = look.keys and shown.name == look.chosen
    return f"{look.glyphs.chosen if chosen else ' '} ", (shown.name, "bold underline" if chosen else "bold")


def _words(shown: _Shown, look: Look) -> str:
    return shown.words if look.stale_seconds is None else f"was {shown.words.split(' · ')[0]}"


def _header(shown: _Shown, more: str, look: Look, width: int) -> Text:
    style = "" if look.stale_seconds is not None else shown.style
    words = (_words(shown, look), style or "bold")
    row = line(look, width, *_name(shown, look), f"   {_reading(shown, look)}   ", words)
    if more and row.cell_len + len(more.split("(")[0]) + 3 <= width:  # half a number would be worse than none
        row.append(look.glyphs.say(f"   {more}"), QUIET)
        row.truncate(width, overflow="crop" if look.glyphs.only_ascii else "ellipsis")
    return row


def _reading(shown: _Shown, look: Look) -> str:
    if shown.celsius is None:
        return "no reading"
    uncertain = f" ± {shown.uncertainty:.1f}" if shown.uncertainty is not None else ""
    return f"{'was ' if look.stale_seconds is not None else ''}{shown.celsius:.1f} °C{uncertain}"


def _figures(shown: _Shown, look: Look, layout: Layout, width: int) -> tuple[int, list[str]]:
    """The margin beside the ruler and the large figures in it, which need their rows and a reading of now."""
    if width < _NARROW:
        return 2, []
    scale = layout.letters if layout.letters > 1 and width >= _WIDE else 1
    figures = letters("--" if shown.celsius is None else f"{shown.celsius:.1f}", look.glyphs, scale)
    fit = look.stale_seconds is None and len(figures) <= layout.tracks + 2
    return _FIGURE_CELLS * scale, figures if fit else []


def _scale(shown: _Shown, width: int) -> Scale:
    low, high = shown.scale
    return Scale(
        low_celsius=low, high_celsius=high, band=shown.band, width=max(10, width), burn_celsius=shown.burn_celsius
    )


def _ruler(shown: _Shown, look: Look, layout: Layout, width: int) -> list[Text]:
    margin, figures = _figures(shown, look, layout, width)
    scale = _scale(shown, width - margin - _AGES)
    style = f"bold {shown.style}".strip()
    now = None if look.stale_seconds is not None else shown.celsius  # a mark says where the reading is
    tracks = track_rows(scale, shown.trail, layout.tracks, look.glyphs)
    pictures = [
        (mark_row(scale, now, shown.uncertainty, shown.estimate, style, look.glyphs), ""),
        (scale_row(scale, look.glyphs), ""),
        *((track, f" {_age(ago)}") for ago, track in tracks),
    ]
    rows = []
    for number, (picture, age) in enumerate(pictures):
        row = line(look, margin, "  ", (figures[number] if number < len(figures) else "", style))
        row.pad_right(margin - row.cell_len)
        row.append_text(picture)
        row.append(look.glyphs.say(age), QUIET)
        row.truncate(width)
        rows.append(row)
    return rows


def _age(seconds: float) -> str:
    if seconds < 100:
        return f"{round(seconds)} s"
    return f"{round(seconds / 60)} min" if round(seconds) % 60 == 0 else countdown(seconds)


def _slim(shown: _Shown, look: Look, width: int) -> Text:
    reading = "  -- " if shown.celsius is None else f"{shown.celsius:5.1f}"
    chosen, name = _name(shown, look)
    row = line(look, 16, (chosen, name[1]), name)
    row.pad_right(16 - row.cell_len)
    row.append(look.glyphs.say(f" {reading} °C "), shown.style or "bold")
    scale = _scale(shown, width - row.cell_len - 24)
    row.append_text(slim_row(scale, shown.celsius if shown.drawn else None, shown.style or "bold", look.glyphs))
    row.append(look.glyphs.say(f" {_words(shown, look).split(' · ')[0]}"), shown.style)
    row.truncate(width)
    return row


def _brooder(view: BrooderView, snapshot: Snapshot) -> _Shown:
    probes = [probe for probe in snapshot.probes if probe.name in view.probes]
    heading = f", {view.heading}" if view.heading and view.celsius is not None else ""
    return _Shown(
        name=view.name,
        words=f"{brooder_words(view)}{heading}",
        style=_alarm_style(view.name, snapshot) or ("" if is_in_band(view) else "yellow"),
        celsius=view.celsius,
        uncertainty=max((probe.uncertainty_celsius for probe in probes), default=None),
        band=view.band,
        band_words=brooder_band_words(view),
        trail=_together(probes),
        scale=(view.band.low_celsius - _BROODER_REACH_CELSIUS, view.band.high_celsius + _BROODER_REACH_CELSIUS),
        details=_brooder_details(view),
    )


def _dish(view: DishView, snapshot: Snapshot) -> _Shown:
    words = dish_words(view.state, view)
    if view.verdict is not None and view.state is not DishState.AWAY:
        sure = view.probability is not None and is_in_band(view)
        words += f" · {view.verdict}" + (f", {_percent(view.probability or 0.0)} sure" if sure else "")
    estimate = None if view.estimate_celsius is None else view.estimate_celsius.middle
    if estimate is not None and view.reading_celsius is not None:
        estimate = estimate if abs(estimate - view.reading_celsius) >= _SHOWN_DIFFERENCE_CELSIUS else None
    return _Shown(
        name=view.name,
        words=words,
        style=_alarm_style(view.name, snapshot) or _DISH_STYLES.get(view.state, ""),
        celsius=view.reading_celsius,
        uncertainty=view.uncertainty_celsius,
        estimate=estimate,
        band=view.band,
        band_words=dish_band_words(view),
        trail=_together([probe for probe in snapshot.probes if probe.name == view.probe]),
        scale=(view.band.low_celsius - _DISH_REACH_CELSIUS, max(view.band.high_celsius + 2.0, _DISH_TOP_CELSIUS)),
        burn_celsius=CROP_BURN_CELSIUS,
        drawn=view.state is not DishState.AWAY,
        details=_dish_details(view),
    )


_DISH_STYLES = {DishState.READY: "green", DishState.UNKNOWN: "yellow", DishState.OLD: "yellow"}


def _alarm_style(place: str, snapshot: Snapshot) -> str:
    """The style of the worst alarm that stands at a place and is not hidden; empty where none does."""
    mine = [alarm for alarm in snapshot.alarms if alarm.place == place and alarm.standing and is_for_the_keeper(alarm)]
    return PRIORITY_STYLES[max(alarm.priority for alarm in mine)] if mine else ""


def _percent(probability: float) -> str:
    """Never rounded up to certainty."""
    return f"{min(99, int(probability * 100))} %"


def _together(probes: list[ProbeView]) -> Trail:
    """The mean trail of several probes."""
    if len(probes) == 1:
        return probes[0].trail
    if not probes:
        return Trail(60.0)
    longest = max(len(probe.trail.celsius) for probe in probes)
    padded = [(None,) * (longest - len(probe.trail.celsius)) + probe.trail.celsius for probe in probes]
    means = []
    for bins in zip(*padded, strict=True):
        known = [celsius for celsius in bins if celsius is not None]
        means.append(fmean(known) if known else None)
    return Trail(probes[0].trail.bin_seconds, tuple(means))


def _brooder_details(view: BrooderView) -> list[tuple[str, str]]:
    details = []
    if view.leaves_band_in_seconds is not None:
        details.append((f"may leave its band in about {duration(view.leaves_band_in_seconds)}", "yellow"))
    details += [(note, "") for note in view.notes]
    known = [part for part in (view.stage, view.humidity and f"humidity: {view.humidity}") if part]
    known.append(brooder_band_words(view))
    return [*details, (" · ".join(known), QUIET)]


def _dish_details(view: DishView) -> list[tuple[str, str]]:
    details = []
    if view.state is DishState.AWAY:
        return [(dish_band_words(view), QUIET)]
    if view.why and not view.uptake_left_seconds:  # the countdown says the same
        details.append((view.why, ""))
    timing = _timing(view)
    if timing:
        details.append((timing, ""))
    if view.advice:
        details.append((f"→ {view.advice}", "bold"))
    known = [dish_band_words(view)]
    if view.age_seconds is not None:
        known.append(f"mixed {duration(view.age_seconds)} ago")
    return [*details, (" · ".join(known), QUIET)]


def _timing(view: DishView) -> str:
    parts, outlook = [], view.outlook
    if view.uptake_left_seconds:
        parts.append(f"the powder takes up water for {countdown(view.uptake_left_seconds)} more")
    if (paste := view.estimate_celsius) is not None:
        parts.append(f"the paste is at about {paste.middle:.1f} °C ({paste.low:.1f}–{paste.high:.1f})")
    if outlook.never:
        parts.append("it will not get ready by itself")
    elif (wait := wait_for_ready(view)) is not None:
        parts.append(f"ready in {countdown_between(wait)}")
    if outlook.open_for_seconds is not None:
        then = "" if wait_for_ready(view) is None else "then "
        parts.append(f"{then}open for {countdown_between(outlook.open_for_seconds)}")
    return " · ".join(parts)
