"""A report as one HTML page that needs nothing else: it reads on a phone, prints on A4 and works without a network.

Set like a page of a ledger: the heading of each part stands in the margin, the matter beside it; one serif, one sans,
figures that line up, and colour only where something needs a look.
"""

from collections.abc import Callable, Sequence
from datetime import tzinfo
from html import escape
from importlib.resources import files

from sensord.care.growth import expected_grams
from sensord.durations import duration
from sensord.report import plots
from sensord.report.report_data import BrooderPart, ChickPart, Report, RoundPart
from sensord.report.report_words import (
    CAUTION,
    clock_words,
    happenings,
    look_first,
    sentences,
    share_words,
    signed,
    vet_rows,
)
from sensord.texts import plain_text

_MOST_BOWLS = 24
_MOST_EVENTS = 120
_MOST_LOOKS = 12
_PHONE = "screen and (max-width: 46rem)"
"""As in `page.css`."""


def _text(text: str) -> str:
    """Between the tags of the page, or in a quoted attribute."""
    return escape(plain_text(text))


def page(report: Report, zone: tzinfo | None = None, band: tuple[float, float] | None = None) -> str:
    """The page; `band` is the feeding band of the dish in Celsius, drawn behind each bowl's curve."""
    parts = [
        _head(report, zone),
        _look(report),
        *[_air(report, part, zone) for part in report.brooders],
        _course(report, zone),
        _bowls(report, zone, band) if report.days <= 1.6 else "",
        _one_chick(report, zone) if report.chick else _chicks(report),
        _vet(report),
        _alarm_figures(report),
        _foot(report, zone),
    ]
    body = "\n".join(part for part in parts if part)
    style = files("sensord.report").joinpath("page.css").read_text(encoding="utf-8")
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{_text(report.title)}</title>\n<style>{style}</style>\n</head>\n<body>\n{body}\n</body>\n</html>\n"
    )


def _head(report: Report, zone: tzinfo | None) -> str:
    span = f"{clock_words(report.start, zone, True)} to {clock_words(report.end, zone, True)}"
    lead = "".join(f"<p>{_text(sentence)}</p>" for sentence in sentences(report))
    return (
        f'<header><p class="unit">{_text(report.unit)}<span>{_text(span)}</span></p>'
        f"<h1>{_text(report.title)}</h1><div class=lead>{lead}</div></header>"
    )


def _section(title: str, matter: str, note: str = "", kind: str = "") -> str:
    aside = f"<p>{_text(note)}</p>" if note else ""
    return (
        f'<section class="{kind}"><div class=margin><h2>{_text(title)}</h2>{aside}</div><div>{matter}</div></section>'
    )


def _look(report: Report) -> str:
    found = look_first(report)
    if not found:
        return ""
    items = "".join(f"<li>{_text(sentence)}</li>" for sentence in found[:_MOST_LOOKS])
    if len(found) > _MOST_LOOKS:
        items += f"<li>and {len(found) - _MOST_LOOKS} more, marked with a red square among the weights</li>"
    return _section("Look first", f"<ul class=look>{items}</ul>", "Reasons to look and to ask, not a diagnosis.")


def _figures(pairs: Sequence[tuple[str, str]]) -> str:
    return "<dl class=figures>" + "".join(
        f"<div><dt>{_text(name)}</dt><dd>{_text(value)}</dd></div>" for name, value in pairs
    ) + "</dl>"  # fmt: skip


def _air(report: Report, part: BrooderPart, zone: tzinfo | None) -> str:
    figures = part.figures
    pairs = [
        ("lowest", _celsius(figures.low_celsius)),
        ("mean", _celsius(figures.mean_celsius)),
        ("highest", _celsius(figures.high_celsius)),
        ("in the band", "–" if figures.share_in_band is None else share_words(figures.share_in_band)),
        ("too cold", duration(figures.minutes_under * 60) if figures.minutes_under else "never"),
        ("too warm", duration(figures.minutes_over * 60) if figures.minutes_over else "never"),
    ]
    if part.lids:
        pairs.append(("lid opened", f"{len(part.lids)} ×"))
    said = f"Air of {part.name}, from {_celsius(figures.low_celsius)} to {_celsius(figures.high_celsius)}."
    key = (
        "Green: the allowed band. Line: mean of all probes; pale: lowest to highest; thick red: the mean"
        " outside its band. Hatched: nothing was watched. Alarms: ▲ high, ◇ medium, ○ low."
    )
    drawn = _figure(lambda narrow: plots.air(report, part, zone, narrow), said, key)
    sources = "; ".join(sorted({row.source for row in part.bands}))
    notes = [f"Band: {sources}." if sources else "", "Judged by hourly means." if part.step_seconds > 60 else ""]
    return _section(f"Air in {part.name}", f"{drawn}{_figures(pairs)}", " ".join(filter(None, notes)))


def _picture(wide: plots.Figure, said: str, narrow: plots.Figure | None = None) -> str:
    """A picture, described to those who do not see it; a phone takes the narrow one."""
    phone = "" if narrow is None else f'<source media="{_PHONE}" srcset="{plots.data_uri(narrow)}">'
    return f'<picture>{phone}<img src="{plots.data_uri(wide)}" alt="{_text(said)}"></picture>'


def _figure(draw: Callable[[bool], plots.Figure], said: str, key: str) -> str:
    """`draw` says what is drawn, given whether it has to be narrow."""
    return f"<figure>{_picture(draw(False), said, draw(True))}<figcaption>{_text(key)}</figcaption></figure>"


def _celsius(value: float | None) -> str:
    return "–" if value is None else f"{value:.1f} °C"


def _course(report: Report, zone: tzinfo | None) -> str:
    events = happenings(report)
    if not events:
        return ""
    with_day = report.days > 1.6
    shown = events[-_MOST_EVENTS:]
    rows = "".join(
        f'<tr class="{one.kind}{" pressing" if one.pressing else ""}">'
        f"<th>{clock_words(one.utc_seconds, zone, with_day)}</th><td>{_text(one.words)}</td></tr>"
        for one in shown
    )
    more = f"<p class=quiet>and {len(events) - len(shown)} earlier</p>" if len(events) > len(shown) else ""
    return _section("What happened", f"<table class=course>{rows}</table>{more}")


def _bowls(report: Report, zone: tzinfo | None, band: tuple[float, float] | None) -> str:
    if not report.rounds:
        return ""
    cards = "".join(_bowl(part, zone, band) for part in report.rounds[-_MOST_BOWLS:])
    note = "Each bowl from its mixing to the lift of its probe."
    if band is not None:
        note += f" Green: {band[0]:.1f} to {band[1]:.1f} °C."
    return _section("Bowls", f"<div class=cards>{cards}</div>", note)


def _bowl(part: RoundPart, zone: tzinfo | None, band: tuple[float, float] | None) -> str:
    row = part.row
    batch = row.batch_utc_seconds
    mixed = "" if batch is None else f"mixed {duration(row.utc_seconds - batch)} before"
    since = "" if part.since_seconds is None else f"{duration(part.since_seconds)} after the last bowl"
    total = sum(feed.millilitres or 0.0 for feed in part.feeds)
    took = f"{len(part.feeds)} feeds, {total:.1f} ml" if part.feeds else "nothing written down"
    warm = "" if row.celsius is None else f"{row.celsius:.1f} °C"
    picture = _picture(plots.dish_curve(part, band), f"Bowl lifted at {warm}") if part.curve else ""
    return (
        f"<div class=card><h3>{clock_words(row.utc_seconds, zone)}<span>{warm}</span></h3>{picture}"
        f"<p>{_text(', '.join(word for word in (mixed, since, took) if word))}</p></div>"
    )


def _chicks(report: Report) -> str:
    weighed = [part for part in report.chicks if part.weighings]
    if not weighed:
        return ""
    cards = "".join(_chick_card(part) for part in weighed)
    note = (
        "Dots: weights in grams by day. Line: the curve fitted to the chick's own weights. A red square: look closer."
    )
    return _section("Weights", f'<div class="cards small">{cards}</div>', note)


def _chick_card(part: ChickPart) -> str:
    gain = f"{signed(part.gains[-1].grams_per_day)} g a day" if part.gains else "first weight"
    grams = part.weighings[-1].grams
    picture = _picture(plots.growth_small(part), f"Weights of {part.chick.name}, last {grams:g} g")
    mark = " class=flagged" if part.flags else ""
    name = _text(part.chick.name)
    return f"<div class=card><h3{mark}>{name}<span>{grams:g} g</span></h3>{picture}<p>{_text(gain)}</p></div>"


def _one_chick(report: Report, zone: tzinfo | None) -> str:
    return "".join(_weights(part) + _feeds(part, zone) for part in report.chicks)


def _weights(part: ChickPart) -> str:
    if not part.weighings:
        return ""
    key = "Dots: weights. Line: fitted curve."
    if expected_grams(part.chick.kind, 0) is not None:
        key += " Dashes: published mean."
    if part.fit is not None:
        own = part.fit.curve
        key += (
            f" Its own curve levels off near {own.asymptote_grams:.0f} g, steepest at day {own.midpoint_days:.0f} with"
            f" {own.greatest_gain_grams:.1f} g a day."
        )
    drawn = _figure(lambda narrow: plots.growth(part, narrow), f"Weights of {part.chick.name}", key)
    return _section("Weights", drawn)


def _feeds(part: ChickPart, zone: tzinfo | None) -> str:
    if not part.feeds:
        return ""
    said, key = (
        f"Millilitres a day of {part.chick.name}",
        "What was taken each day; the number above is how many feeds.",
    )
    return _section("Feeds", _figure(lambda narrow: plots.feeds_by_day(part, zone, narrow), said, key))


def _vet(report: Report) -> str:
    rows = vet_rows(report)
    if not rows:
        return ""
    names = [name for name in rows[0] if any(row[name] != "–" for row in rows)]
    head = "".join(f"<th>{_text(name)}</th>" for name in names)
    body = "".join(
        "<tr>" + "".join(f'<td data-name="{_text(name)}">{_text(row[name])}</td>' for name in names) + "</tr>"
        for row in rows
    )
    return _section(
        "For the vet", f"<table class=vet><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>",
        "What a vet asks for first. Gain: since the morning before.", "whole",
    )  # fmt: skip


def _alarm_figures(report: Report) -> str:
    figures = report.alarm_figures
    if not figures.raised:
        return ""
    longest = figures.longest
    stood = "–"
    if longest is not None and longest.over is not None:
        stood = f"{duration(longest.over - longest.raised)} ({longest.condition.replace('-', ' ')})"
    median = figures.median_to_acknowledge
    pairs = [
        ("raised", str(figures.raised)),
        ("high priority", str(figures.high)),
        ("answered", f"{figures.acknowledged} of {figures.raised}"),
        ("answered after", "–" if median is None else f"{duration(median)}"),
        ("longest", stood),
        ("came again", str(figures.came_again)),
        ("stood over a day", str(figures.stale)),
        ("chattered", ", ".join(figures.chattering) or "none"),
    ]
    note = "Answered after: the median. Came again: within a quarter of an hour of its end."
    return _section("How the alarms went", _figures(pairs), note)


def _foot(report: Report, zone: tzinfo | None) -> str:
    made = clock_words(report.made, zone, True)
    return f"<footer><p>{_text(CAUTION)}</p><p>sensord {_text(report.version)}, written {made}</p></footer>"
