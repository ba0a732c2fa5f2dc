"""Readings on their way to the disk: equal ones in a row become one row, and their minutes are summed up with them.

Times are UTC milliseconds, temperatures thousandths of a degree Celsius (a DS18B20 step is 62.5).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sensord.history.database import Connection

__all__ = ["MINUTE_MS", "Run", "RunBook", "insert_runs", "sum_up"]

MINUTE_MS = 60_000
# Two equal readings further apart than this are two rows: the time between them was not measured.
_LONGEST_STEP_MS = 5_000


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
