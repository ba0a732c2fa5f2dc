"""The history: everything the daemon sees and says, on the disk, without ever holding up the watch.

Readings go in batches, one flush of the card every `flush_seconds`; alarms and batches at once. Where the disk fails
(full, read-only) `StorageError` says so, what must not be lost waits in memory, and writing is tried again.
"""

import logging
import threading
from collections import Counter, deque
from collections.abc import Sequence
from typing import Any

import sensord
from sensord.clock import Clock
from sensord.config.sections import HistorySection
from sensord.errors import StorageError
from sensord.gate.command_gate import TokenBucket
from sensord.history import retention
from sensord.history.database import Connection, insert
from sensord.history.effect_rows import StoredRow, row_of
from sensord.history.history_file import HistoryFile
from sensord.history.retention import RunBook, insert_runs
from sensord.readings import Fault, Observation
from sensord.watch.dish.rounds import FeedRound, RoundTracker
from sensord.watch.effects import AlarmChanged, BatchStarted, Effect, GapFound, Measured
from sensord.watch.views import Snapshot

_log = logging.getLogger(__name__)

_LOOK_SECONDS = 0.05
# Letting go of old rows goes by the wall clock. One that has jumped, or that stands a month from the last row, must go
# on steadily for a day before it is believed that much: a year too far ahead would cost a year of readings.
_JUMP_SECONDS, _OFF_SECONDS, _PROVING_SECONDS = 3600.0, 30 * 86_400.0, 86_400.0
_MOST_RUNS_WAITING = 20_000  # hours of four restless probes; some 4 MB
_MOST_ROWS_WAITING = 5_000
_BURST = 10
_AT_ONCE = (AlarmChanged, BatchStarted, GapFound)
_NOTE: dict[str, Any] = {"probe": "", "what": "lost", "fault": None, "gap_seconds": None}
_MOST_MILLI = 10**9
"""No reading of any probe; what is beyond it is kept as the fault that it is."""


class History:
    """An output of the daemon that writes into `file`, shared with the log of the chicks."""

    name = "history"

    def __init__(self, file: HistoryFile, rules: HistorySection, clock: Clock) -> None:
        self._file = file
        self._rules = rules
        self._clock = clock
        self._states_lock = threading.Lock()
        self._run_id: int | None = None
        self._opening = 0
        self._runs = RunBook()
        self._rows: deque[StoredRow] = deque()
        self._states: dict[str, str] = {}
        self._rounds = RoundTracker()
        self._sure = clock.wall_clock_trusted()
        self._offset = clock.utc_seconds() - clock.monotonic_seconds()
        self._started_ms = self._at_ms(clock.monotonic_seconds())
        self._unsure_since_ms = None if self._sure else self._started_ms
        self._shift_ms: int | None = None
        self._flushed_seconds = clock.monotonic_seconds()
        self._tended_hour: int | None = None
        self._believed_from_seconds = clock.monotonic_seconds()
        self._owing = False
        self._failing: StorageError | None = None
        # A flood of alarms costs the card no more than a flush a second; the first few are written as they come.
        self._at_once = TokenBucket(clock.monotonic_seconds(), burst=_BURST, per_second=1.0)
        self._lost: Counter[str] = Counter()

    def handle(self, item: Effect | Snapshot) -> None:
        """Take one item; raises `StorageError` for as long as the disk does not take what waits."""
        self.handle_all([item])

    def handle_all(self, items: Sequence[Effect | Snapshot]) -> None:
        """Take what has come meanwhile, with one flush for all of it."""
        self._follow_clock()
        for item in items:
            if not isinstance(item, Snapshot) and self._take(item):
                self._owing = True
        self._work()

    def take_losses(self, losses: Counter[type[Effect | Snapshot]]) -> None:
        """What its queue has lost: told like what the disk has cost."""
        for kind, count in losses.items():
            self._lost["readings" if kind is Measured else f"effects ({kind.__name__})"] += count
            self._owing = True

    def save_state(self, key: str, value: str) -> None:
        """Keep a text (JSON) under `key` for the next start; never blocks, written with the next item at once."""
        with self._states_lock:
            self._states[key] = value

    def words(self) -> str:
        """That a file was set aside or replaced, and where it is; empty while none was."""
        return self._file.words

    def close(self) -> None:
        """Write what waits and note the orderly end."""
        try:
            self._write(orderly_end=True)
        except StorageError as error:
            _log.error("the end of the history could not be written: %s", error)
        finally:
            self._file.close()

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
        if isinstance(effect, Measured):
            self._measured(effect.observation)
        elif (row := row_of(effect)) is not None:
            self._put(row.table, effect.seconds, row.values)
        return isinstance(effect, _AT_ONCE) or begun is not None

    def _measured(self, observation: Observation) -> None:
        milli, fault = None, None
        if isinstance(observation, Fault):
            fault = observation.kind.value
        else:
            milli = round(max(-_MOST_MILLI, min(_MOST_MILLI, observation.celsius * 1000)))
        at_ms = self._at_ms(observation.seconds)
        self._runs.add(at_ms, observation.probe, milli, fault, self._sure)

    def _round(self, begun: FeedRound) -> dict[str, Any]:
        batch = begun.batch_seconds
        return {
            "dish": begun.dish,
            "batch_ms": None if batch is None else self._at_ms(batch),
            "ready_ms": self._at_ms(begun.ready_seconds),
            "celsius": begun.celsius,
        }

    def _put(self, table: str, seconds: float, values: dict[str, Any]) -> None:
        self._rows.append(StoredRow(table, {"at_ms": self._at_ms(seconds), "sure": int(self._sure), **values}))

    def _drop(self) -> None:
        """Keep what is new where the disk takes nothing for too long; every loss is told, at once and in the file."""
        self._lost["readings"] += self._runs.drop_oldest(_MOST_RUNS_WAITING)
        while len(self._rows) > _MOST_ROWS_WAITING:
            self._lost[f"rows of {self._rows.popleft().table}"] += 1

    def _losses(self) -> list[str]:
        return [f"{count} {what} were lost" for what, count in self._lost.items() if count]

    def _note(self, words: str) -> None:
        """In the log now, in the file with the next flush."""
        _log.error("%s", words)
        self._put("note", self._clock.monotonic_seconds(), _NOTE | {"detail": words})

    def _work(self) -> None:
        now = self._clock.monotonic_seconds()
        due = now - self._flushed_seconds >= self._rules.flush_seconds
        owing = self._owing or bool(self._states) or self._shift_ms is not None
        if not (due or (owing and self._at_once.take(now))):
            if self._failing is not None:
                raise self._failing
            return
        try:
            self._write()
        except StorageError as error:
            self._owing = True
            self._drop()
            self._failing = StorageError("; ".join([str(error), *self._losses()]))
            raise self._failing from error
        self._owing, self._failing = False, None
        self._flushed_seconds = now
        self._tend()
        # Said once, after everything is safe in the new file: the daemon shows it and an alarm keeps it.
        lost = "; ".join(self._losses())
        if lost:
            self._lost.clear()
            self._note(lost)
        told = "; ".join(filter(None, [self._file.take_news(), lost]))
        if told:
            raise StorageError(told)

    def _write(self, orderly_end: bool = False) -> None:
        """Everything that waits, in one transaction."""
        with self._states_lock:
            states = dict(self._states)

        def write(connection: Connection) -> list[StoredRow]:
            if self._opening != self._file.openings:
                self._begin(connection)
            insert_runs(connection, self._runs.runs())
            refused = [row for row in self._rows if not insert(connection, row.table, row.values)]
            connection.executemany("INSERT OR REPLACE INTO state (key, value) VALUES (?, ?)", states.items())
            if self._shift_ms is not None and self._unsure_since_ms is not None:
                retention.shift_unsure(connection, self._unsure_since_ms, self._shift_ms, self._run_id)
            if orderly_end:
                ended = (self._at_ms(self._clock.monotonic_seconds()), self._run_id)
                connection.execute("UPDATE run SET stopped_ms = ? WHERE id = ?", ended)
            return refused

        refused = self._file.write(write)
        self._opening = self._file.openings
        self._lost.update(f"rows of {row.table}" for row in refused)
        self._runs.clear()
        self._rows.clear()
        self._shift_ms = None
        with self._states_lock:
            self._states = {key: text for key, text in self._states.items() if states.get(key) != text}

    def _begin(self, connection: Connection) -> None:
        """The first look into a file that has just been opened, and a row for this run."""
        (newest_ms,) = connection.execute("SELECT max(at_ms) FROM reading").fetchone()
        if isinstance(newest_ms, int) and abs(newest_ms - self._started_ms) > _OFF_SECONDS * 1000:
            self._doubt_clock()
        begun = (self._started_ms, int(self._sure), sensord.__version__)
        done = connection.execute("INSERT INTO run (started_ms, sure, version) VALUES (?, ?, ?)", begun)
        self._run_id = done.lastrowid

    def _tend(self) -> None:
        """Once an hour: sum up the hours that have closed, let go of what is old."""
        now_ms = self._at_ms(self._clock.monotonic_seconds())
        hour = now_ms // retention.HOUR_MS
        if hour == self._tended_hour:
            return
        if self._clock.monotonic_seconds() >= self._believed_from_seconds:
            days = self._rules.fine_days, self._rules.minute_days
            gone = self._file.tend(lambda connection: retention.tend(connection, self._file.path, now_ms, *days))
            if gone:
                self._note("; ".join(f"{rows} old rows of {table} were let go of" for table, rows in gone.items()))
        self._tended_hour = hour
