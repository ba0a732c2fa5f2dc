"""The history's only module that knows SQLite: opening it as writer or reader, and what its errors mean to a person.

WAL with `synchronous=FULL`: a commit that has returned is on the disk, and a kill at any moment leaves a whole file.
"""

import fcntl
import os
import sqlite3
import stat
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, TypeAlias

from sensord.errors import StorageError
from sensord.texts import plain_text

Connection: TypeAlias = sqlite3.Connection

APPLICATION_ID = 0x736E7372  # "snsr", written into the file's header, so that another program's file is recognised
CACHE_KIBIBYTES = 512
"""Pages that a writer keeps in memory. SQLite's own 2000 would go on filling for weeks, with the growing file; rows go
to the end of few tables, so that more is of no use."""
_BUSY_SECONDS = 5.0
_COMPANIONS = ("", "-wal", "-shm")
_FOLDER_MODE, _FILE_MODE = 0o750, 0o640
"""Of what is made here: the daemon's user and its group may look, nobody else."""

Mark: TypeAlias = tuple[int, ...] | None
"""Which file a name leads to; None where to none."""


def lock_path(path: Path) -> Path:
    """The file whose lock makes a process the one writer of the history at `path`."""
    return path.with_name(f"{path.name}.lock")


def log_path(path: Path) -> Path:
    """Where SQLite keeps what is not yet in the file at `path` itself."""
    return path.with_name(f"{path.name}-wal")


def mark(path: Path, changes: bool = False) -> Mark:
    """Which file `path` leads to; with `changes` also its size and when it was last written to."""
    try:
        found = path.stat()
    except OSError:
        return None
    return (found.st_dev, found.st_ino, *((found.st_size, found.st_mtime_ns) if changes else ()))


def same_file(held: IO[bytes], path: Path) -> bool:
    """Whether `path` leads to the open file `held`."""
    found = os.fstat(held.fileno())
    return mark(path) == (found.st_dev, found.st_ino)


class DamagedError(StorageError):
    """The file is no database, not ours, or broken inside."""


class NewerError(StorageError):
    """The file is sound but made by a newer sensord; it is left as it is."""


@contextmanager
def telling(path: Path) -> Iterator[None]:
    """Turn what SQLite and the operating system raise about `path` into `StorageError` with a remedy."""
    try:
        yield
    except (sqlite3.Error, OSError) as error:
        if isinstance(error, StorageError):
            raise
        raise _told(path, error) from error
    except UnicodeDecodeError as error:  # SQLite's own words on a broken table of contents are not even text
        raise DamagedError(f"{path}: the history file is damaged") from error


def _told(path: Path, error: sqlite3.Error | OSError) -> StorageError:
    code = getattr(error, "sqlite_errorname", "") or ""
    if code.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB", "SQLITE_IOERR_SHORT_READ")):
        return DamagedError(f"{path}: the history file is damaged ({error})")
    if code == "SQLITE_FULL" or getattr(error, "errno", None) == 28:
        return StorageError(f"{path}: the disk is full, nothing more is kept: free some space, the watch goes on")
    if code.startswith("SQLITE_READONLY") or getattr(error, "errno", None) == 30:
        return StorageError(f"{path}: cannot be written, it or its folder is read-only: remount the card or replace it")
    if code.startswith("SQLITE_CANTOPEN") or isinstance(error, OSError):
        why = getattr(error, "strerror", None) or error
        return StorageError(f"{path}: cannot be opened ({why}): check that its folder exists and may be written to")
    if code.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return StorageError(f"{path}: another program keeps it locked: close that program")
    if code.startswith("SQLITE_IOERR"):
        return StorageError(f"{path}: the disk does not read or write reliably ({error}): replace the card soon")
    return StorageError(f"{path}: the history cannot be kept ({error})")


@contextmanager
def blaming_the_file() -> Iterator[None]:
    """Around the opening of a file: what SQLite can make nothing of there, no disk and no statement is to blame for."""
    try:
        yield
    except StorageError as error:
        # Read-only by its own header: `open_writer` has just opened it to write.
        if getattr(error.__cause__, "sqlite_errorname", "") not in ("SQLITE_ERROR", "SQLITE_READONLY"):
            raise
        raise DamagedError(f"the history file is damaged ({error.__cause__})") from error


def lock(path: Path, remedy: str = "stop it first") -> IO[bytes]:
    """Become the only writer of the history at `path` until the returned file is closed, or the process ends.

    Raises `StorageError` at once where another process is.
    """
    with telling(path):
        path.parent.mkdir(_FOLDER_MODE, parents=True, exist_ok=True)
        check_regular(lock_path(path))
        held = open(lock_path(path), "ab", opener=lambda name, flags: os.open(name, flags, _FILE_MODE))  # noqa: SIM115
        try:
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            held.close()
            raise StorageError(f"{path}: another sensord writes this history: {remedy}") from None
        return held


def _is_odd(path: Path) -> bool:
    """Whether something has this name that no file of ours can be: opening a pipe would wait for ever."""
    try:
        return not stat.S_ISREG(path.stat().st_mode)
    except FileNotFoundError:
        return path.is_symlink()


def check_regular(*paths: Path) -> None:
    """Raise `DamagedError` for a pipe, a device, a folder or a link to nowhere: there, nothing could ever be read."""
    for path in paths:
        if _is_odd(path):
            raise DamagedError(f"{path}: is no regular file")


@contextmanager
def leaving_nothing(path: Path) -> Iterator[None]:
    """Where there was no history at `path` and what is done inside fails, there is none afterwards either."""
    made = [folder for folder in (path.parent, *path.parent.parents) if not folder.exists()]
    files = [] if path.exists() else [*_parts(path), lock_path(path)]
    try:
        yield
    except BaseException:
        for file in files:
            file.unlink(missing_ok=True)
        with suppress(OSError):  # somebody has put something else there meanwhile
            for folder in made:
                folder.rmdir()
        raise


def open_writer(path: Path) -> Connection:
    """The one connection that writes; the file is made where there is none. Raises `StorageError`."""
    with telling(path):
        path.parent.mkdir(_FOLDER_MODE, parents=True, exist_ok=True)
        check_regular(*_parts(path))
        os.close(os.open(path, os.O_RDWR | os.O_CREAT, _FILE_MODE))  # its companions get the same rights
        connection = _connect(str(path))
        try:
            _check_ours(connection, path)
            connection.execute("PRAGMA journal_mode=WAL")
            connection.execute("PRAGMA synchronous=FULL")
            connection.execute(f"PRAGMA cache_size=-{CACHE_KIBIBYTES}")
        except BaseException:
            connection.close()
            raise
        return connection


def open_reader(path: Path, untouched: bool = False) -> Connection:
    """A connection that cannot write, beside a writer or without one. Raises `StorageError`.

    A reader of a file in WAL mode still makes the file's companions anew where nobody writes; `untouched` does without.
    """
    with telling(path):
        if not path.exists():
            raise StorageError(
                f"{path}: there is no history yet; `sensord run` begins one, or the first `sensord chick NAME`"
            )
        check_regular(*_parts(path))
        address = f"{path.absolute().as_uri()}?mode=ro"
        if untouched and not log_path(path).exists():
            address += "&immutable=1"
        connection = _connect(address, uri=True)
        try:
            _check_ours(connection, path)
        except BaseException:
            connection.close()
            raise
        return connection


def _connect(address: str, uri: bool = False) -> Connection:
    connection = sqlite3.connect(address, uri=uri, timeout=_BUSY_SECONDS, isolation_level=None, check_same_thread=False)
    # Damaged text is shown and ends no question; what an older version stored does nothing where it is shown.
    connection.text_factory = lambda raw: plain_text(raw.decode("utf-8", "replace"))
    return connection


def in_memory() -> Connection:
    """A database that nobody keeps."""
    return sqlite3.connect(":memory:", isolation_level=None)


def _parts(path: Path) -> list[Path]:
    return [path.with_name(path.name + end) for end in _COMPANIONS]


def _check_ours(connection: Connection, path: Path) -> None:
    (identity,) = connection.execute("PRAGMA application_id").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if identity != APPLICATION_ID and tables:
        raise DamagedError(f"{path}: this is another program's database, not a history of sensord")


def sound(connection: Connection, path: Path, thorough: bool = False) -> None:
    """Let SQLite check the whole file (`thorough`: the indexes against the tables too). Raises `DamagedError`."""
    with telling(path):
        found = connection.execute("PRAGMA integrity_check" if thorough else "PRAGMA quick_check").fetchall()
    if found != [("ok",)]:
        raise DamagedError(f"{path}: the history file is damaged: {found[0][0]}")


@contextmanager
def transaction(connection: Connection, path: Path) -> Iterator[Connection]:
    """All of it or nothing; on return it is on the disk. Raises `StorageError`."""
    with telling(path):
        connection.execute("BEGIN IMMEDIATE")
        try:
            yield connection
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise


def insert(connection: Connection, table: str, values: Mapping[str, object]) -> bool:
    """Insert one row; False where SQLite cannot hold it: one that cannot be kept must not hold up all others."""
    columns, marks = ", ".join(values), ", ".join("?" * len(values))
    try:
        connection.execute(f"INSERT INTO {table} ({columns}) VALUES ({marks})", tuple(values.values()))
    except (OverflowError, ValueError, sqlite3.IntegrityError, sqlite3.ProgrammingError):
        return False
    return True


def set_aside(path: Path, stamp: str) -> Path:
    """Rename a damaged file and its companions out of the way, never deleting; the new name of the main file."""
    aside = path.with_name(f"{path.name}.damaged-{stamp}")
    number = 1
    while aside.exists():
        number += 1
        aside = path.with_name(f"{path.name}.damaged-{stamp}-{number}")
    with telling(path):
        odd = [lock_path(path)] if _is_odd(lock_path(path)) else []
        for part in (*_parts(path), *odd):
            if part.exists() or part.is_symlink():
                part.rename(part.with_name(part.name.replace(path.name, aside.name, 1)))
    return aside


def copy_into(connection: Connection, path: Path, copy: Path) -> None:
    """A whole, compact copy of the history at this instant, also while it is being written. Raises `StorageError`."""
    if copy.exists():
        raise StorageError(f"{copy}: there is a file of this name already: choose another, nothing is overwritten")
    try:
        with telling(copy):
            connection.execute("VACUUM INTO ?", (str(copy),))
            with telling(path):
                check = sqlite3.connect(copy)
                try:
                    sound(check, copy, thorough=True)
                finally:
                    check.close()
    except StorageError:
        copy.unlink(missing_ok=True)  # half a copy is none
        raise
