"""Commands: each is obeyed or refused with a reason, and answered once. A refused one changes nothing."""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import TypeVar, assert_never

from sensord.errors import CommandError
from sensord.watch.alarms import alarms
from sensord.watch.alarms.alarms import AlarmBook
from sensord.watch.brooder import air_watch as brooder
from sensord.watch.conditions import UNIT_PLACE
from sensord.watch.dish import paste_watch as dish
from sensord.watch.effects import Answered, Cue, Cued, Effect, EntryMade
from sensord.watch.events import (
    Acknowledge,
    Command,
    EnterChick,
    LogFeed,
    Origin,
    OutOfService,
    PauseAudio,
    Reset,
    ReturnToService,
    SetStage,
    Shelve,
    StartBatch,
    TestSounds,
    Unshelve,
    WeighIn,
)
from sensord.watch.routing import Change, brooder_done, dish_done
from sensord.watch.state import Nursery, NurserySettings

__all__ = ["VERB_OF", "commanded"]

_Settings = TypeVar("_Settings")


def commanded(settings: NurserySettings, nursery: Nursery, command: Command) -> Change:
    """The nursery after a command, with its one answer; entries of the log are answered by the history instead."""
    verb = VERB_OF[type(command)]
    try:
        after, effects = _obeyed(settings, nursery, command)
    except CommandError as error:
        return nursery, [
            Answered(
                seconds=command.seconds,
                request=command.request,
                origin=command.origin,
                verb=verb,
                done=False,
                reason=str(error),
            )
        ]
    if isinstance(command, LogFeed | WeighIn | EnterChick):
        return after, effects  # the history answers, once it is on the disk
    return after, [
        *effects,
        Answered(seconds=command.seconds, request=command.request, origin=command.origin, verb=verb, done=True),
    ]


VERB_OF: dict[type[Command], str] = {
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
"""What each command is called in its answer."""


def _obeyed(settings: NurserySettings, nursery: Nursery, command: Command) -> Change:
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
            return dish_done(settings, nursery, name, before, dish.start_batch(one, before, now), [])
        case SetStage(brooder=name, stage=stage):
            many = _known(settings.brooders, name, "brooder")
            found = brooder.set_stage(many, nursery.brooders[name], now, stage, nursery.utc_seconds)
            return brooder_done(settings, nursery, name, found, [])
        case TestSounds():
            return nursery, [Cued(now, Cue.SELF_TEST)]
        case LogFeed() | WeighIn() | EnterChick() if not settings.keeps_history:
            raise CommandError("nothing is written down here: set enabled = true under [history] in the config")
        case LogFeed() | WeighIn() | EnterChick():
            return nursery, [EntryMade(now, command)]
        case _:
            assert_never(command)


def _booked(nursery: Nursery, change: tuple[AlarmBook, Iterable[Effect]]) -> Change:
    book, effects = change
    return replace(nursery, book=book), list(effects)


def _paused(settings: NurserySettings, nursery: Nursery, now: float, seconds: float) -> Change:
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
