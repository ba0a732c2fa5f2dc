"""From snapshots and effects to the topics and payloads of MQTT. Pure: the time of each is handed in."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from math import inf
from typing import Any, TypeAlias

from sensord.clock import rfc3339
from sensord.mqtt.payloads import (
    EVENTS,
    AlarmPayload,
    BrooderPayload,
    DishPayload,
    Payload,
    ProbePayload,
    Quality,
    StatePayload,
    rounded,
)
from sensord.watch.conditions import Condition
from sensord.watch.effects import (
    AlarmChanged,
    AlarmState,
    BandMoved,
    BatchStarted,
    DishChanged,
    DishState,
    Forecast,
    GapFound,
    Noted,
)
from sensord.watch.views import ProbeView, Snapshot

USED_SECONDS = 2.0
"""A dish in use changes within seconds, and somebody is waiting for it."""

Transition: TypeAlias = AlarmChanged | DishChanged | Noted | Forecast | BandMoved | BatchStarted | GapFound


@dataclass(frozen=True, slots=True)
class Topics:
    """Every topic of a unit, `<base>/<unit>/…`: the unit comes before the kind, so that access lists work."""

    base: str
    unit: str

    @property
    def client_id(self) -> str:
        """The daemon's own at the broker: each has another, and keeps it."""
        return self.root.replace("/", "-")

    @property
    def root(self) -> str:
        return f"{self.base}/{self.unit}"

    @property
    def status(self) -> str:
        return f"{self.root}/status"

    @property
    def event(self) -> str:
        return f"{self.root}/event"

    @property
    def done(self) -> str:
        return f"{self.root}/done"

    @property
    def commands(self) -> str:
        """The filter that catches every command, one level deep."""
        return f"{self.root}/do/+"

    def command(self, verb: str) -> str:
        return f"{self.root}/do/{verb}"

    def probe(self, name: str) -> str:
        return f"{self.root}/probe/{name}"

    def dish(self, name: str) -> str:
        return f"{self.root}/dish/{name}"

    def brooder(self, name: str) -> str:
        return f"{self.root}/brooder/{name}"

    def alarm(self, place: str, condition: Condition) -> str:
        return f"{self.root}/alarm/{place}/{condition.value}"


@dataclass(frozen=True, slots=True)
class Timing:
    """How monotonic seconds become wall time: the two clocks read together."""

    monotonic_seconds: float
    utc_seconds: float
    trusted: bool

    def utc(self, monotonic_seconds: float) -> str:
        """RFC 3339 of an instant on the monotonic clock."""
        return rfc3339(self.utc_seconds - (self.monotonic_seconds - monotonic_seconds))

    def head(self, monotonic_seconds: float) -> dict[str, Any]:
        """What every message says of when it was so."""
        return {"time": self.utc(monotonic_seconds), "clock_trusted": self.trusted}


@dataclass(frozen=True, slots=True, kw_only=True)
class RetainedState:
    """One retained state: where, and how to make its payload from a `sequence` (most are not due and not made).

    A change of `meaning` goes out at once, numbers alone at most every `pace_seconds`. After `expiry_seconds` nobody
    should take it for live; None: true until the next one.
    """

    topic: str
    meaning: tuple[object, ...]
    pace_seconds: float
    expiry_seconds: int | None
    payload: Callable[..., StatePayload]


def expiry_seconds(interval_seconds: float) -> int:
    """After so long without a new one, a value is not live any more."""
    return max(60, round(3 * interval_seconds))


def event_of(effect: Transition, timing: Timing, number: int, series: str) -> Payload:
    """The numbered event that `effect` is for the outside."""
    return EVENTS[type(effect)].of(effect, **timing.head(effect.seconds), number=number, series=series)


def states_of(
    snapshot: Snapshot,
    topics: Topics,
    timing: Timing,
    alarms: frozenset[tuple[str, Condition]],
    interval_seconds: float,
) -> list[RetainedState]:
    """Every retained state of the unit. `alarms` are told while they are normal too."""
    probes = {probe.name: probe for probe in snapshot.probes}
    now, expires = timing.head(snapshot.seconds), expiry_seconds(interval_seconds)
    found: list[RetainedState] = []

    def add(
        topic: str,
        meaning: tuple[object, ...],
        payload: Callable[..., StatePayload],
        pace: float = interval_seconds,
        expiry: int | None = expires,
    ) -> None:
        found.append(
            RetainedState(topic=topic, meaning=meaning, pace_seconds=pace, expiry_seconds=expiry, payload=payload)
        )

    # In the order in which they are to be said: alarms, then what somebody waits for.
    for alarm in snapshot.alarms:
        payload = partial(AlarmPayload.of, alarm, since=timing.utc(alarm.since_seconds), **now)
        meaning: tuple[object, ...] = (alarm.state, alarm.standing, alarm.priority)
        add(topics.alarm(alarm.place, alarm.condition), meaning, payload, expiry=None)
    for place, condition in alarms - {(alarm.place, alarm.condition) for alarm in snapshot.alarms}:
        payload = partial(AlarmPayload.of, None, place=place, condition=condition, **_NORMAL, **now)
        add(topics.alarm(place, condition), (AlarmState.NORMAL,), payload, pace=inf, expiry=None)
    for dish in snapshot.dishes:
        quality = _quality([probes[dish.probe]] if dish.probe in probes else [])
        pace = interval_seconds if dish.state is DishState.AWAY else min(interval_seconds, USED_SECONDS)
        known = _known(dish.reading_celsius, dish.uncertainty_celsius, quality)
        meaning = (dish.state, dish.verdict, quality, dish.band, dish.outlook.never)
        add(topics.dish(dish.name), meaning, partial(DishPayload.of, dish, **known, **now), pace)
    for probe in snapshot.probes:
        quality = _quality([probe])
        probe = probe if probe.fault is None else replace(probe, celsius=None)  # never the last value
        known = _known(probe.celsius, probe.uncertainty_celsius, quality)
        read = timing.head(snapshot.seconds - (probe.age_seconds or 0.0))
        add(topics.probe(probe.name), (quality, probe.fault), partial(ProbePayload.of, probe, **known, **read))
    for brooder in snapshot.brooders:
        own = [probes[name] for name in brooder.probes if name in probes]
        # Which probe the brooder goes by is the brooder's affair: the widest uncertainty covers every choice.
        widest = max((probe.uncertainty_celsius for probe in own), default=None)
        quality = _quality(own)
        known = _known(brooder.celsius, widest, quality)
        meaning = (brooder.verdict, quality, brooder.band, brooder.stage, brooder.notes)
        add(topics.brooder(brooder.name), meaning, partial(BrooderPayload.of, brooder, **known, **now))
    return found


_NORMAL: dict[str, object] = {
    "state": AlarmState.NORMAL,
    "active": False,
    "seen": "",
    "do_first": "",
    **dict.fromkeys(("priority", "value", "since", "shelved_left_s")),
}


def _known(celsius: float | None, uncertainty: float | None, quality: Quality) -> dict[str, object]:
    return {"expanded_uncertainty": None if celsius is None else uncertainty, "quality": quality}


def _quality(probes: Sequence[ProbeView]) -> Quality:
    """Good while at least one of the probes reads."""
    if any(probe.fault is None and rounded(probe.celsius) is not None for probe in probes):
        return "good"
    return "fault" if any(probe.fault for probe in probes) else "none"
