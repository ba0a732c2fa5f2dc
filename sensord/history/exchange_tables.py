"""The tables of the history as they are exchanged: which columns, in which order, and how each value is written.

Times are RFC 3339 UTC with milliseconds, temperatures Celsius with a point, nothing is null.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, NamedTuple, TypeAlias

from sensord.clock import rfc3339
from sensord.texts import plain_text

__all__ = ["TABLES", "Codec", "Column", "Table", "Value", "can_be_empty"]

Value: TypeAlias = Any


class Codec(NamedTuple):
    """From the database to JSON, and from JSON or CSV text back; `read` raises ValueError with what is wrong."""

    show: Callable[[Value], Value]
    read: Callable[[Value], Value]


def _read_time(value: Value) -> int:
    moment = datetime.fromisoformat(str(value))
    if moment.tzinfo is None:
        raise ValueError("a time needs its offset, such as the Z at the end")
    return round(moment.timestamp() * 1000)


def _read_number(value: Value) -> float:
    number = float(value)
    if number != number or number in (float("inf"), float("-inf")):
        raise ValueError("not a finite number")
    return number


def _read_whole(value: Value) -> int:
    if isinstance(value, float | bool):
        raise ValueError("not a whole number")
    return int(value)


def _read_truth(value: Value) -> int:
    if value in (True, "true"):
        return 1
    if value in (False, "false"):
        return 0
    raise ValueError("write true or false")


def _read_text(value: Value) -> str:
    if not isinstance(value, str):
        raise ValueError("not a text")
    return plain_text(value)


def _read_day(value: Value) -> str:
    return date.fromisoformat(str(value)).isoformat()


_TIME = Codec(lambda ms: rfc3339(ms / 1000), _read_time)
_SECOND = Codec(lambda s: rfc3339(float(s)), lambda value: _read_time(value) // 1000)
_MILLI = Codec(lambda milli: milli / 1000, lambda value: round(_read_number(value) * 1000))
_NUMBER = Codec(lambda number: number, _read_number)
_WHOLE = Codec(lambda number: number, _read_whole)
_TRUTH = Codec(bool, _read_truth)
_TEXT = Codec(lambda text: text, _read_text)
_DAY = Codec(lambda text: text, _read_day)


class Column(NamedTuple):
    name: str
    stored: str
    codec: Codec
    optional: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    name: str
    columns: tuple[Column, ...]
    keys: int = 1
    time: str | None = "at_ms"

    @property
    def of_probe(self) -> bool:
        return any(column.name == "probe" and column.stored == "probe.name" for column in self.columns)

    def header(self) -> list[str]:
        return [column.name for column in self.columns]


_ID = Column("id", "id", _WHOLE)
_AT, _SURE = Column("at", "at_ms", _TIME), Column("sure", "sure", _TRUTH)
_PROBE = Column("probe", "probe.name", _TEXT)
_CELSIUS = Column("celsius", "celsius", _NUMBER, True)


def _texts(*names: str) -> tuple[Column, ...]:
    return tuple(Column(name, name, _TEXT) for name in names)


def _summary(name: str) -> Table:
    degrees = tuple(Column(f"{what}_celsius", what, _MILLI, True) for what in ("low", "mean", "high"))
    counts = (Column("count", "count", _WHOLE), Column("faults", "faults", _WHOLE))
    # The column is called after the table, so that the header of a CSV file tells one from the other.
    return Table(name, (Column(name, "at_s", _SECOND), _PROBE, *degrees, *counts), 2, "at_s")


def _event(name: str, *columns: Column) -> Table:
    return Table(name, (_ID, _AT, _SURE, *columns))


_LIST = (
    Table(
        "chick",
        (
            *_texts("name", "kind"),
            Column("hatched", "hatched", _DAY, True),
            *_texts("mark", "brooder"),
            Column("left", "gone", _DAY, True),
            Column("every_hours", "every_hours", _NUMBER, True),
        ),
        time=None,
    ),
    _event(
        "feed",
        *_texts("chick"),
        Column("millilitres", "millilitres", _NUMBER, True),
        Column("crop", "crop", _TEXT, True),
        _CELSIUS,
        *_texts("note", "origin"),
    ),
    _event("weighing", *_texts("chick"), Column("grams", "grams", _NUMBER), *_texts("note", "origin")),
    _event(
        "feed_round",
        *_texts("dish"),
        Column("batch", "batch_ms", _TIME, True),
        Column("ready", "ready_ms", _TIME),
        _CELSIUS,
    ),
    _event(
        "alarm",
        *_texts("place", "condition", "priority", "state", "previous"),
        _CELSIUS,
        *_texts("origin", "seen", "do_first"),
    ),
    _event("batch", *_texts("dish", "origin")),
    _event(
        "dish_state",
        *_texts("dish", "probe", "state", "previous"),
        _CELSIUS,
        Column("low_celsius", "low_celsius", _NUMBER, True),
        Column("high_celsius", "high_celsius", _NUMBER, True),
        *_texts("why"),
    ),
    _event(
        "note",
        *_texts("probe", "what"),
        Column("fault", "fault", _TEXT, True),
        Column("gap_seconds", "gap_seconds", _NUMBER, True),
        *_texts("detail"),
    ),
    _event(
        "band",
        *_texts("place"),
        Column("low_celsius", "low_celsius", _NUMBER),
        Column("high_celsius", "high_celsius", _NUMBER),
        *_texts("source"),
        Column("pinned", "pinned", _TRUTH),
    ),
    _event("power_gap", Column("gap_seconds", "gap_seconds", _NUMBER, True), *_texts("before", "after")),
    _event("command", *_texts("verb", "origin"), Column("done", "done", _TRUTH), *_texts("reason")),
    Table(
        "run",
        (
            _ID,
            Column("started", "started_ms", _TIME),
            _SURE,
            Column("stopped", "stopped_ms", _TIME, True),
            *_texts("version"),
        ),
        time="started_ms",
    ),
    _summary("hour"),
    _summary("minute"),
    Table(
        "reading",
        (
            _AT,
            _PROBE,
            Column("celsius", "milli", _MILLI, True),
            Column("fault", "fault", _TEXT, True),
            Column("count", "count", _WHOLE),
            Column("held_seconds", "held_ms", _MILLI),
            _SURE,
        ),
        2,
    ),
)
TABLES: dict[str, Table] = {table.name: table for table in _LIST}
"""What can be exported, in the order in which `all` writes it."""


def can_be_empty(column: Column) -> bool:
    """Whether an empty field of a CSV file is a text of no letters here, and not a missing value."""
    return column.codec is _TEXT and not column.optional
