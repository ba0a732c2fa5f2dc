"""The way of one observation: screened, calibrated, taken by the machine of its place, its conditions to the alarms.

This runs for every reading, so states are made by their constructors, which is several times faster than `replace`.
"""

from dataclasses import replace
from typing import TypeAlias

from sensord.readings import Fault, FaultKind, Observation, Reading
from sensord.watch.alarms import alarms
from sensord.watch.brooder import air_watch as brooder
from sensord.watch.brooder.air_watch import Brooder, ConditionChanged
from sensord.watch.conditions import Condition
from sensord.watch.dish import paste_watch as dish
from sensord.watch.dish.paste_watch import Dish
from sensord.watch.effects import Effect, Measured, Note, Noted
from sensord.watch.screening import screen
from sensord.watch.state import Nursery, NurserySettings, ProbeWatch

__all__ = ["Change", "brooder_done", "dish_done", "observed", "stand"]

Change: TypeAlias = tuple[Nursery, list[Effect]]
"""A nursery and what has come of it so far."""


def observed(settings: NurserySettings, nursery: Nursery, raw: Observation) -> Change:
    probe, known = settings.probes.get(raw.probe), nursery.probes.get(raw.probe)
    if probe is None or known is None:
        return nursery, []
    screened, observation = screen(probe.screen, known.screen, raw)
    faults, trail = known.faults, known.trail
    if isinstance(observation, Reading):
        observation = Reading(raw.probe, raw.seconds, probe.calibration.correct(observation.celsius))
        trail = trail.add(observation.seconds, observation.celsius)
        watched = ProbeWatch(
            screen=screened,
            trail=trail,
            heard_seconds=raw.seconds,
            last=observation,
            fault=None,
            readings=known.readings + 1,
            faults=faults,
        )
    else:
        faults = {**faults, observation.kind: faults.get(observation.kind, 0) + 1}
        watched = ProbeWatch(
            screen=screened,
            trail=trail,
            heard_seconds=raw.seconds,
            last=known.last,
            fault=observation.kind,
            readings=known.readings,
            faults=faults,
        )
    effects: list[Effect] = [Measured(observation, probe.calibration.uncertainty_celsius)]
    nursery = nursery.having(probes={**nursery.probes, raw.probe: watched})
    return _routed(settings, nursery, observation, effects, was=known.fault)


def _routed(
    settings: NurserySettings,
    nursery: Nursery,
    observation: Observation,
    effects: list[Effect],
    was: FaultKind | None,
) -> Change:
    """Hand a screened observation to the machine of its place."""
    for name, one in settings.dishes.items():
        if one.probe == observation.probe:
            before = nursery.dishes[name]
            return dish_done(settings, nursery, name, before, dish.dish_observed(one, before, observation), effects)
    effects += _fault_note(observation, was)
    for name, many in settings.brooders.items():
        if observation.probe in many.probes:
            found = brooder.air_observed(many, nursery.brooders[name], observation)
            return brooder_done(settings, nursery, name, found, effects)
    return nursery, effects


def _fault_note(observation: Observation, was: FaultKind | None) -> list[Effect]:
    if isinstance(observation, Fault) and observation.kind is not was:
        return [
            Noted(seconds=observation.seconds, probe=observation.probe, what=Note.PROBE_FAULT, fault=observation.kind)
        ]
    if isinstance(observation, Reading) and was is not None:
        return [Noted(seconds=observation.seconds, probe=observation.probe, what=Note.PROBE_OK)]
    return []


def dish_done(
    settings: NurserySettings,
    nursery: Nursery,
    name: str,
    before: Dish,
    found: tuple[Dish, tuple[Effect, ...]],
    effects: list[Effect],
) -> Change:
    after, made = found
    if after is before:
        return nursery, [*effects, *made]
    nursery = nursery.having(dishes={**nursery.dishes, name: after})
    effects.extend(made)
    one = settings.dishes[name]
    was, now = dish.conditions(one, before), dish.conditions(one, after)
    if was == now:
        return nursery, effects
    watched = nursery.probes.get(one.probe)
    celsius = watched.last.celsius if watched and watched.last else None
    seconds = watched.heard_seconds if watched else 0.0
    for condition in sorted(was ^ now):
        nursery = stand(settings, nursery, seconds, name, condition, condition in now, celsius, effects)
    return nursery, effects


def brooder_done(
    settings: NurserySettings,
    nursery: Nursery,
    name: str,
    found: tuple[Brooder, tuple[Effect | ConditionChanged, ...]],
    effects: list[Effect],
) -> Change:
    after, made = found
    if after is not nursery.brooders[name]:
        nursery = nursery.having(brooders={**nursery.brooders, name: after})
    for one in made:
        if isinstance(one, ConditionChanged):
            nursery = stand(
                settings, nursery, one.seconds, one.place, one.condition, one.standing, one.celsius, effects
            )
        else:
            effects.append(one)
    return nursery, effects


def stand(
    settings: NurserySettings,
    nursery: Nursery,
    seconds: float,
    place: str,
    condition: Condition,
    is_true: bool,
    celsius: float | None,
    effects: list[Effect],
) -> Nursery:
    book, made = alarms.standing(nursery.book, settings.alarms, seconds, place, condition, is_true, celsius)
    effects.extend(made)
    return replace(nursery, book=book)
