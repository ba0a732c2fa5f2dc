"""Events on their way to the broker, kept on disk until the broker has confirmed them; and which topics we hold there.

A file of its own, `outbox.db` beside the history: an event must be on the disk before anybody is told of it, while the
history collects for half a minute, and a damaged history must not take the unsent alarms with it. SQLite in WAL mode
with `synchronous=FULL`: a commit survives a power cut (https://www.sqlite.org/pragma.html#pragma_synchronous).

What gives way when the outbox is full: the oldest event that is no alarm. Alarms never make room for anything else;
only an outbox that holds nothing but alarms, ten times over, lets go of its oldest. Readings are never in here: one
that arrives late would look like a live one.
"""

import sqlite3
import threading
from collections.abc import Callable, Iterable, Sequence
from contextlib import closing
from pathlib import Path
from secrets import token_hex
from typing import NamedTuple, TypeAlias

from sensord.errors import StorageError
from sensord.history.database import CACHE_KIBIBYTES

__all__ = ["IN_MEMORY", "Outbox", "Unnumbered", "Waiting"]

IN_MEMORY = Path(":memory:")
"""The path of an outbox that forgets everything when it is closed (https://www.sqlite.org/inmemorydb.html)."""

_SCHEMA = """
CREATE TABLE IF NOT EXISTS event (
    number INTEGER PRIMARY KEY AUTOINCREMENT,  -- never used twice, not even after the row has gone
    alarm INTEGER NOT NULL,
    payload BLOB NOT NULL
);
CREATE INDEX IF NOT EXISTS gives_way ON event (alarm, number);
CREATE TABLE IF NOT EXISTS fact (name TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS topic (name TEXT PRIMARY KEY);
PRAGMA user_version = 1;
"""


class Waiting(NamedTuple):
    """An event that the broker has not confirmed."""

    number: int
    payload: bytes


Unnumbered: TypeAlias = tuple[Callable[[int, str], bytes], bool]
"""What makes the payload of an event from its number and series, and whether it is an alarm."""


class Outbox:
    """The outbox in the file `path`; may be used from several threads.

    `most` is how many events are kept before some give way, `trouble` what there is to say of this outbox. Raises
    `StorageError` where the disk refuses; a damaged file is moved aside and a new series begun.
    """

    def __init__(self, path: Path, most: int = 5_000, trouble: str = "") -> None:
        self._path = path
        self._most = most
        self.trouble = trouble
        self._lock = threading.Lock()
        self.moved_aside: Path | None = None
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._database = self._opened()
        except sqlite3.DatabaseError as error:
            if isinstance(error, sqlite3.OperationalError):
                raise self._trouble(error) from error
            self.moved_aside = self._aside()
            self._database = self._opened()
        except OSError as error:
            raise self._trouble(error) from error
        self.series = self._fact("series") or self._remember("series", token_hex(4))
        self._dropped = int(self._fact("dropped") or 0)

    @property
    def dropped(self) -> int:
        """How many events have ever given way."""
        return self._dropped

    def add(self, events: Sequence[Unnumbered], skipped: int = 0) -> list[int]:
        """Store the events, all or none, after a gap of `skipped` numbers for what was lost before; their numbers.

        They are on the disk when this returns.
        """
        numbers = []
        with self._lock:
            try:
                with self._database:
                    if skipped:
                        self._skip(skipped)
                    for make, alarm in events:
                        cursor = self._database.execute("INSERT INTO event (alarm, payload) VALUES (?, x'')", (alarm,))
                        number = int(cursor.lastrowid or 0)
                        payload = make(number, self.series)
                        self._database.execute("UPDATE event SET payload = ? WHERE number = ?", (payload, number))
                        numbers.append(number)
                    self._make_room()
            except sqlite3.Error as error:
                raise self._trouble(error) from error
        return numbers

    def waiting(self, after: int, most: int) -> list[Waiting]:
        """At most `most` events with numbers above `after`, lowest first."""
        with self._lock:
            try:
                rows = self._database.execute(
                    "SELECT number, payload FROM event WHERE number > ? ORDER BY number LIMIT ?", (after, most)
                ).fetchall()
            except sqlite3.Error as error:
                raise self._trouble(error) from error
        return [Waiting(number, bytes(payload)) for number, payload in rows]

    def remove(self, numbers: Iterable[int]) -> None:
        """Forget events that the broker has confirmed."""
        self._change("DELETE FROM event WHERE number = ?", [(number,) for number in numbers])

    def __len__(self) -> int:
        with self._lock:
            return int(self._database.execute("SELECT count(*) FROM event").fetchone()[0])

    def hold(self, topics: Iterable[str]) -> None:
        """Remember, before the first publish, that these topics are retained at the broker because of us."""
        self._change("INSERT OR IGNORE INTO topic VALUES (?)", [(topic,) for topic in topics])

    def let_go(self, topics: Iterable[str]) -> None:
        """Forget topics that were cleared."""
        self._change("DELETE FROM topic WHERE name = ?", [(topic,) for topic in topics])

    def held(self) -> set[str]:
        """The topics that we hold retained at the broker."""
        with self._lock:
            return {str(row[0]) for row in self._database.execute("SELECT name FROM topic")}

    def close(self) -> None:
        """Fold the log into the file and close it."""
        with self._lock:
            self._database.close()

    def _opened(self) -> sqlite3.Connection:
        database = sqlite3.connect(self._path, timeout=5.0, check_same_thread=False)
        try:
            database.execute("PRAGMA journal_mode = WAL")
            database.execute("PRAGMA synchronous = FULL")
            database.execute(f"PRAGMA cache_size = -{CACHE_KIBIBYTES}")
            if database.execute("PRAGMA quick_check(1)").fetchone()[0] != "ok":
                raise sqlite3.DatabaseError("quick_check found damage")
            database.executescript(_SCHEMA)
        except sqlite3.Error:
            database.close()
            raise
        return database

    def _aside(self) -> Path:
        """Move a damaged file out of the way; it is never deleted."""
        number = 1
        while (aside := self._path.with_name(f"{self._path.name}.damaged-{number}")).exists():
            number += 1
        self._path.rename(aside)
        for suffix in ("-wal", "-shm"):
            leftover = self._path.with_name(self._path.name + suffix)
            if leftover.exists():
                leftover.rename(aside.with_name(aside.name + suffix))
        return aside

    def _make_room(self) -> None:
        held = int(self._database.execute("SELECT count(*) FROM event").fetchone()[0])
        if held <= self._most:
            return
        gone = self._database.execute(
            "DELETE FROM event WHERE number IN (SELECT number FROM event WHERE alarm = 0 ORDER BY number LIMIT ?)",
            (held - self._most,),
        ).rowcount
        if held - gone > 10 * self._most:
            gone += self._database.execute(
                "DELETE FROM event WHERE number IN (SELECT number FROM event ORDER BY number LIMIT ?)",
                (held - gone - 10 * self._most,),
            ).rowcount
        if gone:
            self._count_dropped(gone)

    def _skip(self, count: int) -> None:
        """Use up numbers for events that are lost, so that whoever reads the others sees the gap."""
        number = self._database.execute("INSERT INTO event (alarm, payload) VALUES (0, x'')").lastrowid or 0
        last = number + count - 1
        self._database.execute("UPDATE event SET number = ? WHERE number = ?", (last, number))
        self._database.execute("DELETE FROM event WHERE number = ?", (last,))
        self._database.execute("UPDATE sqlite_sequence SET seq = ? WHERE name = 'event'", (last,))
        self._count_dropped(count)

    def _count_dropped(self, count: int) -> None:
        self._dropped += count
        self._database.execute("INSERT OR REPLACE INTO fact VALUES ('dropped', ?)", (str(self._dropped),))

    def _fact(self, name: str) -> str:
        with closing(self._database.execute("SELECT value FROM fact WHERE name = ?", (name,))) as cursor:
            row = cursor.fetchone()
        return str(row[0]) if row else ""

    def _remember(self, name: str, value: str) -> str:
        self._change("INSERT OR REPLACE INTO fact VALUES (?, ?)", [(name, value)])
        return value

    def _change(self, statement: str, rows: list[tuple[object, ...]]) -> None:
        if not rows:
            return
        with self._lock:
            try:
                with self._database:
                    self._database.executemany(statement, rows)
            except sqlite3.Error as error:
                raise self._trouble(error) from error

    def _trouble(self, error: Exception) -> StorageError:
        return StorageError(
            f"{self._path}: the outbox cannot be used: {error}: check free space and that the folder may be written"
        )
