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
from contextlib import suppress
from pathlib import Path
from secrets import token_hex
from typing import NamedTuple, TypeAlias, TypeVar

from sensord.errors import StorageError
from sensord.history.database import (
    CACHE_KIBIBYTES,
    DamagedError,
    blaming_the_file,
    check_regular,
    log_path,
    mark,
    set_aside,
    telling,
)

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
_UNUSABLE = "number < 1 OR typeof(payload) != 'blob' OR length(payload) = 0"
"""A row that no version of this program has written."""
_NEW = "INSERT INTO event (alarm, payload) VALUES (?, x'')"
_T = TypeVar("_T")


class Waiting(NamedTuple):
    """An event that the broker has not confirmed."""

    number: int
    payload: bytes


Unnumbered: TypeAlias = tuple[Callable[[int, str], bytes], bool]
"""What makes the payload of an event from its number and series, and whether it is an alarm."""


class Outbox:
    """The outbox in the file `path`; may be used from several threads.

    `most` is how many events are kept before some give way, `trouble` what there is to say of this outbox. Raises
    `StorageError` where the disk refuses. What is no outbox, or a damaged one, is set aside and a new series begun; a
    file that is moved or removed meanwhile is made anew with all that waits.
    """

    def __init__(self, path: Path, most: int = 5_000, trouble: str = "") -> None:
        self._path = path
        self._most = most
        self.trouble = trouble
        self._lock = threading.RLock()
        self._closed = False
        self._database = self._opened()

    @property
    def dropped(self) -> int:
        """How many events have ever given way."""
        return self._dropped

    def add(self, events: Sequence[Unnumbered], skipped: int = 0) -> list[int]:
        """Store the events, all or none, after a gap of `skipped` numbers for what was lost before; their numbers.

        They are on the disk when this returns.
        """

        def stored() -> list[int]:
            numbers = []
            if skipped:
                self._skip(skipped)
            for make, alarm in events:
                number = self._database.execute(_NEW, (alarm,)).lastrowid or 0
                payload = make(number, self.series)
                self._database.execute("UPDATE event SET payload = ? WHERE number = ?", (payload, number))
                numbers.append(number)
            self._make_room()
            return numbers

        return self._written(stored)

    def waiting(self, after: int, most: int) -> list[Waiting]:
        """At most `most` events with numbers above `after`, lowest first."""
        asked = "SELECT number, payload FROM event WHERE number > ? ORDER BY number LIMIT ?"
        with self._lock, telling(self._path):
            rows = self._database.execute(asked, (after, most)).fetchall()
        return [Waiting(number, bytes(payload)) for number, payload in rows]

    def remove(self, numbers: Iterable[int]) -> None:
        """Forget events that the broker has confirmed."""
        self._change("DELETE FROM event WHERE number = ?", [(number,) for number in numbers])

    def __len__(self) -> int:
        with self._lock, telling(self._path):
            return int(self._database.execute("SELECT count(*) FROM event").fetchone()[0])

    def hold(self, topics: Iterable[str]) -> None:
        """Remember, before the first publish, that these topics are retained at the broker because of us."""
        self._change("INSERT OR IGNORE INTO topic VALUES (?)", [(topic,) for topic in topics])

    def let_go(self, topics: Iterable[str]) -> None:
        """Forget topics that were cleared."""
        self._change("DELETE FROM topic WHERE name = ?", [(topic,) for topic in topics])

    def held(self) -> set[str]:
        """The topics that we hold retained at the broker."""
        with self._lock, telling(self._path):
            found = {str(row[0]) for row in self._database.execute("SELECT name FROM topic")}
        return {name for name in found if name and not set(name) & set("+\0\ufffd")}

    def close(self) -> None:
        """Fold the log into the file and close it."""
        with self._lock:
            self._closed = True
            self._database.close()

    # --- the file -----------------------------------------------------------------------------------------------------

    def _opened(self) -> sqlite3.Connection:
        try:
            return self._open()
        except DamagedError as error:
            aside = set_aside(self._path, token_hex(2))
            self.trouble = f"{error}: it was set aside as {aside.name}, events in it were not sent"
            return self._open()

    def _open(self) -> sqlite3.Connection:
        with blaming_the_file(), telling(self._path):
            if self._path != IN_MEMORY:
                self._path.parent.mkdir(0o750, parents=True, exist_ok=True)
                check_regular(self._path, log_path(self._path))
            database = sqlite3.connect(self._path, timeout=5.0, check_same_thread=False)
            database.text_factory = lambda raw: raw.decode("utf-8", "replace")
            try:
                database.execute("PRAGMA journal_mode = WAL")
                database.execute("PRAGMA synchronous = FULL")
                database.execute(f"PRAGMA cache_size = -{CACHE_KIBIBYTES}")
                if database.execute("PRAGMA quick_check(1)").fetchone()[0] != "ok":
                    raise DamagedError(f"{self._path}: the file is damaged inside")
                database.executescript(_SCHEMA)
                with database:
                    unusable = database.execute(f"DELETE FROM event WHERE {_UNUSABLE}").rowcount
                    facts = dict(database.execute("SELECT name, value FROM fact").fetchall())
                    self.series = str(facts.get("series", "")) or token_hex(4)
                    before = str(facts.get("dropped", ""))
                    self._dropped = (int(before) if before.isdecimal() and len(before) < 16 else 0) + unusable
                    known = [("series", self.series), ("dropped", str(self._dropped))]
                    database.executemany("INSERT OR REPLACE INTO fact VALUES (?, ?)", known)
            except BaseException:
                database.close()
                raise
        self._marks = self._look()
        return database

    def _look(self) -> tuple[object, object]:
        return (mark(self._path), mark(log_path(self._path)))

    def _written(self, work: Callable[[], _T]) -> _T:
        """Do `work` in one transaction; when this returns, it is on the disk, in the file of this name."""
        with self._lock:
            for _ in range(3):
                if not self._closed and self._look() != self._marks:
                    self._made_anew()
                with telling(self._path), self._database:
                    done = work()
                if self._closed or self._look() == self._marks:
                    return done
        raise StorageError(f"{self._path}: the outbox is replaced again and again: leave it to this program")

    def _made_anew(self) -> None:
        """Something has become of the file: what waits is carried over into the one that has its name now."""
        self.trouble = f"{self._path} was moved, removed or replaced by somebody else: it was made anew"
        events, topics, facts = [], [], []
        with suppress(sqlite3.Error):
            events = self._database.execute("SELECT number, alarm, payload FROM event").fetchall()
            topics = self._database.execute("SELECT name FROM topic").fetchall()
            facts = self._database.execute("SELECT name, value FROM fact").fetchall()
        self._database.close()
        self._database = self._opened()
        with telling(self._path), self._database:
            if not len(self):
                self._database.executemany("INSERT OR REPLACE INTO fact VALUES (?, ?)", facts)
                self.series = dict(facts).get("series", self.series)
            self._database.executemany("INSERT OR IGNORE INTO event VALUES (?, ?, ?)", events)
            self._database.executemany("INSERT OR IGNORE INTO topic VALUES (?)", topics)

    def _change(self, statement: str, rows: list[tuple[object, ...]]) -> None:
        if rows:
            self._written(lambda: self._database.executemany(statement, rows))

    # --- what gives way -----------------------------------------------------------------------------------------------

    def _make_room(self) -> None:
        held = len(self)
        gone = self._oldest_gone(held - self._most, "alarm = 0")
        gone += self._oldest_gone(held - gone - 10 * self._most, "TRUE")
        if gone:
            self._count_dropped(gone)

    def _oldest_gone(self, most: int, which: str) -> int:
        """Let go of the oldest events that are `which`; how many there were."""
        oldest = f"SELECT number FROM event WHERE {which} ORDER BY number LIMIT ?"
        return self._database.execute(f"DELETE FROM event WHERE number IN ({oldest})", (max(0, most),)).rowcount

    def _skip(self, count: int) -> None:
        """Use up numbers for events that are lost, so that whoever reads the others sees the gap."""
        number = self._database.execute(_NEW, (False,)).lastrowid or 0
        last = number + count - 1
        self._database.execute("UPDATE event SET number = ? WHERE number = ?", (last, number))
        self._database.execute("DELETE FROM event WHERE number = ?", (last,))
        self._database.execute("UPDATE sqlite_sequence SET seq = ? WHERE name = 'event'", (last,))
        self._count_dropped(count)

    def _count_dropped(self, count: int) -> None:
        self._dropped += count
        self._database.execute("INSERT OR REPLACE INTO fact VALUES ('dropped', ?)", (str(self._dropped),))
