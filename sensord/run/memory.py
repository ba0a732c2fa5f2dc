"""What a start knows of the run before it: how long nobody watched, which alarms were shelved or latched, which stages
the keeper has set."""

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from sensord.clock import Clock
from sensord.errors import StorageError
from sensord.history.history_reader import HistoryReader, LastSeen
from sensord.history.history_writer import History
from sensord.watch.alarms import alarms
from sensord.watch.alarms.alarms import AlarmBook, AlarmSettings
from sensord.watch.brooder.air_watch import BrooderSettings
from sensord.watch.command_table import SetStage
from sensord.watch.events import Gap, Origin
from sensord.watch.nursery import Nursery, NurserySettings

__all__ = ["Past", "keeper", "recall"]

GAP_SECONDS = 60.0
"""A restart within a minute is no gap worth telling: less than a brooder's on-delay."""

_ALARMS_KEY, _STAGES_KEY = "alarms", "stages"


@dataclass(frozen=True, slots=True)
class Past:
    """What an earlier run has left behind; nothing, where there was none or it cannot be read."""

    book: AlarmBook = field(default_factory=AlarmBook)
    gap: Gap | None = None
    stages: tuple[SetStage, ...] = ()


def recall(path: Path, settings: NurserySettings, clock: Clock) -> Past:
    """What the history knows of the last run; one that cannot be read is dealt with when it is opened to write."""
    now, utc = clock.monotonic_seconds(), clock.utc_seconds()
    try:
        with HistoryReader(path) as reader:
            seen = reader.last_seen()
            kept = reader.load_state(_ALARMS_KEY)
            stages = reader.load_state(_STAGES_KEY)
    except StorageError:
        return Past()
    trusted = clock.wall_clock_trusted()
    known_utc = utc if trusted else None
    return Past(
        _book_of(kept, settings.alarms, now, known_utc), _gap(seen, now, known_utc), _stages_of(stages, settings, now)
    )


def _gap(seen: LastSeen | None, now: float, utc: float | None) -> Gap | None:
    if seen is None:
        return None
    known = utc is not None and seen.sure and utc >= seen.utc_seconds
    seconds = utc - seen.utc_seconds if known and utc is not None else None
    if seconds is not None and seconds < GAP_SECONDS:
        return None
    return Gap(now, seconds, seen.celsius)


def _book_of(kept: str | None, rules: AlarmSettings, now: float, utc: float | None) -> AlarmBook:
    try:
        data = json.loads(kept or "{}")
        since = utc - float(data["utc_seconds"]) if utc is not None and data["trusted"] else None
    except (ValueError, KeyError, TypeError):
        return AlarmBook()
    return alarms.restore(data.get("alarms"), rules, now, since)


def _stages_of(kept: str | None, settings: NurserySettings, now: float) -> tuple[SetStage, ...]:
    """The stages that the keeper has set, for brooders whose plan in the config is still the same."""
    try:
        data = dict(json.loads(kept or "{}"))
    except (ValueError, TypeError):
        return ()
    return tuple(
        SetStage(seconds=now, origin=Origin.DAEMON, brooder=name, stage=data[name]["stage"])
        for name, one in settings.brooders.items()
        if name in data and not one.pinned and data[name].get("plan") == _plan_words(one)
    )


def _plan_words(settings: BrooderSettings) -> str:
    plan = settings.plan
    return "" if plan is None else f"{plan.profile.name} {plan.stage} {', '.join(map(str, plan.hatched))}"


def keeper(history: History, settings: NurserySettings, clock: Clock) -> Callable[[Nursery, float], None]:
    """Keeps alarms and stages for the next start, each time one of them changes."""

    def keep(nursery: Nursery, seconds: float) -> None:
        data = {
            "utc_seconds": clock.utc_seconds(),
            "trusted": clock.wall_clock_trusted(),
            "alarms": alarms.dump(nursery.book, seconds),
        }
        stages = {
            name: {"stage": brooder.banding.stage, "plan": _plan_words(settings.brooders[name])}
            for name, brooder in nursery.brooders.items()
            if brooder.banding.stage is not None
        }
        history.save_state(_ALARMS_KEY, json.dumps(data))
        history.save_state(_STAGES_KEY, json.dumps(stages))

    return keep
