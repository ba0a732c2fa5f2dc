"""The chicks as the history knows them, for the dashboard and the keeper's commands."""

from dataclasses import replace
from datetime import datetime

from sensord.care.chick_day import chick_view
from sensord.care.chicks import SECONDS_A_DAY, ChickView, Feed
from sensord.history.history_reader import HistoryReader

__all__ = ["alarms_since", "chick_views", "day_start"]

# Longer than any interval between feeds, and enough for what the crops of a day say.
_FEEDS_BACK_SECONDS = 3 * SECONDS_A_DAY


def day_start(utc_seconds: float) -> float:
    """When the local day of that instant began."""
    here = datetime.fromtimestamp(utc_seconds).astimezone()
    return here.replace(hour=0, minute=0, second=0, microsecond=0).timestamp()


def chick_views(reader: HistoryReader, now_utc: float, only: str | None = None) -> tuple[ChickView, ...]:
    """Every chick still here, or that `only` one: fitting curves costs time."""
    feeds: dict[str, list[Feed]] = {}
    for feed in reader.feeds(now_utc - _FEEDS_BACK_SECONDS, now_utc + SECONDS_A_DAY, only):
        feeds.setdefault(feed.chick, []).append(feed)
    today = day_start(now_utc)
    here = [chick for chick in reader.chicks() if chick.left is None and only in (None, chick.name)]
    views = []
    for chick in here:
        view = chick_view(chick, reader.weighings(chick.name), feeds.get(chick.name, []), now_utc, today)
        odd = [f"Left out of the log: {what}" for what in reader.impossible(chick.name)]
        views.append(replace(view, look=(*view.look, *odd)) if odd else view)
    return tuple(views)


def alarms_since(reader: HistoryReader, since_utc: float, until_utc: float) -> int:
    """How many alarms were raised: transitions out of the normal state into an unacknowledged one."""
    rows = reader.alarms(since_utc, until_utc)
    return sum(row.previous == "normal" and row.state.endswith("unacknowledged") for row in rows)
