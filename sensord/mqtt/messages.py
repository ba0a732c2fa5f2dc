"""From snapshots and effects to the payloads of MQTT. Pure: the time of each is handed in."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from math import inf, isfinite
from typing import Any, NamedTuple, TypeAlias

from sensord.clock import rfc3339
from sensord.mqtt.payloads import (
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
from sensord.mqtt.topics import Topics
from sensord.readings import Band, Interval
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
from sensord.watch.views import AlarmView, BrooderView, DishView, ProbeView, Snapshot

__all__ = ["State", "Timing", "Transition", "event_of", "states_of"]


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
    """One retained state: where, and how to make its payload with a sequence number (most are not due and not made).

    A change of `meaning` goes out at once, numbers alone at most every `pace_seconds`. After `expiry_seconds` nobody
    should take it for live; None: true until the next one.
    """

    topic: str
    meaning: tuple[object, ...]
    pace_seconds: float
    expiry_seconds: int | None
    payload: Callable[[int], StatePayload]


Transition: TypeAlias = AlarmChanged | DishChanged | Noted | Forecast | BandMoved | BatchStarted | GapFound


def states_of(
    snapshot: Snapshot,
    topics: Topics,
    timing: Timing,
    alarms: frozenset[tuple[str, Condition]],
    interval_seconds: float,
    expiry_seconds: int,
) -> list[State]:
    """Every retained state of the unit. `alarms` are told while they are normal too."""
    probes = {probe.name: probe for probe in snapshot.probes}
    standing = {(alarm.place, alarm.condition) for alarm in snapshot.alarms}
    now, paces = snapshot.seconds, (interval_seconds, expiry_seconds)
    found = [
        State(
            topics.alarm(alarm.place, alarm.condition),
            (alarm.state, alarm.standing, alarm.priority),
            interval_seconds,
            None,
            partial(_alarm, alarm, timing, now),
        )
        for alarm in snapshot.alarms
    ]
    found += [
        State(
            topics.alarm(place, condition),
            (AlarmState.NORMAL,),
            inf,
            None,
            partial(_normal_alarm, place, condition, timing, now),
        )
        for place, condition in alarms - standing
    ]
    meaning: tuple[object, ...]
    for dish in snapshot.dishes:
        quality = _quality([probes[dish.probe]] if dish.probe in probes else [])
        # A dish in use changes within seconds, and somebody is waiting for it.
        pace = interval_seconds if dish.state is DishState.AWAY else min(interval_seconds, 2.0)
        meaning = (dish.state, dish.verdict, quality, dish.band, dish.outlook.never)
        make = partial(_dish, dish, quality, timing, now)
        found.append(State(topics.dish(dish.name), meaning, pace, expiry_seconds, make))
    for probe in snapshot.probes:
        meaning = (_quality([probe]), probe.fault)
        found.append(State(topics.probe(probe.name), meaning, *paces, partial(_probe, probe, timing, now)))
    for brooder in snapshot.brooders:
        own = [probes[name] for name in brooder.probes if name in probes]
        meaning = (brooder.verdict, _quality(own), brooder.band, brooder.stage, brooder.notes)
        found.append(State(topics.brooder(brooder.name), meaning, *paces, partial(_brooder, brooder, own, timing, now)))
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
                estimate=_estimate(effect.estimate_celsius),
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
                in_s=round(effect.in_seconds.middle, 1),
                low_s=round(effect.in_seconds.low, 1),
                high_s=round(effect.in_seconds.high, 1),
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


def _head(timing: Timing, seconds: float, sequence: int) -> dict[str, Any]:
    return {"time": timing.utc(seconds), "clock_trusted": timing.trusted, "sequence": sequence}


def _alarm(alarm: AlarmView, timing: Timing, seconds: float, sequence: int) -> AlarmPayload:
    return AlarmPayload(
        **_head(timing, seconds, sequence),
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


def _normal_alarm(place: str, condition: Condition, timing: Timing, seconds: float, sequence: int) -> AlarmPayload:
    return AlarmPayload(
        **_head(timing, seconds, sequence),
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


def _dish(dish: DishView, quality: Quality, timing: Timing, seconds: float, sequence: int) -> DishPayload:
    ready, window = _ends(dish.outlook.ready_in_seconds), _ends(dish.outlook.open_for_seconds)
    return DishPayload(
        **_head(timing, seconds, sequence),
        **_measured(dish.reading_celsius, dish.uncertainty_celsius, quality),
        dish=dish.name,
        probe=dish.probe,
        state=dish.state,
        ready=dish.state is DishState.READY,
        verdict=dish.verdict,
        band=_band(dish.band, dish.band_source),
        why=dish.why,
        advice=dish.advice,
        estimate=_estimate(dish.estimate_celsius),
        probability=_rounded(dish.probability),
        uptake_left_s=_rounded(dish.uptake_left_seconds),
        age_s=_rounded(dish.age_seconds),
        never=dish.outlook.never,
        ready_in_s=ready[0],
        ready_low_s=ready[1],
        ready_high_s=ready[2],
        open_for_s=window[0],
        open_low_s=window[1],
        open_high_s=window[2],
    )


def _brooder(
    brooder: BrooderView, own: Sequence[ProbeView], timing: Timing, seconds: float, sequence: int
) -> BrooderPayload:
    # Which probe the brooder goes by is the brooder's affair: the widest uncertainty covers every choice.
    uncertainty = max((probe.uncertainty_celsius for probe in own), default=None)
    return BrooderPayload(
        **_head(timing, seconds, sequence),
        **_measured(brooder.celsius, uncertainty, _quality(own)),
        brooder=brooder.name,
        verdict=brooder.verdict,
        band=_band(brooder.band, brooder.band_source),
        pinned=brooder.pinned,
        stage=brooder.stage,
        heading=brooder.heading,
        leaves_band_in_s=_rounded(brooder.leaves_band_in_seconds),
        notes=list(brooder.notes),
    )


def _probe(probe: ProbeView, timing: Timing, seconds: float, sequence: int) -> ProbePayload:
    return ProbePayload(
        **_head(timing, seconds - (probe.age_seconds or 0.0), sequence),
        **_measured(None if probe.fault else probe.celsius, probe.uncertainty_celsius, _quality([probe])),
        probe=probe.name,
        place=probe.place,
        fault=probe.fault,
        remedy=probe.remedy,
        readings=probe.readings,
        faults=sum(probe.faults.values()),
    )


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


def _estimate(celsius: Interval | None) -> Estimate:
    return Estimate(**dict(zip(("value", "low", "high"), _ends(celsius), strict=True)))


def _ends(told: Interval | None) -> tuple[float | None, float | None, float | None]:
    return (None, None, None) if told is None else (_rounded(told.middle), _rounded(told.low), _rounded(told.high))


def _rounded(number: float | None) -> float | None:
    """Three places are finer than any probe here; null for what is no number."""
    return round(number, 3) if number is not None and isfinite(number) else None
