"""What screens say, in one place: durations, alarm states, and the answer to the one question of the moment.

Whatever is not known to be right is never called right, and only a dish that the watch calls ready is.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, tzinfo
from enum import Enum, unique

from sensord.durations import countdown, duration
from sensord.physics.conformity import Verdict
from sensord.readings import Interval
from sensord.watch.conditions import Condition
from sensord.watch.cues import Priority
from sensord.watch.effects import AlarmState, DishState
from sensord.watch.views import AlarmView, BrooderView, DishView, Snapshot


@unique
class Tone(Enum):
    """How a line is meant; the screen chooses weight and colour by it, the words say it without."""

    READY = "ready"
    RIGHT = "right"
    WAIT = "wait"
    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"
    STALE = "stale"


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer in a sentence, and in one to three words for large letters (the first that fits is taken).

    `also` is the other question's answer, for where there is room.
    """

    tone: Tone
    sentence: str
    shouts: tuple[str, ...]
    also: str = ""


_TONES = {Priority.LOW: Tone.LOW, Priority.MEDIUM: Tone.MEDIUM, Priority.HIGH: Tone.HIGH}
_HIDDEN = (AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE)

_DISH_WORDS = {
    DishState.AWAY: "not in use",
    DishState.UPTAKE: "taking up water",
    DishState.HOT: "too hot",
    DishState.READY: "ready to feed",
    DishState.COOL: "too cool",
    DishState.UNEVEN: "uneven",
    DishState.OLD: "too old, throw it away",
    DishState.UNKNOWN: "not known",
}
_DISH_SHOUTS = {
    DishState.AWAY: "wait",
    DishState.UPTAKE: "wait",
    DishState.HOT: "too hot",
    DishState.READY: "feed now",
    DishState.COOL: "too cool",
    DishState.UNEVEN: "stir",
    DishState.OLD: "too old",
    DishState.UNKNOWN: "not known",
}
# Which of several dishes the first line speaks of: the one that can be fed, then the one that soon can.
_DISH_ORDER = (
    DishState.READY,
    DishState.HOT,
    DishState.UPTAKE,
    DishState.UNEVEN,
    DishState.COOL,
    DishState.OLD,
    DishState.UNKNOWN,
)


def answer(snapshot: Snapshot, stale_seconds: float | None = None, zone: tzinfo = UTC) -> Answer:
    """May I feed this? Is the brooder right? The more urgent of the two first, in a sentence that stands alone.

    `stale_seconds` is the age of the snapshot where no newer one came; `zone` is for the time named then.
    """
    if stale_seconds is not None:
        since = clock_time(snapshot, zone)
        when = f"SINCE {since}, for {duration(stale_seconds)}" if since else f"FOR {duration(stale_seconds)}"
        return Answer(Tone.STALE, f"NO DATA {when}: look at the chicks yourself", ("no data",))
    standing = [alarm for alarm in for_the_keeper(snapshot.alarms) if alarm.standing]
    dishes = [dish for dish in snapshot.dishes if dish.state is not DishState.AWAY]
    dishes.sort(
        key=lambda dish: (
            _DISH_ORDER.index(dish.state),
            ready.middle if (ready := dish.outlook.ready_in_seconds) else 0.0,
        )
    )
    first = next((alarm for alarm in standing if _comes_before_food(alarm)), None)
    if first is not None:
        ready = any(dish.state is DishState.READY for dish in dishes)
        later = "a dish is ready, but this comes first" if ready else ""
        return _alarm_answer(first, snapshot, later)
    if dishes:
        return _dish_answer(dishes[0], _brooders_clause(snapshot, standing))
    if standing:
        return _alarm_answer(standing[0], snapshot, "")
    found = _brooder_answer(snapshot)
    if any(is_for_the_keeper(alarm) for alarm in snapshot.alarms):
        return replace(found, also="an alarm waits for you")
    hidden = hidden_words(snapshot)
    return replace(found, also=hidden[0]) if hidden else found


def _comes_before_food(alarm: AlarmView) -> bool:
    return alarm.priority is Priority.HIGH or alarm.condition.row.before_food


def _alarm_answer(alarm: AlarmView, snapshot: Snapshot, also: str) -> Answer:
    now = next((one.celsius for one in snapshot.brooders if one.name == alarm.place), None)
    shown = alarm.celsius if now is None or alarm.celsius is None else now
    celsius = "" if shown is None else f", {shown:.1f} °C"
    words = condition_words(alarm.condition).upper()
    sentence = f"{marks(alarm.priority)} {alarm.place.upper()} {words}{celsius}"
    shout = alarm.condition.row.shout
    return Answer(_TONES[alarm.priority], sentence, (f"{alarm.place} {shout}", shout), also)


def _dish_answer(dish: DishView, also: str) -> Answer:
    shout = _DISH_SHOUTS[dish.state]
    ready_in, open_for = dish.outlook.ready_in_seconds, dish.outlook.open_for_seconds
    celsius = "" if dish.reading_celsius is None else f", {dish.reading_celsius:.1f} °C"
    match dish.state:
        case DishState.READY:
            left = f", for about {duration(open_for.middle)} more" if open_for is not None else ""
            sentence, tone = f"YES, FEED NOW: {dish.name} is ready{celsius}{left}", Tone.READY
        case DishState.UPTAKE if dish.uptake_left_seconds:
            sentence = f"NOT YET: {dish.name} takes up water for {countdown(dish.uptake_left_seconds)} more{celsius}"
            tone, shout = Tone.WAIT, f"wait {countdown(dish.uptake_left_seconds)}"
        case DishState.HOT | DishState.COOL if is_in_band(dish):
            sentence, tone = f"NOT YET: {dish.name} is {dish_words(dish.state, dish)}{celsius}: stir", Tone.WAIT
            shout = "stir"
        case DishState.HOT if ready_in is not None:
            sentence = f"NOT YET: {dish.name} is too hot{celsius}, ready in about {duration(ready_in.middle)}"
            return Answer(Tone.WAIT, sentence, (f"{shout} {duration(ready_in.middle)}", shout), also)
        case DishState.UNKNOWN:
            sentence, tone = f"DO NOT FEED: nothing is known of {dish.name}", Tone.WAIT
        case DishState.UNEVEN:
            sentence, tone = f"NOT YET: {dish.name} is uneven, stir to the bottom{celsius}", Tone.WAIT
        case _:
            sentence, tone = f"NO: {dish.name} is {_DISH_WORDS[dish.state]}{celsius}", Tone.WAIT
    return Answer(tone, sentence, (shout,), also)


def _brooders_clause(snapshot: Snapshot, standing: list[AlarmView]) -> str:
    if standing:
        return f"{marks(standing[0].priority)} {standing[0].place} {condition_words(standing[0].condition)}"
    wrong = [brooder for brooder in snapshot.brooders if not is_in_band(brooder)]
    if wrong:
        return f"{wrong[0].name} {brooder_words(wrong[0])}"
    return "" if not snapshot.brooders else "brooder right" if len(snapshot.brooders) == 1 else "brooders right"


def _brooder_answer(snapshot: Snapshot) -> Answer:
    brooders = snapshot.brooders
    unknown = next((brooder for brooder in brooders if brooder.celsius is None or brooder.verdict is None), None)
    if unknown is not None:
        return Answer(Tone.MEDIUM, f"NOT KNOWN: {unknown.name} has no reading, look at the chicks", ("not known",))
    wrong = next((brooder for brooder in brooders if not is_in_band(brooder)), None)
    if wrong is not None:
        words = brooder_words(wrong)
        return Answer(
            Tone.LOW, f"NOT RIGHT: {wrong.name} is {words}, {wrong.celsius:.1f} °C", (f"{wrong.name} {words}", words)
        )
    if not brooders:
        return Answer(Tone.WAIT, "WAITING: no dish is in use and no brooder is watched", ("waiting",))
    if len(brooders) == 1:
        name, celsius = brooders[0].name, brooders[0].celsius
        return Answer(Tone.RIGHT, f"ALL RIGHT: {name} is in its band, {celsius:.1f} °C", ("all right",))
    return Answer(Tone.RIGHT, f"ALL RIGHT: all {len(brooders)} brooders are in their bands", ("all right",))


def is_in_band(place: BrooderView | DishView) -> bool:
    """Whether it is in its band by its reading, proven or not."""
    known = place.celsius if isinstance(place, BrooderView) else place.estimate_celsius
    return known is not None and place.verdict in (Verdict.IN_BAND, Verdict.IN_NOT_PROVEN)


def is_for_the_keeper(alarm: AlarmView) -> bool:
    """Whether an alarm is for the keeper now: neither shelved nor out of service."""
    return alarm.state not in _HIDDEN


def brooder_words(brooder: BrooderView) -> str:
    """Where the air is against its band."""
    if brooder.celsius is None or brooder.verdict is None:
        return "not known"
    if is_in_band(brooder):
        return "right" if brooder.verdict is Verdict.IN_BAND else "right, near the edge"
    return "too cold" if brooder.celsius < brooder.band.middle_celsius else "too warm"


def dish_words(state: DishState, dish: DishView | None = None) -> str:
    """What may be said of the paste; of a `dish` that is in its band, but not proven to be, no more than perhaps."""
    doubt = "perhaps " if dish is not None and state in (DishState.HOT, DishState.COOL) and is_in_band(dish) else ""
    return f"{doubt}{_DISH_WORDS[state]}"


def wait_for_ready(dish: DishView) -> Interval | None:
    """Seconds until it is ready, where it is not yet and there is something to wait for."""
    ready_in = dish.outlook.ready_in_seconds
    return None if ready_in is None or ready_in.high <= 0 or dish.state is DishState.READY else ready_in


def brooder_band_words(view: BrooderView) -> str:
    """The band in force, with who says so."""
    return f"keep at {view.band} ({'pinned by you, ' if view.pinned else ''}{view.band_source})"


def dish_band_words(view: DishView) -> str:
    """The feeding band in force, with who says so."""
    return f"feed at {view.band} ({view.band_source})"


def condition_words(condition: Condition) -> str:
    """An alarm's condition as a person says it."""
    return condition.value.replace("-", " ")


def marks(priority: Priority) -> str:
    """One to three exclamation marks, so that urgency shows without colour."""
    return "!" * priority


_STATE_WORDS = {
    AlarmState.NORMAL: "over",
    AlarmState.UNACKNOWLEDGED: "not acknowledged",
    AlarmState.ACKNOWLEDGED: "acknowledged",
    AlarmState.RETURNED_UNACKNOWLEDGED: "over again, not acknowledged",
    AlarmState.LATCHED_UNACKNOWLEDGED: "held until reset, not acknowledged",
    AlarmState.LATCHED_ACKNOWLEDGED: "held until reset",
    AlarmState.SHELVED: "shelved",
    AlarmState.OUT_OF_SERVICE: "out of service",
}


def state_words(state: AlarmState) -> str:
    """Where an alarm is between raised and gone."""
    return _STATE_WORDS[state]


def alarm_state_words(alarm: AlarmView) -> str:
    """The same of one alarm, with the time that its shelf has left."""
    left = alarm.shelved_left_seconds
    if alarm.state is AlarmState.SHELVED and left is not None:
        return f"shelved, back in {countdown(left)}"
    return state_words(alarm.state)


def alarm_time_words(alarm: AlarmView, seconds: float) -> str:
    """How long its condition has stood at `seconds`, or how long ago it went; with a blank before it."""
    if alarm.standing:
        return (
            f" for {duration(seconds - (alarm.since_seconds if alarm.began_seconds is None else alarm.began_seconds))}"
        )
    if alarm.state in (AlarmState.RETURNED_UNACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED):
        return f" until {duration(seconds - alarm.since_seconds)} ago"
    return ""


def for_the_keeper(alarms: Iterable[AlarmView]) -> list[AlarmView]:
    """The alarms that are not hidden, in the order in which a person should see to them."""
    return sorted(
        filter(is_for_the_keeper, alarms),
        key=lambda alarm: (not alarm.standing, not _comes_before_food(alarm), -alarm.priority),
    )


def hidden_words(snapshot: Snapshot) -> list[str]:
    """One line for the alarms of each place that are shelved or out of service; standing ones by name."""
    groups: dict[tuple[str, str], list[AlarmView]] = {}
    for alarm in snapshot.alarms:
        if not is_for_the_keeper(alarm):
            groups.setdefault((alarm.place, alarm_state_words(alarm)), []).append(alarm)
    lines = []
    for (place, state), alarms in groups.items():
        what = condition_words(alarms[0].condition) if len(alarms) == 1 else f"{len(alarms)} alarms"
        standing = [condition_words(alarm.condition) for alarm in alarms if alarm.standing]
        lines.append(f"{place}: {what} {state}" + (f" (standing: {', '.join(standing)})" if standing else ""))
    return lines


def clock_time(snapshot: Snapshot, zone: tzinfo) -> str:
    """The wall time of a snapshot; empty where the clock is not trusted."""
    if snapshot.utc_seconds is None:
        return ""
    return datetime.fromtimestamp(snapshot.utc_seconds, zone).strftime("%H:%M:%S")
