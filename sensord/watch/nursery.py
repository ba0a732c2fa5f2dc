"""The whole: one pure step from a state and an event to the next state and its effects.

`step` screens and calibrates each observation, hands it to the machine of its place, turns what the machines report
into alarms, and says what the horn must do. It is the same live, in replay, in the demo and in tests.

A probe's silence is an event too: on a tick, a probe that was not heard of for `late_seconds` gets a `late` Fault.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import TypeAlias, TypeVar, assert_never

from sensord.care.remedies import REMEDIES
from sensord.errors import CommandError
from sensord.readings import Fault, FaultKind, Observation, Place, Reading
from sensord.watch import alarms, brooder, dish
from sensord.watch.alarms import AlarmBook, AlarmSettings
from sensord.watch.brooder import Brooder, BrooderSettings, ConditionChanged
from sensord.watch.calibration import Calibration
from sensord.watch.dish import Dish, DishSettings
from sensord.watch.effects import (
    Alerting,
    Answered,
    Cue,
    Cued,
    Effect,
    EntryMade,
    GapFound,
    Measured,
    Note,
    Noted,
    Priority,
)
from sensord.watch.events import (
    Acknowledge,
    Command,
    Condition,
    EnterChick,
    Event,
    Gap,
    LogFeed,
    Observed,
    Origin,
    OutOfService,
    PauseAudio,
    Reset,
    ReturnToService,
    SetStage,
    Shelve,
    StartBatch,
    TestSounds,
    Tick,
    Troubled,
    Unshelve,
    WeighIn,
)
from sensord.watch.screening import Screen, ScreenSettings, screen
from sensord.watch.trails import TrailKeeper
from sensord.watch.views import OutputView, ProbeView, Snapshot

__all__ = ["Nursery", "NurserySettings", "ProbeSettings", "begin", "snapshot", "step"]

UNIT_PLACE = "unit"
"""The place of alarms that are about the daemon itself."""


@dataclass(frozen=True, slots=True)
class ProbeSettings:
    """What is known of one probe. `late_seconds`: silence that makes a `late` Fault."""

    name: str
    place: Place
    calibration: Calibration
    screen: ScreenSettings
    late_seconds: float
    trail_bin_seconds: float
    calibrated: str = ""


@dataclass(frozen=True, slots=True)
class NurserySettings:
    """Everything that stays the same while the daemon runs; keys are names from the config.

    `pause_seconds` is the longest audio pause.
    """

    unit: str
    probes: Mapping[str, ProbeSettings]
    dishes: Mapping[str, DishSettings]
    brooders: Mapping[str, BrooderSettings]
    alarms: AlarmSettings
    pause_seconds: float = 120.0


@dataclass(frozen=True, slots=True)
class ProbeWatch:
    """What is remembered of one probe between two observations."""

    screen: Screen
    trail: TrailKeeper
    heard_seconds: float
    last: Reading | None = None
    fault: FaultKind | None = None
    readings: int = 0
    faults: Mapping[FaultKind, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Nursery:
    """The state of everything at one instant."""

    probes: Mapping[str, ProbeWatch]
    dishes: Mapping[str, Dish]
    brooders: Mapping[str, Brooder]
    book: AlarmBook
    alerting: Alerting
    paused_until_seconds: float | None = None
    utc_seconds: float | None = None
    gap: Gap | None = None
    troubles: Mapping[str, str] = field(default_factory=dict)


_Change: TypeAlias = tuple[Nursery, list[Effect]]
_Settings = TypeVar("_Settings")


def begin(settings: NurserySettings, seconds: float, book: AlarmBook | None = None) -> Nursery:
    """The state before the first event; `book` restores the alarms of an earlier run."""
    return Nursery(
        probes={
            name: ProbeWatch(Screen(), TrailKeeper(probe.trail_bin_seconds), heard_seconds=seconds)
            for name, probe in settings.probes.items()
        },
        dishes={name: dish.begin(one) for name, one in settings.dishes.items()},
        brooders={name: brooder.begin(one) for name, one in settings.brooders.items()},
        book=book or AlarmBook(),
        alerting=Alerting(seconds, None),
    )


def step(settings: NurserySettings, nursery: Nursery, event: Event) -> tuple[Nursery, tuple[Effect, ...]]:
    """Take one event. Raises nothing: a command that must be refused is answered with the reason, state unchanged."""
    match event:
        case Observed():
            after, effects = _observed(settings, nursery, event.observation)
        case Tick():
            after, effects = _ticked(settings, nursery, event)
        case Gap():
            after, effects = _returned(settings, nursery, event)
        case Troubled():
            after, effects = _troubled(settings, nursery, event)
        case _:
            after, effects = _commanded(settings, nursery, event)
    return _alerted(settings, nursery, after, effects, event)


def _observed(settings: NurserySettings, nursery: Nursery, raw: Observation) -> _Change:
    probe, known = settings.probes.get(raw.probe), nursery.probes.get(raw.probe)
    if probe is None or known is None:
        return nursery, []
    screened, observation = screen(probe.screen, known.screen, raw)
    if isinstance(observation, Reading):
        observation = replace(observation, celsius=probe.calibration.correct(observation.celsius))
        watched = replace(
            known,
            screen=screened,
            heard_seconds=raw.seconds,
            last=observation,
            fault=None,
            readings=known.readings + 1,
            trail=known.trail.add(observation.seconds, observation.celsius),
        )
    else:
        watched = replace(
            known,
            screen=screened,
            heard_seconds=raw.seconds,
            fault=observation.kind,
            faults={**known.faults, observation.kind: known.faults.get(observation.kind, 0) + 1},
        )
    effects: list[Effect] = [Measured(observation, probe.calibration.uncertainty_celsius)]
    nursery = replace(nursery, probes={**nursery.probes, raw.probe: watched})
    return _routed(settings, nursery, observation, effects, was=known.fault)


def _routed(
    settings: NurserySettings,
    nursery: Nursery,
    observation: Observation,
    effects: list[Effect],
    was: FaultKind | None,
) -> _Change:
    """Hand a screened observation to the machine of its place."""
    for name, one in settings.dishes.items():
        if one.probe == observation.probe:
            before = nursery.dishes[name]
            return _dish_done(settings, nursery, name, before, dish.observe(one, before, observation), effects)
    effects += _fault_note(observation, was)
    for name, many in settings.brooders.items():
        if observation.probe in many.probes:
            found = brooder.observe(many, nursery.brooders[name], observation)
            return _brooder_done(settings, nursery, name, found, effects)
    return nursery, effects


def _fault_note(observation: Observation, was: FaultKind | None) -> list[Effect]:
    if isinstance(observation, Fault) and observation.kind is not was:
        return [Noted(observation.seconds, observation.probe, Note.PROBE_FAULT, fault=observation.kind)]
    if isinstance(observation, Reading) and was is not None:
        return [Noted(observation.seconds, observation.probe, Note.PROBE_OK)]
    return []


def _dish_done(
    settings: NurserySettings,
    nursery: Nursery,
    name: str,
    before: Dish,
    found: tuple[Dish, tuple[Effect, ...]],
    effects: list[Effect],
) -> _Change:
    after, made = found
    nursery = replace(nursery, dishes={**nursery.dishes, name: after})
    effects.extend(made)
    one = settings.dishes[name]
    was, now = dish.conditions(one, before), dish.conditions(one, after)
    if was == now:
        return nursery, effects
    watched = nursery.probes.get(one.probe)
    celsius = watched.last.celsius if watched and watched.last else None
    seconds = watched.heard_seconds if watched else 0.0
    for condition in sorted(was ^ now):
        nursery = _stand(settings, nursery, seconds, name, condition, condition in now, celsius, effects)
    return nursery, effects


def _brooder_done(
    settings: NurserySettings,
    nursery: Nursery,
    name: str,
    found: tuple[Brooder, tuple[Effect | ConditionChanged, ...]],
    effects: list[Effect],
) -> _Change:
    after, made = found
    nursery = replace(nursery, brooders={**nursery.brooders, name: after})
    for one in made:
        if isinstance(one, ConditionChanged):
            nursery = _stand(
                settings, nursery, one.seconds, one.place, one.condition, one.standing, one.celsius, effects
            )
        else:
            effects.append(one)
    return nursery, effects


def _stand(
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


def _ticked(settings: NurserySettings, nursery: Nursery, tick: Tick) -> _Change:
    effects: list[Effect] = []
    nursery = replace(nursery, utc_seconds=tick.utc_seconds)
    for name, probe in settings.probes.items():
        known = nursery.probes[name]
        if tick.seconds - known.heard_seconds >= probe.late_seconds:
            late = Fault(name, tick.seconds, FaultKind.LATE, f"silent for {tick.seconds - known.heard_seconds:.0f} s")
            nursery, made = _observed(settings, nursery, late)
            effects += made
    for name, one in settings.dishes.items():
        before = nursery.dishes[name]
        nursery, effects = _dish_done(settings, nursery, name, before, dish.tick(one, before, tick.seconds), effects)
    for name, many in settings.brooders.items():
        found = brooder.tick(many, nursery.brooders[name], tick.seconds, tick.utc_seconds)
        nursery, effects = _brooder_done(settings, nursery, name, found, effects)
    book, changes = alarms.tick(nursery.book, settings.alarms, tick.seconds)
    effects += changes
    nursery = replace(nursery, book=book)
    return _gap_told(nursery, tick, effects)


def _gap_told(nursery: Nursery, tick: Tick, effects: list[Effect]) -> _Change:
    """Tell what the air did while the daemon was off, once every probe that spoke before has spoken again."""
    gap = nursery.gap
    if gap is None:
        return nursery, effects
    after = {
        name: nursery.probes[name].last.celsius  # type: ignore[union-attr]
        for name in gap.last_celsius
        if name in nursery.probes and nursery.probes[name].last is not None
    }
    if len(after) == len(gap.last_celsius) or tick.seconds - gap.seconds > 60:
        effects.append(GapFound(tick.seconds, gap.gap_seconds, dict(gap.last_celsius), after))
        nursery = replace(nursery, gap=None)
    return nursery, effects


def _returned(settings: NurserySettings, nursery: Nursery, gap: Gap) -> _Change:
    nursery = replace(nursery, gap=gap)
    effects: list[Effect] = []
    for name, many in settings.brooders.items():
        found = brooder.gap(many, nursery.brooders[name], gap.seconds, gap.gap_seconds)
        nursery, effects = _brooder_done(settings, nursery, name, found, effects)
    return nursery, effects


def _troubled(settings: NurserySettings, nursery: Nursery, event: Troubled) -> _Change:
    troubles = {name: words for name, words in nursery.troubles.items() if name != event.output}
    if event.trouble:
        troubles[event.output] = event.trouble
    nursery = replace(nursery, troubles=troubles)
    effects: list[Effect] = []
    nursery = _stand(
        settings, nursery, event.seconds, UNIT_PLACE, Condition.OUTPUT_FAILED, bool(troubles), None, effects
    )
    return nursery, effects


def _commanded(settings: NurserySettings, nursery: Nursery, command: Command) -> _Change:
    verb = _VERBS[type(command)]
    try:
        after, effects = _obeyed(settings, nursery, command)
    except CommandError as error:
        return nursery, [Answered(command.seconds, command.request, command.origin, verb, False, str(error))]
    if isinstance(command, LogFeed | WeighIn | EnterChick):
        return after, effects  # the history answers, once it is on the disk
    return after, [*effects, Answered(command.seconds, command.request, command.origin, verb, True)]


_VERBS: dict[type[Command], str] = {
    Acknowledge: "acknowledge",
    Shelve: "shelve",
    Unshelve: "unshelve",
    Reset: "reset",
    OutOfService: "out-of-service",
    ReturnToService: "return-to-service",
    PauseAudio: "pause",
    StartBatch: "batch",
    SetStage: "stage",
    TestSounds: "test-sounds",
    LogFeed: "feed",
    WeighIn: "weigh",
    EnterChick: "chick",
}


def _obeyed(settings: NurserySettings, nursery: Nursery, command: Command) -> _Change:
    rules, now, origin = settings.alarms, command.seconds, command.origin
    match command:
        case Acknowledge(place=place, condition=condition):
            _check_place(settings, place)
            return _booked(nursery, alarms.acknowledge(nursery.book, rules, now, place, condition, origin))
        case Shelve(place=place, condition=condition, for_seconds=seconds):
            _check_place(settings, place)
            return _booked(nursery, alarms.shelve(nursery.book, rules, now, place, condition, seconds, origin))
        case Unshelve(place=place, condition=condition):
            _check_place(settings, place)
            return _booked(nursery, alarms.unshelve(nursery.book, rules, now, place, condition, origin))
        case Reset(place=place, condition=condition):
            return _booked(nursery, alarms.reset(nursery.book, rules, now, place, condition, origin))
        case OutOfService(place=place, condition=condition):
            _local_only(origin)
            _check_place(settings, place)
            return _booked(nursery, alarms.out_of_service(nursery.book, rules, now, place, condition, origin))
        case ReturnToService(place=place, condition=condition):
            _check_place(settings, place)
            return _booked(nursery, alarms.return_to_service(nursery.book, rules, now, place, condition, origin))
        case PauseAudio(for_seconds=seconds):
            return _paused(settings, nursery, now, seconds)
        case StartBatch(dish=name):
            one = _known(settings.dishes, name, "dish")
            before = nursery.dishes[name]
            return _dish_done(settings, nursery, name, before, dish.start_batch(one, before, now), [])
        case SetStage(brooder=name, stage=stage):
            many = _known(settings.brooders, name, "brooder")
            found = brooder.set_stage(many, nursery.brooders[name], now, stage, nursery.utc_seconds)
            return _brooder_done(settings, nursery, name, found, [])
        case TestSounds():
            return nursery, [Cued(now, Cue.SELF_TEST)]
        case LogFeed() | WeighIn() | EnterChick():
            return nursery, [EntryMade(now, command)]
        case _:
            assert_never(command)


def _booked(nursery: Nursery, change: tuple[AlarmBook, Iterable[Effect]]) -> _Change:
    book, effects = change
    return replace(nursery, book=book), list(effects)


def _paused(settings: NurserySettings, nursery: Nursery, now: float, seconds: float) -> _Change:
    most = settings.pause_seconds
    if not 0 < seconds <= most:
        raise CommandError(
            f"the audio can be paused for up to {most:.0f} s, not {seconds:.0f} s (alarms.pause_seconds)"
        )
    return replace(nursery, paused_until_seconds=now + seconds), []


def _check_place(settings: NurserySettings, place: str | None) -> None:
    places = {*settings.brooders, *settings.dishes, UNIT_PLACE}
    if place is not None and place not in places:
        raise CommandError(f"there is no place '{place}'; known: {', '.join(sorted(places))}")


def _known(places: Mapping[str, _Settings], name: str, kind: str) -> _Settings:
    if name not in places:
        raise CommandError(f"there is no {kind} '{name}'; known: {', '.join(sorted(places)) or 'none'}")
    return places[name]


def _local_only(origin: Origin) -> None:
    if origin is Origin.MQTT:
        raise CommandError("an alarm can be taken out of service only on the Pi itself, not over the network")


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
    if replace(alerting, seconds=0.0) != replace(before.alerting, seconds=0.0):
        after = replace(after, alerting=alerting)
        effects.append(alerting)
    return after, tuple(effects)


def snapshot(settings: NurserySettings, nursery: Nursery, seconds: float, version: str = "") -> Snapshot:
    """What can be seen of everything at `seconds`."""
    paused = nursery.paused_until_seconds
    sounding: Priority | None = nursery.alerting.priority
    return Snapshot(
        unit=settings.unit,
        seconds=seconds,
        utc_seconds=nursery.utc_seconds,
        probes=tuple(_probe_view(settings.probes[name], watched, seconds) for name, watched in nursery.probes.items()),
        dishes=tuple(dish.view(one, nursery.dishes[name], seconds) for name, one in settings.dishes.items()),
        brooders=tuple(brooder.view(one, nursery.brooders[name], seconds) for name, one in settings.brooders.items()),
        alarms=alarms.views(nursery.book, settings.alarms, seconds),
        outputs=tuple(OutputView(name, False, words) for name, words in nursery.troubles.items()),
        sounding=sounding,
        audio_paused_left_seconds=None if paused is None else max(0.0, paused - seconds),
        version=version,
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
