"""The keeper's entries in the history: checked against what is known, then written. Called inside a transaction."""

from typing import TypeAlias

from sensord.care.chicks import SECONDS_A_DAY, Chick, Feed, Weighing
from sensord.care.feeding import TABLE_KINDS, cautions, has_table
from sensord.care.growth import flags, gains
from sensord.care.plausible import check_chick, check_feed, check_weighing, chick_named, day
from sensord.errors import CommandError
from sensord.history.database import Connection
from sensord.history.history_reader import HistoryReader
from sensord.history.retention import MOST_ROWS
from sensord.watch.command_table import EnterChick, LogFeed, WeighIn


def store(
    connection: Connection,
    known: HistoryReader,
    entry: LogFeed | WeighIn | EnterChick,
    made_utc: float,
    now_utc: float,
    sure: bool,
) -> str:
    """Write one entry; a sentence that says what was written. Raises `CommandError` where it cannot be meant.

    `known` reads over the same connection, `made_utc` is when the entry was made, and `sure` whether the wall clock
    could be trusted then.
    """
    chicks = {chick.name: chick for chick in known.chicks()}
    if isinstance(entry, EnterChick):
        return _store_chick(connection, entry, chicks, now_utc)
    chick = chick_named(entry.chick, chicks)
    if entry.undo:
        return _take_back(connection, "feed" if isinstance(entry, LogFeed) else "weighing", chick.name, now_utc)
    at = made_utc if entry.at_utc_seconds is None else entry.at_utc_seconds
    stamp = (round(at * 1000), int(sure or entry.at_utc_seconds is not None), chick.name)
    if isinstance(entry, LogFeed):
        return _store_feed(connection, known, entry, at, stamp, now_utc)
    return _store_weighing(connection, known, entry, chick, at, stamp, now_utc)


_MOST_CHICKS = 2_000

_Stamp: TypeAlias = tuple[int, int, str]
"""The columns that every entry begins with: `at_ms`, `sure`, `chick`."""


def _store_feed(
    connection: Connection, known: HistoryReader, entry: LogFeed, at: float, stamp: _Stamp, now_utc: float
) -> str:
    name = stamp[-1]
    _check_room(connection, "feed")
    feed = Feed(
        chick=name,
        utc_seconds=at,
        millilitres=entry.millilitres,
        crop=entry.crop,
        celsius=entry.celsius,
        note=entry.note,
    )
    weighings = known.weighings(name)
    check_feed(feed, weighings[-1] if weighings else None, now_utc, entry.sure)
    celsius = feed.celsius if feed.celsius is not None else _celsius_of_round(known, at)
    crop = None if feed.crop is None else feed.crop.value
    connection.execute(
        "INSERT INTO feed (at_ms, sure, chick, millilitres, crop, celsius, note, origin)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (*stamp, feed.millilitres, crop, celsius, feed.note, entry.origin.value),
    )
    amount = "a feed" if feed.millilitres is None else f"{feed.millilitres:g} ml"
    said = f"{name}: {amount}" + (f", crop {crop} before" if crop else "")
    said += "" if celsius is None else f", dish at {celsius:.1f} °C"
    return " ".join([said, *(f"CAUTION: {one.sentence}" for one in cautions([feed], at))])


def _store_weighing(
    connection: Connection, known: HistoryReader, entry: WeighIn, chick: Chick, at: float, stamp: _Stamp, now_utc: float
) -> str:
    name = chick.name
    _check_room(connection, "weighing")
    if entry.grams is None:
        raise CommandError(f"how heavy is {name}? write the grams")
    check_weighing(Weighing(name, at, entry.grams, entry.note), known.weighings(name), now_utc, entry.sure)
    connection.execute(
        "INSERT INTO weighing (at_ms, sure, chick, grams, note, origin) VALUES (?, ?, ?, ?, ?, ?)",
        (*stamp, entry.grams, entry.note, entry.origin.value),
    )
    weighings = known.weighings(name)
    gained = [one for one in gains(weighings) if round(one.utc_seconds * 1000) == stamp[0]]
    told = [f", {one.grams_per_day:+.1f} g/day ({one.percent_per_day:+.0f} %)" for one in gained]
    return " ".join(
        [f"{name}: {entry.grams:g} g{''.join(told)}", *(f"LOOK: {one.sentence}" for one in flags(chick, weighings))]
    )


# Long enough for a slip seen the next morning, too short to rewrite what a vet has been told.
_UNDO_WITHIN_SECONDS = SECONDS_A_DAY


def _take_back(connection: Connection, table: str, name: str, now_utc: float) -> str:
    amount, unit = ("millilitres", "ml") if table == "feed" else ("grams", "g")
    found = connection.execute(
        f"SELECT id, {amount} FROM {table} WHERE chick = ? AND at_ms > ? ORDER BY id DESC LIMIT 1",
        (name, round((now_utc - _UNDO_WITHIN_SECONDS) * 1000)),
    ).fetchone()
    if found is None:
        raise CommandError(f"there is no {table} of {name} within a day to take back")
    connection.execute(f"DELETE FROM {table} WHERE id = ?", found[:1])
    what = "a feed" if found[1] is None else f"{found[1]:g} {unit}" if isinstance(found[1], float) else f"'{found[1]}'"
    return f"{name}: took back {what}"


def _store_chick(connection: Connection, entry: EnterChick, chicks: dict[str, Chick], now_utc: float) -> str:
    name = entry.chick.strip().lower()
    before = chicks.get(name, Chick(name=name))
    chick = Chick(
        name=name,
        kind=before.kind if entry.kind is None else entry.kind,
        hatched=before.hatched if entry.hatched is None else day(entry.hatched),
        mark=before.mark if entry.mark is None else entry.mark,
        brooder=before.brooder if entry.brooder is None else entry.brooder,
        left=before.left if entry.left is None else day(entry.left),
        every_hours=before.every_hours if entry.every_hours is None else entry.every_hours or None,
    )
    check_chick(chick, now_utc)
    if name not in chicks:
        _check_room(connection, "chick", _MOST_CHICKS)
    hatched, gone = (None if one is None else one.isoformat() for one in (chick.hatched, chick.left))
    connection.execute(
        "INSERT INTO chick (name, kind, hatched, mark, brooder, gone, every_hours) VALUES (?, ?, ?, ?, ?, ?, ?)"
        " ON CONFLICT (name) DO UPDATE SET kind = excluded.kind, hatched = excluded.hatched, mark = excluded.mark,"
        " brooder = excluded.brooder, gone = excluded.gone, every_hours = excluded.every_hours",
        (name, chick.kind, hatched, chick.mark, chick.brooder, gone, chick.every_hours),
    )
    done = f"{name} {'changed' if name in chicks else 'added'}"
    if not entry.kind or has_table(entry.kind):
        return done
    return (
        f"{done}; no feed table is for '{entry.kind}' (there are: {', '.join(TABLE_KINDS)}), so the general rule holds"
    )


def _check_room(connection: Connection, table: str, most: int = MOST_ROWS) -> None:
    """What a keeper has entered is never let go of to make room, so that there is an end to what is taken."""
    (held,) = connection.execute(f"SELECT count(*) FROM {table}").fetchone()
    if held >= most:
        raise CommandError(f"the log is full ({held} rows of {table}): `sensord export all`, then begin a new one")


# A feed is entered while feeding or soon after; the dish's temperature of a round this recent belongs to it.
_ROUND_BELONGS_SECONDS = 1800.0


def _celsius_of_round(known: HistoryReader, at_utc: float) -> float | None:
    rounds = known.rounds(at_utc - _ROUND_BELONGS_SECONDS, at_utc + 60)
    return rounds[-1].celsius if rounds else None
