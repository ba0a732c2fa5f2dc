"""From the config to the MQTT output: the only place where both are known."""

import contextlib
from collections.abc import Callable
from pathlib import Path

from sensord import __version__
from sensord.clock import Clock
from sensord.config.folders import load_profile, shipped_profiles
from sensord.config.sections import Config, MqttSection
from sensord.errors import StorageError
from sensord.mqtt.discovery import Announcement, announce, component_marks, gone_components
from sensord.mqtt.outbox import IN_MEMORY, Outbox
from sensord.mqtt.publisher import Publisher, expiry_seconds
from sensord.mqtt.topics import Topics
from sensord.watch.conditions import alarms_of
from sensord.watch.events import Command

__all__ = ["OUTBOX", "announcement", "open_publisher", "stages_of"]

OUTBOX = "outbox.db"


def stages_of(config: Config) -> dict[str, tuple[str, ...]]:
    """The stages that each brooder with a shipped profile can be set to from a hub."""
    known = shipped_profiles()
    return {
        name: load_profile(section.profile).stages
        for name, section in config.brooders.items()
        if section.profile in known and section.band is None
    }


def announcement(config: Config, section: MqttSection) -> Announcement:
    """The unit as a hub is told of it."""
    return Announcement(
        topics=Topics(section.base, config.unit.name),
        prefix=section.discovery.prefix,
        form=section.discovery.form,
        version=__version__,
        read_only=section.read_only,
        probes=tuple(config.probes),
        dishes=tuple(config.dishes),
        brooders=tuple(config.brooders),
        stages=stages_of(config),
        alarms=alarms_of(config.brooders, config.dishes),
        expiry_seconds=expiry_seconds(section.interval_seconds),
    )


def open_publisher(
    config: Config, section: MqttSection, state_folder: Path, clock: Clock, deliver: Callable[[Command], None]
) -> Publisher:
    """The MQTT output, not started yet."""
    outbox = _outbox(config, section, state_folder / OUTBOX)
    announced: dict[str, bytes] = {}
    if section.discovery.enabled:
        unit = announcement(config, section)
        announced = dict(announce(unit, gone_components(unit, outbox.held())))
    alarms = alarms_of(config.brooders, config.dishes)
    return Publisher(section, config.unit.name, outbox, clock, deliver, alarms=alarms, announced=announced)


def _outbox(config: Config, section: MqttSection, path: Path) -> Outbox:
    """The outbox on the disk; where that is full or read-only, one in memory, so that the watch starts all the same."""
    marks = component_marks(announcement(config, section)) if section.discovery.enabled else ()
    with contextlib.ExitStack() as opened:
        try:
            outbox = Outbox(path)
            opened.callback(outbox.close)
            outbox.hold(marks)
        except StorageError as error:
            return Outbox(IN_MEMORY, trouble=f"what waits for the broker is lost with the power: {error}")
        opened.pop_all()
        return outbox
