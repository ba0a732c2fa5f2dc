"""From snapshots and effects to the payloads of MQTT. Pure: the time of each is handed in."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Any, NamedTuple, TypeAlias

from sensord.clock import rfc3339
from sensord.edges.payloads import (
    AlarmEvent,
    AlarmPayload,
    BandEvent,
    BandPayload,
    BatchEvent,
    BrooderPayload,
    DishEvent,
    DishPayload,
    Estimate,
    EventPayload,
    ForecastEvent,
    GapEvent,
    NoteEvent,
    ProbePayload,
    Quality,
    StatePayload,
)
from sensord.edges.topics import Topics
from sensord.readings import Band
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
from sensord.watch.events import Condition
from sensord.watch.views import AlarmView, BrooderView, DishView, ProbeView, Snapshot

__all__ = ["State", "Timing", "Transition", "event_of", "senml", "states_of"]


@dataclass(frozen=True, slots=True)
class Timing:
    """How monotonic seconds become wall time: the two clocks read together."""

    monotonic_seconds: float
    utc_seconds: float
    trusted: bool

    def utc(self, monotonic_seconds: float) -> str:
        """RFC 3339 of an instant on the monotonic clock."""
        return rfc3339(self.utc_seconds - (self.monotonic_seconds - monotonic_seconds))


class State(NamedTuple):
    """One retained state: where and what.

    A change of `meaning` goes out at once, numbers alone at most every `pace_seconds`. After `expiry_seconds` nobody
    should take it for live; None: true until the next one.
    """

    topic: str
    payload: StatePayload
    meaning: tuple[object, ...]
    pace_seconds: float
    expiry_seconds: int | None


Transition: TypeAlias = AlarmChanged | DishChanged | Noted | Forecast | BandMoved | BatchStarted | GapFound


def states_of(
    snapshot: Snapshot,
    topics: Topics,
    timing: Timing,
    alarms: frozenset[tuple[str, Condition]],
    interval_seconds: float,
    expiry_seconds: int,
) -> list[State]:
    """Every retained state of the unit, alarms first. `alarms` are told while normal too; `sequence` is still 1."""
    head: dict[str, Any] = {
        "time": timing.utc(snapshot.seconds),
        "clock_trusted": timing.trusted,
        "sequence": 1,
    }
    probes = {probe.name: probe for probe in snapshot.probes}
    standing = {(alarm.place, alarm.condition) for alarm in snapshot.alarms}
    found = [_alarm(alarm, topics, head, timing, interval_seconds) for alarm in snapshot.alarms]
    found += [_normal_alarm(place, condition, topics, head) for place, condition in sorted(alarms - standing)]
    found += [
        _dish(dish, probes.get(dish.probe), topics, head, interval_seconds, expiry_seconds) for dish in snapshot.dishes
    ]
    found += [
        _brooder(brooder, probes, topics, head, interval_seconds, expiry_seconds) for brooder in snapshot.brooders
    ]
    found += [
        _probe(
            probe,
            topics,
            {**head, "time": timing.utc(snapshot.seconds - (probe.age_seconds or 0.0))},
            interval_seconds,
            expiry_seconds,
        )
        for probe in snapshot.probes
    ]
    return found


def event_of(effect: Transition, timing: Timing, number: int, series: str) -> EventPayload:
    """The numbered event that `effect` is for the outside."""
    head: dict[str, Any] = {
        "time": timing.utc(effect.seconds),
        "clock_trusted": timing.trusted,
        "number": number,
        "series": series,
    }
    match effect:
        case AlarmChanged():
            return AlarmEvent(
                **head,
                place=effect.place,
                condition=effect.condition,
                priority=effect.priority.word,
                state=effect.state,
                previous=effect.previous,
                value=_rounded(effect.celsius),
                origin=effect.origin,
                seen=effect.seen,
                do_first=effect.do_first,
            )
        case DishChanged():
            return DishEvent(
                **head,
                dish=effect.dish,
                probe=effect.probe,
                state=effect.state,
                previous=effect.previous,
                estimate=_estimate(effect.celsius, effect.low_celsius, effect.high_celsius),
                why=effect.why,
            )
        case Noted():
            return NoteEvent(
                **head,
                probe=effect.probe,
                what=effect.what,
                fault=effect.fault,
                gap_s=_rounded(effect.gap_seconds),
                detail=effect.detail,
            )
        case Forecast():
            return ForecastEvent(
                **head,
                place=effect.place,
                condition=effect.condition,
                in_s=round(effect.in_seconds, 1),
                low_s=round(effect.low_seconds, 1),
                high_s=round(effect.high_seconds, 1),
            )
        case BandMoved():
            return BandEvent(**head, place=effect.place, band=_band(effect.band, effect.source), pinned=effect.pinned)
        case BatchStarted():
            return BatchEvent(**head, dish=effect.dish, origin=effect.origin)
        case GapFound():
            return GapEvent(
                **head,
                gap_s=_rounded(effect.gap_seconds),
                before=effect.before_celsius,
                after=effect.after_celsius,
            )


def senml(snapshot: Snapshot, unit: str, timing: Timing) -> list[dict[str, object]]:
    """The readings as a SenML pack (RFC 8428) with absolute times; empty while the clock is not trusted."""
    if not timing.trusted:
        return []
    pack: list[dict[str, object]] = [
        {
            "n": probe.name,
            "v": round(probe.celsius, 3),
            "t": -round(timing.monotonic_seconds - snapshot.seconds + (probe.age_seconds or 0.0), 3),
        }
        for probe in snapshot.probes
        if probe.celsius is not None and probe.fault is None
    ]
    if pack:
        pack[0] = {"bn": f"{unit}/", "bt": round(timing.utc_seconds, 3), "bu": "Cel", **pack[0]}
    return pack


def _alarm(alarm: AlarmView, topics: Topics, head: dict[str, Any], timing: Timing, interval: float) -> State:
    payload = AlarmPayload(
        **head,
        place=alarm.place,
        condition=alarm.condition,
        state=alarm.state,
        active=alarm.standing,
        priority=alarm.priority.word,
        value=_rounded(alarm.celsius),
        since=timing.utc(alarm.since_seconds),
        seen=alarm.seen,
        do_first=alarm.do_first,
        shelved_left_s=_rounded(alarm.shelved_left_seconds),
    )
    meaning = (payload.state, payload.active, payload.priority)
    return State(topics.alarm(alarm.place, alarm.condition), payload, meaning, interval, None)


def _normal_alarm(place: str, condition: Condition, topics: Topics, head: dict[str, Any]) -> State:
    payload = AlarmPayload(
        **head,
        place=place,
        condition=condition,
        state=AlarmState.NORMAL,
        active=False,
        priority=None,
        value=None,
        since=None,
        seen="",
        do_first="",
        shelved_left_s=None,
    )
    return State(topics.alarm(place, condition), payload, (AlarmState.NORMAL,), float("inf"), None)


def _dish(
    dish: DishView, probe: ProbeView | None, topics: Topics, head: dict[str, Any], interval: float, expiry: int
) -> State:
    quality = _quality([probe] if probe else [])
    payload = DishPayload(
        **head,
        **_measured(dish.reading_celsius, dish.uncertainty_celsius, quality),
        dish=dish.name,
        probe=dish.probe,
        state=dish.state,
        ready=dish.state is DishState.READY,
        verdict=dish.verdict,
        band=_band(dish.band, dish.band_source),
        why=dish.why,
        advice=dish.advice,
        estimate=_estimate(dish.celsius, dish.low_celsius, dish.high_celsius),
        probability=_rounded(dish.probability),
        uptake_left_s=_rounded(dish.uptake_left_seconds),
        age_s=_rounded(dish.age_seconds),
        never=dish.never,
        ready_in_s=_rounded(dish.ready_in_seconds),
        ready_low_s=_rounded(dish.ready_low_seconds),
        ready_high_s=_rounded(dish.ready_high_seconds),
        open_for_s=_rounded(dish.open_for_seconds),
        open_low_s=_rounded(dish.open_low_seconds),
        open_high_s=_rounded(dish.open_high_seconds),
    )
    # A dish in use changes within seconds, and somebody is waiting for it.
    pace = interval if dish.state is DishState.AWAY else min(interval, 2.0)
    meaning = (payload.state, payload.verdict, payload.quality, payload.band, payload.never)
    return State(topics.dish(dish.name), payload, meaning, pace, expiry)


def _brooder(
    brooder: BrooderView,
    probes: dict[str, ProbeView],
    topics: Topics,
    head: dict[str, Any],
    interval: float,
    expiry: int,
) -> State:
    own = [probes[name] for name in brooder.probes if name in probes]
    payload = BrooderPayload(
        **head,
        # Which probe the brooder goes by is the brooder's affair: the widest uncertainty covers every choice.
        **_measured(brooder.celsius, max((probe.uncertainty_celsius for probe in own), default=None), _quality(own)),
        brooder=brooder.name,
        verdict=brooder.verdict,
        band=_band(brooder.band, brooder.band_source),
        pinned=brooder.pinned,
        stage=brooder.stage,
        heading=brooder.heading,
        leaves_band_in_s=_rounded(brooder.leaves_band_in_seconds),
        notes=list(brooder.notes),
    )
    meaning = (payload.verdict, payload.quality, payload.band, payload.stage, tuple(payload.notes))
    return State(topics.brooder(brooder.name), payload, meaning, interval, expiry)


def _probe(probe: ProbeView, topics: Topics, head: dict[str, Any], interval: float, expiry: int) -> State:
    payload = ProbePayload(
        **head,
        **_measured(None if probe.fault else probe.celsius, probe.uncertainty_celsius, _quality([probe])),
        probe=probe.name,
        place=probe.place,
        fault=probe.fault,
        remedy=probe.remedy,
        readings=probe.readings,
        faults=sum(probe.faults.values()),
    )
    return State(topics.probe(probe.name), payload, (payload.quality, payload.fault), interval, expiry)


def _measured(celsius: float | None, uncertainty: float | None, quality: Quality) -> dict[str, Any]:
    return {
        "value": _rounded(celsius),
        "expanded_uncertainty": None if celsius is None else _rounded(uncertainty),
        "quality": quality,
    }


def _quality(probes: Sequence[ProbeView]) -> Quality:
    """Good while at least one of the probes reads."""
    if any(probe.fault is None and _rounded(probe.celsius) is not None for probe in probes):
        return "good"
    return "fault" if any(probe.fault for probe in probes) else "none"


def _band(band: Band, source: str) -> BandPayload:
    return BandPayload(low=round(band.low_celsius, 3), high=round(band.high_celsius, 3), source=source)


def _estimate(celsius: float | None, low: float | None, high: float | None) -> Estimate:
    return Estimate(value=_rounded(celsius), low=_rounded(low), high=_rounded(high))


def _rounded(number: float | None) -> float | None:
    """Three places are finer than any probe here; null for what is no number."""
    return round(number, 3) if number is not None and isfinite(number) else None
