"""The chicks in words: who is due, what was fed, what they weigh, whom to look at. Pure: views to text."""

from collections.abc import Sequence
from datetime import UTC, datetime, tzinfo

from sensord.care.chicks import ChickView
from sensord.durations import duration
from sensord.watch.views import Snapshot

NO_CHICKS = "no chicks yet: `sensord chick NAME --hatched DATE` adds one"


def by_hunger(chicks: Sequence[ChickView]) -> list[ChickView]:
    """Those that wait longest first, those of whom nothing is known last."""
    return sorted(chicks, key=lambda one: (one.due_from_utc_seconds or float("inf"), one.name))


def chick_lines(chicks: Sequence[ChickView], now_utc: float, zone: tzinfo | None = None) -> list[str]:
    """One line a chick, those that wait longest first, then one line for each reason to look."""
    if not chicks:
        return [NO_CHICKS]
    wide = max(len(chick.name) for chick in chicks)
    rows = [
        f"{one.name:<{wide}}  {_fed_at(one, now_utc, zone):<30}  {due_words(one, now_utc, zone):<22}  {_growing(one)}"
        for one in by_hunger(chicks)
    ]
    look = [(chick.name, one) for chick in chicks for one in chick.look]
    return [*rows, *(f"! {one}" if name in one else f"! {name}: {one}" for name, one in look)]


def due_words(chick: ChickView, now_utc: float, zone: tzinfo | None = None) -> str:
    """`due 06:30`, `due now`, `late since 07:10`, `OVERDUE since 09:00`; empty before the first feed."""
    if chick.due_from_utc_seconds is None or chick.due_late_utc_seconds is None:
        return ""
    late = _time(chick.due_late_utc_seconds, zone)
    if chick.overdue_utc_seconds is not None and now_utc > chick.overdue_utc_seconds:
        return f"OVERDUE since {late}"
    if now_utc > chick.due_late_utc_seconds:
        return f"late since {late}"
    return f"due now, until {late}" if is_due(chick, now_utc) else f"due {_time(chick.due_from_utc_seconds, zone)}"


def is_due(chick: ChickView, utc_seconds: float | None) -> bool:
    """Whether the time of its next feed has come, as far as that is known."""
    due = chick.due_from_utc_seconds
    return utc_seconds is not None and due is not None and utc_seconds >= due


def planned_batch_millilitres(chicks: Sequence[ChickView]) -> float:
    """What one feed of all weighed chicks comes to."""
    return sum(chick.planned_millilitres or 0.0 for chick in chicks)


def chick_words(chick: ChickView, utc_seconds: float | None, zone: tzinfo = UTC) -> str:
    """The chick in one plain line."""
    told = [feed_words(chick, utc_seconds, zone), fed_words(chick, utc_seconds), *weight_words(chick), *chick.look]
    return f"{chick.name}: {', '.join(told)}"


def next_feed_words(snapshot: Snapshot, zone: tzinfo) -> str:
    """Whose feed comes next, for the first line; empty where nothing is known."""
    known = [chick for chick in by_hunger(snapshot.chicks) if chick.due_from_utc_seconds is not None]
    if not known or snapshot.utc_seconds is None:
        return ""
    return f"{known[0].name}: {feed_words(known[0], snapshot.utc_seconds, zone)}"


def feed_words(chick: ChickView, utc_seconds: float | None, zone: tzinfo) -> str:
    """When the next feed is due and how much is planned."""
    words = "" if utc_seconds is None else due_words(chick, utc_seconds, zone)
    if not words:
        return "next feed not known"
    if utc_seconds is not None and chick.due_from_utc_seconds is not None and not is_due(chick, utc_seconds):
        words += f" (in {duration(chick.due_from_utc_seconds - utc_seconds)})"
    planned = _planned(chick)
    return f"feed {words}" + (f", {planned}" if planned else "")


def fed_words(chick: ChickView, utc_seconds: float | None) -> str:
    """What it got last, how long ago, and how its crop was then."""
    if chick.fed_utc_seconds is None:
        return "no feed written down yet"
    amount = "" if chick.fed_millilitres is None else f" {chick.fed_millilitres:g} ml"
    crop = f", crop was {chick.fed_crop}" if chick.fed_crop else ""
    ago = "" if utc_seconds is None else f" {duration(utc_seconds - chick.fed_utc_seconds)} ago"
    return f"fed{amount}{ago}{crop}"


def weight_words(chick: ChickView) -> list[str]:
    """Weight and feeds of the day, for one that was weighed."""
    if chick.grams is None:
        return []
    gain = "" if chick.gain_grams_per_day is None else f", {chick.gain_grams_per_day:+.1f} g a day"
    return [f"{chick.grams:g} g{gain}", f"feeds today: {chick.feeds_today}"]


def _planned(chick: ChickView) -> str:
    """`8–10 ml`, `up to 4.5 ml`, or nothing while the chick has not been weighed."""
    high, low = chick.planned_high_millilitres, chick.planned_low_millilitres
    if high is None:
        return ""
    if low is None:
        return f"up to {high:.2g} ml"
    return f"{low:g} ml" if low == high else f"{low:g}–{high:g} ml"


def _fed_at(chick: ChickView, now_utc: float, zone: tzinfo | None) -> str:
    if chick.fed_utc_seconds is None:
        return "no feed in three days"
    ago = (now_utc - chick.fed_utc_seconds) / 60
    passed = f"{ago:.0f} min ago" if ago < 100 else f"{ago / 60:.1f} h ago"
    amount = "" if chick.fed_millilitres is None else f" {chick.fed_millilitres:g} ml"
    return f"fed {_time(chick.fed_utc_seconds, zone)} ({passed}){amount}"


def _growing(chick: ChickView) -> str:
    if chick.grams is None:
        return "not weighed yet"
    gain = "" if chick.gain_grams_per_day is None else f" {chick.gain_grams_per_day:+.1f} g/day"
    planned = _planned(chick)
    return f"{chick.grams:g} g{gain}" + (f", {planned} a feed" if planned else "")


def _time(utc_seconds: float, zone: tzinfo | None) -> str:
    return f"{datetime.fromtimestamp(utc_seconds, tz=zone).astimezone(zone):%H:%M}"
