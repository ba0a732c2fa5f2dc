"""What a kill -9 may cost and what it may not, counted; shared by the test (a few kills) and the campaign."""

import os
import random
import signal
import sqlite3
import subprocess
import sys
import threading
from dataclasses import dataclass
from pathlib import Path

from tests.helpers.history_child import FLUSH_SECONDS

ROOT = Path(__file__).parents[2]


@dataclass
class Counts:
    """One line of the campaign."""

    kills: int = 0
    opens: int = 0
    whole: int = 0
    promised: int = 0
    missing: int = 0
    most_seconds_lost: float = 0.0
    half_done: int = 0


def _run(mode: str, folder: Path, start_utc: float, seconds: float) -> tuple[list[str], float]:
    """Let the child work for `seconds` after its first line, kill it, return what it promised."""
    command = [sys.executable, "-m", "tests.helpers.history_child", mode, str(folder), str(start_utc)]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        lines = [child.stdout.readline().strip()]
        timer = threading.Timer(seconds, os.kill, (child.pid, signal.SIGKILL))
        timer.start()
        lines += [line.strip() for line in child.stdout if line.endswith("\n")]
        child.wait()
        timer.cancel()
    return [line for line in lines if line], start_utc


def kill_writer(folder: Path, kills: int, seed: int) -> Counts:
    """Kill a writer `kills` times on one growing file and compare the file with what was promised."""
    chance = random.Random(seed)
    counts = Counts()
    start_utc = 1_800_000_000.0
    for _ in range(kills):
        lines, _ = _run("write", folder, start_utc, chance.uniform(0.0, 0.25))
        counts.kills += 1
        connection = sqlite3.connect(folder / "history.db")
        counts.opens += 1
        counts.whole += connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        since = (round(start_utc * 1000),)
        alarms = {row[0] for row in connection.execute("SELECT seen FROM alarm WHERE at_ms >= ?", since)}
        feeds = {row[0] for row in connection.execute("SELECT note FROM feed WHERE at_ms >= ?", since)}
        last_ms = round(start_utc * 1000)
        for kind, number in (line.split() for line in lines):
            if kind == "chick":
                continue
            if kind == "read":
                last_ms = int(number)
                continue
            counts.promised += 1
            counts.missing += number not in (alarms if kind == "alarm" else feeds)
        (newest,) = connection.execute("SELECT max(at_ms + held_ms) FROM reading").fetchone()
        connection.close()
        kept_ms = max(newest or 0, round(start_utc * 1000))  # a short life may not have come to its first flush
        counts.most_seconds_lost = max(counts.most_seconds_lost, (last_ms - kept_ms) / 1000)
        start_utc += 100_000.0
    return counts


def kill_migration(folder: Path, kills: int, seed: int) -> Counts:
    """Kill the migration of a filled file; it must have happened or not, and succeed when let through."""
    chance = random.Random(seed)
    counts = Counts()
    path = folder / "history.db"
    _fill(folder)
    before = path.read_bytes()
    for _ in range(kills):
        for part in ("-wal", "-shm"):
            Path(f"{path}{part}").unlink(missing_ok=True)
        path.write_bytes(before)
        _run("migrate", folder, _MIGRATED_UTC, chance.uniform(0.0, 0.5))
        counts.kills += 1
        connection = sqlite3.connect(path)
        counts.opens += 1
        counts.whole += connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        (tables,) = connection.execute("SELECT count(*) FROM sqlite_master WHERE name LIKE 'remade%'").fetchone()
        (rows,) = connection.execute("SELECT count(*) FROM reading WHERE at_ms < ?", (_MIGRATED_UTC * 1000,)).fetchone()
        counts.half_done += (version, tables) not in ((2, 0), (3, 3))
        counts.missing += rows != _ROWS
        counts.promised += 1
        connection.close()
    return counts


_ROWS = 150_000
_MIGRATED_UTC = 1_800_100_000.0  # after the rows, and not so long that they would be let go of


def _fill(folder: Path) -> None:
    _run("write", folder, 1_700_000_000.0, 0.3)
    connection = sqlite3.connect(folder / "history.db")
    connection.execute("DELETE FROM reading")
    rows = ((1_800_000_000_000 + 250 * i, 1, 36_000 + i % 64, 1, 0, 1) for i in range(_ROWS))
    connection.executemany(
        "INSERT INTO reading (at_ms, probe, milli, count, held_ms, sure) VALUES (?, ?, ?, ?, ?, ?)", rows
    )
    connection.commit()
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()


__all__ = ["FLUSH_SECONDS", "Counts", "kill_migration", "kill_writer"]
