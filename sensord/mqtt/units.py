"""All units of a broker, as they say themselves over MQTT; each as the snapshot that its own dashboard would show.

Seconds in these snapshots are UTC seconds since 1970: units do not share a monotonic clock. Nothing is published.
"""

import threading
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from secrets import token_hex
from typing import TypeVar

from sensord.clock import Clock
from sensord.config.sections import MqttSection
from sensord.mqtt.broker import Connection, Received
from sensord.mqtt.payloads import AlarmPayload, BrooderPayload, DishPayload, ProbePayload, StatePayload, view_of
from sensord.texts import plain_text
from sensord.watch.cues import Priority
from sensord.watch.effects import AlarmState
from sensord.watch.views import AlarmView, BrooderView, DishView, ProbeView, Snapshot

OVERVIEW = ("status", "alarm/+/+", "brooder/+", "dish/+")
DETAIL = "probe/+"
LARGEST_PACKET_BYTES = 65_536
MOST_UNITS, MOST_TOPICS = 20_000, 1_000
"""More units than one broker carries, and more topics than one unit has: whoever invents them fills no memory."""

_ONLINE = b"online"
_MODELS: dict[str, type[StatePayload]] = {
    "alarm": AlarmPayload,
    "brooder": BrooderPayload,
    "dish": DishPayload,
    "probe": ProbePayload,
}
_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class UnitSeen:
    """One unit at this moment. `stale_seconds` is None while it is online, else how long nothing was heard of it."""

    name: str
    snapshot: Snapshot
    stale_seconds: float | None


@dataclass(slots=True)
class _Unit:
    """`said` has by topic what the unit says of itself; a probe stays as it was sent, since its age grows."""

    status: bytes = b""
    heard_utc: float = 0.0
    trusted: bool = True
    said: dict[str, object] = field(default_factory=dict)

    @property
    def online(self) -> bool:
        return self.status == _ONLINE

    def of(self, kind: type[_T]) -> tuple[_T, ...]:
        """Everything of one kind, by name."""
        return tuple(one for _, one in sorted(self.said.items()) if isinstance(one, kind))


class FleetBook:
    """What was heard of every unit below `base`; may be filled by one thread and read by another."""

    def __init__(self, base: str) -> None:
        self._base = base
        self._units: dict[str, _Unit] = {}
        self._lock = threading.Lock()

    def take(self, topic: str, payload: bytes, utc_seconds: float) -> None:
        """One message; what cannot be understood changes nothing."""
        name, _, below = topic.removeprefix(f"{self._base}/").partition("/")
        with self._lock:
            if len(payload) > LARGEST_PACKET_BYTES or (name not in self._units and len(self._units) >= MOST_UNITS):
                return
            unit = self._units.setdefault(name, _Unit())
            with suppress(ValueError):  # pydantic's, or a time that is none
                _note(unit, below, payload, utc_seconds)
            if not (unit.status or any(not isinstance(one, ProbePayload) for one in unit.said.values())):
                del self._units[name]  # its topics were cleared

    def units(self, utc_seconds: float) -> list[UnitSeen]:
        """Every unit, by name, as of now."""
        with self._lock:
            return [_seen(name, unit, utc_seconds) for name, unit in sorted(self._units.items())]


def _note(unit: _Unit, below: str, payload: bytes, utc_seconds: float) -> None:
    """One message of a unit, `below` its own topic."""
    if below == "status":
        # A retained `offline` may be old; one after `online` tells when the unit fell silent.
        if unit.online or payload == _ONLINE:
            unit.heard_utc = utc_seconds
        unit.status = payload
        return
    model = _MODELS.get(below.partition("/")[0])
    if model is None:
        return  # the broker sends only what was asked for
    if not payload:
        unit.said.pop(below, None)  # cleared: the unit has it no more
        return
    state = model.model_validate_json(payload)
    shown, said_utc = _shown(state, utc_seconds), _utc(state.time)
    unit.said.pop(below, None)
    if shown is not None and len(unit.said) < MOST_TOPICS:
        unit.said[below] = shown
    unit.trusted = state.clock_trusted
    if state.clock_trusted:
        # The unit's own word for when it was: a retained message may be old when it reaches us.
        unit.heard_utc = max(unit.heard_utc, said_utc)


def _shown(state: StatePayload, heard_utc: float) -> object:
    """The view that a message was made from; None for an alarm that is normal."""
    match state:
        case AlarmPayload(priority=str(priority)) if state.state is not AlarmState.NORMAL:
            since = _utc(state.since) if state.since and state.clock_trusted else heard_utc
            return view_of(state, AlarmView, priority=Priority[priority.upper()], since_seconds=since)
        case AlarmPayload():
            return None
        case BrooderPayload():
            return view_of(state, BrooderView)
        case DishPayload():
            return view_of(state, DishView, uncertainty_celsius=state.expanded_uncertainty)
        case _:
            return state


def _seen(name: str, unit: _Unit, now: float) -> UnitSeen:
    at = now if unit.online else unit.heard_utc or now
    snapshot = Snapshot(
        unit=plain_text(name),
        seconds=at,
        utc_seconds=at if unit.trusted else None,
        probes=tuple(_probe_view(probe, at) for probe in unit.of(ProbePayload)),
        dishes=unit.of(DishView),
        brooders=unit.of(BrooderView),
        alarms=unit.of(AlarmView),
    )
    return UnitSeen(snapshot.unit, snapshot, None if unit.online else max(0.0, now - at))


class FleetListener:
    """Keeps a `FleetBook` filled from a broker; `look_into` brings the details of one unit as well."""

    def __init__(self, section: MqttSection, clock: Clock) -> None:
        self.book = FleetBook(section.base)
        self._base = section.base
        self._clock = clock
        self._wanted: list[str] = []
        self._looking_into: set[str] = set()
        # An id of its own: a second screen, or the daemon on this machine, must not be pushed out.
        client_id = f"sensord-fleet-{token_hex(4)}"
        self._connection = Connection(section, client_id, self, largest_packet_bytes=LARGEST_PACKET_BYTES)

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

    def connected(self, link: Connection) -> None:
        for below in OVERVIEW:
            link.subscribe(f"{self._base}/+/{below}", replay_retained=True)
        for unit in sorted(self._looking_into):
            link.subscribe(f"{self._base}/{unit}/{DETAIL}", replay_retained=True)

    def received(self, message: Received) -> None:
        self.book.take(message.topic, message.payload, self._clock.utc_seconds())

    def confirmed(self, identifier: int, refusal: str) -> None:
        """Nothing is published, so nothing is confirmed."""

    def turn(self, link: Connection) -> None:
        while self._wanted:
            link.subscribe(self._wanted.pop(), replay_retained=True)


def _probe_view(probe: ProbePayload, now: float) -> ProbeView:
    age = max(0.0, now - _utc(probe.time)) if probe.clock_trusted else None
    return view_of(probe, ProbeView, uncertainty_celsius=probe.expanded_uncertainty or 0.0, age_seconds=age)


def _utc(text: str) -> float:
    """Raises `ValueError` where the text is no time."""
    return datetime.fromisoformat(text).timestamp()
