"""The chicks as the history knows them, for the dashboard and the keeper's commands."""

from dataclasses import dataclass
from datetime import datetime

from sensord.care.chicks import SECONDS_A_DAY, Chick, Feed
from sensord.history.history_reader import HistoryReader
from sensord.log.chick_day import chick_view
from sensord.watch.views import ChickView

__all__ = ["Day", "DayBook", "alarms_since", "chick_views", "day_start"]

# Longer than any interval between feeds, and enough for what the crops of a day say.
_FEEDS_BACK_SECONDS = 3 * SECONDS_A_DAY


@dataclass(frozen=True, slots=True)
class Day:
    """What a snapshot shows of the log: the chicks still here, and how many alarms were raised since midnight."""

    chicks: tuple[ChickView, ...] = ()
    alarms: int = 0


def day_start(utc_seconds: float) -> float:
    """When the local day of that instant began."""
    here = datetime.fromtimestamp(utc_seconds).astimezone()
    return here.replace(hour=0, minute=0, second=0, microsecond=0).timestamp()


def chick_views(reader: HistoryReader, now_utc: float) -> tuple[ChickView, ...]:
    """Every chick still here."""
    feeds: dict[str, list[Feed]] = {}
    for feed in reader.feeds(now_utc - _FEEDS_BACK_SECONDS, now_utc + SECONDS_A_DAY):
        feeds.setdefault(feed.chick, []).append(feed)
    here = [chick for chick in reader.chicks() if chick.left is None]
    return tuple(_view(reader, chick, feeds.get(chick.name, []), now_utc) for chick in here)


def _view(reader: HistoryReader, chick: Chick, feeds: list[Feed], now_utc: float) -> ChickView:
    return chick_view(chick, reader.weighings(chick.name), feeds, now_utc, day_start(now_utc))


def alarms_since(reader: HistoryReader, since_utc: float, now_utc: float) -> int:
    """How many alarms were raised: transitions out of the normal state into an unacknowledged one."""
    rows = reader.alarms(since_utc, now_utc + SECONDS_A_DAY)
    return sum(row.previous == "normal" and row.state.endswith("unacknowledged") for row in rows)


class DayBook:
    """Keeps the day up to date beside the writer, looking again only at what has changed: fitting curves costs time."""

    def __init__(self) -> None:
        self.day = Day()

    def renew(self, reader: HistoryReader, now_utc: float) -> None:
        """Everything anew: at the start, and once an hour because the day moves on."""
        self.day = Day(chick_views(reader, now_utc), alarms_since(reader, day_start(now_utc), now_utc))

    def look_again(self, reader: HistoryReader, name: str, now_utc: float) -> None:
        """At one chick, of which something was written down."""
        views = {view.name: view for view in self.day.chicks}
        for chick in reader.chicks():
            if chick.name == name.strip().lower():
                views.pop(chick.name, None)
                if chick.left is None:
                    feeds = reader.feeds(now_utc - _FEEDS_BACK_SECONDS, now_utc + SECONDS_A_DAY, chick.name)
                    views[chick.name] = _view(reader, chick, feeds, now_utc)
        self.day = Day(tuple(views[key] for key in sorted(views)), self.day.alarms)

    def count_alarms(self, reader: HistoryReader, now_utc: float) -> None:
        """After an alarm."""
        self.day = Day(self.day.chicks, alarms_since(reader, day_start(now_utc), now_utc))
