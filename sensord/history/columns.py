"""What the history's columns hold: how each is written outside, and what can be in it at all.

The tables are those of `migrations`; here stands, once for each name of a column, how its values are shown and read.
Reading is the gate: bounds, finite numbers, known words. An import takes nothing that does not pass it, and what a
damaged file or an older version has stored besides is named by it.
"""

import json
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, NamedTuple, TypeAlias

from sensord.care.chicks import Crop
from sensord.care.plausible import CHICK_NAME, POSSIBLE, check_possible
from sensord.clock import rfc3339
from sensord.history.migrations import StoredColumn, schema
from sensord.readings import FaultKind
from sensord.texts import plain_text
from sensord.watch.command_table import COMMANDS
from sensord.watch.conditions import Condition
from sensord.watch.cues import Priority
from sensord.watch.effects import AlarmState, DishState, Note
from sensord.watch.events import Origin

Value: TypeAlias = Any

_LONGEST_TEXT = 2000
_LONGEST_NAME = 64
_MOST_COUNTED = 10**9
_MOST_ID = 10**12  # beyond it SQLite would soon run out of numbers to give


class Codec(NamedTuple):
    """From the database to JSON, and from JSON or CSV text back; `read` raises ValueError with what is wrong."""

    show: Callable[[Value], Value]
    read: Callable[[Value], Value]
    is_text: bool = False


def _read_time(value: Value) -> int:
    moment = datetime.fromisoformat(str(value))
    if moment.tzinfo is None:
        raise ValueError("a time needs its offset, such as the Z at the end")
    if moment.year < 1970:
        raise ValueError("a time before 1970")
    return round(moment.timestamp() * 1000)


def _number_of(what: str) -> Callable[[Value], float]:
    def read(value: Value) -> float:
        return check_possible(what, float(value))

    return read


def _whole(low: int, high: int) -> Codec:
    def read(value: Value) -> int:
        if isinstance(value, float | bool):
            raise ValueError("not a whole number")
        number = int(value)
        if not low <= number <= high:
            raise ValueError(f"not between {low} and {high}")
        return number

    return Codec(lambda number: number, read)


def _read_truth(value: Value) -> int:
    if value in (True, "true"):
        return 1
    if value in (False, "false"):
        return 0
    raise ValueError("write true or false")


def _read_day(value: Value) -> str:
    return date.fromisoformat(str(value)).isoformat()


def _text(longest: int) -> Codec:
    def read(value: Value) -> str:
        if not isinstance(value, str):
            raise ValueError("not a text")
        if len(value) > longest:
            raise ValueError(f"longer than {longest} characters")
        return plain_text(value)

    return Codec(lambda text: text, read, is_text=True)


def _word(known: Iterable[str]) -> Codec:
    words = dict.fromkeys(map(str, known))

    def read(value: Value) -> str:
        if not isinstance(value, str) or value not in words:
            raise ValueError(f"known are {', '.join(words)}")
        return value

    return Codec(lambda word: word, read, is_text=True)


def _read_chick(value: Value) -> str:
    if not isinstance(value, str) or not re.fullmatch(CHICK_NAME, value):
        raise ValueError("use 1 to 32 of a-z, 0-9, '-' and '_'")
    return value


def _read_airs(value: Value) -> str:
    """The air of each probe, as JSON."""
    airs = json.loads(str(value))
    if not isinstance(airs, dict):
        raise ValueError("not an object of probes and temperatures")
    for celsius in airs.values():
        check_possible("celsius", celsius)
    return str(value)


_TIME = Codec(lambda ms: rfc3339(ms / 1000), _read_time)
_SECOND = Codec(lambda s: rfc3339(float(s)), lambda value: _read_time(value) // 1000)
_MILLI = Codec(lambda milli: milli / 1000, lambda value: round(check_possible("celsius", float(value)) * 1000))
_HELD = Codec(lambda ms: ms / 1000, lambda value: round(check_possible("held_seconds", float(value)) * 1000))
_COUNT = _whole(0, _MOST_COUNTED)
_NAME, _TEXT = _text(_LONGEST_NAME), _text(_LONGEST_TEXT)
_CHICK = Codec(lambda name: name, _read_chick, is_text=True)
_STATE = _word([*AlarmState, *DishState])
_TRUTH = Codec(bool, _read_truth)
_DAY = Codec(lambda text: text, _read_day)
_AIRS = Codec(lambda text: text, _read_airs, is_text=True)

_CODECS: dict[str, Codec] = {
    "id": _whole(1, _MOST_ID),
    "at_s": _SECOND,
    "held_ms": _HELD,
    **dict.fromkeys(("milli", "low", "mean", "high"), _MILLI),
    **{name: Codec(lambda number: number, _number_of(name)) for name in POSSIBLE if name != "held_seconds"},
    **dict.fromkeys(("count", "faults"), _COUNT),
    **dict.fromkeys(("sure", "done", "pinned"), _TRUTH),
    **dict.fromkeys(("hatched", "gone"), _DAY),
    **dict.fromkeys(("before", "after"), _AIRS),
    **dict.fromkeys(("probe", "place", "dish", "brooder"), _NAME),
    "crop": _word(Crop),
    "fault": _word(FaultKind),
    "origin": _word(Origin),
    "condition": _word(Condition),
    "priority": _word(priority.word for priority in Priority),
    **dict.fromkeys(("state", "previous"), _STATE),
    "what": _word([*Note, "history_replaced", "lost"]),
    "verb": _word(COMMANDS),
}
_SHOWN = {"held_ms": "held_seconds", "milli": "celsius", "gone": "left"}
_SUMMED = ("low", "mean", "high")


class Column(NamedTuple):
    """One column: its name outside and in the table, and whether it may be empty."""

    name: str
    stored: str
    codec: Codec
    optional: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """One table as it is exchanged, in the order of its first `keys` columns; `time` is what a range goes by."""

    name: str
    columns: tuple[Column, ...]
    keys: int
    time: str | None

    @property
    def of_probe(self) -> bool:
        return any(column.stored == "probe.name" for column in self.columns)

    def header(self) -> list[str]:
        return [column.name for column in self.columns]


def _column(table: str, of: StoredColumn) -> Column:
    optional = not of.required
    if of.name == "at_s":
        # Called after the table, so that the header of a CSV file tells minutes from hours.
        return Column(table, of.name, _SECOND, optional)
    if of.name == "probe" and of.kind == "INTEGER":
        return Column("probe", "probe.name", _NAME, optional)
    if of.name in ("chick", "name"):
        return Column(of.name, of.name, _CHICK, optional)
    if of.name.endswith("_ms") and of.name not in _CODECS:
        return Column(of.name.removesuffix("_ms"), of.name, _TIME, optional)
    shown = f"{of.name}_celsius" if of.name in _SUMMED else _SHOWN.get(of.name, of.name)
    return Column(shown, of.name, _CODECS.get(of.name, _TEXT), optional)


def _table(name: str, columns: list[StoredColumn]) -> Table:
    time = next((one.name for one in columns if one.name in ("at_ms", "at_s", "started_ms")), None)
    keys = sum(one.is_key for one in columns)
    return Table(name, tuple(_column(name, one) for one in columns), keys, time)


_ORDER = (
    "chick", "feed", "weighing", "feed_round", "alarm", "batch", "dish_state", "note", "band", "power_gap", "command",
    "run", "hour", "minute", "reading",
)  # fmt: skip
_SCHEMA = schema()
TABLES: dict[str, Table] = {name: _table(name, _SCHEMA[name]) for name in _ORDER}
"""What can be exported, in the order in which `all` writes it: all but what only the next start needs."""


def can_be_empty(column: Column) -> bool:
    """Whether an empty field of a CSV file is a text of no letters here, and not a missing value."""
    return column.codec in (_TEXT, _NAME) and not column.optional


def written_value(column: Column, stored: Value) -> tuple[Value, str]:
    """A stored value as it is written outside, and what is wrong with it, empty where it can be."""
    if stored is None:
        return None, "" if column.optional else f"{column.name} is missing"
    try:
        shown = column.codec.show(stored)
        column.codec.read(shown)
    except (ValueError, TypeError, ArithmeticError, RecursionError) as error:
        plain = stored if isinstance(stored, int | float) and abs(stored) < 2**63 else plain_text(str(stored))
        return plain, f"{column.name}: {plain_text(str(stored))[:60]} cannot be: {error}"
    return shown, ""


def kept_value(column: Column, stored: Value) -> Value:
    """`stored` where it can be; None where it cannot and may be missing. Raises ValueError where it must not be.

    A text of another version's words is still a text.
    """
    _, wrong = written_value(column, stored)
    if not wrong or (column.codec.is_text and not column.optional and isinstance(stored, str)):
        return stored
    if column.optional:
        return None
    raise ValueError(wrong)
