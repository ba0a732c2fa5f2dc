"""The whole: one pure step from a state and an event to the next state and its effects.

`step` screens and calibrates each observation, hands it to the machine of its place, turns what the machines report
into alarms, and says what the horn must do. It is the same live, in replay, in the demo and in tests.

A probe's silence is an event too: on a tick, a probe that was not heard of for `late_seconds` gets a `late` Fault.
`snapshot` is what can be seen of it all at one instant.
"""

from dataclasses import asdict, replace

from sensord.care.chick_day import overdue
from sensord.care.remedies import REMEDIES
from sensord.readings import Fault, FaultKind
from sensord.watch.alarms import alarms
from sensord.watch.brooder.air_watch import air_ticked, brooder_seen, gap
from sensord.watch.conditions import UNIT_PLACE, Condition, ConditionChanged
from sensord.watch.dish.dish_view import dish_seen
from sensord.watch.dish.paste_watch import dish_ticked
from sensord.watch.effects import Answered, BandMoved, Effect, GapFound
from sensord.watch.events import DayKnown, EntryAnswered, Event, Gap, Observed, Tick, Troubled
from sensord.watch.obeying import commanded
from sensord.watch.routing import Change, brooder_done, dish_done, observed, stood
from sensord.watch.state import Nursery, NurserySettings, ProbeSettings, ProbeWatch
from sensord.watch.views import OutputView, ProbeView, Snapshot

_GAP_TOLD_SECONDS = 60.0
"""So long after a stop a probe that spoke before is waited for; then the gap is told without it."""


def step(settings: NurserySettings, nursery: Nursery, event: Event) -> Change:
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
        case DayKnown():
            after, effects = replace(nursery, day=event), ()
        case EntryAnswered():
            after, effects = nursery, (Answered(**asdict(event)),)
        case _:
            after, effects = commanded(settings, nursery, event)
    return _alerted(settings, nursery, after, effects, event)


def _ticked(settings: NurserySettings, nursery: Nursery, tick: Tick) -> Change:
    effects = () if nursery.bands_told else _pinned_bands(settings, tick.seconds)
    nursery = replace(nursery, utc_seconds=tick.utc_seconds, bands_told=True)
    for name, probe in settings.probes.items():
        silent = tick.seconds - nursery.probes[name].heard_seconds
        if silent >= probe.late_seconds:
            late = Fault(name, tick.seconds, FaultKind.LATE, f"silent for {silent:.0f} s")
            nursery, made = observed(settings, nursery, late)
            effects += made
    for name, dish in settings.dishes.items():
        nursery, made = dish_done(settings, nursery, name, dish_ticked(dish, nursery.dishes[name], tick.seconds))
        effects += made
    for name, brooder in settings.brooders.items():
        found = air_ticked(brooder, nursery.brooders[name], tick.seconds, tick.utc_seconds)
        nursery, made = brooder_done(settings, nursery, name, found)
        effects += made
    waiting = settings.feed_reminder and overdue(nursery.day.chicks, tick.utc_seconds)
    nursery, made = _unit_stood(settings, nursery, tick.seconds, Condition.FEED_OVERDUE, standing=waiting)
    effects += made
    book, changes = alarms.pass_time(settings.alarms, nursery.book, tick.seconds)
    if book is not nursery.book:
        nursery = replace(nursery, book=book)
    nursery, told = _gap_told(nursery, tick)
    return nursery, (*effects, *changes, *told)


def _pinned_bands(settings: NurserySettings, seconds: float) -> tuple[Effect, ...]:
    """The bands that no plan will tell of, for whoever writes them down."""
    return tuple(
        BandMoved(seconds=seconds, place=name, band=brooder.band, band_source=brooder.band_source, pinned=True)
        for name, brooder in settings.brooders.items()
        if brooder.pinned
    )


def _gap_told(nursery: Nursery, tick: Tick) -> Change:
    """Tell what the air did while the daemon was off, once every probe that spoke before has spoken again."""
    off = nursery.gap
    if off is None:
        return nursery, ()
    spoken = {name: watched.last for name, watched in nursery.probes.items() if name in off.last_celsius}
    after = {name: last.celsius for name, last in spoken.items() if last is not None}
    if len(after) < len(off.last_celsius) and tick.seconds - off.seconds <= _GAP_TOLD_SECONDS:
        return nursery, ()
    return replace(nursery, gap=None), (GapFound(tick.seconds, off.gap_seconds, dict(off.last_celsius), after),)


def _returned(settings: NurserySettings, nursery: Nursery, event: Gap) -> Change:
    nursery = replace(nursery, gap=event)
    effects: tuple[Effect, ...] = ()
    for name, brooder in settings.brooders.items():
        found = gap(brooder, nursery.brooders[name], event.seconds, event.gap_seconds)
        nursery, made = brooder_done(settings, nursery, name, found)
        effects += made
    return nursery, effects


def _troubled(settings: NurserySettings, nursery: Nursery, event: Troubled) -> Change:
    troubles = {name: words for name, words in nursery.troubles.items() if name != event.output}
    if event.trouble:
        troubles[event.output] = event.trouble
    nursery = replace(nursery, troubles=troubles)
    return _unit_stood(settings, nursery, event.seconds, Condition.OUTPUT_FAILED, standing=bool(troubles))


def _unit_stood(
    settings: NurserySettings, nursery: Nursery, seconds: float, condition: Condition, standing: bool
) -> Change:
    """As `stood`, for what is about the whole unit."""
    change = ConditionChanged(seconds=seconds, place=UNIT_PLACE, condition=condition, standing=standing)
    return stood(settings, nursery, change)


def _alerted(
    settings: NurserySettings, before: Nursery, after: Nursery, effects: tuple[Effect, ...], event: Event
) -> Change:
    """Say what horn and lamp must do, when that has changed."""
    effects = alarms.gathered(effects)
    if after.book is before.book and not isinstance(event, Tick):
        return after, effects
    alerting = alarms.alerting(settings.alarms, after.book, event.seconds)
    if alerting.same_as(before.alerting):
        return after, effects
    return replace(after, alerting=alerting), (*effects, alerting)


def snapshot(settings: NurserySettings, nursery: Nursery, seconds: float, version: str = "") -> Snapshot:
    """What can be seen of everything at `seconds`."""
    pause = nursery.book.pause
    return Snapshot(
        unit=settings.unit,
        seconds=seconds,
        utc_seconds=nursery.utc_seconds,
        probes=tuple(_probe_view(settings.probes[name], watched, seconds) for name, watched in nursery.probes.items()),
        dishes=tuple(dish_seen(one, nursery.dishes[name], seconds) for name, one in settings.dishes.items()),
        brooders=tuple(brooder_seen(one, nursery.brooders[name], seconds) for name, one in settings.brooders.items()),
        alarms=alarms.alarm_views(nursery.book, seconds),
        outputs=tuple(OutputView(name, False, words) for name, words in nursery.troubles.items()),
        sounding=nursery.alerting.priority,
        audio_paused_left_seconds=None if pause is None else max(0.0, pause.until_seconds - seconds),
        version=version,
        chicks=nursery.day.chicks,
        alarms_today=nursery.day.alarms,
    )


def _probe_view(probe: ProbeSettings, watched: ProbeWatch, seconds: float) -> ProbeView:
    last = watched.last
    return ProbeView(
        name=probe.name,
        place=probe.place,
        celsius=last.celsius if last is not None and watched.fault is None else None,
        uncertainty_celsius=probe.calibration.uncertainty_celsius,
        fault=watched.fault,
        age_seconds=None if last is None else seconds - last.seconds,
        readings=watched.readings,
        faults=dict(watched.faults),
        remedy=REMEDIES[watched.fault] if watched.fault is not None else "",
        calibrated=probe.calibrated,
        trail=watched.trail.trail(seconds),
    )
