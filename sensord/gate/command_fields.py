"""What each command may carry, as models: which fields there are and what they may hold, of whichever way it comes."""

from pydantic import BaseModel, ConfigDict, Field

from sensord.care.chicks import Crop
from sensord.watch.conditions import Condition

__all__ = [
    "AlarmCommand",
    "AnywhereCommand",
    "Asked",
    "BatchCommand",
    "ChickCommand",
    "EntryCommand",
    "FeedCommand",
    "Labelled",
    "PauseCommand",
    "ShelveCommand",
    "SomewhereCommand",
    "StageCommand",
    "WeighCommand",
]

_NAME = r"^[a-z0-9][a-z0-9_-]{0,31}$"


class Asked(BaseModel):
    """Fields that every command may carry: `request` makes repeats harmless."""

    model_config = ConfigDict(defer_build=True, extra="forbid", frozen=True, strict=True, allow_inf_nan=False)
    request: str = Field("", max_length=64, pattern=r"^[A-Za-z0-9._:-]*$")


class Labelled(Asked):
    model_config = ConfigDict(defer_build=True, extra="ignore", frozen=True, strict=True)


class AnywhereCommand(Asked):
    place: str | None = Field(None, pattern=_NAME)
    condition: Condition | None = None


class SomewhereCommand(Asked):
    place: str = Field(pattern=_NAME)
    condition: Condition | None = None


class ShelveCommand(SomewhereCommand):
    for_seconds: float | None = Field(None, ge=1)


class AlarmCommand(Asked):
    place: str = Field(pattern=_NAME)
    condition: Condition


class PauseCommand(Asked):
    for_seconds: float | None = Field(None, ge=1)


class BatchCommand(Asked):
    dish: str | None = Field(None, pattern=_NAME)


class StageCommand(Asked):
    brooder: str | None = Field(None, pattern=_NAME)
    stage: str = Field(pattern=_NAME)


class EntryCommand(Asked):
    """Something the keeper writes down; whether the chick exists and the number is believable the history knows."""

    chick: str = Field(min_length=1, max_length=32)


class FeedCommand(EntryCommand):
    millilitres: float | None = None
    crop: Crop | None = None
    celsius: float | None = None
    at_utc_seconds: float | None = Field(None, ge=0, le=1e11)
    note: str = Field("", max_length=200)
    sure: bool = False
    undo: bool = False


class WeighCommand(EntryCommand):
    grams: float | None = None
    at_utc_seconds: float | None = Field(None, ge=0, le=1e11)
    note: str = Field("", max_length=200)
    sure: bool = False
    undo: bool = False


class ChickCommand(EntryCommand):
    kind: str | None = Field(None, max_length=64)
    hatched: str | None = Field(None, max_length=10)
    mark: str | None = Field(None, max_length=64)
    brooder: str | None = Field(None, max_length=32)
    left: str | None = Field(None, max_length=10)
    every_hours: float | None = Field(None, ge=0, le=24)
