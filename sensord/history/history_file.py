"""The writer's hold on the history's file: opened, checked, brought up to date, and begun anew where it is damaged.

Nothing counts as written that is not in the file of that name: one that was moved, replaced, removed or written to by
somebody else is noticed before a write is done, and the write made again in the file that then has the name.
"""

import logging
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import IO, TypeVar

from sensord.clock import Clock, rfc3339
from sensord.errors import StorageError
from sensord.history.database import (
    Connection,
    DamagedError,
    Mark,
    blaming_the_file,
    lock,
    lock_path,
    log_path,
    mark,
    open_writer,
    same_file,
    set_aside,
    sound,
    telling,
    transaction,
)
from sensord.history.migrations import MIGRATIONS, Migration, migrate

_log = logging.getLogger(__name__)

FILE_NAME = "history.db"
_RETRY_SECONDS = 10.0
_MOST_TRIES = 3
_Done = TypeVar("_Done")


class HistoryFile:
    """The one writing connection to the history in `folder`, for one thread at a time.

    Nothing is opened before the first write, so that a long check of the file never delays a start. `daemon` False, for
    a command, skips that check: what is damaged shows itself.
    """

    def __init__(
        self, folder: Path, clock: Clock, migrations: Sequence[Migration] = MIGRATIONS, *, daemon: bool = True
    ) -> None:
        self.path = folder / FILE_NAME
        self.openings = 0
        """How often it was opened: another number, another file, perhaps."""
        self.words = ""
        """What became of a file that was damaged, moved or replaced; empty while none was."""
        self._clock = clock
        self._migrations = migrations
        self._daemon = daemon
        self._mutex = threading.RLock()
        self._connection: Connection | None = None
        self._held: IO[bytes] | None = None
        self._marks: tuple[Mark, ...] = (None, None, None)
        self._untold: list[str] = []
        self._news = ""
        self._trouble: StorageError | None = None
        self._tried_seconds = 0.0

    def write(self, work: Callable[[Connection], _Done]) -> _Done:
        """Do `work` in one transaction; when this returns, it is on the disk, in the file of this name.

        `work` may run again where the file was replaced under it. Raises `StorageError`, for some seconds without
        another try where the disk has just failed; what `work` raises goes through, with nothing written.
        """
        with self._mutex:
            now = self._clock.monotonic_seconds()
            if self._trouble is not None and now - self._tried_seconds < _RETRY_SECONDS:
                raise self._trouble
            self._tried_seconds = now
            try:
                done = self._written(work)
            except StorageError as error:
                self._trouble = error
                raise
            self._trouble = None
            return done

    def _written(self, work: Callable[[Connection], _Done]) -> _Done:
        for _ in range(_MOST_TRIES):
            try:
                connection = self._open()
                with transaction(connection, self.path):
                    connection.executemany(_ADD_NOTE, [(self._now_ms(), words) for words in self._untold])
                    done = work(connection)
            except DamagedError as error:
                self._close_connection()
                aside = set_aside(self.path, rfc3339(self._clock.utc_seconds())[:19].replace(":", ""))
                self._tell(f"{error}; it was set aside as {aside.name} and a new one begun")
                continue
            if self._is_there():
                self._marks = self._look()
                self._untold.clear()
                return done
        raise StorageError(f"{self.path}: is replaced again and again: leave it to this program")

    def tend(self, work: Callable[[Connection], _Done]) -> _Done | None:
        """Let `work` do its own transactions on the open file; nothing where it is not open."""
        with self._mutex:
            if self._connection is None:
                return None
            done = work(self._connection)
            self._marks = self._look()
            return done

    def take_news(self) -> str:
        """What has become of the file since this was last asked; empty where nothing has."""
        news, self._news = self._news, ""
        return news

    def close(self) -> None:
        """Fold the log into the file and let go of it; the next write would open it again."""
        with self._mutex:
            try:
                if self._connection is not None:
                    with telling(self.path):
                        self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            finally:
                self._close_connection()
                if self._held is not None:
                    self._held.close()
                    self._held = None

    def _open(self) -> Connection:
        if self._connection is not None and not (self._is_there() and self._look()[:2] == self._marks[:2]):
            self._close_connection()
            self._tell(f"{self.path} was moved, removed or changed by somebody else: what has that name now is used")
        if self._held is not None and not same_file(self._held, lock_path(self.path)):
            self._held.close()
            self._held = None
        if self._held is None:
            self._held = lock(self.path, "stop it first" if self._daemon else "name its control socket with --socket")
        if self._connection is None:
            with blaming_the_file():
                self._connection = self._opened()
            self._marks = self._look()
            self.openings += 1
        return self._connection

    def _opened(self) -> Connection:
        connection = open_writer(self.path)
        try:
            if self._daemon:
                sound(connection, self.path)
            migrate(connection, self.path, self._migrations)
            with transaction(connection, self.path):  # a header can say that nobody may write
                connection.execute(f"PRAGMA user_version = {len(self._migrations)}")
        except BaseException:
            connection.close()
            raise
        return connection

    def _look(self) -> tuple[Mark, ...]:
        """What can be seen of the file and its log from outside: which ones they are, and when the file was changed."""
        return (mark(self.path), mark(self.path, changes=True), mark(log_path(self.path)))

    def _is_there(self) -> bool:
        """Whether the names still lead to the file that is open and to its log."""
        now = self._look()
        return now[0] == self._marks[0] and self._marks[2] in (None, now[2])

    def _tell(self, words: str) -> None:
        _log.error("%s", words)
        self.words = self._news = words
        self._untold.append(words)

    def _now_ms(self) -> int:
        return round(self._clock.utc_seconds() * 1000)

    def _close_connection(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None


_ADD_NOTE = "INSERT INTO note (at_ms, sure, probe, what, detail) VALUES (?, 1, '', 'history_replaced', ?)"
