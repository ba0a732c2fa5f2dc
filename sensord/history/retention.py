"""Readings as rows: equal ones in a row become one, minutes and hours are summed up, and what is old is let go of.

Times are UTC milliseconds, temperatures thousandths of a degree Celsius (a DS18B20 step is 62.5). All functions work
inside the writer's thread; those without a `path` expect to be called inside a transaction.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from sensord.history.database import Connection, telling, transaction

MINUTE_MS = 60_000
# Two equal readings further apart than this are two rows: the time between them was not measured.
_LONGEST_STEP_MS = 5_000
HOUR_MS = 3_600_000
_DAY_MS = 24 * HOUR_MS
# A wall clock that is wrong by years for an hour must not cost the history: this much goes at most in one tending.
_MOST_HOURS_A_TENDING = 48
MOST_ROWS = 200_000
"""Of alarms, and of each other kind of event: years of a busy nursery, and an end to a flood (some 80 MB each)."""
_HOUR_DAYS = 10 * 365
_SUM_UP_MINUTES = """
    INSERT OR REPLACE INTO hour (at_s, probe, low, mean, high, count, faults)
    SELECT at_s / 3600 * 3600, probe, min(low),
           CAST(round(sum(mean * count) * 1.0 / nullif(sum(count), 0)) AS INTEGER), max(high), sum(count), sum(faults)
    FROM minute WHERE at_s >= ? AND at_s < ? GROUP BY 1, 2
"""
_EVENT_TABLES = ("alarm", "batch", "dish_state", "note", "band", "power_gap", "command", "feed_round")
_BOUNDED_TABLES = (*_EVENT_TABLES, "run")
_UNSURE_TABLES = (*_EVENT_TABLES, "feed", "weighing")


@dataclass(slots=True, kw_only=True)
class Run:
    """`count` equal readings (or equal faults) of one probe, the first at `at_ms`, the last `held_ms` later."""

    at_ms: int
    probe: str
    milli: int | None
    fault: str | None
    sure: bool
    count: int = 1
    held_ms: int = 0


class RunBook:
    """Collects runs until they are taken; a run never reaches over a taking, so that little is lost with the power."""

    def __init__(self) -> None:
        self._open: dict[str, Run] = {}
        self._all: list[Run] = []

    def add(self, at_ms: int, probe: str, milli: int | None, fault: str | None, sure: bool) -> None:
        run = self._open.get(probe)
        if (
            run is not None
            and (run.milli, run.fault, run.sure) == (milli, fault, sure)
            and 0 < at_ms - run.at_ms - run.held_ms <= _LONGEST_STEP_MS
            and at_ms // MINUTE_MS == run.at_ms // MINUTE_MS  # so that minutes can be summed up from the rows again
        ):
            run.count += 1
            run.held_ms = at_ms - run.at_ms
            return
        run = Run(at_ms=at_ms, probe=probe, milli=milli, fault=fault, sure=sure)
        self._open[probe] = run
        self._all.append(run)

    def __len__(self) -> int:
        return len(self._all)

    def runs(self) -> list[Run]:
        return self._all

    def clear(self) -> None:
        """They are on the disk."""
        self._open, self._all = {}, []

    def drop_oldest(self, most: int) -> int:
        """Keep the newest `most` runs; how many readings that cost."""
        lost = sum(run.count for run in self._all[:-most])
        self._all = self._all[-most:]
        return lost


_INSERT = """
    INSERT OR IGNORE INTO reading (at_ms, probe, milli, fault, count, held_ms, sure)
    SELECT ?, id, ?, ?, ?, ?, ? FROM probe WHERE name = ?
"""
# Fault words would make the summing up depend on NULL rules; `count` of a fault run counts as faults.
_SUM_UP = """
    INSERT OR REPLACE INTO minute (at_s, probe, low, mean, high, count, faults)
    SELECT at_ms / 60000 * 60, probe, min(milli), CAST(round(sum(milli * count) * 1.0
             / nullif(sum(CASE WHEN milli IS NULL THEN 0 ELSE count END), 0)) AS INTEGER), max(milli),
           sum(CASE WHEN milli IS NULL THEN 0 ELSE count END), sum(CASE WHEN milli IS NULL THEN count ELSE 0 END)
    FROM reading WHERE at_ms >= ? AND at_ms < ? GROUP BY 1, 2
"""


def insert_runs(connection: Connection, runs: Sequence[Run]) -> None:
    """One flush, inside a transaction, with its minutes. Where the wall clock was set back, what came first stays."""
    known = {name for (name,) in connection.execute("SELECT name FROM probe")}
    new = sorted({run.probe for run in runs} - known)
    connection.executemany("INSERT INTO probe (name) VALUES (?)", [(name,) for name in new])
    connection.executemany(
        _INSERT, [(r.at_ms, r.milli, r.fault, r.count, r.held_ms, int(r.sure), r.probe) for r in runs]
    )
    sum_up(connection, (run.at_ms for run in runs))


def sum_up(connection: Connection, times_ms: Iterable[int]) -> None:
    """The minutes around these instants, anew from their readings."""
    minutes = sorted({at_ms // MINUTE_MS * MINUTE_MS for at_ms in times_ms})
    connection.executemany(_SUM_UP, [(minute, minute + MINUTE_MS) for minute in minutes])


def shift_unsure(connection: Connection, since_ms: int, shift_ms: int, run_id: int | None) -> None:
    """The wall clock has been set: move this run's rows from before to where they belong, and call them sure."""
    unsure = connection.execute(
        "SELECT at_ms, probe, milli, fault, count, held_ms FROM reading WHERE sure = 0 AND at_ms >= ?", (since_ms,)
    ).fetchall()
    connection.execute("DELETE FROM reading WHERE sure = 0 AND at_ms >= ?", (since_ms,))
    connection.executemany(
        "INSERT OR IGNORE INTO reading (at_ms, probe, milli, fault, count, held_ms, sure) VALUES (?, ?, ?, ?, ?, ?, 1)",
        [(row[0] + shift_ms, *row[1:]) for row in unsure],
    )
    for table in _UNSURE_TABLES:
        change = f"UPDATE {table} SET at_ms = at_ms + ?, sure = 1 WHERE sure = 0 AND at_ms >= ?"
        connection.execute(change, (shift_ms, since_ms))
    connection.execute("UPDATE run SET started_ms = started_ms + ?, sure = 1 WHERE id = ?", (shift_ms, run_id))
    if not unsure:
        return
    before, after = {row[0] for row in unsure}, {row[0] + shift_ms for row in unsure}
    left = [(at_ms // MINUTE_MS * 60,) for at_ms in before]
    connection.executemany("DELETE FROM minute WHERE at_s = ?", left)
    sum_up(connection, before | after)
    connection.execute("DELETE FROM hour WHERE at_s >= ?", (min(before | after) // HOUR_MS * 3600,))


def tend(connection: Connection, path: Path, now_ms: int, fine_days: int, minute_days: int) -> dict[str, int]:
    """Sum up the hours that have closed, and let go of what is old: readings, minutes and hours past their time, an
    hour a transaction, and of each other table what is more than it may hold. How many rows of those had to go.

    What the keeper has entered never goes: `log.entries` takes no more than there is room for.
    """
    with transaction(connection, path):
        now_s = now_ms // HOUR_MS * 3600
        (last,) = connection.execute("SELECT max(at_s) FROM hour WHERE at_s <= ?", (now_s,)).fetchone()
        connection.execute(_SUM_UP_MINUTES, (last or 0, now_s))
    _drop(connection, path, "reading", "at_ms", now_ms - fine_days * _DAY_MS, HOUR_MS)
    _drop(connection, path, "minute", "at_s", (now_ms - minute_days * _DAY_MS) // 1000, HOUR_MS // 1000)
    _drop(connection, path, "hour", "at_s", (now_ms - _HOUR_DAYS * _DAY_MS) // 1000, _DAY_MS // 1000)
    gone = {table: _cut(connection, path, table) for table in _BOUNDED_TABLES}
    return {table: rows for table, rows in gone.items() if rows}


def _cut(connection: Connection, path: Path, table: str) -> int:
    """Keep the newest rows; how many went."""
    with transaction(connection, path):
        newest = f"SELECT id FROM {table} ORDER BY id DESC LIMIT 1 OFFSET {MOST_ROWS}"
        return connection.execute(f"DELETE FROM {table} WHERE id <= ({newest})").rowcount


def _drop(connection: Connection, path: Path, table: str, column: str, before: int, step: int) -> None:
    for _ in range(_MOST_HOURS_A_TENDING):
        with telling(path):
            (oldest,) = connection.execute(f"SELECT min({column}) FROM {table}").fetchone()
        if not isinstance(oldest, int) or oldest >= before:
            return
        with transaction(connection, path):
            connection.execute(f"DELETE FROM {table} WHERE {column} < ?", (min(before, oldest + step),))
