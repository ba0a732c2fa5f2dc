"""One place on the dashboard: its reading in large figures, its ruler and tracks, and what is known of it in words."""

from dataclasses import dataclass
from statistics import fmean

from rich.text import Text

from sensord.durations import duration
from sensord.readings import Band
from sensord.screens.glyphs import letters
from sensord.screens.page import PRIORITY_STYLES, Look, line, wrapped
from sensord.screens.ruler import QUIET, Scale, mark_row, scale_row, slim_row, track_rows
from sensord.screens.words import brooder_words, countdown, dish_words, interval, is_open
from sensord.watch.effects import DishState, Verdict
from sensord.watch.views import BrooderView, DishView, ProbeView, Snapshot, Trail

__all__ = ["PlacePlan", "place_rows"]

_FIGURE_CELLS = 18
_AGES = 8
# Below the one there is no room for large figures beside a ruler, from the other on for very large ones.
_NARROW = 64
_WIDE = 90
# How far the scales reach beyond their bands; the dish's shows where the burn alarm stands (design: 43 °C, absolute).
_BROODER_REACH_CELSIUS = 4.0
_DISH_REACH_CELSIUS = 3.5
_BURN_CELSIUS = 43.0
_DISH_TOP_CELSIUS = 44.5
# A smaller difference between reading and estimate is not worth a second mark.
_SHOWN_DIFFERENCE_CELSIUS = 0.15


@dataclass(frozen=True, slots=True)
class PlacePlan:
    """How much room a place gets: `tracks` rows below its ruler; `slim` is one row for all of it.

    `figures` is the scale of the large figures; they shrink where the width is short.
    """

    tracks: int = 3
    figures: int = 1
    words: bool = True
    slim: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shown:
    """What brooder and dish have in common for drawing."""

    name: str
    words: str
    style: str
    celsius: float | None
    uncertainty: float | None
    estimate: float | None
    band: Band
    band_words: str
    trail: Trail
    scale: tuple[float, float]
    burn_celsius: float | None = None
    drawn: bool = True


def place_rows(view: BrooderView | DishView, snapshot: Snapshot, look: Look, plan: PlacePlan, width: int) -> list[Text]:
    """The rows of one place, none wider than `width` cells."""
    shown = _brooder(view, snapshot) if isinstance(view, BrooderView) else _dish(view, snapshot)
    if plan.slim:
        return [_slim(shown, look, width)]
    details = _brooder_details(view) if isinstance(view, BrooderView) else _dish_details(view)
    if look.stale_seconds is not None:
        shown_words, details = f"was {shown.words.split(' · ')[0]}", [part for part in details if part[1] == QUIET]
    else:
        shown_words = shown.words
    rows = [_header(shown, shown_words, "" if plan.words else shown.band_words, look, width)]
    if shown.drawn:
        rows += _ruler(shown, look, plan, width)
    for text, style in details if plan.words else [part for part in details if part[1] != QUIET]:
        rows += [line(look, width, "   ", (row, style)) for row in wrapped(text, width - 4)]
    return rows


def _header(shown: _Shown, words: str, more: str, look: Look, width: int) -> Text:
    chosen = look.keys and shown.name == look.chosen
    style = "" if look.stale_seconds is not None else shown.style
    row = line(
        look,
        width,
        f"{look.glyphs.chosen if chosen else ' '} ",
        (shown.name, "bold underline" if chosen else "bold"),
        f"   {_reading(shown, look)}   ",
        (words, style or "bold"),
    )
    if more and row.cell_len + len(more.split("(")[0]) + 3 <= width:  # half a number would be worse than none
        row.append(look.glyphs.say(f"   {more}"), QUIET)
        row.truncate(width, overflow="crop" if look.glyphs.only_ascii else "ellipsis")
    return row


def _reading(shown: _Shown, look: Look) -> str:
    if shown.celsius is None:
        return "no reading"
    uncertain = f" ± {shown.uncertainty:.1f}" if shown.uncertainty is not None else ""
    return f"{'was ' if look.stale_seconds is not None else ''}{shown.celsius:.1f} °C{uncertain}"


def _figures(shown: _Shown, look: Look, plan: PlacePlan, width: int) -> tuple[int, list[str]]:
    """The margin beside the ruler and the large figures in it, which need their rows and a reading of now."""
    scale = plan.figures if width >= _WIDE else 1
    margin = _FIGURE_CELLS * scale
    rows = 5 if scale > 1 or look.glyphs.only_ascii else 3
    if width < _NARROW or look.stale_seconds is not None or plan.tracks + 2 < rows:
        return margin if width >= _NARROW else 2, []
    return margin, letters("--" if shown.celsius is None else f"{shown.celsius:.1f}", look.glyphs, scale)


def _scale(shown: _Shown, width: int) -> Scale:
    low, high = shown.scale
    return Scale(low_celsius=low, high_celsius=high, band=shown.band, width=width, burn_celsius=shown.burn_celsius)


def _ruler(shown: _Shown, look: Look, plan: PlacePlan, width: int) -> list[Text]:
    margin, figures = _figures(shown, look, plan, width)
    scale = _scale(shown, max(10, width - margin - _AGES))
    style = f"bold {shown.style}".strip()
    now = None if look.stale_seconds is not None else shown.celsius  # a mark says where the reading is
    pictures = [
        mark_row(scale, now, shown.uncertainty, shown.estimate, style, look.glyphs),
        scale_row(scale, look.glyphs),
    ]
    ages = ["", ""]
    for ago, picture in track_rows(scale, shown.trail, plan.tracks, look.glyphs):
        pictures.append(picture)
        ages.append(f" {_age(ago)}")
    figures = figures + [""] * (len(pictures) - len(figures))
    rows = []
    for figure, picture, age in zip(figures, pictures, ages, strict=True):
        row = line(look, margin, "  ", (figure, style))
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
    chosen = look.keys and shown.name == look.chosen
    name = f"{look.glyphs.chosen if chosen else ' '} {shown.name}"
    reading = "  -- " if shown.celsius is None else f"{shown.celsius:5.1f}"
    words = shown.words.split(" · ")[0]
    words = f"was {words}" if look.stale_seconds is not None else words
    row = line(look, 16, (name, "bold underline" if chosen else "bold"))
    row.pad_right(16 - row.cell_len)
    row.append(look.glyphs.say(f" {reading} °C "), shown.style or "bold")
    scale = _scale(shown, max(10, width - row.cell_len - 24))
    row.append_text(slim_row(scale, shown.celsius if shown.drawn else None, shown.style or "bold", look.glyphs))
    row.append(look.glyphs.say(f" {words}"), shown.style)
    row.truncate(width)
    return row


def _brooder(view: BrooderView, snapshot: Snapshot) -> _Shown:
    probes = [probe for probe in snapshot.probes if probe.name in view.probes]
    words = brooder_words(view)
    wrong = view.verdict not in (Verdict.IN_BAND, Verdict.IN_NOT_PROVEN) or view.celsius is None
    if view.heading and view.celsius is not None:
        words += f", {view.heading}"
    return _Shown(
        name=view.name,
        words=words,
        style=_alarm_style(view.name, snapshot) or ("yellow" if wrong else ""),
        celsius=view.celsius,
        uncertainty=max((probe.uncertainty_celsius for probe in probes), default=None),
        estimate=None,
        band=view.band,
        band_words=_brooder_band(view),
        trail=_together(probes),
        scale=(view.band.low_celsius - _BROODER_REACH_CELSIUS, view.band.high_celsius + _BROODER_REACH_CELSIUS),
    )


def _dish(view: DishView, snapshot: Snapshot) -> _Shown:
    probes = [probe for probe in snapshot.probes if probe.name == view.probe]
    style = _alarm_style(view.name, snapshot) or _DISH_STYLES.get(view.state, "")
    words = dish_words(view.state)
    if view.verdict is not None and view.state is not DishState.AWAY:
        words += f" · {view.verdict}"
        if view.probability is not None:
            words += f", {_percent(view.probability)} sure" if view.verdict in _INSIDE else ""
    estimate = view.celsius
    if estimate is not None and view.reading_celsius is not None:
        estimate = estimate if abs(estimate - view.reading_celsius) >= _SHOWN_DIFFERENCE_CELSIUS else None
    return _Shown(
        name=view.name,
        words=words,
        style=style,
        celsius=view.reading_celsius,
        uncertainty=view.uncertainty_celsius,
        estimate=estimate,
        band=view.band,
        band_words=_dish_band(view),
        trail=_together(probes),
        scale=(view.band.low_celsius - _DISH_REACH_CELSIUS, max(view.band.high_celsius + 2.0, _DISH_TOP_CELSIUS)),
        burn_celsius=_BURN_CELSIUS,
        drawn=view.state is not DishState.AWAY,
    )


_DISH_STYLES = {DishState.READY: "green", DishState.UNKNOWN: "yellow", DishState.OLD: "yellow"}


def _alarm_style(place: str, snapshot: Snapshot) -> str:
    """The style of the worst alarm that stands at a place and is not hidden; empty where none does."""
    standing = [
        alarm.priority for alarm in snapshot.alarms if alarm.place == place and alarm.standing and is_open(alarm)
    ]
    return PRIORITY_STYLES[max(standing)] if standing else ""


_INSIDE = (Verdict.IN_BAND, Verdict.IN_NOT_PROVEN)


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


def _brooder_band(view: BrooderView) -> str:
    return f"keep at {view.band} ({'pinned by you, ' if view.pinned else ''}{view.band_source})"


def _dish_band(view: DishView) -> str:
    return f"feed at {view.band} ({view.band_source})"


def _brooder_details(view: BrooderView) -> list[tuple[str, str]]:
    details = []
    if view.leaves_band_in_seconds is not None:
        details.append((f"may leave its band in about {duration(view.leaves_band_in_seconds)}", "yellow"))
    details += [(note, "") for note in view.notes]
    known = [part for part in (view.stage, view.humidity and f"humidity: {view.humidity}") if part]
    known.append(_brooder_band(view))
    return [*details, (" · ".join(known), QUIET)]


def _dish_details(view: DishView) -> list[tuple[str, str]]:
    details = []
    if view.state is DishState.AWAY:
        return [(_dish_band(view), QUIET)]
    if view.why and not view.uptake_left_seconds:  # the countdown says the same
        details.append((view.why, ""))
    timing = _timing(view)
    if timing:
        details.append((timing, ""))
    if view.advice:
        details.append((f"→ {view.advice}", "bold"))
    known = [_dish_band(view)]
    if view.age_seconds is not None:
        known.append(f"mixed {duration(view.age_seconds)} ago")
    return [*details, (" · ".join(known), QUIET)]


def _timing(view: DishView) -> str:
    parts = []
    if view.uptake_left_seconds:
        parts.append(f"the powder takes up water for {countdown(view.uptake_left_seconds)} more")
    if view.celsius is not None and view.low_celsius is not None and view.high_celsius is not None:
        parts.append(f"the paste is at about {view.celsius:.1f} °C ({view.low_celsius:.1f}–{view.high_celsius:.1f})")
    if view.never:
        parts.append("it will not get ready by itself")
    elif view.ready_in_seconds is not None and view.state is not DishState.READY:
        parts.append(f"ready in {interval(view.ready_in_seconds, view.ready_low_seconds, view.ready_high_seconds)}")
    if view.open_for_seconds is not None:
        how_long = interval(view.open_for_seconds, view.open_low_seconds, view.open_high_seconds)
        parts.append(f"{'open for' if view.state is DishState.READY else 'then open for'} {how_long}")
    return " · ".join(parts)
