"""The chicks on the dashboard: when each is fed next, what it got last, its weight, and reasons to look at it."""

from rich.text import Text

from sensord.screens.page import Look, line, wrapped
from sensord.screens.ruler import QUIET
from sensord.screens.words import duration
from sensord.watch.views import ChickView, Snapshot

__all__ = ["chick_rows", "chick_words", "next_feed_words"]


def chick_rows(snapshot: Snapshot, look: Look, in_full: bool) -> list[Text]:
    """One row for each chick, the hungriest first, and its reasons to look; `in_full` adds weights and a count.

    A stale picture still tells when a feed is due: that does not wait for the daemon.
    """
    rows: list[Text] = []
    ordered = sorted(snapshot.chicks, key=lambda chick: chick.due_from_utc_seconds or float("inf"))
    longest = max((len(chick.name) for chick in ordered), default=0)
    for chick in ordered:
        due = _due(chick, snapshot.utc_seconds)
        style = "bold yellow" if _is_due(chick, snapshot.utc_seconds) else ""
        told = [_fed(chick, snapshot.utc_seconds), *(_weight(chick) if in_full else [])]
        quiet = "".join(f" · {part}" for part in told if part)
        rows.append(
            line(look, look.width, "  ", (f"{chick.name:<{longest}}", "bold"), "   ", (due, style), (quiet, QUIET))
        )
        for reason in chick.look:
            rows += [line(look, look.width, "    ", (row, "bold")) for row in wrapped(reason, look.width - 5)]
    if in_full and snapshot.chicks:
        today = f"  alarms today: {snapshot.alarms_today}"
        rows.append(line(look, look.width, (today, QUIET)))
    return rows


def chick_words(chick: ChickView, utc_seconds: float | None) -> str:
    """The chick in one plain line."""
    parts = [_due(chick, utc_seconds), _fed(chick, utc_seconds), *_weight(chick), *chick.look]
    return f"{chick.name}: " + ", ".join(part for part in parts if part)


def next_feed_words(snapshot: Snapshot) -> str:
    """Whose feed comes next, for the first line; empty where nothing is known."""
    known = [chick for chick in snapshot.chicks if chick.due_from_utc_seconds is not None]
    if not known or snapshot.utc_seconds is None:
        return ""
    first = min(known, key=lambda chick: chick.due_from_utc_seconds or 0.0)
    return f"{first.name}: {_due(first, snapshot.utc_seconds)}"


def _is_due(chick: ChickView, utc_seconds: float | None) -> bool:
    return (
        utc_seconds is not None and chick.due_from_utc_seconds is not None and utc_seconds >= chick.due_from_utc_seconds
    )


def _due(chick: ChickView, utc_seconds: float | None) -> str:
    if chick.due_from_utc_seconds is None or utc_seconds is None:
        return "next feed not known"
    late = chick.due_late_utc_seconds
    if chick.overdue_utc_seconds is not None and utc_seconds >= chick.overdue_utc_seconds:
        since = utc_seconds - (late if late is not None else chick.due_from_utc_seconds)
        return f"feed overdue by {duration(since)}"
    if utc_seconds >= chick.due_from_utc_seconds:
        return f"feed due, {_planned(chick)}" if _planned(chick) else "feed due"
    left = duration(chick.due_from_utc_seconds - utc_seconds)
    return f"next feed in {left}" + (f", {_planned(chick)}" if _planned(chick) else "")


def _planned(chick: ChickView) -> str:
    low, high, planned = chick.planned_low_millilitres, chick.planned_high_millilitres, chick.planned_millilitres
    if low is not None and high is not None:
        return f"{low:.1f}–{high:.1f} ml planned"
    return "" if planned is None else f"{planned:.1f} ml planned"


def _fed(chick: ChickView, utc_seconds: float | None) -> str:
    if chick.fed_utc_seconds is None:
        return "no feed written down yet"
    amount = "" if chick.fed_millilitres is None else f" {chick.fed_millilitres:g} ml"
    crop = f", crop was {chick.fed_crop}" if chick.fed_crop else ""
    ago = "" if utc_seconds is None else f" {duration(utc_seconds - chick.fed_utc_seconds)} ago"
    return f"fed{amount}{ago}{crop}"


def _weight(chick: ChickView) -> list[str]:
    if chick.grams is None:
        return []
    gain = "" if chick.gain_grams_per_day is None else f", {chick.gain_grams_per_day:+.1f} g a day"
    return [f"{chick.grams:g} g{gain}", f"{chick.feeds_today} feeds today"]
