"""The history: everything the daemon sees and says, on the disk, without ever holding up the watch.

Readings go in batches, one flush of the card every `flush_seconds`; alarms, batches and the keeper's own entries at
once. An entry is answered only when it is on the disk. Where the disk fails (full, read-only) `StorageError` says so,
what must not be lost waits in memory, and writing is tried again; a damaged file is renamed, never deleted, and a new
one begun.
"""

import logging
import threading
from collections import deque
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import IO, Any, Protocol

import sensord
from sensord.clock import Clock, rfc3339
from sensord.errors import CommandError, StorageError
from sensord.history import retention
from sensord.history.database import (
    Connection,
    DamagedError,
    lock,
    open_writer,
    set_aside,
    sound,
    telling,
    transaction,
)
from sensord.history.effect_rows import Row, row_of
from sensord.history.history_reader import HistoryReader
from sensord.history.migrations import MIGRATIONS, Migration, migrate
from sensord.history.summaries import Minute, MinuteBook, RunBook
from sensord.log.day import Day, DayBook
from sensord.log.entering import store
from sensord.readings import Fault, Observation
from sensord.watch.command_table import verb_of
from sensord.watch.dish.rounds import FeedRound, RoundTracker
from sensord.watch.effects import (
    AlarmChanged,
    Answered,
    BatchStarted,
    Effect,
    EntryMade,
    GapFound,
    Measured,
)
from sensord.watch.views import Snapshot

__all__ = ["FILE_NAME", "History", "HistoryRules"]

_log = logging.getLogger(__name__)

FILE_NAME = "history.db"
_RETRY_SECONDS = 10.0
_LOOK_SECONDS = 0.05
# Letting go of old rows goes by the wall clock. One that has jumped, or that stands a month from the last row, must go
# on steadily for a day before it is believed that much: a year too far ahead would cost a year of readings.
_JUMP_SECONDS, _OFF_SECONDS, _PROVING_SECONDS = 3600.0, 30 * 86_400.0, 86_400.0
_MOST_RUNS_WAITING = 20_000  # hours of four restless probes; some 4 MB
_MOST_ROWS_WAITING = 5_000


class HistoryRules(Protocol):
    """The keys of the config's [history] section that the writer goes by."""

    @property
    def flush_seconds(self) -> float:
        """The longest time for which readings are only in memory."""

    @property
    def fine_days(self) -> int:
        """How long every reading is kept."""

    @property
    def minute_days(self) -> int:
        """How long minute summaries are kept; hours, alarms and entries stay for ever."""


class History:
    """An output of the daemon; also what a command opens to write an entry while no daemon runs.

    `folder` is the state folder; `on_answer` gets the answer to each entry after its commit, on the caller's thread.
    `daemon` False, for a command, leaves no trace of a run that the search for power gaps would take for the watch.
    Nothing is opened before the first item, so that a long check of the file never delays the start.
    """

    name = "history"

    def __init__(
        self,
        folder: Path,
        rules: HistoryRules,
        clock: Clock,
        on_answer: Callable[[Answered], None] = lambda _: None,
        migrations: Sequence[Migration] = MIGRATIONS,
        daemon: bool = True,
    ) -> None:
        self.path = folder / FILE_NAME
        self._words = ""
        self._rules = rules
        self._clock = clock
        self._on_answer = on_answer
        self._migrations = migrations
        self._daemon = daemon
        self._lock = threading.Lock()
        self._states_lock = threading.Lock()
        self._connection: Connection | None = None
        self._held: IO[bytes] | None = None
        self._run_id: int | None = None
        self._runs = RunBook()
        self._minutes = MinuteBook()
        self._closed_minutes: list[Minute] = []
        self._rows: deque[Row] = deque()
        self._entries: deque[EntryMade] = deque()
        self._states: dict[str, str] = {}
        self._rounds = RoundTracker()
        self._day = DayBook()
        self._sure = clock.wall_clock_trusted()
        self._offset = clock.utc_seconds() - clock.monotonic_seconds()
        self._started_ms = self._at_ms(clock.monotonic_seconds())
        self._unsure_since_ms = None if self._sure else self._started_ms
        self._shift_ms: int | None = None
        self._flushed_seconds = clock.monotonic_seconds()
        self._tended_hour: int | None = None
        self._believed_from_seconds = clock.monotonic_seconds()
        self._trouble: StorageError | None = None
        self._tried_seconds = 0.0
        self.readings_lost = 0

    def handle(self, item: Effect | Snapshot) -> None:
        """Take one item; raises `StorageError` for as long as the disk does not take what waits."""
        with self._lock:
            self._follow_clock()
            urgent = not isinstance(item, Snapshot) and self._take(item)
            self._work(urgent)

    @property
    def day(self) -> Day:
        """The chicks and today's alarms, as of the last entry; read from any thread, never touches the disk."""
        return self._day.day

    def save_state(self, key: str, value: str) -> None:
        """Keep a text (JSON) under `key` for the next start; never blocks, written with the next item at once."""
        with self._states_lock:
            self._states[key] = value

    def words(self) -> str:
        """That a damaged file was set aside, and where it is; empty while none was."""
        return self._words

    def close(self) -> None:
        """Write what waits, note the orderly end, fold the log into the file."""
        with self._lock:
            self._closed_minutes.extend(self._minutes.close())
            try:
                self._write()
                connection = self._open()
                with transaction(connection, self.path):
                    now = (self._at_ms(self._clock.monotonic_seconds()), self._run_id)
                    connection.execute("UPDATE run SET stopped_ms = ? WHERE id = ?", now)
                with telling(self.path):
                    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            except StorageError as error:
                self._refuse_entries(str(error))
                _log.error("the end of the history could not be written: %s", error)
            finally:
                if self._connection is not None:
                    self._connection.close()
                    self._connection = None
                if self._held is not None:
                    self._held.close()
                    self._held = None

    def _at_ms(self, seconds: float) -> int:
        return round((seconds + self._offset) * 1000)

    def _follow_clock(self) -> None:
        """Wall time moves with the clock; once it has been set, what was written before is moved along with it."""
        before = self._offset
        first, utc, second = self._clock.monotonic_seconds(), self._clock.utc_seconds(), self._clock.monotonic_seconds()
        if second - first < _LOOK_SECONDS:  # else something came between the two looks: the offset of before is better
            self._offset = utc - (first + second) / 2
        trusted = self._clock.wall_clock_trusted()
        if self._sure and abs(self._offset - before) > _JUMP_SECONDS:
            self._doubt_clock()
        if trusted and not self._sure:
            self._shift_ms = round((self._offset - before) * 1000)
        self._sure = trusted

    def _doubt_clock(self) -> None:
        self._believed_from_seconds = self._clock.monotonic_seconds() + _PROVING_SECONDS

    def _take(self, effect: Effect) -> bool:
        """Into memory; whether it must be on the disk at once."""
        begun = self._rounds.take(effect)
        if begun is not None:
            self._put("feed_round", begun.seconds, self._round(begun))
        match effect:
            case Measured(observation):
                self._measured(observation)
                return begun is not None
            case EntryMade():
                self._entries.append(effect)
                return True
            case _:
                row = row_of(effect)
                if row is not None:
                    self._put(row.table, effect.seconds, row.values)
                return isinstance(effect, _AT_ONCE) or begun is not None

    def _measured(self, observation: Observation) -> None:
        milli, fault = None, None
        if isinstance(observation, Fault):
            fault = observation.kind.value
        else:
            milli = round(observation.celsius * 1000)
        at_ms = self._at_ms(observation.seconds)
        self._runs.add(at_ms, observation.probe, milli, fault, self._sure)
        closed = self._minutes.add(at_ms, observation.probe, milli)
        if closed is not None:
            self._closed_minutes.append(closed)

    def _round(self, begun: FeedRound) -> dict[str, Any]:
        batch = begun.batch_seconds
        return {
            "dish": begun.dish,
            "batch_ms": None if batch is None else self._at_ms(batch),
            "ready_ms": self._at_ms(begun.ready_seconds),
            "celsius": begun.celsius,
        }

    def _put(self, table: str, seconds: float, values: dict[str, Any]) -> None:
        self._rows.append(Row(table, {"at_ms": self._at_ms(seconds), "sure": int(self._sure), **values}))
        if len(self._rows) > _MOST_ROWS_WAITING:
            self._rows.popleft()

    def _work(self, urgent: bool) -> None:
        now = self._clock.monotonic_seconds()
        if self._trouble is not None and now - self._tried_seconds < _RETRY_SECONDS:
            self._refuse_entries(str(self._trouble))
            raise self._trouble
        due = now - self._flushed_seconds >= self._rules.flush_seconds
        if not (urgent or due or self._states or self._shift_ms is not None):
            return
        self._tried_seconds = now
        try:
            replaced = self._write_or_replace()
        except StorageError as error:
            self.readings_lost += self._runs.drop_oldest(_MOST_RUNS_WAITING)
            self._trouble = error
            self._refuse_entries(str(error))
            raise
        self._trouble = None
        self._flushed_seconds = now
        if replaced is not None:
            # Said once, after everything is safe in the new file: the daemon shows it and an alarm keeps it.
            raise StorageError(replaced)

    def _write_or_replace(self) -> str | None:
        try:
            self._write()
            return None
        except DamagedError as error:
            if self._connection is not None:
                self._connection.close()
                self._connection = None
            aside = set_aside(self.path, rfc3339(self._clock.utc_seconds())[:19].replace(":", ""))
            self._words = f"{error}; it was set aside as {aside.name} and a new one begun"
            _log.error("%s", self._words)
            self._rows.append(
                Row(
                    "note",
                    _NOTE | {"at_ms": self._at_ms(self._clock.monotonic_seconds()), "detail": self._words},
                )
            )
            self._write()
            return self._words

    def _open(self) -> Connection:
        if self._held is None:
            self._held = lock(self.path, "stop it first" if self._daemon else "name its control socket with --socket")
        if self._connection is None:
            connection = open_writer(self.path)
            try:
                if self._daemon:  # a command has no time for it; what is damaged shows itself
                    sound(connection, self.path)
                migrate(connection, self.path, self._migrations)
                with transaction(connection, self.path):
                    newest_ms = retention.catch_up(connection)
                    if self._daemon:
                        self._run_id = self._begin(connection)
            except BaseException:
                connection.close()
                raise
            if newest_ms is not None and abs(newest_ms - self._started_ms) > _OFF_SECONDS * 1000:
                self._doubt_clock()
            self._connection = connection
        return self._connection

    def _begin(self, connection: Connection) -> int | None:
        begun = (self._started_ms, int(self._sure), sensord.__version__)
        return connection.execute("INSERT INTO run (started_ms, sure, version) VALUES (?, ?, ?)", begun).lastrowid

    def _write(self) -> None:
        """Everything that waits, in one transaction; then the entries, each in one of its own with its answer."""
        connection = self._open()
        with self._states_lock:
            states = dict(self._states)
        with transaction(connection, self.path):
            retention.insert_readings(connection, self._runs.runs(), self._closed_minutes)
            for row in self._rows:
                columns = ", ".join(row.values)
                marks = ", ".join("?" * len(row.values))
                connection.execute(f"INSERT INTO {row.table} ({columns}) VALUES ({marks})", tuple(row.values.values()))
            if states:
                connection.executemany("INSERT OR REPLACE INTO state (key, value) VALUES (?, ?)", states.items())
            if self._shift_ms is not None and self._unsure_since_ms is not None:  # noqa: SIM102
                if retention.shift_unsure(connection, self._unsure_since_ms, self._shift_ms, self._run_id):
                    self._minutes = MinuteBook()
        alarmed = any(row.table == "alarm" for row in self._rows)
        self._runs.clear()
        self._closed_minutes.clear()
        self._rows.clear()
        self._shift_ms = None
        with self._states_lock:
            self._states = {key: text for key, text in self._states.items() if states.get(key) != text}
        while self._entries:
            self._enter(connection)
        self._tend(connection)
        if alarmed:
            self._day.count_alarms(HistoryReader(self.path, connection), self._clock.utc_seconds())

    def _enter(self, connection: Connection) -> None:
        """Store the oldest entry; only when that is decided it leaves the queue and is answered."""
        made = self._entries[0]
        reason, done = "", True
        now_utc = self._clock.utc_seconds()
        try:
            with transaction(connection, self.path):
                reason = store(connection, made.entry, made.seconds + self._offset, now_utc, self._sure)
        except CommandError as error:
            reason, done = str(error), False
        self._entries.popleft()
        self._answer(made, done, reason)
        if done:
            self._day.look_again(HistoryReader(self.path, connection), made.entry.chick, now_utc)

    def _refuse_entries(self, why: str) -> None:
        """Nobody may believe that something is kept which is not."""
        while self._entries:
            self._answer(self._entries.popleft(), False, f"not kept: {why}")

    def _answer(self, made: EntryMade, done: bool, reason: str) -> None:
        entry = made.entry
        self._on_answer(
            Answered(
                seconds=made.seconds,
                request=entry.request,
                origin=entry.origin,
                verb=verb_of(entry),
                done=done,
                reason=reason,
            )
        )

    def _tend(self, connection: Connection) -> None:
        """Once an hour: sum up the hours that have closed, let go of what is old, look at the day anew."""
        now_ms = self._at_ms(self._clock.monotonic_seconds())
        hour = now_ms // retention.HOUR_MS
        if not self._daemon or hour == self._tended_hour:
            return
        if self._clock.monotonic_seconds() >= self._believed_from_seconds:
            retention.tend(connection, self.path, now_ms, self._rules.fine_days, self._rules.minute_days)
        self._day.renew(HistoryReader(self.path, connection), now_ms / 1000)
        self._tended_hour = hour


_AT_ONCE = (AlarmChanged, BatchStarted, GapFound, Answered)
_NOTE: dict[str, Any] = {"sure": 1, "probe": "", "what": "history_replaced", "fault": None, "gap_seconds": None}
