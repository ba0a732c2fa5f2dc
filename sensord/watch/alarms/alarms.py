"""The alarms of all places: conditions that come and go, what the keeper says, time that passes, and what is heard.

Everything takes the rules and a book and returns a new book with the transitions as effects. A refused command raises
`CommandError` and changes nothing. Silence always ends: acknowledgements, shelves and pauses run out, a danger breaks
the shelves of its place, and what a way in can silence in all is counted for each condition that stands.
"""

from collections.abc import Iterable
from dataclasses import replace
from typing import Final, assert_never

from sensord.errors import CommandError, quoted
from sensord.watch.alarms.alarm_book import (
    HEARD_SECONDS,
    NEARNESS,
    Alarm,
    AlarmBook,
    AlarmSettings,
    Cause,
    Key,
    Moved,
    Pause,
    Shelf,
    happen,
    may_be_silenced,
    quiet_until,
    silenced,
)
from sensord.watch.alarms.alarm_table import HORN, OPEN, TABLE, Happening, Said
from sensord.watch.command_table import (
    COMMANDS,
    Acknowledge,
    OutOfService,
    PauseAudio,
    Reset,
    ReturnToService,
    Shelve,
    Unshelve,
    verb_of,
)
from sensord.watch.conditions import Condition, ConditionChanged
from sensord.watch.cues import Cue
from sensord.watch.effects import AlarmChanged, AlarmState, Alerting, Cued, Effect
from sensord.watch.events import Origin
from sensord.watch.views import AlarmView

AlarmCommand = Acknowledge | Shelve | Unshelve | Reset | OutOfService | ReturnToService | PauseAudio

_HAPPENING: Final[dict[type[AlarmCommand], Happening]] = {
    Acknowledge: Happening.ACKNOWLEDGE,
    Shelve: Happening.SHELVE,
    Unshelve: Happening.UNSHELVE,
    Reset: Happening.RESET,
    OutOfService: Happening.REMOVE,
    ReturnToService: Happening.RETURN,
}
_REFUSALS: Final = {
    Happening.ACKNOWLEDGE: "no alarm waits to be acknowledged",
    Happening.SHELVE: "nothing can be shelved; return it to service first",
    Happening.UNSHELVE: "nothing is shelved",
    Happening.RESET: "only a latched alarm that was acknowledged, and whose condition is over, can be reset",
    Happening.REMOVE: "it is out of service already",
    Happening.RETURN: "it is in service already",
}


def stand(rules: AlarmSettings, book: AlarmBook, change: ConditionChanged) -> Moved:
    """A condition has come to stand (ON) or has gone (OFF), delays already served."""
    key, cause = (change.place, change.condition), Cause(change.seconds, Origin.DAEMON)
    alarm = book.get(*key)
    if alarm.stands == change.standing:
        return book, ()
    alarm = replace(alarm, stands=change.standing, celsius=change.celsius, guess=change.guess, silences={})
    if not change.standing:
        latches = change.condition in rules.latching
        return happen(book, cause, key, Happening.OFF_LATCHING if latches else Happening.OFF, alarm)
    if alarm.state in (AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE):
        alarm = silenced(alarm, Cause(change.seconds, alarm.silenced_by))
    alarm = replace(alarm, began_seconds=change.seconds)
    if change.condition.is_danger:
        alarm = replace(alarm, heard_until_seconds=change.seconds + HEARD_SECONDS)
    book, changes = happen(book, cause, key, Happening.ON, alarm)
    if change.condition.is_danger:
        # Danger at a place ends every shelf there: the lid has been open for too long.
        shelved = [
            other for other, one in book.alarms.items() if other[0] == key[0] and one.state is AlarmState.SHELVED
        ]
        book, broken = _all_happen(book, cause, Happening.UNSHELVE, shelved)
        changes += broken
    return book, changes


def obey(rules: AlarmSettings, book: AlarmBook, command: AlarmCommand) -> Moved:
    """What the keeper says. Raises `CommandError` where the table, a limit or a danger stands against it."""
    cause = Cause(command.seconds, command.origin)
    match command:
        case PauseAudio():
            return _paused(rules, book, cause, _capped(command, rules.pause_seconds))
        case Shelve():
            return _shelve(rules, book, command, _capped(command, rules.shelve_seconds))
        case Acknowledge() | Unshelve() | Reset() | OutOfService() | ReturnToService():
            happening = _HAPPENING[type(command)]
            keys = _able(rules, book, cause, happening, _meant(rules, command.place, command.condition))
            book, changes = _all_happen(book, cause, happening, keys)
            if happening is Happening.ACKNOWLEDGE:
                # The first reminder comes a whole interval after the last acknowledgement.
                book = replace(book, reminded_seconds=command.seconds)
            return book, changes
        case _:
            assert_never(command)


def pass_time(
    rules: AlarmSettings, book: AlarmBook, seconds: float
) -> tuple[AlarmBook, tuple[AlarmChanged | Cued, ...]]:
    """Let silences run out, and remind of what was acknowledged and still stands."""
    effects: tuple[AlarmChanged | Cued, ...] = ()
    reminds = False
    for key, alarm in book.alarms.items():
        if seconds >= quiet_until(rules, key, alarm):
            ended = {AlarmState.SHELVED: Happening.UNSHELVE, AlarmState.OUT_OF_SERVICE: Happening.RETURN}
            happening = ended.get(alarm.state, Happening.REARM)
            book, changes = happen(book, Cause(seconds, Origin.DAEMON), key, happening)
            effects += changes
        elif alarm.state is AlarmState.ACKNOWLEDGED:
            reminds = True
        elif book.pause is not None and _is_paused_long(rules, key, alarm, seconds):
            # Pauses that follow each other are no better than an acknowledgement.
            book = replace(book.having(key, replace(alarm, heard_until_seconds=seconds + HEARD_SECONDS)), pause=None)
    if reminds and seconds - book.reminded_seconds >= rules.reminder_seconds:
        book = replace(book, reminded_seconds=seconds)
        effects += (Cued(seconds, Cue.REMINDER),)
    if book.pause is not None and seconds >= book.pause.until_seconds:
        book = replace(book, pause=None)
    return book, effects


def gathered(effects: tuple[Effect, ...]) -> tuple[Effect, ...]:
    """The effects with the moves of alarms that do not stand, onto a shelf or off it, as one a place."""
    moves: dict[tuple[str, AlarmState], list[AlarmChanged]] = {}
    for one in effects:
        if isinstance(one, AlarmChanged) and {one.previous, one.state} == {AlarmState.NORMAL, AlarmState.SHELVED}:
            moves.setdefault((one.place, one.state), []).append(one)
    if not moves:
        return effects
    others = (one for one in effects if not any(one in group for group in moves.values()))
    return (*(_as_one(group) for group in moves.values()), *others)


def _as_one(group: list[AlarmChanged]) -> AlarmChanged:
    first, also = group[0], tuple(one.condition for one in group[1:])
    if not also:
        return first
    shelf = "on the shelf" if first.state is AlarmState.SHELVED else "off the shelf"
    words = f"{', '.join((first.condition, *also))} of {first.place} are {shelf}; none of them stands."
    return replace(first, celsius=None, seen=words, do_first="", also=also)


def alerting(rules: AlarmSettings, book: AlarmBook, seconds: float) -> Alerting:
    """What horn and lamp must do: the worst alarm that is heard sounds; the lamp shows all that are open.

    An alarm returned to normal but not acknowledged keeps the lamp flashing and the horn silent, as the table says.
    """
    pause = book.pause
    heard, lamps, flashing = [], [], False
    for key, alarm in book.alarms.items():
        is_new_danger = alarm.stands and seconds < alarm.heard_until_seconds
        is_paused = pause is not None and may_be_silenced(rules, alarm, Cause(seconds, pause.origin))
        if is_new_danger or (alarm.state in HORN and not is_paused):
            heard.append(key[1].priority)
        if alarm.state in OPEN:
            lamps.append(key[1].priority)
            flashing = flashing or isinstance(TABLE[alarm.state, Happening.ACKNOWLEDGE], AlarmState)
    return Alerting(
        seconds=seconds,
        priority=max(heard, default=None),
        lamp=max(lamps, default=None),
        flashing=flashing,
        paused_until_seconds=None if pause is None else pause.until_seconds,
    )


def alarm_views(book: AlarmBook, seconds: float) -> tuple[AlarmView, ...]:
    """Every alarm that is not normal: those that sound first, then the worst, then the oldest."""
    found = [
        AlarmView(
            place=place,
            condition=condition,
            priority=condition.priority,
            state=alarm.state,
            standing=alarm.stands,
            since_seconds=alarm.since_seconds,
            celsius=alarm.celsius,
            seen=condition.seen(alarm.celsius, alarm.guess),
            do_first=condition.row.do_first,
            shelved_left_seconds=None if alarm.shelf is None else max(0.0, alarm.shelf.until_seconds - seconds),
            began_seconds=alarm.began_seconds,
        )
        for (place, condition), alarm in book.alarms.items()
        if alarm.state is not AlarmState.NORMAL
    ]
    return tuple(sorted(found, key=lambda view: (view.state not in HORN, -view.priority, view.since_seconds)))


def _meant(rules: AlarmSettings, place: str | None, condition: Condition | None) -> list[Key]:
    """The alarms that a command speaks of; None stands for every place, or every condition."""
    here = [key for key in rules.possible if place in (None, key[0])]
    found = sorted(key for key in here if condition in (None, key[1]))
    if not here:
        known = ", ".join(sorted({key[0] for key in rules.possible}))
        raise CommandError(f"there is no place {quoted(place or '')}: known are {known}")
    if not found:
        can = ", ".join(sorted(key[1] for key in here))
        raise CommandError(f"there is no {condition} at {place or 'any place'}: known are {can}")
    return found


def _able(rules: AlarmSettings, book: AlarmBook, cause: Cause, happening: Happening, keys: list[Key]) -> list[Key]:
    """Those of `keys` that a command may move; raises `CommandError` with the reason where it may move none."""
    takes = [key for key in keys if _takes(book.get(*key), cause, happening)]
    able = [key for key in takes if _may(rules, book, cause, happening, key)]
    if not able:
        place, condition = keys[0]
        what = f"{condition} of {place} is {book.get(place, condition).state}: " if len(keys) == 1 else ""
        raise CommandError(_spent(cause.origin) if takes else f"{what}{_REFUSALS[happening]}")
    return able


def _takes(alarm: Alarm, cause: Cause, happening: Happening) -> bool:
    """Whether it does anything: it moves the alarm, or somebody nearer acknowledges what another way in had."""
    if TABLE[alarm.state, happening] not in (Said.NOTHING, Said.REFUSED):
        return True
    is_nearer = NEARNESS.index(cause.origin) > NEARNESS.index(alarm.silenced_by)
    return happening is Happening.ACKNOWLEDGE and alarm.state is AlarmState.ACKNOWLEDGED and is_nearer


def _may(rules: AlarmSettings, book: AlarmBook, cause: Cause, happening: Happening, key: Key) -> bool:
    silences = happening in (Happening.ACKNOWLEDGE, Happening.SHELVE)
    if happening is Happening.REMOVE:
        silences = key[1].is_danger
    return not silences or may_be_silenced(rules, book.get(*key), cause)


def _spent(origin: Origin) -> str:
    if origin is Origin.MQTT:
        return (
            "the network has kept this silent for as long as it may (alarms.network_silence_seconds):"
            " somebody at the unit must answer, look at the chicks"
        )
    return (
        "this has been kept silent for as long as it may (alarms.local_silence_seconds): look at the chicks and end the"
        " cause, or press the button at the unit"
    )


def _all_happen(book: AlarmBook, cause: Cause, happening: Happening, keys: Iterable[Key]) -> Moved:
    changes: tuple[AlarmChanged, ...] = ()
    for key in keys:
        alarm = book.get(*key)
        if happening in (Happening.ACKNOWLEDGE, Happening.REMOVE):
            alarm = silenced(alarm, cause)
        book, more = happen(book, cause, key, happening, alarm)
        changes += more
    return book, changes


def _capped(command: Shelve | PauseAudio, most: float) -> float:
    """For how long; as long as allowed where nothing was said."""
    seconds = most if command.for_seconds is None else command.for_seconds
    if not 0 < seconds <= most:
        key = COMMANDS[verb_of(command)].cap
        raise CommandError(
            f"for_seconds: {seconds:g} s is not allowed: give more than 0 and at most the {most:g} s of {key}"
        )
    return seconds


def _shelve(rules: AlarmSettings, book: AlarmBook, command: Shelve, for_seconds: float) -> Moved:
    """Hide one alarm of a place, or all but the dangers, for a limited time.

    Shelving a shelved one gives it a new end, never later than the longest shelf after its first start.
    """
    place, now = command.place, command.seconds
    meant = _meant(rules, place, command.condition)
    keys = [key for key in meant if not key[1].is_danger]
    if not keys:
        raise CommandError(f"{meant[0][1]} warns of danger and cannot be shelved; acknowledge it to silence it")
    if any(key[0] == place and _is_danger(key, alarm) for key, alarm in book.alarms.items()):
        raise CommandError(f"a danger stands at {place}: nothing there can be shelved until it has gone")
    cause = Cause(now, command.origin)
    changes: tuple[AlarmChanged, ...] = ()
    for key in _able(rules, book, cause, Happening.SHELVE, keys):
        alarm = book.get(*key)
        begun = now if alarm.shelf is None else alarm.shelf.from_seconds
        left = begun + rules.shelve_seconds - now
        if for_seconds > left:
            raise CommandError(
                f"{key[1]} of {place} is shelved already and can stay so for {max(0.0, left):.0f} s more at most"
            )
        alarm = replace(silenced(alarm, cause), shelf=Shelf(begun, now + for_seconds))
        book, more = happen(book, cause, key, Happening.SHELVE, alarm)
        changes += more
    return book, changes


def _is_paused_long(rules: AlarmSettings, key: Key, alarm: Alarm, seconds: float) -> bool:
    is_loud = alarm.state in HORN and _is_danger(key, alarm)
    return is_loud and seconds - alarm.heard_until_seconds >= rules.rearm_seconds


def _is_danger(key: Key, alarm: Alarm) -> bool:
    return alarm.stands and key[1].is_danger


def _paused(rules: AlarmSettings, book: AlarmBook, cause: Cause, for_seconds: float) -> Moved:
    """Silence the horn for a limited time; whatever begins or comes back ends it."""
    sounding = [key for key, alarm in book.alarms.items() if alarm.state in HORN]
    quieted = {key: book.alarms[key] for key in sounding if may_be_silenced(rules, book.alarms[key], cause)}
    if sounding and not quieted:
        raise CommandError(_spent(cause.origin))
    alarms = {**book.alarms, **{key: silenced(alarm, cause) for key, alarm in quieted.items()}}
    return replace(book, alarms=alarms, pause=Pause(cause.seconds + for_seconds, cause.origin)), ()
