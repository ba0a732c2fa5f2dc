"""All units of a broker, as they say themselves over MQTT; each as the snapshot that its own dashboard would show.

Seconds in these snapshots are UTC seconds since 1970: units do not share a monotonic clock. Nothing is published.
"""

import threading
from collections.abc import MutableMapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, TypeVar

from pydantic import ValidationError

from sensord.clock import Clock
from sensord.mqtt.broker import BrokerSettings, Connection, Link, Received
from sensord.mqtt.payloads import AlarmPayload, BrooderPayload, DishPayload, ProbePayload, StatePayload, view_of
from sensord.watch.conditions import Priority
from sensord.watch.effects import AlarmState
from sensord.watch.views import AlarmView, BrooderView, DishView, ProbeView, Snapshot

__all__ = ["FleetBook", "FleetListener", "UnitSeen"]

OVERVIEW = ("status", "alarm/+/+", "brooder/+", "dish/+")
DETAIL = "probe/+"
LARGEST_PACKET_BYTES = 65_536

_ONLINE = b"online"
_State = TypeVar("_State", bound=StatePayload)


@dataclass(frozen=True, slots=True)
class UnitSeen:
    """One unit at this moment. `stale_seconds` is None while it is online, else how long nothing was heard of it."""

    name: str
    snapshot: Snapshot
    stale_seconds: float | None


@dataclass(slots=True, kw_only=True)
class _Unit:
    status: bytes = b""
    heard_utc: float = 0.0
    trusted: bool = True
    alarms: dict[str, AlarmView] = field(default_factory=dict)
    brooders: dict[str, BrooderView] = field(default_factory=dict)
    dishes: dict[str, DishView] = field(default_factory=dict)
    probes: dict[str, ProbePayload] = field(default_factory=dict)

    @property
    def online(self) -> bool:
        return self.status == _ONLINE


class FleetBook:
    """What was heard of every unit below `base`; may be filled by one thread and read by another."""

    def __init__(self, base: str) -> None:
        self._base = base
        self._units: dict[str, _Unit] = {}
        self._lock = threading.Lock()
        self.changes = 0
        self.not_understood = 0

    def take(self, topic: str, payload: bytes, utc_seconds: float) -> None:
        """One message; what cannot be understood is counted and changes nothing."""
        name, _, below = topic.removeprefix(f"{self._base}/").partition("/")
        kind, _, key = below.partition("/")
        with self._lock:
            self.changes += 1
            unit = self._units.setdefault(name, _Unit())
            try:
                self._note(unit, kind, key, payload, utc_seconds)
            except ValidationError:
                self.not_understood += 1
            if not (unit.status or unit.alarms or unit.brooders or unit.dishes):
                del self._units[name]  # its topics were cleared

    def _note(self, unit: _Unit, kind: str, key: str, payload: bytes, utc_seconds: float) -> None:
        match kind:
            case "status":
                # A retained `offline` may be old; one after `online` tells when the unit fell silent.
                if unit.online or payload == _ONLINE:
                    unit.heard_utc = utc_seconds
                unit.status = payload
            case "alarm":
                alarm = self._read(unit, unit.alarms, AlarmPayload, key, payload)
                if alarm is not None and (view := _alarm_view(alarm, utc_seconds)) is not None:
                    unit.alarms[key] = view
            case "brooder":
                if (brooder := self._read(unit, unit.brooders, BrooderPayload, key, payload)) is not None:
                    unit.brooders[key] = view_of(brooder, BrooderView)
            case "dish":
                if (dish := self._read(unit, unit.dishes, DishPayload, key, payload)) is not None:
                    unit.dishes[key] = view_of(dish, DishView, uncertainty_celsius=dish.expanded_uncertainty)
            case "probe":
                if (probe := self._read(unit, unit.probes, ProbePayload, key, payload)) is not None:
                    unit.probes[key] = probe
            case _:
                pass  # the broker sends only what was asked for

    @staticmethod
    def _read(
        unit: _Unit, kept: MutableMapping[str, Any], model: type[_State], key: str, payload: bytes
    ) -> _State | None:
        """The state in a message; what was kept under its key goes, and stays away where the message is empty."""
        state = model.model_validate_json(payload) if payload else None
        kept.pop(key, None)
        if state is not None:
            unit.trusted = state.clock_trusted
            if state.clock_trusted:
                # The unit's own word for when it was: a retained message may be old when it reaches us.
                unit.heard_utc = max(unit.heard_utc, _utc(state.time))
        return state

    def units(self, utc_seconds: float) -> list[UnitSeen]:
        """Every unit, by name, as of now."""
        with self._lock:
            return [self._seen(name, unit, utc_seconds) for name, unit in sorted(self._units.items())]

    @staticmethod
    def _seen(name: str, unit: _Unit, now: float) -> UnitSeen:
        at = now if unit.online else unit.heard_utc or now
        snapshot = Snapshot(
            unit=name,
            seconds=at,
            utc_seconds=at if unit.trusted else None,
            probes=tuple(_probe_view(probe, at) for _, probe in sorted(unit.probes.items())),
            dishes=tuple(dish for _, dish in sorted(unit.dishes.items())),
            brooders=tuple(brooder for _, brooder in sorted(unit.brooders.items())),
            alarms=tuple(alarm for _, alarm in sorted(unit.alarms.items())),
        )
        return UnitSeen(name, snapshot, None if unit.online else max(0.0, now - at))


class FleetListener:
    """Keeps a `FleetBook` filled from a broker; `look_into` brings the details of one unit as well."""

    def __init__(self, settings: BrokerSettings, base: str, clock: Clock) -> None:
        self.book = FleetBook(base)
        self._base = base
        self._clock = clock
        self._wanted: list[str] = []
        self._looking_into: set[str] = set()
        self._connection = Connection(settings, self)

    def start(self) -> None:
        """Begin to connect; returns at once."""
        self._connection.start()

    def close(self) -> None:
        """Leave the broker."""
        self._connection.close()

    @property
    def trouble(self) -> str:
        """Why there is no connection; empty while there is one."""
        return "" if self._connection.up else self._connection.words

    def look_into(self, unit: str) -> None:
        """Ask for the probes of a unit too."""
        if unit not in self._looking_into:
            self._looking_into.add(unit)
            self._wanted.append(f"{self._base}/{unit}/{DETAIL}")
            self._connection.wake()

    # --- Handler ----------------------------------------------------------------------------------------------------

    def connected(self, link: Link) -> None:
        for below in OVERVIEW:
            link.subscribe(f"{self._base}/+/{below}", replay_retained=True)
        for unit in sorted(self._looking_into):
            link.subscribe(f"{self._base}/{unit}/{DETAIL}", replay_retained=True)

    def received(self, message: Received) -> None:
        self.book.take(message.topic, message.payload, self._clock.utc_seconds())

    def confirmed(self, identifier: int, refusal: str) -> None:
        """Nothing is published, so nothing is confirmed."""

    def turn(self, link: Link) -> float:
        while self._wanted:
            link.subscribe(self._wanted.pop(), replay_retained=True)
        return 1.0


def _alarm_view(alarm: AlarmPayload, heard_utc: float) -> AlarmView | None:
    if alarm.state is AlarmState.NORMAL or alarm.priority is None:
        return None
    since = _utc(alarm.since) if alarm.since and alarm.clock_trusted else heard_utc
    return view_of(alarm, AlarmView, priority=Priority[alarm.priority.upper()], since_seconds=since)


def _probe_view(probe: ProbePayload, now: float) -> ProbeView:
    age = max(0.0, now - _utc(probe.time)) if probe.clock_trusted else None
    return view_of(probe, ProbeView, uncertainty_celsius=probe.expanded_uncertainty or 0.0, age_seconds=age)


def _utc(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()
