"""The band that a brooder should hold, now and on the coming days: a profile with hatch dates or a stage.

The youngest chick decides. Going down, the band moves no faster than its profile's rate; going up, at once: cold
chicks are not made to wait.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta

from sensord.care.profile import BandMove, Profile, ProfileRow
from sensord.errors import DataError
from sensord.readings import Band

SECONDS_A_DAY = 86_400.0
OLDEST_DAYS = 200
"""No chick is brooded that long; a date so old is a slip of the year."""


@dataclass(frozen=True, slots=True)
class BandPlan:
    """Who lives in a brooder: a profile, and either hatch dates (UTC days) or the stage of the youngest."""

    profile: Profile
    hatched: tuple[date, ...] = ()
    stage: str | None = None

    @property
    def youngest(self) -> date | None:
        return max(self.hatched, default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Brooding:
    """What a brooder should be like at one instant, and why; not certain where the clock could not tell the age."""

    band: Band
    stage: str
    source: str
    checked: bool
    humidity: str = ""
    signs: str = ""
    notes: tuple[str, ...] = ()
    is_certain: bool = True


@dataclass(frozen=True, slots=True)
class DayPlan:
    """One coming day: its date, the age of the youngest chick in days (None with a stage), and the band at noon."""

    day: date
    age_days: int | None
    brooding: Brooding


def make_plan(profile: Profile, hatched: tuple[date, ...] = (), stage: str | None = None) -> BandPlan:
    """A checked plan. Raises `ConfigError` for a stage that the profile lacks, `DataError` for what cannot be planned.

    A stage given beside hatch dates wins: the keeper has looked at the chick.
    """
    if stage is not None:
        profile.row(stage)
    elif not hatched:
        raise DataError(f"profile '{profile.name}' needs a hatch date or a stage: {', '.join(profile.stages)}")
    elif not profile.dated:
        raise DataError(f"profile '{profile.name}' goes by stage, not by age: give one of {', '.join(profile.stages)}")
    return BandPlan(profile, hatched, stage)


def check_dates(plan: BandPlan, utc_seconds: float) -> None:
    """Raise `DataError` for a hatch date in the future, or one so old that the year must be wrong."""
    today = datetime.fromtimestamp(utc_seconds, tz=UTC).date()
    for hatched in plan.hatched:
        # A day of grace: east of Greenwich a chick hatches before UTC knows of the date.
        if hatched > today + timedelta(days=1):
            raise DataError(f"hatch date {hatched} lies in the future (today is {today}): correct the date")
        if (today - hatched).days > OLDEST_DAYS:
            raise DataError(
                f"hatch date {hatched} is {(today - hatched).days} days ago: correct the year, or give a stage"
            )


def brooding_at(plan: BandPlan, utc_seconds: float | None) -> Brooding:
    """The band at an instant. Without a trusted clock (None) and a stage the youngest row holds, and says so."""
    profile = plan.profile
    if plan.stage is not None:
        return _told(profile.row(plan.stage), profile.row(plan.stage).band, ())
    first = profile.dated[0]
    youngest = plan.youngest
    if utc_seconds is None or youngest is None:
        note = "the clock is not set: the band of the youngest stage is assumed"
        return replace(_told(first, first.band, (note,)), is_certain=False)
    age = max(0.0, (utc_seconds - _midnight(youngest)) / SECONDS_A_DAY)
    row = _row_at(profile, age)
    notes = []
    if len(set(plan.hatched)) > 1:
        notes.append(f"mixed ages: the band follows the youngest, hatched {youngest}")
    band = _limited(profile, age)
    goal = _scheduled(profile, age)
    if abs(band.low_celsius - goal.low_celsius) > 0.05 or abs(band.high_celsius - goal.high_celsius) > 0.05:
        notes.append(f"coming down by at most {profile.rate_celsius_per_day:g} °C a day")
    undated = [each.stage for each in profile.rows if each.from_day is None]
    if undated and row is profile.dated[-1] and row.to_day is not None and age >= row.to_day + 1:
        notes.append(f"held until you set the stage '{undated[0]}': age alone does not tell it")
    return _told(row, band, tuple(notes))


def held(plan: BandPlan, stage: str, band: Band) -> Brooding:
    """A band that was in force in a stage of the plan. Raises `ConfigError` for a stage that the profile lacks."""
    return _told(plan.profile.row(stage), band, ())


def coming(plan: BandPlan, utc_seconds: float, days: int) -> tuple[DayPlan, ...]:
    """Today and the days after it, each with the band at noon UTC."""
    today = datetime.fromtimestamp(utc_seconds, tz=UTC).date()
    return tuple(_day_plan(plan, today + timedelta(days=ahead)) for ahead in range(days))


def towards(band: Band, goal: Band, rate_celsius_per_day: float, seconds: float) -> Band:
    """`band` moved towards `goal` for `seconds`: down by the rate at most, up at once."""
    most = rate_celsius_per_day * seconds / SECONDS_A_DAY
    low = max(goal.low_celsius, band.low_celsius - most)
    high = max(goal.high_celsius, band.high_celsius - most)
    return goal if low == goal.low_celsius and high == goal.high_celsius else Band(low, high)


def _day_plan(plan: BandPlan, day: date) -> DayPlan:
    youngest = plan.youngest
    age = None if plan.stage is not None or youngest is None else max(0, (day - youngest).days)
    return DayPlan(day, age, brooding_at(plan, _midnight(day) + SECONDS_A_DAY / 2))


def _told(row: ProfileRow, band: Band, notes: tuple[str, ...]) -> Brooding:
    return Brooding(
        band=band,
        stage=row.stage,
        source=row.provenance,
        checked=row.checked,
        humidity=row.humidity,
        signs=row.signs,
        notes=notes,
    )


def _midnight(day: date) -> float:
    return datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()


def _row_at(profile: Profile, age: float) -> ProfileRow:
    return [row for row in profile.dated if row.from_day is not None and row.from_day <= age][-1]


def _scheduled(profile: Profile, age: float) -> Band:
    """The profile's own band at an age in days, before the rate limit."""
    before: ProfileRow | None = None
    for row in profile.dated:
        if row.from_day is not None and age < row.from_day:
            break
        before = row
    else:
        row = profile.dated[-1]
    if before is None or before is row or profile.move is BandMove.STEP:
        return (before or row).band
    if before.to_day is None or row.from_day is None or age <= before.to_day:
        return before.band
    share = (age - before.to_day) / (row.from_day - before.to_day)
    return Band(
        before.band.low_celsius + share * (row.band.low_celsius - before.band.low_celsius),
        before.band.high_celsius + share * (row.band.high_celsius - before.band.high_celsius),
    )


def _limited(profile: Profile, age: float) -> Band:
    """The schedule followed from hatching on, coming down no faster than the rate."""
    band, at = profile.dated[0].band, 0.0
    for until in (*_knots(profile, age), age):
        band = towards(band, _scheduled(profile, until), profile.rate_celsius_per_day, (until - at) * SECONDS_A_DAY)
        at = until
    return band


def _knots(profile: Profile, age: float) -> Iterator[float]:
    """Ages at which the schedule is looked at on the way: a quarter of a day apart, and where a row begins."""
    begins = {float(row.from_day) for row in profile.dated if row.from_day is not None and row.from_day < age}
    yield from sorted(begins | {quarter / 4 for quarter in range(int(age * 4) + 1)})
