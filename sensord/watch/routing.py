"""The way of one observation: screened, calibrated, taken by the machine of its place, its conditions to the alarms.

This runs for every reading, so states are made by their constructors, which is several times faster than `replace`.
"""

from dataclasses import replace
from typing import TypeAlias

from sensord.readings import Fault, FaultKind, Observation, Reading
from sensord.watch.alarms import alarms
from sensord.watch.brooder.air_watch import Brooder, air_observed
from sensord.watch.conditions import ConditionChanged
from sensord.watch.dish.dish_state import Dish
from sensord.watch.dish.paste_watch import conditions, dish_observed
from sensord.watch.effects import Effect, Measured, Note, Noted
from sensord.watch.screening import Screen, screen
from sensord.watch.state import Nursery, NurserySettings, ProbeWatch

Change: TypeAlias = tuple[Nursery, tuple[Effect, ...]]
"""A nursery after something happened, and what has come of it."""


def observed(settings: NurserySettings, nursery: Nursery, raw: Observation) -> Change:
    """The nursery after one observation as the reader delivered it; one of an unknown probe changes nothing."""
    probe, known = settings.probes.get(raw.probe), nursery.probes.get(raw.probe)
    if probe is None or known is None:
        return nursery, ()
    screened, observation = screen(probe.screen, known.screen, raw)
    if isinstance(observation, Reading):
        observation = Reading(raw.probe, raw.seconds, probe.calibration.correct(observation.celsius))
    watched = _watched(known, screened, observation)
    nursery = nursery.having(probes={**nursery.probes, raw.probe: watched})
    after, made = _placed(settings, nursery, observation, was=known.fault)
    return after, (Measured(observation, probe.calibration.uncertainty_celsius), *made)


def _watched(known: ProbeWatch, screened: Screen, observation: Observation) -> ProbeWatch:
    """What is remembered of a probe after `observation`, screened and calibrated."""
    if isinstance(observation, Reading):
        return ProbeWatch(
            screen=screened,
            trail=known.trail.add(observation.seconds, observation.celsius),
            heard_seconds=observation.seconds,
            last=observation,
            fault=None,
            readings=known.readings + 1,
            faults=known.faults,
        )
    return ProbeWatch(
        screen=screened,
        trail=known.trail,
        heard_seconds=observation.seconds,
        last=known.last,
        fault=observation.kind,
        readings=known.readings,
        faults={**known.faults, observation.kind: known.faults.get(observation.kind, 0) + 1},
    )


def _placed(settings: NurserySettings, nursery: Nursery, observation: Observation, was: FaultKind | None) -> Change:
    """Hand a screened observation to the machine of its place."""
    for name, dish in settings.dishes.items():
        if dish.probe == observation.probe:
            return dish_done(settings, nursery, name, dish_observed(dish, nursery.dishes[name], observation))
    noted = _fault_note(observation, was)
    for name, brooder in settings.brooders.items():
        if observation.probe in brooder.probes:
            found = air_observed(brooder, nursery.brooders[name], observation)
            nursery, made = brooder_done(settings, nursery, name, found)
            return nursery, (*noted, *made)
    return nursery, noted


def _fault_note(observation: Observation, was: FaultKind | None) -> tuple[Effect, ...]:
    seconds, probe = observation.seconds, observation.probe
    if isinstance(observation, Fault) and observation.kind is not was:
        return (Noted(seconds=seconds, probe=probe, what=Note.PROBE_FAULT, fault=observation.kind),)
    if isinstance(observation, Reading) and was is not None:
        return (Noted(seconds=seconds, probe=probe, what=Note.PROBE_OK),)
    return ()


def dish_done(settings: NurserySettings, nursery: Nursery, name: str, found: tuple[Dish, tuple[Effect, ...]]) -> Change:
    """The nursery with what the machine of dish `name` has found; conditions that came or went move their alarms."""
    before, (after, effects) = nursery.dishes[name], found
    if after is before:
        return nursery, effects
    nursery = nursery.having(dishes={**nursery.dishes, name: after})
    one = settings.dishes[name]
    was, now = conditions(one, before), conditions(one, after)
    if was == now:
        return nursery, effects
    watched = nursery.probes.get(one.probe)
    celsius = watched.last.celsius if watched and watched.last else None
    seconds = watched.heard_seconds if watched else 0.0
    for condition in sorted(was ^ now):
        change = ConditionChanged(
            seconds=seconds, place=name, condition=condition, standing=condition in now, celsius=celsius
        )
        nursery, made = stood(settings, nursery, change)
        effects += made
    return nursery, effects


def brooder_done(
    settings: NurserySettings,
    nursery: Nursery,
    name: str,
    found: tuple[Brooder, tuple[Effect | ConditionChanged, ...]],
) -> Change:
    """The nursery with what the machine of brooder `name` has found, in its order."""
    after, made = found
    if after is not nursery.brooders[name]:
        nursery = nursery.having(brooders={**nursery.brooders, name: after})
    effects: tuple[Effect, ...] = ()
    for one in made:
        if isinstance(one, ConditionChanged):
            nursery, changes = stood(settings, nursery, one)
            effects += changes
        else:
            effects += (one,)
    return nursery, effects


def stood(settings: NurserySettings, nursery: Nursery, change: ConditionChanged) -> Change:
    """The nursery after a condition has come to stand or has gone, delays already served."""
    book, changes = alarms.stand(settings.alarms, nursery.book, change)
    return replace(nursery, book=book), changes
