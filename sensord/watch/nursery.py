"""The whole: one pure step from a state and an event to the next state and its effects.

`step` screens and calibrates each observation, hands it to the machine of its place, turns what the machines report
into alarms, and says what the horn must do. It is the same live, in replay, in the demo and in tests.

A probe's silence is an event too: on a tick, a probe that was not heard of for `late_seconds` gets a `late` Fault.
"""

from dataclasses import replace

from sensord.readings import Fault, FaultKind
from sensord.watch.alarms import alarms
from sensord.watch.brooder import air_watch as brooder
from sensord.watch.conditions import UNIT_PLACE, Condition
from sensord.watch.dish import paste_watch as dish
from sensord.watch.effects import BandMoved, Effect, GapFound
from sensord.watch.events import Event, FeedsOverdue, Gap, Observed, Tick, Troubled
from sensord.watch.obeying import commanded
from sensord.watch.routing import Change, brooder_done, dish_done, observed, stand
from sensord.watch.showing import snapshot
from sensord.watch.state import Nursery, NurserySettings, ProbeSettings, first_nursery

__all__ = ["Nursery", "NurserySettings", "ProbeSettings", "first_nursery", "snapshot", "step"]


def step(settings: NurserySettings, nursery: Nursery, event: Event) -> tuple[Nursery, tuple[Effect, ...]]:
    """Take one event. Raises nothing: a command that must be refused is answered with the reason, state unchanged."""
    match event:
        case Observed():
            after, effects = observed(settings, nursery, event.observation)
        case Tick():
            after, effects = _ticked(settings, nursery, event)
        case Gap():
            after, effects = _returned(settings, nursery, event)
        case Troubled():
            after, effects = _troubled(settings, nursery, event)
        case FeedsOverdue():
            effects = []
            standing = bool(event.chicks)
            after = stand(settings, nursery, event.seconds, UNIT_PLACE, Condition.FEED_OVERDUE, standing, None, effects)
        case _:
            after, effects = commanded(settings, nursery, event)
    return _alerted(settings, nursery, after, effects, event)


def _ticked(settings: NurserySettings, nursery: Nursery, tick: Tick) -> Change:
    effects: list[Effect] = []
    if not nursery.bands_told:
        effects += _pinned_bands(settings, tick.seconds)
    nursery = replace(nursery, utc_seconds=tick.utc_seconds, bands_told=True)
    for name, probe in settings.probes.items():
        known = nursery.probes[name]
        if tick.seconds - known.heard_seconds >= probe.late_seconds:
            late = Fault(name, tick.seconds, FaultKind.LATE, f"silent for {tick.seconds - known.heard_seconds:.0f} s")
            nursery, made = observed(settings, nursery, late)
            effects += made
    for name, one in settings.dishes.items():
        before = nursery.dishes[name]
        nursery, effects = dish_done(
            settings, nursery, name, before, dish.dish_ticked(one, before, tick.seconds), effects
        )
    for name, many in settings.brooders.items():
        found = brooder.air_ticked(many, nursery.brooders[name], tick.seconds, tick.utc_seconds)
        nursery, effects = brooder_done(settings, nursery, name, found, effects)
    book, changes = alarms.tick(nursery.book, settings.alarms, tick.seconds)
    effects += changes
    if book is not nursery.book:
        nursery = replace(nursery, book=book)
    return _gap_told(nursery, tick, effects)


def _pinned_bands(settings: NurserySettings, seconds: float) -> list[Effect]:
    """The bands that no plan will tell of, for whoever writes them down."""
    return [
        BandMoved(seconds=seconds, place=name, band=many.band, band_source=many.band_source, pinned=True)
        for name, many in settings.brooders.items()
        if many.pinned
    ]


def _gap_told(nursery: Nursery, tick: Tick, effects: list[Effect]) -> Change:
    """Tell what the air did while the daemon was off, once every probe that spoke before has spoken again."""
    gap = nursery.gap
    if gap is None:
        return nursery, effects
    spoken = {name: watched.last for name, watched in nursery.probes.items() if name in gap.last_celsius}
    after = {name: last.celsius for name, last in spoken.items() if last is not None}
    if len(after) == len(gap.last_celsius) or tick.seconds - gap.seconds > 60:
        effects.append(GapFound(tick.seconds, gap.gap_seconds, dict(gap.last_celsius), after))
        nursery = replace(nursery, gap=None)
    return nursery, effects


def _returned(settings: NurserySettings, nursery: Nursery, gap: Gap) -> Change:
    nursery = replace(nursery, gap=gap)
    effects: list[Effect] = []
    for name, many in settings.brooders.items():
        found = brooder.gap(many, nursery.brooders[name], gap.seconds, gap.gap_seconds)
        nursery, effects = brooder_done(settings, nursery, name, found, effects)
    return nursery, effects


def _troubled(settings: NurserySettings, nursery: Nursery, event: Troubled) -> Change:
    troubles = {name: words for name, words in nursery.troubles.items() if name != event.output}
    if event.trouble:
        troubles[event.output] = event.trouble
    nursery = replace(nursery, troubles=troubles)
    effects: list[Effect] = []
    nursery = stand(
        settings, nursery, event.seconds, UNIT_PLACE, Condition.OUTPUT_FAILED, bool(troubles), None, effects
    )
    return nursery, effects


def _alerted(
    settings: NurserySettings, before: Nursery, after: Nursery, effects: list[Effect], event: Event
) -> tuple[Nursery, tuple[Effect, ...]]:
    """Say what horn and lamp must do, when that has changed; a new alarm breaks an audio pause."""
    paused = after.paused_until_seconds
    if paused is not None and (event.seconds >= paused or alarms.breaks_pause(tuple(effects))):
        paused = None
        after = replace(after, paused_until_seconds=None)
    if after.book is before.book and paused == before.paused_until_seconds and not isinstance(event, Tick):
        return after, tuple(effects)
    alerting = alarms.alerting(after.book, settings.alarms, event.seconds, paused)
    if not alerting.same_as(before.alerting):
        after = replace(after, alerting=alerting)
        effects.append(alerting)
    return after, tuple(effects)
