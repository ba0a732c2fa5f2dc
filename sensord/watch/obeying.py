"""Commands: each is obeyed or refused with a reason, and answered once. A refused one changes nothing.

Whichever way a command comes, it is judged here: whether its giver may give it, whether what it names is there, and
whether it asks for more quiet than the config allows. Such a one is refused, not cut down: whoever asked must know
that the quiet will not last as long as they think.
"""

from dataclasses import replace

from sensord.errors import CommandError, quoted
from sensord.watch.alarms import alarms
from sensord.watch.brooder.air_watch import confirm_stage, set_stage
from sensord.watch.command_table import (
    Acknowledge,
    EnterChick,
    Entry,
    Giver,
    LogFeed,
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
    check_giver,
    verb_of,
)
from sensord.watch.conditions import Condition
from sensord.watch.cues import Cue
from sensord.watch.dish.paste_watch import start_batch
from sensord.watch.effects import Answered, Cued, Effect, EntryMade
from sensord.watch.events import Command, Origin
from sensord.watch.routing import Change, brooder_done, dish_done
from sensord.watch.state import Nursery, NurserySettings

_GIVERS = {Origin.MQTT: Giver.BROKER, Origin.BUTTON: Giver.BUTTON, Origin.CONTROL: Giver.OWNER}
"""Whether somebody at the socket is the owner only the socket can know; it has asked `check_giver` itself."""


def commanded(settings: NurserySettings, nursery: Nursery, command: Command) -> Change:
    """The nursery after a command, with its one answer; entries of the log are answered by the log instead."""
    verb = verb_of(command)
    try:
        if command.origin in _GIVERS:
            check_giver(verb, _GIVERS[command.origin])
        after, effects = _obeyed(settings, nursery, command)
    except CommandError as error:
        return nursery, (_answer(command, verb, str(error)),)
    if isinstance(command, Entry):
        return after, effects
    return after, (*effects, _answer(command, verb))


def _answer(command: Command, verb: str, refusal: str = "") -> Answered:
    return Answered(
        seconds=command.seconds,
        request=command.request,
        origin=command.origin,
        verb=verb,
        done=not refusal,
        reason=refusal,
    )


def _obeyed(settings: NurserySettings, nursery: Nursery, command: Command) -> Change:
    now = command.seconds
    match command:
        case Acknowledge():
            return _acknowledged(settings, nursery, command)
        case Shelve() | Unshelve() | Reset() | OutOfService() | ReturnToService() | PauseAudio():
            return _booked(settings, nursery, command)
        case StartBatch():
            name = _the_one("dish", command.dish, tuple(settings.dishes))
            if command.origin is Origin.MQTT and nursery.book.get(name, Condition.SCALDING).stands:
                # A new bowl ends the alarm of the one before it.
                raise CommandError(
                    f"{name} is hot enough to scald: somebody at the unit must say that this is a new bowl"
                )
            at_unit = command.origin is not Origin.MQTT
            started = start_batch(settings.dishes[name], nursery.dishes[name], now, at_unit)
            return dish_done(settings, nursery, name, started)
        case SetStage(stage=stage):
            name = _the_one("brooder", command.brooder, tuple(settings.brooders))
            many = settings.brooders[name]
            if many.plan is not None:
                _known("stage", stage, many.plan.profile.stages)
            found = set_stage(
                many, nursery.brooders[name], now, stage, nursery.utc_seconds, by_network=command.origin is Origin.MQTT
            )
            return brooder_done(settings, nursery, name, found)
        case TestSounds():
            return nursery, (Cued(now, Cue.SELF_TEST),)
        case LogFeed() | WeighIn() | EnterChick():
            if not settings.keeps_history:
                raise CommandError("nothing is written down here: set enabled = true under [history] in the config")
            if isinstance(command, EnterChick) and command.brooder:
                _known("brooder", command.brooder, tuple(settings.brooders))
            return nursery, (EntryMade(now, command),)
        case _:
            raise TypeError(f"no rule for {type(command).__name__}")


def _acknowledged(settings: NurserySettings, nursery: Nursery, command: Acknowledge) -> Change:
    """What waits is acknowledged; a person at the unit confirms with it a stage that came over the network."""
    place, condition = command.place, command.condition
    unconfirmed = [
        name
        for name, one in nursery.brooders.items()
        if not one.banding.confirmed
        and command.origin is not Origin.MQTT
        and place in (None, name)
        and condition in (None, Condition.STAGE_UNCONFIRMED)
    ]
    effects: tuple[Effect, ...] = ()
    try:
        nursery, effects = _booked(settings, nursery, command)
    except CommandError:
        if not unconfirmed:  # else the network has acknowledged it, which confirms nothing
            raise
    for name in unconfirmed:
        found = confirm_stage(settings.brooders[name], nursery.brooders[name], command.seconds)
        nursery, made = brooder_done(settings, nursery, name, found)
        effects += made
    return nursery, effects


def _booked(settings: NurserySettings, nursery: Nursery, command: alarms.AlarmCommand) -> Change:
    book, changes = alarms.obey(settings.alarms, nursery.book, command)
    return replace(nursery, book=book), changes


def _known(what: str, name: str, known: tuple[str, ...]) -> str:
    if name not in known:
        raise CommandError(f"there is no {what} {quoted(name)}: known are {', '.join(known) or 'none'}")
    return name


def _the_one(what: str, name: str | None, known: tuple[str, ...]) -> str:
    """`name`, or the only one there is."""
    if name is not None:
        return _known(what, name, known)
    if len(known) == 1:
        return known[0]
    raise CommandError(f"which {what}? known are {', '.join(known) or 'none'}")
