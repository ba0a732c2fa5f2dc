"""Profiles: the bands of a group of birds by stage or age in days, each row with its source.

Pure: from parsed TOML to a checked `Profile`. A row whose numbers nobody has read in its source has `checked` False,
and every screen that shows it says so.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum, unique
from typing import Any

from sensord.errors import ConfigError
from sensord.readings import Band
from sensord.texts import unseen_in

HOTTEST_CELSIUS = 39.0
"""No set point over 38 °C was found in any source; beyond this a profile has to say that it means it."""
COLDEST_CELSIUS = 10.0
_ROW_KEYS = {
    "stage", "from_day", "to_day", "low_celsius", "high_celsius", "humidity", "signs", "source", "checked", "note",
}  # fmt: skip
_KEYS = {"title", "move", "rate_celsius_per_day", "rate_source", "caution", "over_39_is_meant", "bands"}


@unique
class BandMove(StrEnum):
    """How the band goes from one row to the next: at once, or in a straight line between the days they name."""

    STEP = "step"
    RAMP = "ramp"


@dataclass(frozen=True, slots=True, kw_only=True)
class ProfileRow:
    """The band of one stage. `from_day`..`to_day` are whole days of age, both included; None: only by the stage."""

    stage: str
    band: Band
    source: str
    checked: bool
    from_day: int | None = None
    to_day: int | None = None
    humidity: str = ""
    signs: str = ""
    note: str = ""

    @property
    def provenance(self) -> str:
        """The source in one line, with what has to be known about it."""
        said = self.source if self.checked else f"{self.source} (not checked against a source)"
        return f"{said}; {self.note}" if self.note else said


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """Rows from the youngest stage to the oldest; the ones with days come first.

    `rate_celsius_per_day` is the fastest that either end of the band may come down.
    """

    name: str
    title: str
    move: BandMove
    rate_celsius_per_day: float
    rate_source: str
    rows: tuple[ProfileRow, ...]
    caution: str = ""

    @property
    def stages(self) -> tuple[str, ...]:
        return tuple(row.stage for row in self.rows)

    @property
    def dated(self) -> tuple[ProfileRow, ...]:
        return tuple(row for row in self.rows if row.from_day is not None)

    def row(self, stage: str) -> ProfileRow:
        """The row of a stage. Raises `ConfigError` naming the stages there are."""
        for row in self.rows:
            if row.stage == stage:
                return row
        raise ConfigError(f"profile '{self.name}' has no stage '{stage}': it has {', '.join(self.stages)}")


def parse_profile(data: Mapping[str, Any], name: str, where: str) -> Profile:
    """A checked profile from parsed TOML; `where` stands for the file in messages.

    Raises `ConfigError` with one line for each trouble: unknown or missing keys, gaps, overlaps, bands upside down,
    temperatures that no chick is kept at.
    """
    troubles = [f"{where}: {'.'.join(map(str, at))}: {what}" for at, what in unseen_in(data)]
    troubles += [f"{where}: {trouble}" for trouble in _shape(data)]
    if troubles:
        raise ConfigError("\n".join(troubles))
    move = BandMove(data.get("move", "step"))
    troubles = [f"{where}: {trouble}" for trouble in _sense(data["bands"], move, data.get("over_39_is_meant", False))]
    if troubles:
        raise ConfigError("\n".join(troubles))
    return Profile(
        name=name,
        title=data["title"],
        move=move,
        rate_celsius_per_day=float(data["rate_celsius_per_day"]),
        rate_source=data["rate_source"],
        rows=tuple(_row(row) for row in data["bands"]),
        caution=data.get("caution", ""),
    )


def _row(row: Mapping[str, Any]) -> ProfileRow:
    return ProfileRow(
        stage=row["stage"],
        band=Band(float(row["low_celsius"]), float(row["high_celsius"])),
        source=row["source"],
        checked=row["checked"],
        from_day=row.get("from_day"),
        to_day=row.get("to_day"),
        humidity=row.get("humidity", ""),
        signs=row.get("signs", ""),
        note=row.get("note", ""),
    )


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _shape(data: Mapping[str, Any]) -> Iterator[str]:
    for key in sorted(set(data) - _KEYS):
        yield f"{key}: unknown key; known here: {', '.join(sorted(_KEYS))}"
    for key in ("title", "rate_source", "caution"):
        if not isinstance(data.get(key, "" if key == "caution" else None), str):
            yield f"{key}: needs a text"
    rate = data.get("rate_celsius_per_day")
    if not _is_number(rate) or not 0 < float(str(rate)) <= 2:
        yield f"rate_celsius_per_day: needs a number over 0 and at most 2 (sources give 0.2 to 0.5), got {rate!r}"
    if data.get("move", "step") not in list(BandMove):
        yield f'move: is "step" or "ramp", got {data["move"]!r}'
    if not isinstance(data.get("over_39_is_meant", False), bool):
        yield "over_39_is_meant: is true or false"
    rows = data.get("bands")
    if not isinstance(rows, list) or not rows or not all(isinstance(row, dict) for row in rows):
        yield "bands: needs at least one [[bands]] table"
        return
    for number, row in enumerate(rows, 1):
        yield from (f"bands, row {number}: {trouble}" for trouble in _row_shape(row))


def _row_shape(row: Mapping[str, Any]) -> Iterator[str]:
    for key in sorted(set(row) - _ROW_KEYS):
        yield f"{key}: unknown key; known here: {', '.join(sorted(_ROW_KEYS))}"
    for key in ("stage", "source"):
        if not isinstance(row.get(key), str) or not row[key]:
            yield f"{key}: needs a text"
    for key in ("humidity", "signs", "note"):
        if not isinstance(row.get(key, ""), str):
            yield f"{key}: needs a text"
    for key in ("low_celsius", "high_celsius"):
        if not _is_number(row.get(key)):
            yield f"{key}: needs a number of degrees Celsius, got {row.get(key)!r}"
    if not isinstance(row.get("checked"), bool):
        yield "checked: is true where you have read the numbers in the source, else false"
    days = [row.get("from_day"), row.get("to_day")]
    if days != [None, None] and not all(
        isinstance(day, int) and not isinstance(day, bool) and day >= 0 for day in days
    ):
        yield "from_day and to_day: need whole days from 0 on, both or neither"


def _sense(rows: list[Mapping[str, Any]], move: BandMove, over_39_is_meant: bool) -> Iterator[str]:
    stages: set[str] = set()
    before: Mapping[str, Any] | None = None
    for number, row in enumerate(rows, 1):
        named = f"bands, row {number} ({row['stage']})"
        if row["stage"] in stages:
            yield f"{named}: a second row of this stage: merge the two"
        stages.add(row["stage"])
        yield from (f"{named}: {trouble}" for trouble in _temperatures(row, over_39_is_meant))
        if row.get("from_day") is None:
            before = row
            continue
        if row["from_day"] > row["to_day"]:
            yield f"{named}: from_day {row['from_day']} comes after to_day {row['to_day']}: exchange the two"
        yield from (f"{named}: {trouble}" for trouble in _joint(before, row, move))
        before = row


def _temperatures(row: Mapping[str, Any], over_39_is_meant: bool) -> Iterator[str]:
    low, high = row["low_celsius"], row["high_celsius"]
    if not low < high:
        yield f"the band {low} to {high} °C is upside down: exchange low_celsius and high_celsius"
    if high > HOTTEST_CELSIUS and not over_39_is_meant:
        yield (
            f"{high} °C is hotter than any brooder in print (38 °C): lower it, or set over_39_is_meant = true"
            " at the top of the file if your avian vet told you so"
        )
    if low < COLDEST_CELSIUS:
        yield f"{low} °C is no brooder: give {COLDEST_CELSIUS:g} °C or more"


def _joint(before: Mapping[str, Any] | None, row: Mapping[str, Any], move: BandMove) -> Iterator[str]:
    if before is None:
        if row["from_day"] > 0:
            yield f"days 0 to {row['from_day'] - 1} have no band: let the first row begin with day 0"
        return
    if before.get("to_day") is None:
        yield f"has days, but the row before it ({before['stage']}) has none: put the rows without days last"
        return
    if row["from_day"] <= before["to_day"]:
        yield f"overlaps the row before it ({before['stage']}) on day {row['from_day']}: change one of the two"
    if move is BandMove.STEP and row["from_day"] > before["to_day"] + 1:
        yield (
            f"days {before['to_day'] + 1} to {row['from_day'] - 1} have no band: close the gap,"
            ' or use move = "ramp" to go through them in a straight line'
        )
