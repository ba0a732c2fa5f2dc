"""Rows as they age: minutes into hours, old ones away, and the repair of what a kill or an unset clock left.

All functions work inside the writer's thread; those without a `path` expect to be called inside a transaction.
"""

from collections.abc import Iterable
from pathlib import Path

from sensord.history.database import Connection, telling, transaction
from sensord.history.summaries import MINUTE_MS, Minute, Run

__all__ = ["HOUR_MS", "MOST_ROWS", "catch_up", "insert_readings", "shift_unsure", "tend"]

HOUR_MS = 3_600_000
_DAY_MS = 24 * HOUR_MS
# A wall clock that is wrong by years for an hour must not cost the history: this much goes at most in one tending.
_MOST_HOURS_A_TENDING = 48
MOST_ROWS = 200_000
"""Of alarms, and of each other kind of event: years of a busy nursery, and an end to a flood (some 80 MB each)."""
_HOUR_DAYS = 10 * 365
# Fault words would make the summing up depend on NULL rules; `count` of a fault run counts as faults.
_SUM_UP_READINGS = """
    INSERT INTO minute (at_s, probe, low, mean, high, count, faults)
    SELECT at_ms / 60000 * 60, probe, min(milli), CAST(round(sum(milli * count) * 1.0
             / nullif(sum(CASE WHEN milli IS NULL THEN 0 ELSE count END), 0)) AS INTEGER), max(milli),
           sum(CASE WHEN milli IS NULL THEN 0 ELSE count END), sum(CASE WHEN milli IS NULL THEN count ELSE 0 END)
    FROM reading WHERE at_ms >= ? * 1000 AND at_ms < ? * 1000 GROUP BY 1, 2
"""
_SUM_UP_MINUTES = """
    INSERT OR REPLACE INTO hour (at_s, probe, low, mean, high, count, faults)
    SELECT at_s / 3600 * 3600, probe, min(low),
           CAST(round(sum(mean * count) * 1.0 / nullif(sum(count), 0)) AS INTEGER), max(high), sum(count), sum(faults)
    FROM minute WHERE at_s >= ? AND at_s < ? GROUP BY 1, 2
"""
_ADD_MINUTE = """
    INSERT INTO minute (at_s, probe, low, mean, high, count, faults)
    SELECT ?, id, ?, ?, ?, ?, ? FROM probe WHERE name = ?
    ON CONFLICT (at_s, probe) DO UPDATE SET
        low = min(coalesce(low, excluded.low), coalesce(excluded.low, low)),
        mean = CASE WHEN mean IS NULL THEN excluded.mean WHEN excluded.mean IS NULL THEN mean
               ELSE (mean * count + excluded.mean * excluded.count) / (count + excluded.count) END,
        high = max(coalesce(high, excluded.high), coalesce(excluded.high, high)),
        count = count + excluded.count,
        faults = faults + excluded.faults
"""
_EVENT_TABLES = ("alarm", "batch", "dish_state", "note", "band", "power_gap", "command", "feed_round")
_BOUNDED_TABLES = (*_EVENT_TABLES, "run")
_UNSURE_TABLES = (*_EVENT_TABLES, "feed", "weighing")


def insert_readings(connection: Connection, runs: Iterable[Run], minutes: Iterable[Minute]) -> None:
    """One flush. Where the wall clock was set back, the row that came first stays."""
    runs, minutes = list(runs), list(minutes)
    names = {(run.probe,) for run in runs} | {(minute.probe,) for minute in minutes}
    known = {row[:1] for row in connection.execute("SELECT name FROM probe")}
    connection.executemany("INSERT INTO probe (name) VALUES (?)", sorted(names - known))
    connection.executemany(
        "INSERT OR IGNORE INTO reading (at_ms, probe, milli, fault, count, held_ms, sure)"
        " SELECT ?, id, ?, ?, ?, ?, ? FROM probe WHERE name = ?",
        [(r.at_ms, r.milli, r.fault, r.count, r.held_ms, int(r.sure), r.probe) for r in runs],
    )
    connection.executemany(
        _ADD_MINUTE, [(m.at_s, m.low, m.mean, m.high, m.readings, m.faults, m.probe) for m in minutes]
    )


def catch_up(connection: Connection) -> int | None:
    """After a kill the last minutes have readings but no summary: sum them up from the rows, once at the start.

    The time of the newest reading, None where there is none.
    """
    (last,) = connection.execute("SELECT max(at_s) FROM minute").fetchone()
    (newest,) = connection.execute("SELECT max(at_ms) FROM reading").fetchone()
    if newest is None:
        return None
    (oldest,) = connection.execute("SELECT min(at_ms) FROM reading").fetchone()
    # Where the readings of the minute before have been let go of, that minute is complete as it stands.
    first = -(-oldest // MINUTE_MS) * 60 if last is not None and last * 1000 > oldest else oldest // 1000
    _sum_up_again(connection, max(first, (last or 0) - 120), newest // 1000 + 60)
    return int(newest)


def _sum_up_again(connection: Connection, from_s: int, to_s: int) -> None:
    """The minutes in the range anew from the rows; for a range whose readings have all been kept."""
    from_s, to_s = from_s // 60 * 60, -(-to_s // 60) * 60
    connection.execute("DELETE FROM minute WHERE at_s >= ? AND at_s < ?", (from_s, to_s))
    connection.execute(_SUM_UP_READINGS, (from_s, to_s))


def shift_unsure(connection: Connection, since_ms: int, shift_ms: int, run_id: int | None) -> bool:
    """The wall clock has been set: move this run's rows from before to where they belong, and call them sure.

    Whether there were readings among them; then every minute up to now has been summed up again.
    """
    found = connection.execute(
        "SELECT min(at_ms), max(at_ms) FROM reading WHERE sure = 0 AND at_ms >= ?", (since_ms,)
    ).fetchone()
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
    if found[0] is None:
        return False
    first_s, last_s = found[0] // 60_000 * 60, found[1] // 1000 + 60
    _sum_up_again(connection, first_s, last_s)
    shift_s = shift_ms // 1000
    (newest,) = connection.execute("SELECT max(at_ms) FROM reading").fetchone()
    _sum_up_again(connection, first_s + shift_s, newest // 1000 + 60)
    connection.execute("DELETE FROM hour WHERE at_s >= ?", (min(first_s, first_s + shift_s) // 3600 * 3600,))
    return True


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
