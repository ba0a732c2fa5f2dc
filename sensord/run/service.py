"""Puts a daemon together: sources that deliver, outputs that take, the nursery between them, and what it remembers."""

from sensord.clock import Clock
from sensord.config import settings as assembly
from sensord.config.folders import Places
from sensord.config.sections import Config, MqttSection
from sensord.control.control_server import ControlServer
from sensord.history.history_writer import FILE_NAME, History
from sensord.pins.buttons import Buttons
from sensord.pins.chime import Chime
from sensord.probes.calibrations import settings_despite_damage
from sensord.probes.probe_reader import ProbeReader
from sensord.run import memory
from sensord.run.daemon import Daemon, ReaderState
from sensord.run.journal import Journal
from sensord.run.notify import Notifier
from sensord.watch.events import Event, Troubled
from sensord.watch.nursery import NurserySettings

__all__ = ["build"]


def build(
    config: Config,
    clock: Clock,
    places: Places,
    journal: Journal,
    patience: Clock | None = None,
    silence_seconds: float = 0.0,
) -> Daemon:
    """A daemon ready to `run`.

    Where `clock` runs faster than life, `patience` is the clock by which people wait, and no probe counts as late
    before `silence_seconds` of the faster one. Raises `WiringError` for pins that cannot be had, `StorageError` for a
    state folder that cannot be used, `ConfigError` for a config that cannot be met.
    """
    settings, first = _settings(config, places, clock, silence_seconds)
    past = memory.recall(places.state / FILE_NAME, settings, clock) if config.history.enabled else memory.Past()
    reader: ProbeReader
    daemon = Daemon(
        settings,
        clock,
        Notifier(),
        book=past.book,
        bandings=past.bandings,
        gap=past.gap,
        reader_state=lambda: _state_of(reader),
    )
    reader = _reader(config, daemon, clock)
    for event in first:
        daemon.deliver(event)
    daemon.add_output(journal)
    if config.history.enabled:
        _add_history(daemon, config, settings, places, clock)
    daemon.add_output(ControlServer(places.socket, clock, daemon.deliver, patience))
    if config.mqtt is not None:
        _add_publisher(daemon, config, config.mqtt, places, clock)
    daemon.add_output(Chime(config.chime, clock))
    daemon.add_source(start=reader.start, close=reader.close)
    daemon.add_source(close=_buttons(config, daemon, clock).close)
    return daemon


def _settings(
    config: Config, places: Places, clock: Clock, silence_seconds: float
) -> tuple[NurserySettings, list[Event]]:
    """What the rules go by, and what is to be told of it first."""
    settings, trouble = settings_despite_damage(config, places.state, clock)
    first: list[Event] = [Troubled(clock.monotonic_seconds(), "calibrations", trouble)] if trouble else []
    if clock.wall_clock_trusted():
        assembly.check_hatch_dates(settings, clock.utc_seconds())
    return assembly.with_silence_of(settings, silence_seconds), first


def _reader(config: Config, daemon: Daemon, clock: Clock) -> ProbeReader:
    one_wire = config.one_wire
    return ProbeReader(
        one_wire.root,
        {name: probe.rom for name, probe in config.probes.items()},
        one_wire.interval_seconds,
        one_wire.deadline_seconds,
        clock,
        daemon.deliver,
        one_wire.bulk_conversion,
    )


def _add_history(daemon: Daemon, config: Config, settings: NurserySettings, places: Places, clock: Clock) -> None:
    history = History(places.state, config.history, clock, on_answer=daemon.give)
    daemon.day = lambda: history.day
    daemon.feed_reminder = config.history.feed_reminder
    daemon.remember = memory.keeper(history, settings, clock)
    daemon.add_output(history)


def _add_publisher(daemon: Daemon, config: Config, mqtt: MqttSection, places: Places, clock: Clock) -> None:
    from sensord.mqtt import publishing  # brings the MQTT library: not without a broker

    publisher = publishing.publisher(config, mqtt, places.state, clock, daemon.deliver)
    daemon.add_output(publisher)
    daemon.add_source(start=publisher.start)  # closed as an output, after the last effect


def _buttons(config: Config, daemon: Daemon, clock: Clock) -> Buttons:
    return Buttons(
        config.buttons,
        clock,
        daemon.deliver,
        factory_name=config.chime.factory,
        dish=next(iter(config.dishes), None),
        pause_seconds=config.alarms.pause_seconds,
    )


def _state_of(reader: ProbeReader) -> ReaderState:
    health = reader.health()
    methods = {probe: str(bus.method) for bus in health.buses for probe in bus.probes}
    return ReaderState(health.alive, methods)
