"""The file of calibrations: `calibrations.toml` in the state folder, newest last, nothing ever taken out.

Only `sensord calibrate` writes it; the keeper's own config is never edited. A record is appended by writing the whole
file anew beside the old one and exchanging the two, so that a power cut leaves one or the other.
"""

import json
import os
import tomllib
from collections.abc import Iterable, Iterator
from datetime import date, datetime
from enum import StrEnum, unique
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from sensord.errors import StorageError, unreadable

__all__ = ["FILE_NAME", "BudgetLine", "Kind", "PointTaken", "Record", "append", "latest", "load"]

FILE_NAME = "calibrations.toml"
_HEADER = "# Written by `sensord calibrate`, newest last. To undo a calibration, take its [[record]] out.\n"


@unique
class Kind(StrEnum):
    """What was done with the probe."""

    ICE = "ice"
    COMPARISON = "comparison"
    TWO_POINT = "two-point"
    BOIL = "boil"
    TIME_CONSTANT = "time-constant"

    @property
    def corrects(self) -> bool:
        """Whether its record holds a correction, not only a check or a time constant."""
        return self in (Kind.ICE, Kind.COMPARISON, Kind.TWO_POINT)


class _Stored(BaseModel):
    model_config = ConfigDict(defer_build=True, extra="forbid", frozen=True)


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


class _File(_Stored):
    record: tuple[Record, ...] = ()


def load(path: Path) -> tuple[Record, ...]:
    """All records, oldest first; none where there is no file.

    Raises `StorageError` where it cannot be read or is not what `append` writes, naming file and place.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return ()
    except (OSError, UnicodeDecodeError) as error:
        raise StorageError(f"{path}: {unreadable(error)}") from error
    try:
        return _File.model_validate(tomllib.loads(text)).record
    except tomllib.TOMLDecodeError as error:
        raise StorageError(f"{path}: not valid TOML: {error}: mend it, or move it away and calibrate again") from error
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise StorageError(f"{path}: {where}: {first['msg']}: mend it, or move it away and calibrate again") from error


def append(path: Path, record: Record) -> None:
    """Add a record. Raises `StorageError` where the file is damaged or cannot be written; then it is as it was."""
    records = (*load(path), record)
    fresh = path.with_name(path.name + ".new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with fresh.open("w", encoding="utf-8") as file:
            file.write(_HEADER + "".join(_toml(entry) for entry in records))
            file.flush()
            os.fsync(file.fileno())
        fresh.replace(path)
    except BaseException as error:
        fresh.unlink(missing_ok=True)
        if not isinstance(error, OSError):
            raise
        raise StorageError(f"{path}: the calibration could not be stored: {error.strerror or error}") from error


def latest(records: Iterable[Record], rom: str, *, correcting: bool) -> Record | None:
    """The newest correction (`correcting`) or time constant of a probe."""
    found = None
    for record in records:
        if record.rom == rom and (record.kind.corrects if correcting else record.kind is Kind.TIME_CONSTANT):
            found = record
    return found


def _toml(record: Record) -> str:
    lines = "\n".join(_pairs(record.model_dump(exclude_none=True)))
    return f"\n[[record]]\n{lines}\n"


def _pairs(values: dict[str, Any]) -> Iterator[str]:
    for key, value in values.items():
        if value != ():
            yield f"{key} = {_value(value)}"


def _value(value: Any) -> str:
    match value:
        case bool():
            return str(value).lower()
        case float():
            return repr(round(value, 5))
        case datetime():
            return value.isoformat(timespec="seconds")
        case date():
            return value.isoformat()
        case dict():
            return "{ " + ", ".join(_pairs(value)) + " }"
        case tuple() | list():
            return "[" + ", ".join(_value(item) for item in value) + "]"
        case _:
            # A JSON string is a TOML basic string, but for DEL, which TOML wants escaped.
            return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")
