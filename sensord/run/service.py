"""Puts a daemon together: sources that deliver, outputs that take, the nursery between them, and what it remembers."""

from collections.abc import Sequence

from sensord.clock import Clock
from sensord.config import settings as assembly
from sensord.config.folders import Places
from sensord.config.sections import Config
from sensord.control.control_server import ControlServer
from sensord.history.history_file import HistoryFile
from sensord.history.history_writer import History
from sensord.log.chick_log import ChickLog
from sensord.pins.buttons import Buttons
from sensord.pins.chime import Chime
from sensord.probes.calibrations import calibrated_settings
from sensord.probes.probe_reader import ProbeReader
from sensord.run import memory
from sensord.run.daemon import Daemon, Inbox, ReaderState, Source
from sensord.run.journal import Journal
from sensord.run.outlets import Output
from sensord.watch.events import Event, Troubled
from sensord.watch.state import NurserySettings, first_nursery


def build(
    config: Config,
    clock: Clock,
    places: Places,
    journal: Journal,
    silence_seconds: float = 0.0,
    more: Sequence[Output] = (),
) -> Daemon:
    """A daemon ready to `run`, with `more` outputs of the caller's.

    Where `clock` runs faster than life, no probe counts as late before `silence_seconds` of it. Raises `WiringError`
    for pins that cannot be had, `ConfigError` for a config that cannot be met.
    """
    settings, first = _settings(config, places, clock, silence_seconds)
    inbox = Inbox()
    past, remember = memory.Past(), None
    outputs: list[Output] = [journal]
    sources: list[Source] = []
    if config.history.enabled:
        file = HistoryFile(places.state, clock)
        past = memory.recall(file.path, settings, clock)
        history = History(file, config.history, clock)
        remember = memory.keeper(history.save_state, settings, clock)
        outputs += [history, ChickLog(file, clock, inbox.deliver)]
    outputs.append(ControlServer(places.socket, clock, inbox.deliver))
    if config.mqtt is not None:
        from sensord.mqtt import publishing  # brings the MQTT library: not without a broker

        publisher = publishing.open_publisher(config, config.mqtt, places.state, clock, inbox.deliver)
        outputs.append(publisher)
        sources.append(Source(start=publisher.start))  # closed as an output, after the last effect
    outputs += [Chime(config.chime, clock), *more]
    reader = _reader(config, inbox, clock)
    sources += [Source(reader.start, reader.close), Source(close=_buttons(config, inbox, clock).close)]
    return Daemon(
        settings,
        clock,
        inbox,
        outputs,
        sources,
        nursery=first_nursery(settings, clock.monotonic_seconds(), past.book, past.bandings),
        first=[*first, *past.first],
        reader_state=lambda: _state_of(reader),
        remember=remember,
    )


def _settings(
    config: Config, places: Places, clock: Clock, silence_seconds: float
) -> tuple[NurserySettings, list[Event]]:
    """What the rules go by, and what is to be told of it first."""
    settings, trouble = calibrated_settings(config, places.state, clock)
    first: list[Event] = [Troubled(clock.monotonic_seconds(), "calibrations", trouble)] if trouble else []
    if clock.wall_clock_trusted():
        assembly.check_hatch_dates(settings, clock.utc_seconds())
    return assembly.with_silence_of(settings, silence_seconds), first


def _reader(config: Config, inbox: Inbox, clock: Clock) -> ProbeReader:
    roms = {name: probe.rom for name, probe in config.probes.items()}
    return ProbeReader(config.one_wire, roms, clock, inbox.deliver)


def _buttons(config: Config, inbox: Inbox, clock: Clock) -> Buttons:
    return Buttons(
        config.buttons,
        clock,
        inbox.deliver,
        factory_name=config.chime.factory,
        dish=next(iter(config.dishes), None),
    )


def _state_of(reader: ProbeReader) -> ReaderState:
    health = reader.health()
    methods = {probe: str(bus.method) for bus in health.buses for probe in bus.probes}
    return ReaderState(health.alive, methods)
