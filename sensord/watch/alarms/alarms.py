"""The alarms of all places: one book of five-flag alarms moved by `alarm_table`, and what horn and lamp must do.

Everything takes a book and returns a new one with the transitions as effects. A refused command raises `CommandError`
and changes nothing. Silence always ends: shelves and acknowledgements run out (`tick`), and danger breaks shelves.
"""

from dataclasses import replace

from sensord.errors import CommandError
from sensord.watch.alarms.alarm_book import Alarm, AlarmBook, AlarmSettings, Changes, Key, happen, is_open, move, of
from sensord.watch.alarms.alarm_table import HORN, Happening, Move, cell
from sensord.watch.conditions import Condition, Priority
from sensord.watch.effects import AlarmChanged, AlarmState, Alerting, Cue, Cued
from sensord.watch.events import Origin
from sensord.watch.views import AlarmView

__all__ = [
    "Alarm",
    "AlarmBook",
    "AlarmSettings",
    "acknowledge",
    "alerting",
    "breaks_pause",
    "dump",
    "out_of_service",
    "reset",
    "restore",
    "return_to_service",
    "shelve",
    "standing",
    "suppress",
    "tick",
    "unshelve",
    "views",
]


def standing(
    book: AlarmBook,
    settings: AlarmSettings,
    seconds: float,
    place: str,
    condition: Condition,
    is_true: bool,
    celsius: float | None = None,
) -> tuple[AlarmBook, Changes]:
    """A condition has come to stand (`is_true`, ON) or has gone (OFF), delays already served."""
    key = (place, condition)
    before = book.get(*key)
    if before.condition_true == is_true:
        return book, ()
    happening = Happening.ON if is_true else _off(settings, condition, before)
    tracked = replace(before, condition_true=is_true, celsius=celsius)
    book, changes = move(book, settings, seconds, key, before, tracked, happening, Origin.DAEMON)
    if is_true and condition.priority is Priority.HIGH:
        book, broken = _break_shelves(book, settings, seconds, place)
        changes += broken
    return book, changes


def _off(settings: AlarmSettings, condition: Condition, alarm: Alarm) -> Happening:
    if alarm.state is AlarmState.SHELVED and alarm.one_shot:
        return Happening.OFF_ONE_SHOT
    return Happening.OFF_LATCHING if condition in settings.latching else Happening.OFF


def _break_shelves(book: AlarmBook, settings: AlarmSettings, seconds: float, place: str) -> tuple[AlarmBook, Changes]:
    """Danger at a place ends every shelf there: the lid has been open for too long."""
    changes: Changes = ()
    for key, alarm in of(book, place, None):
        if alarm.state is AlarmState.SHELVED:
            book, more = happen(book, settings, seconds, key, Happening.UNSHELVE, Origin.DAEMON)
            changes += more
    return book, changes


def acknowledge(
    book: AlarmBook,
    settings: AlarmSettings,
    seconds: float,
    place: str | None,
    condition: Condition | None,
    origin: Origin,
) -> tuple[AlarmBook, Changes]:
    """The keeper has noticed; None stands for every place or condition. It silences, it hides nothing.

    Raises `CommandError` where no alarm that is meant waits for it.
    """
    waiting = [key for key, alarm in of(book, place, condition) if not alarm.acknowledged and is_open(alarm)]
    if not waiting:
        what = f"{condition} of {place}" if condition and place else place or "any place"
        raise CommandError(f"no alarm of {what} waits to be acknowledged: nothing was changed")
    changes: Changes = ()
    for key in waiting:
        book, more = happen(book, settings, seconds, key, Happening.ACKNOWLEDGE, origin)
        changes += more
    # The first reminder comes a whole interval after the last acknowledgement.
    return replace(book, reminded_seconds=seconds), changes


def shelve(
    book: AlarmBook,
    settings: AlarmSettings,
    seconds: float,
    place: str,
    condition: Condition | None,
    for_seconds: float,
    origin: Origin,
    one_shot: bool = False,
) -> tuple[AlarmBook, Changes]:
    """Hide one alarm of a place, or all but the dangers, for a limited time; `one_shot` ends with the condition.

    Shelving a shelved one gives it a new end, never later than the longest shelf after its first start. Raises
    `CommandError` for a time beyond that, a danger, or an alarm that is out of service.
    """
    if not 0 < for_seconds <= settings.shelve_seconds:
        raise CommandError(
            f"a shelf of {for_seconds:g} s is not allowed: give more than 0 and at most {settings.shelve_seconds:g} s"
        )
    if condition is not None and condition.priority is Priority.HIGH:
        raise CommandError(f"{condition} warns of danger and cannot be shelved; acknowledge it to silence it")
    if any(_is_dangerous(settings, key, alarm) for key, alarm in of(book, place, None)):
        raise CommandError(f"a danger stands at {place}: nothing there can be shelved until it has gone")
    wanted = [condition] if condition else [c for c in Condition if c.priority is not Priority.HIGH]
    changes: Changes = ()
    fresh = book
    for each in wanted:
        alarm = fresh.get(place, each)
        said = cell(alarm.state, Happening.SHELVE)
        if said is Move.REFUSE:
            if condition is None:
                continue  # the rest of the place can still be shelved
            raise CommandError(f"{each} of {place} is out of service: return it to service first")
        begun = seconds if alarm.shelved_from_seconds is None else alarm.shelved_from_seconds
        if alarm.state is AlarmState.SUPPRESSED:
            continue
        if seconds + for_seconds > begun + settings.shelve_seconds:
            left = max(0.0, begun + settings.shelve_seconds - seconds)
            raise CommandError(f"{each} of {place} is shelved already and can stay so for {left:.0f} s more at most")
        shelved = replace(
            alarm, shelved_from_seconds=begun, shelved_until_seconds=seconds + for_seconds, one_shot=one_shot
        )
        fresh, more = move(fresh, settings, seconds, (place, each), alarm, shelved, Happening.SHELVE, origin)
        changes += more
    if fresh is book:
        raise CommandError(f"nothing at {place} can be shelved now: it is suppressed or out of service")
    return fresh, changes


def _is_dangerous(settings: AlarmSettings, key: Key, alarm: Alarm) -> bool:  # noqa: ARG001
    return alarm.condition_true and key[1].priority is Priority.HIGH


def unshelve(
    book: AlarmBook, settings: AlarmSettings, seconds: float, place: str, condition: Condition | None, origin: Origin
) -> tuple[AlarmBook, Changes]:
    """End shelves early; what stands annunciates again. Raises `CommandError` where nothing is shelved."""
    shelved = [key for key, alarm in of(book, place, condition) if alarm.state is AlarmState.SHELVED]
    if not shelved:
        raise CommandError(f"nothing is shelved at {place}{f' for {condition}' if condition else ''}")
    changes: Changes = ()
    for key in shelved:
        book, more = happen(book, settings, seconds, key, Happening.UNSHELVE, origin)
        changes += more
    return book, changes


def reset(
    book: AlarmBook, settings: AlarmSettings, seconds: float, place: str, condition: Condition, origin: Origin
) -> tuple[AlarmBook, Changes]:
    """Let go of a latched alarm. Raises `CommandError` unless it is latched, acknowledged and its condition gone."""
    state = book.get(place, condition).state
    if cell(state, Happening.RESET) is Move.REFUSE:
        why = "acknowledge it first" if state is AlarmState.LATCHED_UNACKNOWLEDGED else "its condition still stands"
        raise CommandError(f"{condition} of {place} cannot be reset: {why}")
    if state is not AlarmState.LATCHED_ACKNOWLEDGED:
        raise CommandError(f"{condition} of {place} is {state}: there is no latched alarm to reset")
    return happen(book, settings, seconds, (place, condition), Happening.RESET, origin)


def out_of_service(
    book: AlarmBook, settings: AlarmSettings, seconds: float, place: str, condition: Condition, origin: Origin
) -> tuple[AlarmBook, Changes]:
    """Take an alarm out until it is put back. Raises `CommandError` over the network, or where it is out already."""
    if origin is Origin.MQTT:
        raise CommandError("an alarm can be taken out of service only at the Pi itself")
    if book.get(place, condition).out:
        raise CommandError(f"{condition} of {place} is out of service already")
    return happen(book, settings, seconds, (place, condition), Happening.REMOVE, origin)


def return_to_service(
    book: AlarmBook, settings: AlarmSettings, seconds: float, place: str, condition: Condition, origin: Origin
) -> tuple[AlarmBook, Changes]:
    """Put an alarm back; what stands annunciates. Raises `CommandError` where it is not out of service."""
    if not book.get(place, condition).out:
        raise CommandError(f"{condition} of {place} is in service already")
    return happen(book, settings, seconds, (place, condition), Happening.RETURN, origin)


def suppress(
    book: AlarmBook, settings: AlarmSettings, seconds: float, place: str, condition: Condition, is_suppressed: bool
) -> tuple[AlarmBook, Changes]:
    """Hide an alarm by design while it has no meaning (a probe fault while its bus is down), or end that."""
    alarm = book.get(place, condition)
    if alarm.suppressed == is_suppressed or alarm.out:
        return book, ()
    happening = Happening.SUPPRESS if is_suppressed else Happening.UNSUPPRESS
    return happen(book, settings, seconds, (place, condition), happening, Origin.DAEMON)


def tick(book: AlarmBook, settings: AlarmSettings, seconds: float) -> tuple[AlarmBook, tuple[AlarmChanged | Cued, ...]]:
    """Let shelves run out, bring back what was acknowledged too long ago, and remind of what still stands."""
    effects: tuple[AlarmChanged | Cued, ...] = ()
    reminds = False
    for key, alarm in tuple(book.alarms.items()):
        state = alarm.state
        if state is AlarmState.SHELVED:
            if alarm.shelved_until_seconds is not None and seconds >= alarm.shelved_until_seconds:
                book, more = happen(book, settings, seconds, key, Happening.UNSHELVE, Origin.DAEMON)
                effects += more
        elif state is AlarmState.ACKNOWLEDGED:
            if seconds - alarm.since_seconds >= settings.rearm_seconds:
                book, more = happen(book, settings, seconds, key, Happening.REARM, Origin.DAEMON)
                effects += more
            else:
                reminds = True
    if reminds and seconds - (book.reminded_seconds or 0.0) >= settings.reminder_seconds:
        book = replace(book, reminded_seconds=seconds)
        effects += (Cued(seconds, Cue.REMINDER),)
    return book, effects


def alerting(book: AlarmBook, settings: AlarmSettings, seconds: float, paused_until_seconds: float | None) -> Alerting:  # noqa: ARG001
    """What horn and lamp must do: the worst unacknowledged alarm sounds unless paused; the lamp shows all that stand.

    An alarm returned to normal but not acknowledged keeps the lamp flashing and the horn silent, as the table says.
    """
    paused = paused_until_seconds is not None and seconds < paused_until_seconds
    horn = lamp = None
    flashing = False
    for key, alarm in book.alarms.items():
        state = alarm.state
        if state is AlarmState.NORMAL or not is_open(alarm):
            continue
        priority = key[1].priority
        lamp = priority if lamp is None else max(lamp, priority)
        flashing = flashing or not alarm.acknowledged
        if state in HORN:
            horn = priority if horn is None else max(horn, priority)
    return Alerting(
        seconds=seconds,
        priority=None if paused else horn,
        lamp=lamp,
        flashing=flashing,
        paused_until_seconds=paused_until_seconds if paused else None,
    )


def breaks_pause(changes: tuple[object, ...]) -> bool:
    """Whether one of these effects is a new alarm, which ends an audio pause."""
    return any(isinstance(change, AlarmChanged) and change.state in HORN for change in changes)


def views(book: AlarmBook, settings: AlarmSettings, seconds: float) -> tuple[AlarmView, ...]:  # noqa: ARG001
    """Every alarm that is not normal, worst first, then the ones that wait for the keeper, then the oldest."""
    found = [
        AlarmView(
            place=place,
            condition=condition,
            priority=condition.priority,
            state=alarm.state,
            standing=alarm.condition_true,
            since_seconds=alarm.since_seconds,
            celsius=alarm.celsius,
            seen=condition.seen(alarm.celsius),
            do_first=condition.row.do_first,
            shelved_left_seconds=None
            if alarm.shelved_until_seconds is None
            else max(0.0, alarm.shelved_until_seconds - seconds),
            began_seconds=alarm.began_seconds,
        )
        for (place, condition), alarm in book.alarms.items()
        if alarm.state is not AlarmState.NORMAL
    ]
    return tuple(sorted(found, key=lambda view: (view.state not in HORN, -view.priority, view.since_seconds)))


def dump(book: AlarmBook, seconds: float) -> list[dict[str, object]]:
    """What a restart must not forget, as plain values: shelves with the time they have left, latches, service.

    Acknowledgements are left out on purpose: what still stands after a restart sounds again.
    """
    return [
        {
            "place": place,
            "condition": condition.value,
            "unacknowledged": not alarm.acknowledged,
            "latched": alarm.latched,
            "out": alarm.out,
            "one_shot": alarm.one_shot,
            "shelved_for_seconds": _left(alarm.shelved_until_seconds, seconds),
            "shelved_since_seconds": None
            if alarm.shelved_from_seconds is None
            else seconds - alarm.shelved_from_seconds,
        }
        for (place, condition), alarm in book.alarms.items()
        if alarm.state is not AlarmState.NORMAL
    ]


def _left(until_seconds: float | None, seconds: float) -> float | None:
    return None if until_seconds is None else until_seconds - seconds


def restore(data: object, settings: AlarmSettings, seconds: float, gap_seconds: float | None) -> AlarmBook:
    """The book after a restart from what `dump` gave `gap_seconds` ago; what cannot be read is dropped.

    A shelf goes on for the time it has left; where nobody knows how long the daemon was off it is dropped, for a
    lost shelf may only mean more noise. Conditions start as gone: the first readings raise them again.
    """
    alarms: dict[Key, Alarm] = {}
    for row in data if isinstance(data, list) else []:
        try:
            key = (str(row["place"]), Condition(row["condition"]))
            alarm = Alarm(
                acknowledged=not row["unacknowledged"],
                latched=bool(row["latched"]) and key[1] in settings.latching,
                out=bool(row["out"]),
                since_seconds=seconds,
            )
            left, since = row["shelved_for_seconds"], row["shelved_since_seconds"]
            if left is not None and since is not None and gap_seconds is not None:
                remaining = min(float(left) - gap_seconds, settings.shelve_seconds)
                if remaining > 0:
                    alarm = replace(
                        alarm,
                        shelved_from_seconds=seconds - gap_seconds - float(since),
                        shelved_until_seconds=seconds + remaining,
                        one_shot=bool(row["one_shot"]),
                    )
        except (KeyError, TypeError, ValueError):
            continue
        alarms[key] = alarm
    return AlarmBook(alarms)
