"""What a start knows of the run before it: how long nobody watched, and which alarms were shelved or latched."""

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from sensord.clock import Clock
from sensord.edges.history import History
from sensord.edges.history_reader import HistoryReader, LastSeen
from sensord.errors import StorageError
from sensord.watch import alarms
from sensord.watch.alarms import AlarmBook, AlarmSettings
from sensord.watch.events import Gap

__all__ = ["Past", "keeper_of_alarms", "recall"]

GAP_SECONDS = 60.0
"""A restart within a minute is no gap worth telling: less than a brooder's on-delay."""

_ALARMS_KEY = "alarms"


@dataclass(frozen=True, slots=True)
class Past:
    """What an earlier run has left behind; nothing, where there was none or it cannot be read."""

    book: AlarmBook = field(default_factory=AlarmBook)
    gap: Gap | None = None


def recall(path: Path, rules: AlarmSettings, clock: Clock) -> Past:
    """What the history knows of the last run; one that cannot be read is dealt with when it is opened to write."""
    now, utc = clock.monotonic_seconds(), clock.utc_seconds()
    try:
        with HistoryReader(path) as reader:
            seen = reader.last_seen()
            kept = reader.load_state(_ALARMS_KEY)
    except StorageError:
        return Past()
    trusted = clock.wall_clock_trusted()
    known_utc = utc if trusted else None
    return Past(_book_of(kept, rules, now, known_utc), _gap(seen, now, known_utc))


def _gap(seen: LastSeen | None, now: float, utc: float | None) -> Gap | None:
    if seen is None:
        return None
    known = utc is not None and seen.sure and utc >= seen.utc_seconds
    seconds = utc - seen.utc_seconds if known and utc is not None else None
    if seconds is not None and seconds < GAP_SECONDS:
        return None
    return Gap(now, seconds, seen.celsius)


def _book_of(kept: str | None, rules: AlarmSettings, now: float, utc: float | None) -> AlarmBook:
    try:
        data = json.loads(kept or "{}")
        since = utc - float(data["utc_seconds"]) if utc is not None and data["trusted"] else None
    except (ValueError, KeyError, TypeError):
        return AlarmBook()
    return alarms.restore(data.get("alarms"), rules, now, since)


def keeper_of_alarms(history: History, clock: Clock) -> Callable[[AlarmBook, float], None]:
    """Keeps the alarm book for the next start, each time it changes."""

    def keep(book: AlarmBook, seconds: float) -> None:
        data = {
            "utc_seconds": clock.utc_seconds(),
            "trusted": clock.wall_clock_trusted(),
            "alarms": alarms.dump(book, seconds),
        }
        history.save_state(_ALARMS_KEY, json.dumps(data))

    return keep
