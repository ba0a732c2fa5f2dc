"""The chicks as plain lines: who is due, what was fed, what they weigh, whom to look at. Pure: a view to text."""

from collections.abc import Sequence
from datetime import datetime, tzinfo

from sensord.watch.views import ChickView

__all__ = ["NO_CHICKS", "chick_lines", "due_words", "millilitre_words", "planned_batch_millilitres"]

NO_CHICKS = "no chicks yet: `sensord chick NAME --hatched DATE` adds one"


def chick_lines(chicks: Sequence[ChickView], now_utc: float, zone: tzinfo | None = None) -> list[str]:
    """One line a chick, those that wait longest first, then one line for each reason to look."""
    if not chicks:
        return [NO_CHICKS]
    wide = max(len(chick.name) for chick in chicks)
    waiting = sorted(chicks, key=lambda one: (one.due_from_utc_seconds or float("inf"), one.name))
    lines = [
        f"{one.name:<{wide}}  {_fed(one, now_utc, zone):<30}  {due_words(one, now_utc, zone):<22}  {_weight(one)}"
        for one in waiting
    ]
    lines += [f"! {sentence}" for chick in chicks for sentence in _named(chick)]
    return lines


def _named(chick: ChickView) -> list[str]:
    return [one if chick.name in one else f"{chick.name}: {one}" for one in chick.look]


def due_words(chick: ChickView, now_utc: float, zone: tzinfo | None = None) -> str:
    """`due 06:30`, `due now`, `late since 07:10`, `overdue since 09:00`; empty before the first feed."""
    if chick.due_from_utc_seconds is None or chick.due_late_utc_seconds is None:
        return ""
    if chick.overdue_utc_seconds is not None and now_utc > chick.overdue_utc_seconds:
        return f"OVERDUE since {_time(chick.due_late_utc_seconds, zone)}"
    if now_utc > chick.due_late_utc_seconds:
        return f"late since {_time(chick.due_late_utc_seconds, zone)}"
    if now_utc >= chick.due_from_utc_seconds:
        return f"due now, until {_time(chick.due_late_utc_seconds, zone)}"
    return f"due {_time(chick.due_from_utc_seconds, zone)}"


def millilitre_words(chick: ChickView) -> str:
    """What is planned for a feed: `8–10 ml`, `up to 4.5 ml`, or nothing while the chick has not been weighed."""
    high, low = chick.planned_high_millilitres, chick.planned_low_millilitres
    if high is None:
        return ""
    if low is None:
        return f"up to {high:.2g} ml"
    return f"{low:g} ml" if low == high else f"{low:g}–{high:g} ml"


def planned_batch_millilitres(chicks: Sequence[ChickView]) -> float:
    """What one feed of all weighed chicks comes to."""
    return sum(chick.planned_millilitres or 0.0 for chick in chicks)


def _fed(chick: ChickView, now_utc: float, zone: tzinfo | None) -> str:
    if chick.fed_utc_seconds is None:
        return "no feed in three days"
    ago = (now_utc - chick.fed_utc_seconds) / 60
    passed = f"{ago:.0f} min ago" if ago < 100 else f"{ago / 60:.1f} h ago"
    amount = "" if chick.fed_millilitres is None else f" {chick.fed_millilitres:g} ml"
    return f"fed {_time(chick.fed_utc_seconds, zone)} ({passed}){amount}"


def _weight(chick: ChickView) -> str:
    if chick.grams is None:
        return "not weighed yet"
    gain = "" if chick.gain_grams_per_day is None else f" {chick.gain_grams_per_day:+.1f} g/day"
    planned = millilitre_words(chick)
    return f"{chick.grams:g} g{gain}" + (f", {planned} a feed" if planned else "")


def _time(utc_seconds: float, zone: tzinfo | None) -> str:
    moment = datetime.fromtimestamp(utc_seconds, tz=zone)
    return f"{moment.astimezone(zone):%H:%M}"
