"""What a start knows of the run before it: how long nobody watched, which alarms were shelved or latched, which bands
were in force and which stages were set."""

import contextlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from sensord.care.brooding import BandPlan, held
from sensord.care.profile import COLDEST_CELSIUS
from sensord.clock import Clock
from sensord.errors import StorageError
from sensord.history.history_reader import HistoryReader, LastSeen
from sensord.readings import Band
from sensord.watch.alarms.alarm_book import AlarmBook, AlarmSettings, dump, restore
from sensord.watch.brooder.banding import Banding
from sensord.watch.brooder.brooder_rules import BrooderSettings
from sensord.watch.conditions import Condition
from sensord.watch.effects import AlarmState
from sensord.watch.events import Event, Gap, Troubled
from sensord.watch.state import Nursery, NurserySettings

GAP_SECONDS = 60.0
"""A restart within a minute is no gap worth telling: less than a brooder's on-delay."""

_Read = TypeVar("_Read")
_ALARMS_KEY, _BANDS_KEY = "alarms", "stages"


@dataclass(frozen=True, slots=True)
class Past:
    """What an earlier run has left behind, and what of it could not be recalled; nothing, where there was none."""

    book: AlarmBook = field(default_factory=AlarmBook)
    gap: Gap | None = None
    bandings: Mapping[str, Banding] = field(default_factory=dict)
    troubled: Troubled | None = None

    @property
    def first(self) -> tuple[Event, ...]:
        """What the rules are to be told at once."""
        return tuple(one for one in (self.gap, self.troubled) if one is not None)


def recall(path: Path, settings: NurserySettings, clock: Clock) -> Past:
    """What the history knows of the last run. Whatever the file holds, this raises nothing: what cannot be recalled is
    told, and the watch begins without it."""
    now, utc = clock.monotonic_seconds(), clock.utc_seconds()
    known_utc = utc if clock.wall_clock_trusted() else None
    troubles: list[str] = []

    def part(what: str, read: Callable[[HistoryReader], _Read]) -> _Read | None:
        try:
            with HistoryReader(path) as reader:
                return read(reader)
        except StorageError:
            return None  # said by the history, which opens the same file to write
        except Exception as error:
            troubles.append(f"{what} of the last run cannot be recalled ({type(error).__name__}: {error})")
            return None

    book = part("the alarms", lambda it: _book_of(it.load_state(_ALARMS_KEY), settings.alarms, now, clock.boot))
    if book is not None:
        part("some alarms", lambda it: _check_alarms(it.load_state(_ALARMS_KEY)))
    gap = part("the end", lambda it: _gap(it.last_seen(), now, known_utc))
    bands = part("the bands", lambda it: _bandings_of(it.load_state(_BANDS_KEY), settings, now, known_utc))
    troubled = Troubled(now, "memory", "; ".join(troubles)) if troubles else None
    return Past(book or AlarmBook(), gap, bands or {}, troubled)


def _gap(seen: LastSeen | None, now: float, utc: float | None) -> Gap | None:
    if seen is None:
        return None
    known = utc is not None and seen.sure and utc >= seen.utc_seconds
    seconds = utc - seen.utc_seconds if known and utc is not None else None
    if seconds is not None and seconds < GAP_SECONDS:
        return None
    return Gap(now, seconds, seen.celsius)


def _book_of(kept: str | None, rules: AlarmSettings, now: float, boot: str) -> AlarmBook:
    """The alarms; how long ago they were kept says the clock that nobody can put back, as long as it has run on."""
    if kept is None:
        return AlarmBook()
    data = json.loads(kept)
    since = now - float(data["monotonic_seconds"]) if boot and data.get("boot") == boot else None
    return restore(rules, data["alarms"], now, since)


def _check_alarms(kept: str | None) -> None:
    """Raise for a row that `restore` drops without a word."""
    for row in [] if kept is None else json.loads(kept)["alarms"]:
        _ = Condition(row["condition"]), AlarmState(row["state"]), row["place"]


def _bandings_of(kept: str | None, settings: NurserySettings, now: float, utc: float | None) -> dict[str, Banding]:
    """The bands that were in force, for brooders whose plan in the config is still the same."""
    found = {}
    for name, one in settings.brooders.items():
        if one.plan is None or one.pinned:
            continue
        # What cannot be read, or cannot be, is forgotten: then the config says what holds.
        with contextlib.suppress(ValueError, KeyError, TypeError, RecursionError):
            data = json.loads(kept or "{}")[name]
            if data["plan"] == _plan_words(one):
                found[name] = _banding_of(data, one.plan, now, utc)
    return found


def _banding_of(data: Mapping[str, Any], plan: BandPlan, now: float, utc: float | None) -> Banding:
    """One band; where the clock tells how long nobody watched, it may come down for that long."""
    stage = data["stage"]
    row = plan.profile.row(data.get("row", stage))
    band = Band(float(data["low_celsius"]), float(data["high_celsius"])) if "low_celsius" in data else row.band
    if not COLDEST_CELSIUS <= band.low_celsius < band.high_celsius <= 60:
        raise ValueError
    away = utc - float(data["utc_seconds"]) if utc is not None and data.get("trusted") else 0.0
    return Banding(
        band=band,
        brooding=held(plan, row.stage, band),
        stage=stage,
        confirmed=bool(data.get("confirmed", True)),
        assumed=bool(data.get("assumed", False)),
        looked_seconds=now - max(0.0, away),
    )


def _plan_words(settings: BrooderSettings) -> str:
    plan = settings.plan
    return "" if plan is None else f"{plan.profile.name} {plan.stage} {', '.join(map(str, plan.hatched))}"


def keeper(
    save_state: Callable[[str, str], None], settings: NurserySettings, clock: Clock
) -> Callable[[Nursery, float], None]:
    """Keeps alarms, bands and stages for the next start, each time one of them changes, by `History.save_state`."""

    def keep(nursery: Nursery, seconds: float) -> None:
        when = {"utc_seconds": clock.utc_seconds(), "trusted": clock.wall_clock_trusted()}
        bands = {
            name: {**_kept(brooder.banding), "plan": _plan_words(settings.brooders[name]), **when}
            for name, brooder in nursery.brooders.items()
            if brooder.banding.brooding is not None
        }
        alarms = {"boot": clock.boot, "monotonic_seconds": seconds, "alarms": dump(nursery.book, seconds)}
        save_state(_ALARMS_KEY, json.dumps(alarms))
        save_state(_BANDS_KEY, json.dumps(bands))

    return keep


def _kept(banding: Banding) -> dict[str, Any]:
    return {
        "low_celsius": banding.band.low_celsius,
        "high_celsius": banding.band.high_celsius,
        "row": "" if banding.brooding is None else banding.brooding.stage,
        "stage": banding.stage,
        "confirmed": banding.confirmed,
        "assumed": banding.assumed,
    }
