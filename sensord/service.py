"""Puts a daemon together: sources that deliver, outputs that take, the nursery between them, and what it remembers."""

import json
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from sensord import assembly, publishing
from sensord.clock import Clock
from sensord.config import Config
from sensord.daemon import Daemon, ReaderState
from sensord.edges.buttons import Buttons
from sensord.edges.chime import Chime
from sensord.edges.commands import Limits
from sensord.edges.control import ControlServer
from sensord.edges.history import FILE_NAME, History
from sensord.edges.history_reader import HistoryReader, LastSeen
from sensord.edges.journal import Journal
from sensord.edges.notify import Notifier
from sensord.edges.probes import ProbeReader
from sensord.errors import StorageError
from sensord.watch import alarms
from sensord.watch.alarms import AlarmBook
from sensord.watch.events import Gap
from sensord.watch.nursery import UNIT_PLACE, NurserySettings

__all__ = ["Places", "build", "limits_of"]

GAP_SECONDS = 60.0
"""A restart within a minute is no gap worth telling: less than a brooder's on-delay."""

_ALARMS_KEY = "alarms"


@dataclass(frozen=True, slots=True)
class Places:
    """Where a daemon keeps its things: history and other lasting files, and the control socket."""

    state: Path
    socket: Path

    @classmethod
    def of(cls, config: Config, socket: Path, environment: Mapping[str, str] = os.environ) -> "Places":
        """The config's own, else what systemd hands out (`$STATE_DIRECTORY`), else the user's state folder."""
        user = Path(environment.get("XDG_STATE_HOME") or Path.home() / ".local" / "state") / "sensord"
        state = config.unit.state_folder or Path(environment.get("STATE_DIRECTORY") or user)
        return cls(state, config.unit.socket or socket)


@dataclass(frozen=True, slots=True)
class _Past:
    """What an earlier run has left behind."""

    book: AlarmBook
    gap: Gap | None = None


def limits_of(config: Config, settings: NurserySettings) -> Limits:
    """What commands from outside may ask for; no command can raise any of it."""
    return Limits(
        brooders=tuple(settings.brooders),
        dishes=tuple(settings.dishes),
        other_places=(UNIT_PLACE,),
        pause_seconds=config.alarms.pause_seconds,
        shelve_seconds=config.alarms.shelve_seconds,
    )


def build(config: Config, clock: Clock, places: Places, journal: Journal, patience: Clock | None = None) -> Daemon:
    """A daemon ready to `run`.

    `patience` is the clock by which people wait, where `clock` runs faster than life. Raises `WiringError` for pins
    that cannot be had, `StorageError` for a state folder that cannot be used, `ConfigError` for a config that cannot
    be met.
    """
    settings = assembly.nursery_settings(config)
    limits = limits_of(config, settings)
    past = _past(places.state / FILE_NAME, settings, clock) if config.history.enabled else _Past(AlarmBook())
    reader: ProbeReader
    daemon = Daemon(settings, clock, Notifier(), book=past.book, gap=past.gap, reader_state=lambda: _state_of(reader))
    one_wire = config.one_wire
    reader = ProbeReader(
        one_wire.root,
        {name: probe.rom for name, probe in config.probes.items()},
        one_wire.interval_seconds,
        one_wire.deadline_seconds,
        clock,
        daemon.deliver,
        one_wire.bulk_conversion,
    )
    daemon.add_output(journal)
    if config.history.enabled:
        history = History(places.state, config.history, clock, on_answer=daemon.give)
        daemon.on_alarms = _keeper_of_alarms(history, clock)
        daemon.add_output(history)
    daemon.add_output(ControlServer(places.socket, clock, daemon.deliver, limits, patience))
    if config.mqtt is not None:
        mqtt = publishing.publisher(config, config.mqtt, places.state, clock, daemon.deliver, limits)
        daemon.add_output(mqtt)
        daemon.add_source(lambda: None, mqtt.start)  # closed as an output, after the last effect
    daemon.add_output(Chime(config.chime, clock))
    daemon.add_source(reader.close, reader.start)
    buttons = Buttons(
        config.buttons,
        clock,
        daemon.deliver,
        factory_name=config.chime.factory,
        dish=next(iter(config.dishes), None),
        pause_seconds=config.alarms.pause_seconds,
    )
    daemon.add_source(buttons.close)
    return daemon


def _past(path: Path, settings: NurserySettings, clock: Clock) -> _Past:
    """What the history knows of the last run; one that cannot be read is dealt with when it is opened to write."""
    now, utc = clock.monotonic_seconds(), clock.utc_seconds()
    try:
        with HistoryReader(path) as reader:
            seen = reader.last_seen()
            kept = reader.load_state(_ALARMS_KEY)
    except StorageError:
        return _Past(AlarmBook())
    trusted = clock.wall_clock_trusted()
    return _Past(_book_of(kept, settings, now, utc if trusted else None), _gap(seen, now, utc if trusted else None))


def _gap(seen: LastSeen | None, now: float, utc: float | None) -> Gap | None:
    if seen is None:
        return None
    known = utc is not None and seen.sure and utc >= seen.utc_seconds
    seconds = utc - seen.utc_seconds if known and utc is not None else None
    if seconds is not None and seconds < GAP_SECONDS:
        return None
    return Gap(now, seconds, seen.celsius)


def _book_of(kept: str | None, settings: NurserySettings, now: float, utc: float | None) -> AlarmBook:
    try:
        data = json.loads(kept or "{}")
        since = utc - float(data["utc_seconds"]) if utc is not None and data["trusted"] else None
    except (ValueError, KeyError, TypeError):
        return AlarmBook()
    return alarms.restore(data.get("alarms"), settings.alarms, now, since)


def _keeper_of_alarms(history: History, clock: Clock) -> Callable[[AlarmBook, float], None]:
    """Keeps the alarm book for the next start, each time it changes."""

    def keep(book: AlarmBook, seconds: float) -> None:
        data = {
            "utc_seconds": clock.utc_seconds(),
            "trusted": clock.wall_clock_trusted(),
            "alarms": alarms.dump(book, seconds),
        }
        history.save_state(_ALARMS_KEY, json.dumps(data))

    return keep


def _state_of(reader: ProbeReader) -> ReaderState:
    health = reader.health()
    methods = {probe: str(bus.method) for bus in health.buses for probe in bus.probes}
    return ReaderState(health.alive, methods)
