"""What a report says in words: the sentences at its head, the events in their order, the short form for a terminal."""

from collections.abc import Iterator, Sequence
from datetime import datetime, tzinfo
from typing import NamedTuple

from sensord.care.chicks import Crop, age_days
from sensord.durations import duration
from sensord.report.report_data import BrooderPart, ChickPart, Report, RoundPart
from sensord.report.report_figures import AlarmEpisode

CAUTION = (
    "sensord watches and writes down; it does not judge a chick's health. A chick that is limp, cold, gasping, not"
    " begging or with a crop that does not empty needs an avian vet at once, whatever this page says."
)


class CourseLine(NamedTuple):
    """One line of the course of events; `kind` is alarm, power, lid, feed or band."""

    utc_seconds: float
    kind: str
    words: str
    pressing: bool = False


def clock_words(utc_seconds: float, zone: tzinfo | None, with_day: bool = False) -> str:
    """`04:05`, or `4 May 04:05`."""
    moment = datetime.fromtimestamp(utc_seconds, tz=zone).astimezone(zone)
    return f"{moment.day} {moment:%b %H:%M}" if with_day else f"{moment:%H:%M}"


def _many(count: int, one: str, more: str = "") -> str:
    return f"{count:,} {one if count == 1 else more or one + 's'}"


def sentences(report: Report) -> list[str]:
    """The whole in a few sentences, the air first."""
    said = [_air(part) for part in report.brooders]
    if not report.brooders:
        said.append("No air temperature was read in this time.")
    said.append(_alarms(report))
    off = [gap for gap in report.gaps if gap.gap_seconds is None or gap.gap_seconds >= 60]
    if off:
        known = sum(gap.gap_seconds or 0.0 for gap in off)
        often = "once, for" if len(off) == 1 else f"{len(off)} times, in all"
        said.append(f"The watch was off {often} {duration(known)}.")
    said.append(_feeds(report))
    return [one for one in said if one]


def _air(part: BrooderPart) -> str:
    figures = part.figures
    name = part.name[0].upper() + part.name[1:]
    if figures.share_in_band is None:
        return f"{name}: there was no band to compare its air with."
    if figures.minutes_under + figures.minutes_over < 1:
        return f"{name} kept its band throughout, from {figures.low_celsius:.1f} to {figures.high_celsius:.1f} °C."
    out = [
        f"{duration(minutes * 60)} too {word}"
        for minutes, word in ((figures.minutes_under, "cold"), (figures.minutes_over, "warm"))
        if minutes >= 1
    ]
    return (
        f"{name} was inside its band for {share_words(figures.share_in_band)} of the time: {' and '.join(out)},"
        f" between {figures.low_celsius:.1f} and {figures.high_celsius:.1f} °C."
    )


def share_words(share: float) -> str:
    """`90 %`, and near the top `99.8 %`, never rounded up to all."""
    percent = 100 * share
    return f"{percent:.0f} %" if percent < 99 or percent == 100 else f"{int(percent * 10) / 10:.1f} %"


def signed(value: float, places: int = 1) -> str:
    """`+3.8`, `−0.4` with a real minus, and `0` without a sign where it rounds to nothing."""
    text = f"{value:+.{places}f}"
    return text[1:] if float(text) == 0 else text.replace("-", "−")


def _alarms(report: Report) -> str:
    figures = report.alarm_figures
    if not figures.raised:
        return "No alarm was raised."
    high = f", {figures.high} of high priority" if figures.high else ""
    noticed = ""
    if figures.median_to_acknowledge is not None:
        noticed = f", answered after {duration(figures.median_to_acknowledge)} (median)"
    still = f"; {figures.standing} still standing at the end" if figures.standing else ""
    return f"{_many(figures.raised, 'alarm')}{high}{noticed}{still}."


def _feeds(report: Report) -> str:
    if not report.feeds and not report.rounds:
        return "No feed was written down."
    total = sum(feed.millilitres or 0.0 for feed in report.feeds)
    lifted = [one.row.celsius for one in report.rounds if one.row.celsius is not None]
    warm = f", lifted at {min(lifted):.1f} to {max(lifted):.1f} °C" if lifted else ""
    rounds = f"{_many(len(report.rounds), 'bowl')}{warm}; " if report.rounds else ""
    volume = f"{total:.0f} ml" if total < 2000 else f"{total / 1000:.1f} litres"
    text = f"{rounds}{_many(len(report.feeds), 'feed')} written down, {volume} in all."
    return text[0].upper() + text[1:]


def look_first(report: Report) -> list[str]:
    """The chicks that need a look, each with its reason."""
    found = []
    for part in report.chicks:
        reasons = [*(one.sentence for one in part.cautions), *(one.sentence for one in part.flags), *part.left_out]
        name = part.chick.name
        found += [reason if reason.startswith(name) else f"{name}: {reason}" for reason in reasons]
    return found


def happenings(report: Report) -> list[CourseLine]:
    """Everything that happened, in order; lids and feeds only where the span is short enough to read them."""
    return sorted(_happened(report), key=lambda one: one.utc_seconds)


def _happened(report: Report) -> Iterator[CourseLine]:
    for one in report.alarms:
        yield CourseLine(one.raised, "alarm", _episode(one), one.priority == "high")
    for gap in report.gaps:
        long = "for an unknown time" if gap.gap_seconds is None else f"for {duration(gap.gap_seconds)}"
        went = ", ".join(
            f"{probe} {before:.1f} → {gap.after_celsius[probe]:.1f} °C"
            for probe, before in gap.before_celsius.items()
            if probe in gap.after_celsius
        )
        yield CourseLine(
            gap.utc_seconds, "power", f"back after the watch was off {long}" + (f" ({went})" if went else "")
        )
    if report.days > 1.6:
        return
    for part in report.brooders:
        for at in part.lids:
            yield CourseLine(at, "lid", f"{part.name}: lid opened, by the look of the air")
    for bowl in report.rounds:
        warm = "" if bowl.row.celsius is None else f" at {bowl.row.celsius:.1f} °C"
        total = sum(feed.millilitres or 0.0 for feed in bowl.feeds)
        took = f", {_many(len(bowl.feeds), 'feed')}, {total:.1f} ml" if bowl.feeds else ""
        yield CourseLine(bowl.row.utc_seconds, "feed", f"{bowl.row.dish} lifted{warm}{took}{_since(bowl)}")


def _since(bowl: RoundPart) -> str:
    return "" if bowl.since_seconds is None else f"; {duration(bowl.since_seconds)} after the one before"


def _episode(one: AlarmEpisode) -> str:
    name = one.condition.replace("-", " ")
    celsius = "" if one.celsius is None else f" at {one.celsius:.1f} °C"
    noticed = (
        "never answered" if one.acknowledged is None else f"answered after {duration(one.acknowledged - one.raised)}"
    )
    over = "still standing" if one.over is None else f"over after {duration(one.over - one.raised)}"
    often = "" if one.times == 1 else f", {one.times} times"
    return f"{one.place}: {name}{celsius}{often}, {one.priority} priority; {noticed}, {over}"


def vet_rows(report: Report) -> list[dict[str, str]]:
    """One row a chick with what a vet asks for first; the keys are the headings, in order."""
    return [_vet_row(part, report) for part in report.chicks]


def _vet_row(part: ChickPart, report: Report) -> dict[str, str]:
    chick, weighed = part.chick, part.weighings
    days = max(report.days, 1.0)
    volume = part.millilitres / days
    grams = weighed[-1].grams if weighed else None
    crops = [feed.crop for feed in part.feeds if feed.crop is not None]
    empty = sum(crop is Crop.EMPTY for crop in crops)
    gain = part.gains[-1] if part.gains else None
    warm = [feed.celsius for feed in part.feeds if feed.celsius is not None]
    return {
        "chick": chick.name,
        "kind": ", ".join(word for word in (chick.kind, chick.mark) if word) or "–",
        "age": "–" if chick.hatched is None else f"{int(age_days(chick.hatched, report.end))} d",
        "weight": "–" if grams is None else f"{grams:g} g",
        "gain": "–" if gain is None else f"{signed(gain.grams_per_day)} g ({signed(gain.percent_per_day, 0)} %)",
        "feeds": str(len(part.feeds)) if report.days <= 1.6 else f"{len(part.feeds) / days:.1f} a day",
        "taken": f"{part.millilitres:.1f} ml" if report.days <= 1.6 else f"{volume:.1f} ml a day",
        "of weight": "–" if not grams else f"{100 * part.millilitres / max(report.days, 1.0) / grams:.0f} %",
        "formula": "–" if not warm else f"{min(warm):.1f}–{max(warm):.1f} °C",
        "crop empty": "–" if not crops else f"{empty} of {len(crops)}",
    }


def short_form(report: Report, zone: tzinfo | None = None, most: int = 40) -> list[str]:
    """The report for a terminal, in plain lines."""
    lines = [report.title, ""]
    lines += [f"  {sentence}" for sentence in sentences(report)]
    look = look_first(report)
    if look:
        lines += ["", "look first", *[f"  ! {sentence}" for sentence in look]]
    events = happenings(report)
    if events:
        shown: Sequence[CourseLine] = events[-most:]
        lines += ["", "what happened"]
        with_day = report.days > 1.6
        lines += [f"  {clock_words(one.utc_seconds, zone, with_day)}  {one.words}" for one in shown]
        if len(events) > len(shown):
            lines.append(f"  and {len(events) - len(shown)} earlier")
    rows = vet_rows(report)
    if rows:
        lines += ["", "chicks", *_columns(rows)]
    return [*lines, "", CAUTION]


def _columns(rows: Sequence[dict[str, str]]) -> list[str]:
    names = [name for name in rows[0] if any(row[name] != "–" for row in rows)]
    wide = {name: max(len(name), *(len(row[name]) for row in rows)) for name in names}
    head = "  " + "  ".join(name.ljust(wide[name]) for name in names)
    return [head.rstrip(), *["  " + "  ".join(row[n].ljust(wide[n]) for n in names).rstrip() for row in rows]]
