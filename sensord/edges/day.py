"""The chicks as the history knows them, for the dashboard and the keeper's commands."""

from sensord.care.chicks import SECONDS_A_DAY, Feed
from sensord.edges.history_reader import HistoryReader
from sensord.watch.day import chick_view
from sensord.watch.views import ChickView

__all__ = ["alarms_since", "chick_views"]

# Longer than any interval between feeds, and enough for what the crops of a day say.
_FEEDS_BACK_SECONDS = 3 * SECONDS_A_DAY


def chick_views(reader: HistoryReader, now_utc: float, day_start_utc: float | None = None) -> tuple[ChickView, ...]:
    """Every chick still here; `day_start_utc` is when the keeper's day began (default: the UTC day)."""
    start = now_utc - now_utc % SECONDS_A_DAY if day_start_utc is None else day_start_utc
    feeds: dict[str, list[Feed]] = {}
    for feed in reader.feeds(now_utc - _FEEDS_BACK_SECONDS, now_utc + SECONDS_A_DAY):
        feeds.setdefault(feed.chick, []).append(feed)
    return tuple(
        chick_view(chick, reader.weighings(chick.name), feeds.get(chick.name, []), now_utc, start)
        for chick in reader.chicks()
        if chick.left is None
    )


def alarms_since(reader: HistoryReader, since_utc: float, now_utc: float) -> int:
    """How many alarms were raised: transitions out of the normal state into an unacknowledged one."""
    return sum(
        row.previous == "normal" and row.state.endswith("unacknowledged") for row in reader.alarms(since_utc, now_utc)
    )
