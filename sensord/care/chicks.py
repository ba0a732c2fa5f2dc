"""The chicks and what a keeper writes down about them: who they are, what they ate, what they weighed.

Days of age count from the day of hatching, which is day 0. Masses are grams, volumes millilitres.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime
from enum import StrEnum, unique

SECONDS_A_DAY = 86_400.0


@unique
class Crop(StrEnum):
    """How full the crop was before the feed, felt by hand."""

    EMPTY = "empty"
    NEARLY = "nearly"
    FULL = "full"


@dataclass(frozen=True, slots=True, kw_only=True)
class Chick:
    """One chick. `kind` is the keeper's word for the species, `mark` a ring number or a dab of colour.

    `left` is the day it was weaned, handed on or died; from then on nothing is due for it. `every_hours` is a feed
    interval that the keeper (and the vet) chose, in place of any table's.
    """

    name: str
    kind: str = ""
    hatched: date | None = None
    mark: str = ""
    brooder: str = ""
    left: date | None = None
    every_hours: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Feed:
    """One feed of one chick. `celsius` is what the dish showed when its probe was lifted, None where unknown."""

    chick: str
    utc_seconds: float
    millilitres: float | None = None
    crop: Crop | None = None
    celsius: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Weighing:
    """One weighing of one chick."""

    chick: str
    utc_seconds: float
    grams: float
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChickView:
    """One chick: its last feed, when the next is due and how much is planned, its weight, and reasons to look.

    Times are UTC seconds; `due_from` to `due_late` is when the next feed is due, after `overdue` it has waited longer
    than a night's rest. `planned_low_millilitres` is None where only a ceiling is known; `planned_millilitres` is
    the one number for mixing.
    """

    name: str
    kind: str = ""
    mark: str = ""
    brooder: str = ""
    age_days: float | None = None
    grams: float | None = None
    weighed_utc_seconds: float | None = None
    gain_grams_per_day: float | None = None
    fed_utc_seconds: float | None = None
    fed_millilitres: float | None = None
    fed_crop: str = ""
    feeds_today: int = 0
    due_from_utc_seconds: float | None = None
    due_late_utc_seconds: float | None = None
    overdue_utc_seconds: float | None = None
    planned_low_millilitres: float | None = None
    planned_high_millilitres: float | None = None
    planned_millilitres: float | None = None
    look: tuple[str, ...] = ()


def age_days(hatched: date, utc_seconds: float) -> float:
    """Days since the start (UTC) of the day of hatching; the hour of hatching is not asked for."""
    start = datetime(hatched.year, hatched.month, hatched.day, tzinfo=UTC).timestamp()
    return (utc_seconds - start) / SECONDS_A_DAY


def plain_kind(kind: str) -> str:
    """A kind as the tables have it: small letters, words apart."""
    return " ".join(kind.replace("_", " ").replace("-", " ").lower().split())
