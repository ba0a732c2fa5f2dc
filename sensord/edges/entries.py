"""The keeper's entries in the history: checked against what is known, then written. Called inside a transaction."""

from datetime import date

from sensord.care.chicks import Chick, Feed, Weighing
from sensord.care.entries import check_chick, check_feed, check_weighing, chick_named, day
from sensord.care.feeding import cautions
from sensord.edges.database import Connection
from sensord.watch.events import EnterChick, LogFeed, WeighIn

__all__ = ["chicks_in", "store", "weighings_in"]


def store(
    connection: Connection, entry: LogFeed | WeighIn | EnterChick, made_utc: float, now_utc: float, sure: bool
) -> str:
    """Write one entry; a sentence that says what was written. Raises `CommandError` where it cannot be meant."""
    chicks = {chick.name: chick for chick in chicks_in(connection)}
    match entry:
        case EnterChick():
            return _store_chick(connection, entry, chicks, now_utc)
        case LogFeed():
            chick = chick_named(entry.chick, chicks)
            at = made_utc if entry.at_utc_seconds is None else entry.at_utc_seconds
            feed = Feed(chick.name, at, entry.millilitres, entry.crop, entry.celsius, entry.note)
            weighings = weighings_in(connection, chick.name)
            check_feed(feed, weighings[-1] if weighings else None, now_utc, entry.sure)
            celsius = feed.celsius if feed.celsius is not None else _celsius_of_round(connection, at)
            connection.execute(
                "INSERT INTO feed (at_ms, sure, chick, millilitres, crop, celsius, note, origin)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    round(at * 1000),
                    int(sure or entry.at_utc_seconds is not None),
                    chick.name,
                    feed.millilitres,
                    None if feed.crop is None else feed.crop.value,
                    celsius,
                    feed.note,
                    entry.origin.value,
                ),
            )
            amount = "a feed" if feed.millilitres is None else f"{feed.millilitres:g} ml"
            crop = "" if feed.crop is None else f", crop {feed.crop.value} before"
            said = f"{chick.name}: {amount}{crop}" + ("" if celsius is None else f", dish at {celsius:.1f} °C")
            return " ".join([said, *(f"CAUTION: {one.sentence}" for one in cautions([feed], at))])
        case WeighIn():
            chick = chick_named(entry.chick, chicks)
            at = made_utc if entry.at_utc_seconds is None else entry.at_utc_seconds
            weighing = Weighing(chick.name, at, entry.grams, entry.note)
            check_weighing(weighing, weighings_in(connection, chick.name), now_utc, entry.sure)
            known = int(sure or entry.at_utc_seconds is not None)
            connection.execute(
                "INSERT INTO weighing (at_ms, sure, chick, grams, note, origin) VALUES (?, ?, ?, ?, ?, ?)",
                (round(at * 1000), known, chick.name, entry.grams, entry.note, entry.origin.value),
            )
            return f"{chick.name}: {entry.grams:g} g"


def _store_chick(connection: Connection, entry: EnterChick, chicks: dict[str, Chick], now_utc: float) -> str:
    name = entry.chick.strip().lower()
    before = chicks.get(name, Chick(name))
    chick = Chick(
        name,
        before.kind if entry.kind is None else entry.kind,
        before.hatched if entry.hatched is None else day(entry.hatched),
        before.mark if entry.mark is None else entry.mark,
        before.brooder if entry.brooder is None else entry.brooder,
        before.left if entry.left is None else day(entry.left),
        before.every_hours if entry.every_hours is None else entry.every_hours or None,
    )
    check_chick(chick, now_utc)
    hatched, gone = (None if one is None else one.isoformat() for one in (chick.hatched, chick.left))
    connection.execute(
        "INSERT INTO chick (name, kind, hatched, mark, brooder, gone, every_hours) VALUES (?, ?, ?, ?, ?, ?, ?)"
        " ON CONFLICT (name) DO UPDATE SET kind = excluded.kind, hatched = excluded.hatched, mark = excluded.mark,"
        " brooder = excluded.brooder, gone = excluded.gone, every_hours = excluded.every_hours",
        (name, chick.kind, hatched, chick.mark, chick.brooder, gone, chick.every_hours),
    )
    return f"{name} {'changed' if name in chicks else 'added'}"


# A feed is entered while feeding or soon after; the dish's temperature of a round this recent belongs to it.
_ROUND_BELONGS_SECONDS = 1800.0


def _celsius_of_round(connection: Connection, at_utc: float) -> float | None:
    found = connection.execute(
        "SELECT celsius FROM feed_round WHERE at_ms BETWEEN ? AND ? ORDER BY at_ms DESC LIMIT 1",
        (round((at_utc - _ROUND_BELONGS_SECONDS) * 1000), round((at_utc + 60) * 1000)),
    ).fetchone()
    return None if found is None else found[0]


def chicks_in(connection: Connection) -> tuple[Chick, ...]:
    """Every chick ever entered, by name."""
    rows = connection.execute("SELECT name, kind, hatched, mark, brooder, gone, every_hours FROM chick ORDER BY name")
    return tuple(
        Chick(name, kind, _date(hatched), mark, brooder, _date(gone), every)
        for name, kind, hatched, mark, brooder, gone, every in rows
    )


def weighings_in(connection: Connection, chick: str) -> tuple[Weighing, ...]:
    """The weighings of a chick in the order of their time."""
    rows = connection.execute("SELECT at_ms, grams, note FROM weighing WHERE chick = ? ORDER BY at_ms, id", (chick,))
    return tuple(Weighing(chick, at_ms / 1000, grams, note) for at_ms, grams, note in rows)


def _date(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)
