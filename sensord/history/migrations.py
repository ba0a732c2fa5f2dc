"""The tables of the history, as numbered steps. Each step is one transaction: it has happened, or it has not.

Steps are never edited once released; a change is a new step. Times are UTC milliseconds since 1970 (`at_ms`);
`sure` is 0 where the wall clock had not been set yet. Temperatures in `reading`, `minute` and `hour` are integers in
thousandths of a degree Celsius, everywhere else plain Celsius; the views `readings` and `minutes` show them as a
person reads them.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from sensord.history.database import (
    APPLICATION_ID,
    Connection,
    DamagedError,
    NewerError,
    in_memory,
    telling,
    transaction,
)


class Migration(NamedTuple):
    """One step: what for, and its statements with semicolons between."""

    why: str
    script: str


# A row of `reading` is a value that held: `count` equal readings from `at_ms` on, the last one `held_ms` later.
# The key begins with the time, so that the flash card sees one page written at the end and not one per probe.
_WATCH = Migration(
    "what the daemon saw and said",
    f"""
    PRAGMA application_id = {APPLICATION_ID};
    CREATE TABLE run (id INTEGER PRIMARY KEY, started_ms INTEGER NOT NULL, sure INTEGER NOT NULL,
        stopped_ms INTEGER, version TEXT NOT NULL);
    CREATE TABLE probe (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE);
    CREATE TABLE reading (at_ms INTEGER, probe INTEGER, milli INTEGER, fault TEXT, count INTEGER NOT NULL,
        held_ms INTEGER NOT NULL, sure INTEGER NOT NULL, PRIMARY KEY (at_ms, probe)) WITHOUT ROWID;
    CREATE TABLE minute (at_s INTEGER, probe INTEGER, low INTEGER, mean INTEGER, high INTEGER,
        count INTEGER NOT NULL, faults INTEGER NOT NULL, PRIMARY KEY (at_s, probe)) WITHOUT ROWID;
    CREATE TABLE hour (at_s INTEGER, probe INTEGER, low INTEGER, mean INTEGER, high INTEGER,
        count INTEGER NOT NULL, faults INTEGER NOT NULL, PRIMARY KEY (at_s, probe)) WITHOUT ROWID;
    CREATE TABLE alarm (id INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, sure INTEGER NOT NULL, place TEXT NOT NULL,
        condition TEXT NOT NULL, priority TEXT NOT NULL, state TEXT NOT NULL, previous TEXT NOT NULL, celsius REAL,
        origin TEXT NOT NULL, seen TEXT NOT NULL, do_first TEXT NOT NULL);
    CREATE INDEX alarm_at ON alarm (at_ms);
    CREATE TABLE batch (id INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, sure INTEGER NOT NULL, dish TEXT NOT NULL,
        origin TEXT NOT NULL);
    CREATE TABLE dish_state (id INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, sure INTEGER NOT NULL,
        dish TEXT NOT NULL, probe TEXT NOT NULL, state TEXT NOT NULL, previous TEXT NOT NULL, celsius REAL,
        low_celsius REAL, high_celsius REAL, why TEXT NOT NULL);
    CREATE INDEX dish_state_at ON dish_state (at_ms);
    CREATE TABLE note (id INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, sure INTEGER NOT NULL, probe TEXT NOT NULL,
        what TEXT NOT NULL, fault TEXT, gap_seconds REAL, detail TEXT NOT NULL);
    CREATE INDEX note_at ON note (at_ms);
    CREATE TABLE band (id INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, sure INTEGER NOT NULL, place TEXT NOT NULL,
        low_celsius REAL NOT NULL, high_celsius REAL NOT NULL, source TEXT NOT NULL, pinned INTEGER NOT NULL);
    CREATE TABLE power_gap (id INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, sure INTEGER NOT NULL,
        gap_seconds REAL, before TEXT NOT NULL, after TEXT NOT NULL);
    CREATE TABLE command (id INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, sure INTEGER NOT NULL, verb TEXT NOT NULL,
        origin TEXT NOT NULL, done INTEGER NOT NULL, reason TEXT NOT NULL);
    CREATE TABLE state (key TEXT PRIMARY KEY, value TEXT NOT NULL);
    CREATE VIEW readings AS SELECT strftime('%Y-%m-%dT%H:%M:%fZ', at_ms / 1000.0, 'unixepoch') AS at,
        name AS probe, milli / 1000.0 AS celsius, fault, count, held_ms / 1000.0 AS held_seconds, sure
        FROM reading JOIN probe ON probe.id = reading.probe;
    CREATE VIEW minutes AS SELECT strftime('%Y-%m-%dT%H:%MZ', at_s, 'unixepoch') AS at, name AS probe,
        low / 1000.0 AS low_celsius, mean / 1000.0 AS mean_celsius, high / 1000.0 AS high_celsius, count, faults
        FROM minute JOIN probe ON probe.id = minute.probe
    """,
)
_CARE = Migration(
    "what the keeper wrote down",
    """
    CREATE TABLE chick (name TEXT PRIMARY KEY, kind TEXT NOT NULL, hatched TEXT, mark TEXT NOT NULL,
        brooder TEXT NOT NULL, gone TEXT, every_hours REAL);
    CREATE TABLE feed_round (id INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, sure INTEGER NOT NULL,
        dish TEXT NOT NULL, batch_ms INTEGER, ready_ms INTEGER NOT NULL, celsius REAL);
    CREATE TABLE feed (id INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, sure INTEGER NOT NULL,
        chick TEXT NOT NULL REFERENCES chick (name), millilitres REAL, crop TEXT, celsius REAL,
        note TEXT NOT NULL, origin TEXT NOT NULL);
    CREATE INDEX feed_of ON feed (chick, at_ms);
    CREATE TABLE weighing (id INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, sure INTEGER NOT NULL,
        chick TEXT NOT NULL REFERENCES chick (name), grams REAL NOT NULL, note TEXT NOT NULL, origin TEXT NOT NULL);
    CREATE INDEX weighing_of ON weighing (chick, at_ms)
    """,
)
MIGRATIONS: tuple[Migration, ...] = (_WATCH, _CARE)


def version_of(connection: Connection) -> int:
    """How many steps this file has behind it."""
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    return int(version)


def migrate(connection: Connection, path: Path, migrations: Sequence[Migration] = MIGRATIONS) -> int:
    """Bring the file up to date; how many steps were taken. Raises `NewerError` for one from a newer sensord."""
    with telling(path):
        version = version_of(connection)
    if version < 0:
        raise DamagedError(f"{path}: the history file is damaged (it counts {version} steps)")
    if version > len(migrations):
        raise NewerError(
            f"{path}: was written by a newer sensord (step {version}, this one knows {len(migrations)}):"
            " install that version again, or move the file elsewhere to begin a new one"
        )
    for number, migration in enumerate(migrations[version:], version + 1):
        with transaction(connection, path):
            _do(connection, migration)
            connection.execute(f"PRAGMA user_version = {number}")
    if not schema(migrations).items() <= _columns(connection, path).items():
        raise DamagedError(f"{path}: the history file is damaged: its tables are not what they should be")
    return len(migrations) - version


def _do(connection: Connection, migration: Migration) -> None:
    for statement in migration.script.split(";"):
        connection.execute(statement)


class StoredColumn(NamedTuple):
    """A column as a table has it: its declared kind, whether it must hold something, whether it is of the key."""

    name: str
    kind: str
    required: bool
    is_key: bool


def schema(migrations: Sequence[Migration] = MIGRATIONS) -> dict[str, list[StoredColumn]]:
    """The columns of every table once all steps are done."""
    connection = in_memory()
    for migration in migrations:
        _do(connection, migration)
    return _columns(connection, Path(":memory:"))


def _columns(connection: Connection, path: Path) -> dict[str, list[StoredColumn]]:
    columns: dict[str, list[StoredColumn]] = {}
    with telling(path):
        for table, name, kind, required, key in connection.execute(
            'SELECT m.name, c.name, c.type, c."notnull", c.pk FROM sqlite_master AS m, pragma_table_info(m.name) AS c'
            " WHERE m.type = 'table' ORDER BY m.name, c.cid"
        ):
            columns.setdefault(table, []).append(StoredColumn(name, kind, bool(required or key), bool(key)))
    return columns
