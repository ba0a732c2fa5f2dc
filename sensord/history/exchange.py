"""The history as CSV or JSON lines, and back without loss: exporting what was imported gives the same bytes again.

Times are RFC 3339 UTC with milliseconds, temperatures Celsius with a point, nothing is an empty field (CSV) or null.
An import is all or nothing: every bad row is named with its line, and then no row is taken. An export leaves no row
out: what cannot be stands in it as it is stored, and is counted.
"""

import csv
import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple, TextIO, TypeAlias

from sensord.errors import DataError, unreadable
from sensord.history.columns import TABLES, Column, Table, Value, can_be_empty, written_value
from sensord.history.database import (
    Connection,
    check_regular,
    leaving_nothing,
    lock,
    open_writer,
    telling,
    transaction,
)
from sensord.history.migrations import migrate
from sensord.texts import from_sheet, plain_text, sheet_text

_MOST_TOLD = 20
Span: TypeAlias = tuple[float | None, float | None]
"""From when to before when, in UTC seconds."""
EVER: Span = (None, None)
"""From the first row to the last, whatever time they tell."""


class _Shown(NamedTuple):
    values: list[Value]
    wrong: str


def _rows(connection: Connection, path: Path, table: Table, span: Span = EVER) -> Iterator[_Shown]:
    """The rows of a table as they are written outside, each with what in it cannot be."""
    columns = ", ".join(c.stored if c.stored == "probe.name" else f"{table.name}.{c.stored}" for c in table.columns)
    join = f" LEFT JOIN probe ON probe.id = {table.name}.probe" if table.of_probe else ""
    bounds = [
        (sign, at) for sign, at in zip((">=", "<"), span, strict=True) if at is not None and table.time is not None
    ]
    where = " AND ".join(f"{table.time} {sign} ?" for sign, _ in bounds)
    scale = 1 if table.time == "at_s" else 1000
    order = ", ".join(str(number + 1) for number in range(table.keys))
    question = f"SELECT {columns} FROM {table.name}{join}{' WHERE ' if where else ''}{where} ORDER BY {order}"
    with telling(path):
        for row in connection.execute(question, [round(at * scale) for _, at in bounds]):
            found = [written_value(column, value) for column, value in zip(table.columns, row, strict=True)]
            yield _Shown([value for value, _ in found], next((wrong for _, wrong in found if wrong), ""))


@dataclass(frozen=True, slots=True)
class Exported:
    """How many rows were written, and how many of them hold what cannot be: an import would refuse those."""

    rows: int = 0
    impossible: int = 0


def export_csv(connection: Connection, path: Path, table: str, out: TextIO, span: Span = EVER) -> Exported:
    """One table with a header line. `out` is opened with newline=''."""
    writer = csv.writer(out, lineterminator="\r\n")  # RFC 4180; both are then quoted inside a field
    writer.writerow(TABLES[table].header())
    shown = _rows(connection, path, TABLES[table], span)
    return _written(shown, lambda values: writer.writerow([_csv_text(value) for value in values]))


def _csv_text(value: Value) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return sheet_text(value)
    return ("true" if value else "false") if isinstance(value, bool) else str(value)


def export_jsonl(connection: Connection, path: Path, tables: Sequence[str], out: TextIO, span: Span = EVER) -> Exported:
    """One object a row, with its table's name."""
    done = Exported()
    for table in tables:
        names = TABLES[table].header()

        def write(values: list[Value], table: str = table, names: list[str] = names) -> None:
            fields = {"table": table, **dict(zip(names, values, strict=True))}
            out.write(json.dumps(fields, ensure_ascii=False) + "\n")

        more = _written(_rows(connection, path, TABLES[table], span), write)
        done = Exported(done.rows + more.rows, done.impossible + more.impossible)
    return done


def _written(shown: Iterator[_Shown], write: Callable[[list[Value]], object]) -> Exported:
    rows = impossible = 0
    for row in shown:
        write(row.values)
        rows, impossible = rows + 1, impossible + bool(row.wrong)
    return Exported(rows, impossible)


def impossible_rows(connection: Connection, path: Path) -> Iterator[str]:
    """A sentence for each stored row that holds what cannot be: made by damage, or by a version that let it in."""
    for table in TABLES.values():
        for row in _rows(connection, path, table):
            if row.wrong:
                key = ", ".join(str(value) for value in row.values[: table.keys])
                yield f"{table.name} {key}: {row.wrong}"


@dataclass(frozen=True, slots=True)
class Imported:
    """Rows that were new, and rows that were there already, alike in every field."""

    taken: int
    known: int


class _Line(NamedTuple):
    number: int
    table: Table
    fields: dict[str, Value]


def import_file(history: Path, source: Path) -> Imported:
    """Take every row of an exported file into the history at `history` (made where there is none), or none.

    Raises `DataError` with the number of each bad line, `StorageError` where the history is in use or cannot be had.
    """
    with leaving_nothing(history):
        return _imported(history, source)


def _imported(history: Path, source: Path) -> Imported:
    held = lock(history)
    connection = open_writer(history)
    try:
        migrate(connection, history)
        troubles: list[str] = []
        taken = known = 0
        with transaction(connection, history):
            for line in _lines(source, troubles):
                try:
                    new = _take(connection, line)
                except ValueError as error:
                    troubles.append(f"line {line.number}: {error}")
                else:
                    taken, known = taken + new, known + (not new)
            if troubles:
                more = len(troubles) - _MOST_TOLD
                told = [*troubles[:_MOST_TOLD], *([f"and {more} more"] if more > 0 else [])]
                raise DataError(f"{source}: nothing was imported:\n  " + "\n  ".join(told))
        return Imported(taken, known)
    finally:
        connection.close()
        held.close()


def _lines(source: Path, troubles: list[str]) -> Iterator[_Line]:
    try:
        check_regular(source)
        with source.open(encoding="utf-8", newline="") as file:
            first = file.read(1)
            if not first:
                raise DataError(f"{source}: is empty: give a file that `sensord export` wrote")
            file.seek(0)
            yield from _json_lines(file, troubles) if first == "{" else _csv_lines(file, source, troubles)
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise DataError(f"{source}: {unreadable(error)}") from error


def _json_lines(file: TextIO, troubles: list[str]) -> Iterator[_Line]:
    for number, text in enumerate(file, 1):
        try:
            fields = json.loads(text)
            table = TABLES[fields.pop("table")]
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
            troubles.append(f'line {number}: not an object with "table" being one of {", ".join(TABLES)}')
            continue
        yield _Line(number, table, fields)


def _csv_lines(file: TextIO, source: Path, troubles: list[str]) -> Iterator[_Line]:
    reader = csv.reader(file, strict=True)
    header = next(reader, [])
    table = next((one for one in TABLES.values() if one.header() == header), None)
    if table is None:
        names = plain_text(", ".join(header)[:200]) or "an empty line"
        raise DataError(f"{source}: line 1: these are not the column names of an export: {names}")
    for row in reader:
        if len(row) != len(header):
            troubles.append(f"line {reader.line_num}: has {len(row)} fields, the header {len(header)}")
            continue
        fields = {
            column.name: (from_sheet(value) if value or can_be_empty(column) else None)
            for column, value in zip(table.columns, row, strict=True)
        }
        yield _Line(reader.line_num, table, fields)


def _take(connection: Connection, line: _Line) -> bool:
    """Insert one row; False where the very same row is there. Raises ValueError with what is wrong."""
    table = line.table
    unknown = line.fields.keys() - set(table.header())
    if unknown:
        raise ValueError(plain_text(f"{table.name} has no {', '.join(sorted(unknown))}"[:200]))
    values = {column.stored: _value(column, line.fields) for column in table.columns}
    if table.name in ("feed", "weighing"):
        _check_chick(connection, values["chick"])
    if table.of_probe:
        name = values.pop("probe.name")
        connection.execute("INSERT OR IGNORE INTO probe (name) VALUES (?)", (name,))
        (values["probe"],) = connection.execute("SELECT id FROM probe WHERE name = ?", (name,)).fetchone()
    names, marks = ", ".join(values), ", ".join("?" * len(values))
    done = connection.execute(f"INSERT OR IGNORE INTO {table.name} ({names}) VALUES ({marks})", tuple(values.values()))
    if done.rowcount:
        return True
    same = " AND ".join(f"{name} IS ?" for name in values)
    if connection.execute(f"SELECT 1 FROM {table.name} WHERE {same}", tuple(values.values())).fetchone():
        return False
    key = ", ".join(f"{column.name} {line.fields[column.name]}" for column in table.columns[: table.keys])
    raise ValueError(f"{table.name} with {key} is in the history already and differs: import into an empty history")


def _value(column: Column, fields: dict[str, Value]) -> Value:
    value = fields.get(column.name)
    if value is None:
        if column.optional:
            return None
        raise ValueError(f"{column.name} is missing")
    try:
        return column.codec.read(value)
    except (ValueError, TypeError, OverflowError, RecursionError) as error:
        shown = plain_text(repr(value))
        raise ValueError(f"{column.name}: {shown[:100]} will not do: {error}") from None


def _check_chick(connection: Connection, name: str) -> None:
    if connection.execute("SELECT 1 FROM chick WHERE name = ?", (name,)).fetchone() is None:
        raise ValueError(f"there is no chick '{name}': import the chicks first")
