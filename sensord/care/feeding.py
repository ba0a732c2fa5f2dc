"""How much, how often, and when to hold back: feed tables and rules of the trade, each with its source.

Volumes are millilitres, masses grams (one millilitre of formula is taken as one gram), times UTC seconds. Nothing here
replaces an avian vet, whose plan goes before every table: `Chick.every_hours` overrules the interval.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from sensord.care.chicks import Chick, Crop, Feed, age_days, plain_kind

CEILING_SHARE = 0.10
"""At most about a tenth of the body weight a feed (avian pediatric nutrition, Lake Howell Animal Clinic; Tips on
feeding your baby bird, PetPlace)."""
LONGEST_GAP_FACTOR = 1.5
"""One longer gap a day, best at night, of a further 33 to 50 % (Lake Howell Animal Clinic); beyond it a feed is
overdue."""
_HOUR = 3600.0
_CLINIC = "avian pediatric nutrition, Lake Howell Animal Clinic"
_HANDBOOK = "Duerr RS, Gage LJ (eds), Hand-Rearing Birds, 2nd ed."
_TIPS = "Tips on feeding your baby bird; Sour crop tips, PetPlace"


class _Row(NamedTuple):
    grams: float
    low_ml: float
    high_ml: float
    low_hours: float
    high_hours: float


@dataclass(frozen=True, slots=True)
class _Table:
    kinds: tuple[str, ...]
    source: str
    rows: tuple[_Row, ...]


_PIGEON = _Table(
    ("rock pigeon", "pigeon", "domestic pigeon", "feral pigeon"),
    f"{_HANDBOOK}, table 27.2, p 447",
    (
        _Row(20, 1, 2, 1, 1),
        _Row(30, 2.5, 3.5, 1, 2),
        _Row(40, 3, 5, 2, 2),
        _Row(50, 4, 6, 2, 2),
        _Row(75, 5, 8, 2, 2),
        _Row(100, 8, 10, 2, 2),
        _Row(125, 11, 13, 2, 2),
        _Row(150, 14, 16, 2, 2),
        _Row(175, 17, 18, 3, 3),
        _Row(200, 18, 20, 3, 3),
        _Row(250, 18, 20, 4, 4),
        _Row(400, 18, 20, 4, 4),
    ),
)
_DOVE = _Table(
    ("mourning dove", "dove"),
    f"{_HANDBOOK}, table 27.1, p 446",
    (
        _Row(10, 1, 1, 0.5, 1),
        _Row(15, 1.5, 2, 1, 1.5),
        _Row(20, 1.5, 2.5, 2, 2),
        _Row(25, 2, 3, 2, 2),
        _Row(30, 2.5, 3.5, 2, 2),
        _Row(35, 4, 4, 2, 2),
        _Row(40, 5, 5, 3, 3),
        _Row(50, 6, 6, 3, 3),
        _Row(60, 6, 7, 3, 3),
        _Row(65, 6, 7, 3.5, 3.5),
        _Row(70, 8, 8, 4, 4),
    ),
)
_TABLES = (_PIGEON, _DOVE)

TABLE_KINDS = tuple(kind for table in _TABLES for kind in table.kinds)
"""The kinds for which there is a feed table; every other kind goes by the general rules."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedPlan:
    """A feed of one chick: from `low_ml` (None: only a ceiling is known) to `high_ml`, every so many hours.

    `high_ml` is None while the chick has not been weighed.
    """

    low_ml: float | None
    high_ml: float | None
    low_hours: float
    high_hours: float
    volume_source: str
    interval_source: str


class FeedDue(NamedTuple):
    """When the next feed is due, when it is late, and when it is longer ago than even a night's rest."""

    from_utc_seconds: float
    late_utc_seconds: float
    overdue_utc_seconds: float


class Caution(NamedTuple):
    """A reason to hold back or to call a vet, and where that is written."""

    sentence: str
    source: str


def feeds_planned(chick: Chick, grams: float | None, now_utc_seconds: float) -> FeedPlan:
    """Volume and interval for a chick of `grams`: from a table for its kind, else the general rules.

    Between two rows the lighter one counts, so that a chick is never given what the source allows a heavier one only.
    """
    age = None if chick.hatched is None else age_days(chick.hatched, now_utc_seconds)
    found = _row(chick.kind, grams)
    if found is not None:
        table, row = found
        planned = FeedPlan(
            low_ml=row.low_ml,
            high_ml=row.high_ml,
            low_hours=row.low_hours,
            high_hours=row.high_hours,
            volume_source=table.source,
            interval_source=table.source,
        )
    else:
        hours, source = _general_hours(age)
        ceiling = None if grams is None else CEILING_SHARE * grams
        planned = FeedPlan(
            low_ml=None,
            high_ml=ceiling,
            low_hours=hours[0],
            high_hours=hours[1],
            volume_source=f"at most a tenth of the body weight ({_CLINIC})",
            interval_source=source,
        )
    if chick.every_hours is None:
        return planned
    every = chick.every_hours
    return replace(planned, low_hours=every, high_hours=every, interval_source="set for this chick by its keeper")


def has_table(kind: str) -> bool:
    """Whether a feed table is for this kind, however its words are joined."""
    return plain_kind(kind) in TABLE_KINDS


def planned_millilitres(feed_plan: FeedPlan) -> float | None:
    """One number for mixing a batch: the middle of the table's range, or the ceiling; None without a weight."""
    if feed_plan.high_ml is None or feed_plan.low_ml is None:
        return feed_plan.high_ml
    return (feed_plan.low_ml + feed_plan.high_ml) / 2


def _row(kind: str, grams: float | None) -> tuple[_Table, _Row] | None:
    table = next((one for one in _TABLES if plain_kind(kind) in one.kinds), None)
    if table is None or grams is None:
        return None
    lighter = [row for row in table.rows if row.grams <= grams]
    heaviest = table.rows[-1].grams
    return (table, lighter[-1]) if lighter and grams <= heaviest * 1.2 else None


def _general_hours(age: float | None) -> tuple[tuple[float, float], str]:
    if age is None:
        return (2.0, 4.0), "age unknown; every 2 h for hatchlings, every 3 to 4 h later (T. Silva, parrot magazine)"
    if age < 6:
        return (2.0, 2.0), f"{_HANDBOOK}, ch 40, p 616: every 2 h on days 1 to 5 (lorikeets)"
    return (3.0, 4.0), "every 3 to 4 h after the first days (parrots; T. Silva, parrot magazine)"


def due(feed_plan: FeedPlan, feeds: Sequence[Feed]) -> FeedDue | None:
    """When the next feed is due after the last of `feeds` (in order of time); None before the first."""
    if not feeds:
        return None
    last = feeds[-1].utc_seconds
    low, high = feed_plan.low_hours * _HOUR, feed_plan.high_hours * _HOUR
    return FeedDue(last + low, last + high, last + high * LONGEST_GAP_FACTOR)


_STASIS = Caution(
    "The crop still holds the last feed: do not add more. A crop that does not empty is an emergency; call an avian"
    " vet now.",
    _TIPS,
)
_NEVER_EMPTY = Caution(
    "The crop has not been felt empty once in a day. Look at warmth and thickness of the formula; ask an avian vet.",
    f"{_CLINIC}; one full emptying a day",
)
_TELLING_FEEDS = 4


def cautions(feeds: Sequence[Feed], now_utc_seconds: float) -> tuple[Caution, ...]:
    """What the crops of the last day say (feeds in order of time)."""
    known = [feed for feed in feeds if feed.crop is not None and feed.utc_seconds > now_utc_seconds - 24 * _HOUR]
    if not known:
        return ()
    if known[-1].crop is Crop.FULL:
        return (_STASIS,)
    if len(known) >= _TELLING_FEEDS and all(feed.crop is not Crop.EMPTY for feed in known):
        return (_NEVER_EMPTY,)
    return ()
