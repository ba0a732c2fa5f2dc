"""From the config to the MQTT output: the only place where both are known."""

import contextlib
from collections.abc import Callable
from pathlib import Path

from sensord import __version__
from sensord.clock import Clock
from sensord.config.folders import load_profile, shipped_profiles
from sensord.config.sections import Config, MqttSection
from sensord.errors import StorageError
from sensord.mqtt.broker import BrokerSettings
from sensord.mqtt.clearing import clear
from sensord.mqtt.discovery import Announcement, announce, component_marks, gone_components
from sensord.mqtt.outbox import IN_MEMORY, Outbox
from sensord.mqtt.publisher import Publisher, PublisherSettings, expiry_seconds
from sensord.mqtt.topics import Topics
from sensord.watch.conditions import alarms_of
from sensord.watch.events import Command

__all__ = ["OUTBOX", "announcement", "broker_settings", "forget", "publisher", "stages_of"]

OUTBOX = "outbox.db"


def broker_settings(section: MqttSection, unit: str) -> BrokerSettings:
    """Where the broker is; the client id is made of base and unit, so that each daemon has its own and keeps it."""
    return BrokerSettings(
        host=section.host,
        port=section.port,
        client_id=f"{section.base}-{unit}".replace("/", "-"),
        username=section.username,
        password_file=section.password_file,
        ca_file=section.ca_file,
        certificate_file=section.certificate_file,
        key_file=section.key_file,
        tls=section.tls,
        version=section.version,
        keepalive_seconds=section.keepalive_seconds,
    )


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


def publisher(
    config: Config,
    section: MqttSection,
    state_folder: Path,
    clock: Clock,
    deliver: Callable[[Command], None],
) -> Publisher:
    """The MQTT output, not started yet."""
    outbox = _outbox(config, section, state_folder / OUTBOX)
    told: list[tuple[str, bytes]] = []
    if section.discovery.enabled:
        unit = announcement(config, section)
        told = announce(unit, gone_components(unit, outbox.held()))
    settings = PublisherSettings(
        topics=Topics(section.base, config.unit.name),
        alarms=alarms_of(config.brooders, config.dishes),
        interval_seconds=section.interval_seconds,
        read_only=section.read_only,
        discovery=tuple(told),
        birth_topic=section.discovery.birth_topic if section.discovery.enabled else "",
        birth_payload=section.discovery.birth_payload,
    )
    return Publisher(settings, broker_settings(section, config.unit.name), outbox, clock, deliver)


def forget(config: Config, section: MqttSection, state_folder: Path) -> int:
    """Take every retained message and hub entity of this unit off the broker; how many topics there were.

    Raises `BrokerError` where the broker does not do it, or the daemon is running and would say it all again.
    """
    outbox = Outbox(state_folder / OUTBOX)
    try:
        held = {topic for topic in outbox.held() if "#" not in topic}
        # Even where the state folder was lost, what the config says now can be cleared.
        held |= {topic for topic, _ in announce(announcement(config, section))}
        clear(broker_settings(section, config.unit.name), Topics(section.base, config.unit.name), held)
        outbox.let_go(outbox.held())
    finally:
        outbox.close()
    return len(held)


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
