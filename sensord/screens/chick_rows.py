"""The chicks on the dashboard: when each is fed next, what it got last, its weight, and reasons to look at it."""

from datetime import UTC, tzinfo

from rich.text import Text

from sensord.durations import duration
from sensord.screens.chick_lines import due_words, millilitre_words
from sensord.screens.page import Look, line, wrapped
from sensord.screens.ruler import QUIET
from sensord.watch.views import ChickView, Snapshot

__all__ = ["chick_rows", "chick_words", "next_feed_words"]


def chick_rows(snapshot: Snapshot, look: Look, in_full: bool) -> list[Text]:
    """One row for each chick, the hungriest first, and its reasons to look; `in_full` adds weights and a count.

    A stale picture still tells when a feed is due: that does not wait for the daemon.
    """
    rows: list[Text] = []
    now = snapshot.utc_seconds
    ordered = sorted(snapshot.chicks, key=lambda chick: chick.due_from_utc_seconds or float("inf"))
    longest = max((len(chick.name) for chick in ordered), default=0)
    for chick in ordered:
        style = "bold yellow" if _is_due(chick, now) else ""
        told = [_fed(chick, now), *(_weight(chick) if in_full else [])]
        quiet = "".join(f" · {part}" for part in told)
        due = _due(chick, now, look.zone)
        rows.append(line(look, look.width, "  ", (f"{chick.name:<{longest}}   ", "bold"), (due, style), (quiet, QUIET)))
        for reason in chick.look:
            rows += [line(look, look.width, "    ", (row, "bold")) for row in wrapped(reason, look.width - 5)]
    if in_full and snapshot.chicks:
        rows.append(line(look, look.width, (f"  alarms today: {snapshot.alarms_today}", QUIET)))
    return rows


def chick_words(chick: ChickView, utc_seconds: float | None, zone: tzinfo = UTC) -> str:
    """The chick in one plain line."""
    parts = [_due(chick, utc_seconds, zone), _fed(chick, utc_seconds), *_weight(chick), *chick.look]
    return f"{chick.name}: {', '.join(parts)}"


def next_feed_words(snapshot: Snapshot, zone: tzinfo) -> str:
    """Whose feed comes next, for the first line; empty where nothing is known."""
    known = [chick for chick in snapshot.chicks if chick.due_from_utc_seconds is not None]
    if not known or snapshot.utc_seconds is None:
        return ""
    first = min(known, key=lambda chick: chick.due_from_utc_seconds or 0.0)
    return f"{first.name}: {_due(first, snapshot.utc_seconds, zone)}"


def _is_due(chick: ChickView, utc_seconds: float | None) -> bool:
    due = chick.due_from_utc_seconds
    return utc_seconds is not None and due is not None and utc_seconds >= due


def _due(chick: ChickView, utc_seconds: float | None, zone: tzinfo) -> str:
    words = "" if utc_seconds is None else due_words(chick, utc_seconds, zone)
    if not words:
        return "next feed not known"
    if utc_seconds is not None and chick.due_from_utc_seconds is not None and not _is_due(chick, utc_seconds):
        words += f" (in {duration(chick.due_from_utc_seconds - utc_seconds)})"
    planned = millilitre_words(chick)
    return f"feed {words}" + (f", {planned}" if planned else "")


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
    return [f"{chick.grams:g} g{gain}", f"feeds today: {chick.feeds_today}"]
