"""The reading side of the history: questions that reports, commands and the start of the daemon ask. Never writes."""

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple, Self, TypeVar

from sensord.care.chicks import Chick, Crop, Feed, Weighing
from sensord.care.plausible import POSSIBLE, check_possible
from sensord.history.columns import TABLES, kept_value, written_value
from sensord.history.database import Connection, copy_into, open_reader, sound, telling

_Done = TypeVar("_Done")


class ProbePoint(NamedTuple):
    """A probe over one bin of time: Celsius, None where there was no good reading; `faults` counts the bad ones."""

    utc_seconds: float
    low_celsius: float | None
    mean_celsius: float | None
    high_celsius: float | None
    readings: int
    faults: int


class AlarmRow(NamedTuple):
    """One transition of an alarm, in the words of `watch.effects.AlarmChanged`."""

    utc_seconds: float
    place: str
    condition: str
    priority: str
    state: str
    previous: str
    celsius: float | None
    origin: str
    seen: str


class NoteRow(NamedTuple):
    """Something found from a probe's readings."""

    utc_seconds: float
    probe: str
    what: str
    fault: str | None
    gap_seconds: float | None
    detail: str


class BandRow(NamedTuple):
    """From this instant on a brooder was held to this band."""

    utc_seconds: float
    place: str
    low_celsius: float
    high_celsius: float
    source: str


class GapRow(NamedTuple):
    """The daemon came back at `utc_seconds` after having been off."""

    utc_seconds: float
    gap_seconds: float | None
    before_celsius: dict[str, float]
    after_celsius: dict[str, float]


class RoundRow(NamedTuple):
    """A feed round found from the dish: mixed, ready, probe lifted at `utc_seconds` with the paste at `celsius`."""

    utc_seconds: float
    dish: str
    batch_utc_seconds: float | None
    ready_utc_seconds: float
    celsius: float | None


@dataclass(frozen=True, slots=True)
class LastSeen:
    """When the daemon last wrote, whether it was stopped in order, and the last good reading of each probe."""

    utc_seconds: float
    sure: bool
    orderly: bool
    celsius: dict[str, float]


class HistoryReader:
    """Read-only questions to the file at `path`, beside a running daemon or without one.

    Raises `StorageError` where there is no history or it cannot be read. Ranges are half open, UTC seconds.
    `untouched` leaves no trace of the reading in the folder; only for a short look.
    """

    def __init__(self, path: Path, connection: Connection | None = None, *, untouched: bool = False) -> None:
        """`connection` is the writer's own, which then stays the writer's to close."""
        self.path = path
        self._connection: Connection = connection or open_reader(path, untouched)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        self._connection.close()

    def _rows(self, question: str, *values: object) -> Iterator[tuple[Any, ...]]:
        with telling(self.path):
            yield from self._connection.execute(question, values).fetchall()

    def _possible(self, table: str, columns: str, rest: str, *values: object) -> Iterator[list[Any]]:
        """Rows as far as they can be: what cannot is None, or the row is left out where nothing is worth without it."""
        kinds = [_COLUMNS[table, name] for name in columns.split(", ")]
        for row in self._rows(f"SELECT {columns} FROM {table} {rest}", *values):
            try:
                yield [kept_value(kind, value) for kind, value in zip(kinds, row, strict=True)]
            except ValueError:
                continue  # `impossible` names it

    def impossible(self, chick: str) -> tuple[str, ...]:
        """A sentence for each thing in the log of a chick that cannot be and is left out."""
        found = []
        for table, key in (("chick", "name"), ("feed", "chick"), ("weighing", "chick")):
            kinds = TABLES[table].columns
            columns = ", ".join(kind.stored for kind in kinds)
            for row in self._rows(f"SELECT {columns} FROM {table} WHERE {key} = ?", chick):
                found += [
                    wrong for kind, value in zip(kinds, row, strict=True) if (wrong := written_value(kind, value)[1])
                ]
        return tuple(found)

    def probes(self) -> tuple[str, ...]:
        return tuple(name for (name,) in self._rows("SELECT name FROM probe ORDER BY name"))

    def probe_of(self, dish: str) -> str | None:
        """The probe that a dish had when it last changed its state."""
        found = self._rows("SELECT probe FROM dish_state WHERE dish = ? ORDER BY id DESC LIMIT 1", dish)
        return next((probe for (probe,) in found), None)

    def dish_probes(self) -> tuple[str, ...]:
        """Every probe that ever was a dish's."""
        return tuple(probe for (probe,) in self._rows("SELECT DISTINCT probe FROM dish_state ORDER BY probe"))

    def places(self) -> tuple[str, ...]:
        """Every place that was ever held to a band: the brooders."""
        return tuple(place for (place,) in self._rows("SELECT DISTINCT place FROM band ORDER BY place"))

    def last_seen(self) -> LastSeen | None:
        """None where nothing was ever written."""
        runs = self._possible("run", "started_ms, stopped_ms, sure", "ORDER BY id DESC LIMIT 8")
        run = next(runs, None)
        if run is None:
            return None
        (read_ms,) = next(self._rows("SELECT max(at_ms + held_ms) FROM (SELECT * FROM reading WHERE at_ms BETWEEN 0"
                                     " AND ? AND held_ms BETWEEN 0 AND ? ORDER BY at_ms DESC LIMIT 64)",
                                     _LAST_MS, _MOST_HELD_MS))  # fmt: skip
        started_ms, stopped_ms, sure = run
        last_ms = max(started_ms, read_ms or 0, stopped_ms or 0)
        celsius: dict[str, float] = {}
        good = self._rows(
            "SELECT name, milli FROM reading JOIN probe ON probe.id = probe WHERE at_ms >= ? ORDER BY at_ms",
            (read_ms or 0) - 600_000,
        )
        for name, milli in good:
            if (air := _c(milli)) is not None:
                celsius[name] = air
        return LastSeen(last_ms / 1000, bool(sure), stopped_ms is not None, celsius)

    def load_state(self, key: str) -> str | None:
        """What `History.save_state` kept under `key`."""
        return next((value for (value,) in self._rows("SELECT value FROM state WHERE key = ?", key)), None)

    def span(self) -> tuple[float, float] | None:
        """From the first summarised minute to the last reading."""
        (first,) = next(
            self._rows(
                "SELECT min(at_s) FROM (SELECT min(at_s) AS at_s FROM hour WHERE at_s >= 0"
                " UNION ALL SELECT min(at_s) FROM minute WHERE at_s >= 0"
                " UNION ALL SELECT min(at_ms) / 1000 FROM reading WHERE at_ms >= 0) WHERE at_s <= ?",
                _LAST_MS // 1000,
            )
        )
        seen = self.last_seen()
        return None if first is None or seen is None else (float(first), seen.utc_seconds)

    def fine(self, probe: str, start: float, end: float) -> list[ProbePoint]:
        """Every reading still kept; a value that held is one point at its first and one at its last reading."""
        points = []
        rows = self._rows(
            "SELECT at_ms, held_ms, milli, count FROM reading"
            " WHERE at_ms >= ? AND at_ms < ? AND probe = (SELECT id FROM probe WHERE name = ?) ORDER BY at_ms",
            round(start * 1000), round(end * 1000), probe,
        )  # fmt: skip
        for at_ms, held_ms, milli, count in rows:
            celsius = _c(milli)
            times = _whole(count)
            good, bad = (times, 0) if celsius is not None else (0, times)
            points.append(ProbePoint(at_ms / 1000, celsius, celsius, celsius, good, bad))
            if 0 < _whole(held_ms) <= _MOST_HELD_MS:
                points.append(ProbePoint((at_ms + held_ms) / 1000, celsius, celsius, celsius, 0, 0))
        return points

    def minutes(self, probe: str, start: float, end: float) -> list[ProbePoint]:
        return self._summaries("minute", probe, start, end)

    def hours(self, probe: str, start: float, end: float) -> list[ProbePoint]:
        return self._summaries("hour", probe, start, end)

    def _summaries(self, table: str, probe: str, start: float, end: float) -> list[ProbePoint]:
        rows = self._rows(
            f"SELECT at_s, low, mean, high, count, faults FROM {table}"
            " WHERE at_s >= ? AND at_s < ? AND probe = (SELECT id FROM probe WHERE name = ?) ORDER BY at_s",
            int(start), int(end), probe,
        )  # fmt: skip
        return [
            ProbePoint(at_s, _c(low), _c(mean), _c(high), _whole(count), _whole(faults))
            for at_s, low, mean, high, count, faults in rows
        ]

    def alarms(self, start: float, end: float) -> list[AlarmRow]:
        rows = self._within("place, condition, priority, state, previous, celsius, origin, seen", "alarm", start, end)
        return [AlarmRow(at_ms / 1000, *rest) for at_ms, *rest in rows]

    def notes(self, start: float, end: float) -> list[NoteRow]:
        rows = self._within("probe, what, fault, gap_seconds, detail", "note", start, end)
        return [NoteRow(at_ms / 1000, *rest) for at_ms, *rest in rows]

    def gaps(self, start: float, end: float) -> list[GapRow]:
        rows = self._within("gap_seconds, before, after", "power_gap", start, end)
        return [GapRow(at_ms / 1000, gap, _airs(before), _airs(after)) for at_ms, gap, before, after in rows]

    def bands(self, start: float, end: float) -> list[BandRow]:
        """The changes in the range, and for each place the last one before it."""
        columns = "at_ms, place, low_celsius, high_celsius, source"
        last = "WHERE id IN (SELECT max(id) FROM band WHERE at_ms < ? GROUP BY place)"
        before = self._possible("band", columns, last, round(start * 1000))
        inside = self._within("place, low_celsius, high_celsius, source", "band", start, end)
        return [BandRow(at_ms / 1000, *rest) for at_ms, *rest in (*before, *inside)]

    def rounds(self, start: float, end: float) -> list[RoundRow]:
        rows = self._within("dish, batch_ms, ready_ms, celsius", "feed_round", start, end)
        return [
            RoundRow(at_ms / 1000, dish, None if batch is None else batch / 1000, ready / 1000, celsius)
            for at_ms, dish, batch, ready, celsius in rows
        ]

    def _within(self, columns: str, table: str, start: float, end: float) -> Iterator[list[Any]]:
        range_of = "WHERE at_ms >= ? AND at_ms < ? ORDER BY at_ms, id"
        return self._possible(table, f"at_ms, {columns}", range_of, round(start * 1000), round(end * 1000))

    def chicks(self) -> tuple[Chick, ...]:
        """Every chick ever entered, by name."""
        rows = self._possible("chick", "name, kind, hatched, mark, brooder, gone, every_hours", "ORDER BY name")
        return tuple(
            Chick(
                name=name,
                kind=kind,
                hatched=_date(hatched),
                mark=mark,
                brooder=brooder,
                left=_date(gone),
                every_hours=every,
            )
            for name, kind, hatched, mark, brooder, gone, every in rows
        )

    def weighings(self, chick: str) -> tuple[Weighing, ...]:
        """In the order of their time."""
        rows = self._possible("weighing", "at_ms, grams, note", "WHERE chick = ? ORDER BY at_ms, id", chick)
        return tuple(Weighing(chick, at_ms / 1000, grams, note) for at_ms, grams, note in rows)

    def feeds(self, start: float, end: float, chick: str | None = None) -> list[Feed]:
        """In the order of their time; of one chick or of all."""
        rows = self._within("chick, millilitres, crop, celsius, note", "feed", start, end)
        return [
            Feed(
                chick=name,
                utc_seconds=at_ms / 1000,
                millilitres=ml,
                crop=None if crop is None else Crop(crop),
                celsius=celsius,
                note=note,
            )
            for at_ms, name, ml, crop, celsius, note in rows
            if chick in (None, name)
        ]

    def counts(self) -> dict[str, int]:
        """How many rows of what; a reading that held counts once for each time it was read."""
        count = {
            table: int(next(self._rows(f"SELECT count(*) FROM {table}"))[0])
            for table in ("minute", "hour", "alarm", "feed_round", "feed", "weighing", "chick", "power_gap")
        }
        (readings,) = next(self._rows("SELECT coalesce(sum(count), 0) FROM reading WHERE count BETWEEN 0 AND ?", _MOST))
        return {"reading": int(readings), **count}

    def export(self, write: Callable[[Connection, Path], _Done]) -> _Done:
        """Hand the connection to one of the writers of `exchange`, in one view of the file."""
        with telling(self.path):
            self._connection.execute("BEGIN")
        try:
            return write(self._connection, self.path)
        finally:
            self._connection.execute("ROLLBACK")

    def check(self) -> None:
        """SQLite's own thorough check. Raises `DamagedError`."""
        sound(self._connection, self.path, thorough=True)

    def back_up(self, copy: Path) -> None:
        """A checked, compact copy at this instant, also beside a running daemon. Raises `StorageError`."""
        copy_into(self._connection, self.path, copy)


_COLUMNS = {(table.name, column.stored): column for table in TABLES.values() for column in table.columns}
_MOST_MILLI = round(POSSIBLE["celsius"][1] * 1000)
_MOST_HELD_MS = round(POSSIBLE["held_seconds"][1] * 1000)
_MOST = 10**9
_LAST_MS = 253_402_300_800_000
"""The end of the year 9999, UTC."""


def _date(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)


def _airs(text: str) -> dict[str, float]:
    """The air of each probe beside a gap; nothing where that cannot be read."""
    try:
        return {str(probe): check_possible("celsius", celsius) for probe, celsius in json.loads(text).items()}
    except (ValueError, TypeError, AttributeError, RecursionError):
        return {}


def _c(milli: object) -> float | None:
    """Thousandths as Celsius; nothing where no probe can have measured that."""
    return milli / 1000 if isinstance(milli, int | float) and abs(milli) <= _MOST_MILLI else None


def _whole(number: object) -> int:
    """A count; none where it cannot be one."""
    return number if isinstance(number, int) and 0 <= number <= _MOST else 0
