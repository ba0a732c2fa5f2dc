"""The chicks' log: stores what the keepers enter, answers each entry, and tells the rules what the day looks like.

A source of events like the probes: it is handed the entries that the rules let through, and what it has to say comes
back through the inbox.
"""

from collections import deque
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime

from sensord.care.chick_day import chick_view
from sensord.care.chicks import SECONDS_A_DAY, ChickView, Feed
from sensord.clock import Clock
from sensord.errors import CommandError, StorageError
from sensord.history.history_file import HistoryFile
from sensord.history.history_reader import HistoryReader
from sensord.log.entries import store
from sensord.watch.command_table import verb_of
from sensord.watch.effects import AlarmChanged, AlarmState, Effect, EntryMade
from sensord.watch.events import DayKnown, EntryAnswered, Event
from sensord.watch.views import Snapshot

# Longer than any interval between feeds, and enough for what the crops of a day say.
_FEEDS_BACK_SECONDS = 3 * SECONDS_A_DAY


class ChickLog:
    """Writes entries into the history's `file`, beside whoever else does; `deliver` takes answers and the day."""

    name = "log"

    def __init__(self, file: HistoryFile, clock: Clock, deliver: Callable[[Event], None]) -> None:
        self._file = file
        self._clock = clock
        self._deliver = deliver
        self._began_utc = clock.utc_seconds()
        self._alarms: deque[float] = deque()
        self._views: dict[str, ChickView] = {}
        self._alarms_before = 0
        self._looked_hour: float | None = None

    def handle(self, item: Effect | Snapshot) -> None:
        """Store and answer an entry; the day is looked at anew after it, after an alarm, and once an hour."""
        match item:
            case EntryMade():
                answer = self._answer(item)
                self._deliver(answer)
                if answer.done:
                    self._look(item.entry.chick.strip().lower())
            case AlarmChanged(previous=AlarmState.NORMAL, state=AlarmState.UNACKNOWLEDGED):
                self._alarms.append(item.seconds)
                self._tell()
            case Snapshot() if self._is_late():
                self._look()
            case _:
                pass

    def write_down(self, made: EntryMade) -> str:
        """Store one entry; when this returns the sentence that says so, it is on the disk.

        Raises `CommandError` where the entry cannot be meant, `StorageError` where it cannot be kept.
        """
        now_utc = self._clock.utc_seconds()
        made_utc = now_utc - self._clock.monotonic_seconds() + made.seconds
        sure = self._clock.wall_clock_trusted()
        return self._file.write(
            lambda connection: store(
                connection, HistoryReader(self._file.path, connection), made.entry, made_utc, now_utc, sure
            )
        )

    def _answer(self, made: EntryMade) -> EntryAnswered:
        try:
            return _answered(made, True, self.write_down(made))
        except CommandError as error:
            return _answered(made, False, str(error))
        except StorageError as error:
            return _answered(made, False, f"not kept: {error}")  # nobody may believe that it is
        except Exception as error:
            self._deliver(_answered(made, False, f"not kept: {type(error).__name__}: {error}"))
            raise

    def words(self) -> str:
        """Nothing: a disk that fails is told by the history."""
        return ""

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()

    def _is_late(self) -> bool:
        """Another hour: the day moves on by itself."""
        return self._clock.utc_seconds() // 3600 != self._looked_hour

    def _look(self, only: str | None = None) -> None:
        """Read what there is of all chicks or of one. Where there is no file to read yet, there is no day either."""
        now_utc = self._clock.utc_seconds()
        try:
            with HistoryReader(self._file.path) as reader:
                views = {view.name: view for view in chick_views(reader, now_utc, only)}
                self._alarms_before = alarms_since(reader, day_start(now_utc), self._began_utc)
        except StorageError:
            return
        self._looked_hour = now_utc // 3600
        kept = {} if only is None else {name: view for name, view in self._views.items() if name != only}
        self._views = dict(sorted({**kept, **views}.items()))
        self._tell()

    def _tell(self) -> None:
        seconds, now_utc = self._clock.monotonic_seconds(), self._clock.utc_seconds()
        today = day_start(now_utc) - now_utc + seconds
        while self._alarms and self._alarms[0] < today:
            self._alarms.popleft()
        self._deliver(DayKnown(seconds, tuple(self._views.values()), self._alarms_before + len(self._alarms)))


def _answered(made: EntryMade, done: bool, reason: str) -> EntryAnswered:
    entry = made.entry
    return EntryAnswered(
        seconds=made.seconds,
        request=entry.request,
        origin=entry.origin,
        verb=verb_of(entry),
        done=done,
        reason=reason,
    )


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
