"""What can be at all, and slips of the pen: is what the keeper just wrote believable? Refusals say what to write.

The limits are for catching typing errors and damage, not for judging a feed or a weight: common practice, no source.
"""

import re
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime

from sensord.care.chicks import SECONDS_A_DAY, Chick, Feed, Weighing
from sensord.errors import CommandError

# A wall clock that the time service has not quite settled may lag behind the keeper's watch.
_CLOCK_LEEWAY_SECONDS = 120.0
_LONGEST_BACK_SECONDS = 120 * SECONDS_A_DAY
_CELSIUS = (-100.0, 200.0)  # beyond what any probe here can measure
POSSIBLE: dict[str, tuple[float, float]] = {
    "celsius": _CELSIUS,
    "low_celsius": _CELSIUS,
    "high_celsius": _CELSIUS,
    "grams": (0.1, 5_000.0),
    "millilitres": (0.0, 250.0),
    "every_hours": (0.25, 24.0),
    "gap_seconds": (0.0, 1e9),
    "held_seconds": (0.0, 86_400.0),
}
"""What a number can be, whoever says it and however sure: entered, received, imported, restored or stored."""
CHICK_NAME = r"[a-z0-9][a-z0-9_-]{0,31}"
_LIQUID_CELSIUS = (0.0, 100.0)
_FIRST_YEAR = 1970
# Over this share of the body mass a feed is taken for a slip (the usual ceiling is a tenth, see `feeding`).
_LARGEST_SHARE = 0.25
# Between the morning weights of two days a chick may double, but not change sixfold: that is a misplaced point.
_SLIP_FACTOR = 6.0


def check_possible(what: str, number: float) -> float:
    """`number`, where a `what` of `POSSIBLE` can be that. Raises `CommandError`; a number that is none cannot."""
    low, high = POSSIBLE[what]
    if not low <= number <= high:
        raise CommandError(f"write a number between {low:g} and {high:g}")
    return number


def check_chick(chick: Chick, now_utc_seconds: float) -> None:
    """Raises `CommandError` for a name or a date that cannot be meant."""
    if not re.fullmatch(CHICK_NAME, chick.name):
        raise CommandError(f"'{chick.name}' will not do as a chick's name: use 1 to 32 of a-z, 0-9, '-' and '_'")
    today = datetime.fromtimestamp(now_utc_seconds + SECONDS_A_DAY, tz=UTC).date()
    if chick.hatched is not None and chick.hatched > today:
        raise CommandError(f"{chick.name} cannot have hatched on {chick.hatched}: that day is still to come")
    if chick.every_hours is not None:
        low, high = POSSIBLE["every_hours"]
        if not low <= chick.every_hours <= high:
            raise CommandError(
                f"{chick.name} cannot be fed every {chick.every_hours:g} h: write {low:g} to {high:g} hours"
            )
    for one in (chick.hatched, chick.left):
        if one is not None and one.year < _FIRST_YEAR:
            raise CommandError(f"{one} is too long ago for {chick.name}: look at the year")
    if chick.hatched is not None and chick.left is not None and chick.left < chick.hatched:
        raise CommandError(f"{chick.name} cannot have left on {chick.left}, before it hatched on {chick.hatched}")


def chick_named(name: str, chicks: Mapping[str, Chick]) -> Chick:
    """The chick of that name, whatever its capitals. Raises `CommandError` naming the ones there are."""
    found = chicks.get(name.strip().lower())
    if found is None:
        known = ", ".join(sorted(chicks)) or "none yet"
        raise CommandError(
            f"there is no chick '{name}' (known: {known}); `sensord chick {name} --hatched DATE` adds it"
        )
    return found


def check_feed(feed: Feed, last: Weighing | None, now_utc_seconds: float, sure: bool = False) -> None:
    """Raises `CommandError` for a feed in the future, long ago, or of a volume that looks like a slip."""
    _check_time(feed.utc_seconds, now_utc_seconds, "a feed")
    ml, (_, largest) = feed.millilitres, POSSIBLE["millilitres"]
    if ml is not None and not 0 <= ml <= largest:
        raise CommandError(f"{ml:g} ml is no feed: write millilitres between 0 and {largest:g}")
    if ml is not None and last is not None and ml > _LARGEST_SHARE * last.grams and not sure:
        raise CommandError(
            f"{ml:g} ml is {100 * ml / last.grams:.0f} % of the {last.grams:g} g that {feed.chick} last weighed,"
            f" and a tenth is the usual ceiling: ml or tenths of one? If it is right, add --sure"
        )
    coldest, hottest = _LIQUID_CELSIUS
    if feed.celsius is not None and not coldest <= feed.celsius <= hottest:
        raise CommandError(
            f"{feed.celsius:g} °C is no formula: Celsius or Fahrenheit? Write Celsius from {coldest:g} to {hottest:g}"
        )
    if feed.celsius is not None and not 20 <= feed.celsius <= 50 and not sure:
        raise CommandError(
            f"{feed.celsius:g} °C is no feeding temperature: Celsius or Fahrenheit? If it is right, add --sure"
        )


def check_weighing(weighing: Weighing, earlier: Sequence[Weighing], now_utc_seconds: float, sure: bool = False) -> None:
    """Raises `CommandError` for a weight in the future, out of range, or with its decimal point misplaced."""
    _check_time(weighing.utc_seconds, now_utc_seconds, "a weight")
    grams = weighing.grams
    lightest, heaviest = POSSIBLE["grams"]
    if not lightest <= grams <= heaviest:
        raise CommandError(f"{grams:g} g is no chick's weight: write grams between {lightest:g} and {heaviest:g}")
    near = min(earlier, key=lambda one: abs(one.utc_seconds - weighing.utc_seconds), default=None)
    if near is None or sure:
        return
    days = abs(weighing.utc_seconds - near.utc_seconds) / SECONDS_A_DAY
    factor = grams / near.grams
    # Doubling every two days over a longer gap is growth, not a slip.
    allowed = max(_SLIP_FACTOR, 2 ** (days / 2) * 2)
    if 1 / _SLIP_FACTOR < factor < allowed:
        return
    when = _ago(days, near.utc_seconds < weighing.utc_seconds)
    tenfold = grams / 10 if factor > 1 else grams * 10
    raise CommandError(
        f"{weighing.chick} weighed {near.grams:g} g {when}, so {grams:g} g is {_times(factor)}:"
        f" g or dg? Perhaps {tenfold:g}; if it is right, add --sure"
    )


def day(text: str) -> date:
    """An ISO 8601 day such as 2024-05-04. Raises `CommandError`."""
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise CommandError(f"'{text}' is no date: write year-month-day, such as 2024-05-04") from error


def _check_time(utc_seconds: float, now_utc_seconds: float, what: str) -> None:
    if utc_seconds > now_utc_seconds + _CLOCK_LEEWAY_SECONDS:
        moment = datetime.fromtimestamp(utc_seconds, tz=UTC)
        raise CommandError(
            f"{what} cannot be in the future ({moment:%Y-%m-%d %H:%M} UTC): look at the day and the hour"
        )
    if utc_seconds < now_utc_seconds - _LONGEST_BACK_SECONDS:
        moment = datetime.fromtimestamp(utc_seconds, tz=UTC)
        raise CommandError(f"{what} of {moment:%Y-%m-%d} is too long ago to be entered now: look at the year")


def _ago(days: float, before: bool) -> str:
    if days < 0.6:
        return "the same day"
    return f"{days:.0f} day{'s' if days >= 1.5 else ''} {'before' if before else 'later'}"


def _times(factor: float) -> str:
    return f"{factor:.3g} times that" if factor > 1 else f"{1 / factor:.3g} times less"
