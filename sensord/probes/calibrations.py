"""Past calibrations: the file of them in the state folder, and what the newest one changes in a probe of the config.

`calibrations.jsonl` holds a record a line, newest last; nothing is ever taken out, and only `sensord calibrate` writes
it: the keeper's own config is never edited. A `calibrations.toml`, as earlier versions wrote it, is read before it.
"""

import os
import stat
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from enum import StrEnum, unique
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from sensord.clock import Clock
from sensord.config.sections import Config, ProbeSection
from sensord.config.settings import nursery_settings
from sensord.errors import StorageError, unreadable
from sensord.watch.state import NurserySettings

FILE_NAME = "calibrations.jsonl"
_OLD_FILE_NAME = "calibrations.toml"
_MOST_BYTES = 4_000_000
_AS_BOUGHT_CELSIUS: float = ProbeSection.model_fields["uncertainty_celsius"].default
_BY_HAND = {"offset_celsius", "gain"}
_REMEDY = "mend it, or move it away and calibrate again"


@unique
class Kind(StrEnum):
    """What was done with the probe."""

    ICE = "ice"
    COMPARISON = "comparison"
    TWO_POINT = "two-point"
    BOIL = "boil"
    TIME_CONSTANT = "time-constant"


class _Stored(BaseModel):
    model_config = ConfigDict(defer_build=True, extra="forbid", frozen=True, allow_inf_nan=False)


class PointTaken(_Stored):
    """One comparison: Celsius read and true, and its standard uncertainty."""

    reading_celsius: float
    true_celsius: float
    u_celsius: float = Field(ge=0)


class BudgetLine(_Stored):
    """One component of the uncertainty, standard, Celsius."""

    name: str
    u_celsius: float = Field(ge=0)
    basis: str


class Record(_Stored):
    """One calibration, check or time constant of the probe `rom`; expanded uncertainties are k = 2."""

    rom: str
    probe: str
    kind: Kind
    taken: datetime
    due: date | None = None
    offset_celsius: float | None = Field(None, ge=-5, le=5)
    gain: float | None = Field(None, ge=0.9, le=1.1)
    expanded_uncertainty_celsius: float | None = Field(None, gt=0, le=3)
    at_celsius: float | None = None
    passed: bool | None = None
    time_constant_seconds: float | None = Field(None, gt=0, le=600)
    u_seconds: float | None = Field(None, ge=0)
    points: tuple[PointTaken, ...] = ()
    budget: tuple[BudgetLine, ...] = ()
    warnings: tuple[str, ...] = ()


class _OldFile(_Stored):
    record: tuple[Record, ...] = ()


# The file


def past_records(folder: Path) -> tuple[Record, ...]:
    """All records in the state folder, oldest first; none where there is no file.

    Raises `StorageError` where one cannot be read or is not what `keep_record` writes, naming file and place.
    """
    return (*_old_records(folder / _OLD_FILE_NAME), *_records(folder / FILE_NAME))


def keep_record(folder: Path, record: Record) -> Path:
    """Add a record; the file it is in. Raises `StorageError` where that is damaged or cannot be written; then it is as
    it was: a whole new one takes its place, so that a power cut leaves one or the other."""
    path = folder / FILE_NAME
    lines = [entry.model_dump_json(exclude_none=True) + "\n" for entry in (*_records(path), record)]
    fresh = path.with_name(path.name + ".new")
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o750)
        fresh.unlink(missing_ok=True)
        made = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o640)
        with os.fdopen(made, "w", encoding="utf-8") as file:
            if os.geteuid() == 0:  # sudo: the daemon's user has to be able to read it
                owner = folder.stat()
                os.fchown(made, owner.st_uid, owner.st_gid)
            file.writelines(lines)
            file.flush()
            os.fsync(file.fileno())
        fresh.replace(path)
        handle = os.open(folder, os.O_RDONLY)
        os.fsync(handle)
        os.close(handle)
    except BaseException as error:
        fresh.unlink(missing_ok=True)
        if not isinstance(error, OSError):
            raise
        raise StorageError(f"{path}: the calibration could not be stored: {error.strerror or error}") from error
    return path


def _records(path: Path) -> list[Record]:
    found = []
    for number, line in enumerate(_text(path).splitlines(), 1):
        try:
            found.append(Record.model_validate_json(line))
        except ValidationError as error:
            raise StorageError(f"{path}:{number}: {_first_of(error)}: {_REMEDY}") from error
    return found


def _old_records(path: Path) -> tuple[Record, ...]:
    try:
        return _OldFile.model_validate(tomllib.loads(_text(path))).record
    except ValidationError as error:
        raise StorageError(f"{path}: {_first_of(error)}: {_REMEDY}") from error
    except (ValueError, RecursionError) as error:  # not TOML, a number of thousands of digits, nested without end
        raise StorageError(f"{path}: not valid TOML: {error}: {_REMEDY}") from error


def _first_of(error: ValidationError) -> str:
    first = error.errors()[0]
    return ": ".join([*filter(None, [".".join(map(str, first["loc"]))]), first["msg"]])


def _text(path: Path) -> str:
    """What a file says; empty where there is none. A pipe or a device in its place is refused, and keeps nobody."""
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        with os.fdopen(handle, "rb") as file:
            if not stat.S_ISREG(os.fstat(handle).st_mode):
                raise StorageError(f"{path}: is no plain file: {_REMEDY}")
            content = file.read(_MOST_BYTES + 1)
        if len(content) > _MOST_BYTES:
            raise StorageError(f"{path}: is larger than calibrations ever get: {_REMEDY}")
        return content.decode("utf-8")
    except FileNotFoundError:
        return ""
    except StorageError:
        raise
    except (OSError, UnicodeDecodeError) as error:
        raise StorageError(f"{path}: {unreadable(error)}") from error


# What it changes


def calibrated_settings(config: Config, folder: Path, clock: Clock) -> tuple[NurserySettings, str]:
    """The core's settings with every probe as last calibrated, and a sentence where the file of that is damaged.

    A key that the config sets by hand stays. Past its due date (where the clock can tell) a calibration still corrects,
    but the uncertainty is no better than that of a probe as bought. A damaged file never stops the start: it is moved
    aside, all of it, for an older correction would not be what the keeper knows to hold. From then on a probe that
    leaned on it counts as bought until it is calibrated again.
    """
    records: tuple[Record, ...] = ()
    trouble, aside = "", sorted(str(path) for path in folder.glob("calibrations.*.damaged-*"))
    try:
        records = past_records(folder)
    except StorageError as error:
        trouble = f"{error}. "
        try:
            if isinstance(error.__cause__, PermissionError):
                raise error.__cause__  # not damaged, only not ours to read: it stays
            aside = [str(_set_aside(path)) for path in (folder / _OLD_FILE_NAME, folder / FILE_NAME) if _is_there(path)]
        except OSError as refusal:
            aside = [f"where it was ({refusal.strerror})"]
    doubted = {
        # A smaller uncertainty in the config belongs to the calibration that cannot be read.
        name: one.model_copy(update={"uncertainty_celsius": max(one.uncertainty_celsius, _AS_BOUGHT_CELSIUS)})
        for name, one in config.probes.items()
        if aside and _newest_correction(records, one.rom) is None and not _BY_HAND & one.model_fields_set
    }
    settings = _calibrated_settings(config.model_copy(update={"probes": {**config.probes, **doubted}}), records, clock)
    if not doubted:
        return settings, ""
    who = f"{', '.join(doubted)} {'counts' if len(doubted) == 1 else 'count'} as bought until calibrated again"
    return (
        settings,
        f"{trouble}{who}; the damaged file is {' and '.join(aside)}: calibrate, or mend it and move it back",
    )


def _is_there(path: Path) -> bool:
    return path.is_symlink() or path.exists()


def _set_aside(path: Path) -> Path:
    number = 1
    while _is_there(aside := path.with_name(f"{path.name}.damaged-{number}")):
        number += 1
    return path.rename(aside)


def _calibrated_settings(config: Config, records: Sequence[Record], clock: Clock) -> NurserySettings:
    today = datetime.fromtimestamp(clock.utc_seconds(), tz=UTC).date() if clock.wall_clock_trusted() else None
    sections = {name: _calibrated(section, records, today) for name, section in config.probes.items()}
    settings = nursery_settings(config.model_copy(update={"probes": sections}))
    probes = {
        name: replace(probe, calibrated=_words(_newest_correction(records, sections[name].rom), today))
        for name, probe in settings.probes.items()
    }
    return replace(settings, probes=probes)


def _calibrated(section: ProbeSection, records: Sequence[Record], today: date | None) -> ProbeSection:
    update: dict[str, float] = {}
    correction = _newest_correction(records, section.rom)
    # Offset and gain belong together: half of a correction from here and half from there is none.
    if correction is not None and not _BY_HAND & section.model_fields_set:
        update["offset_celsius"] = correction.offset_celsius or 0.0
        update["gain"] = correction.gain or 1.0
        uncertainty = correction.expanded_uncertainty_celsius
        if uncertainty is not None and "uncertainty_celsius" not in section.model_fields_set:
            update["uncertainty_celsius"] = max(uncertainty, _AS_BOUGHT_CELSIUS if _overdue(correction, today) else 0.0)
    response = _newest(records, section.rom, (Kind.TIME_CONSTANT,))
    if response is not None and response.time_constant_seconds and section.time_constant_seconds is None:
        update["time_constant_seconds"] = response.time_constant_seconds
    return section.model_copy(update=update)


def _words(correction: Record | None, today: date | None) -> str:
    """For the screens: how and when a probe was last calibrated, and when that is due again; empty where never."""
    if correction is None:
        return ""
    when = f"{correction.kind.value}, {correction.taken.date().isoformat()}"
    if correction.due is None:
        return when
    return f"{when}, {'overdue since' if _overdue(correction, today) else 'due'} {correction.due.isoformat()}"


def _newest_correction(records: Iterable[Record], rom: str) -> Record | None:
    return _newest(records, rom, (Kind.ICE, Kind.COMPARISON, Kind.TWO_POINT))


def _newest(records: Iterable[Record], rom: str, kinds: tuple[Kind, ...]) -> Record | None:
    return next((each for each in reversed(tuple(records)) if each.rom == rom and each.kind in kinds), None)


def _overdue(record: Record, today: date | None) -> bool:
    return record.due is not None and today is not None and today > record.due
