"""Which sound and which light is due at an instant: the buzzer's own small state machine, pure like the rest.

A high alarm cuts off anything; cues wait for the end of a lower burst and never for long; what no longer holds (a
ready tone after the dish left `ready`) is cut off. Times are monotonic seconds.
"""

from dataclasses import dataclass, replace
from typing import NamedTuple

from sensord.watch.cues import Cue, Priority
from sensord.watch.effects import Alerting, Cued, DishChanged, DishState
from sensord.watch.sound.patterns import BREATH_SECONDS, BURSTS, CUES, LAMP_TEST, Colour, Pulse, Sound, lamp_pattern

# A cue tells of a moment; told later than this it would be wrong, so it is dropped.
_CUE_LIFE_SECONDS = 5.0
_MOST_WAITING = 4
# What a cue leaves of silence, on top of the breath that every sound leaves: before it, and before the next burst of
# a standing alarm. An alarm that is new waits for neither.
_BEFORE_CUE_SECONDS = 0.35
_AFTER_CUE_SECONDS = 1.0
# A pause that nobody ended by this long after its time ends here.
_PAUSE_GRACE_SECONDS = 5.0
# Far below anything audible, far above the rounding of monotonic seconds: an instant this close counts as reached.
_SAME_INSTANT_SECONDS = 1e-6

_NOTHING_STANDS = Alerting(seconds=0.0, priority=None)


class Due(NamedTuple):
    """What the parts do now. `danger`: play it at full level; `next_seconds`: look again then, None for never."""

    pulse: Pulse | None
    danger: bool
    colour: Colour
    next_seconds: float | None


@dataclass(frozen=True, slots=True)
class _Waiting:
    cued: Cued
    since_seconds: float


@dataclass(frozen=True, slots=True)
class _Playing:
    """A sound under way; `cued` is None for a burst of the standing alarm."""

    sound: Sound
    since_seconds: float
    cued: Cued | None
    danger: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """What stands, what plays, what waits."""

    alerting: Alerting = _NOTHING_STANDS
    lamp_since_seconds: float = 0.0
    playing: _Playing | None = None
    waiting: tuple[_Waiting, ...] = ()
    burst_seconds: float = 0.0
    quiet_until_seconds: float = float("-inf")
    lamp_test_seconds: float | None = None


def opening(now: float) -> Score:
    """The self-test at start: one tick, and the lamp through its colours. No alarm and no ready tone, which would lie.

    Whatever arrives meanwhile is heard at once.
    """
    return replace(Score(), waiting=(_Waiting(Cued(now, Cue.CONFIRM), now),), lamp_test_seconds=now)


def take(score: Score, effect: object, now: float) -> Score:
    """The score after an effect that arrived at `now`; the same score where it is none of the buzzer's business."""
    match effect:
        case Alerting():
            return _alerted(score, effect, now)
        case Cued():
            return _cued(score, effect, now)
        case DishChanged() if effect.state is not DishState.READY:
            return _without(score, {Cue.READY, Cue.CLOSING}, effect.dish, now)
        case _:
            return score


def advance(score: Score, now: float) -> tuple[Score, Due]:
    """What is due at `now`, and the score from there on."""
    score = _begun(_preempted(_ended(score, now), now), now)
    pulse, sound_next, danger = None, _next_start(score, now), False
    if score.playing is not None:
        pulse, offset = score.playing.sound.pulse_at(now - score.playing.since_seconds + _SAME_INSTANT_SECONDS)
        danger = score.playing.danger
        if offset is not None:
            sound_next = score.playing.since_seconds + offset
    colour, lamp_next = _lamp(score, now)
    coming = [seconds for seconds in (sound_next, lamp_next) if seconds is not None]
    return score, Due(pulse, danger, colour, min(coming, default=None))


def _sounding(alerting: Alerting, now: float) -> Priority | None:
    """The priority to be heard. A pause ends by itself even when nobody says so: then the worst that stands sounds."""
    until = alerting.paused_until_seconds
    if alerting.priority is None and until is not None and now >= until + _PAUSE_GRACE_SECONDS and alerting.flashing:
        return alerting.lamp
    return alerting.priority


def _alerted(score: Score, alerting: Alerting, now: float) -> Score:
    before, after = _sounding(score.alerting, now), _sounding(alerting, now)
    if _lamp_of(alerting, now) != _lamp_of(score.alerting, now):
        score = replace(score, lamp_since_seconds=now)
    score = replace(score, alerting=alerting)
    if before is after:
        return score
    if score.playing is not None and score.playing.cued is None:
        score = _cut(score, now)
    return replace(score, burst_seconds=now)


def _cued(score: Score, cued: Cued, now: float) -> Score:
    if cued.cue is Cue.NOT_READY:
        score = _without(score, {Cue.READY, Cue.CLOSING}, cued.dish, now)
    score = _without(score, {Cue.SELF_TEST}, cued.dish, now)
    return replace(score, waiting=(*score.waiting, _Waiting(cued, now))[-_MOST_WAITING:])


def _without(score: Score, cues: set[Cue], dish: str, now: float) -> Score:
    """Drop these cues of a dish (and those of no dish in particular), cutting off one that plays."""

    def gone(cued: Cued | None) -> bool:
        return cued is not None and cued.cue in cues and (not cued.dish or cued.dish == dish)

    if score.playing is not None and gone(score.playing.cued):
        score = _cut(score, now)
    return replace(score, waiting=tuple(item for item in score.waiting if not gone(item.cued)))


def _cut(score: Score, now: float) -> Score:
    """Stop what plays, and keep a breath of silence before the next sound."""
    return replace(score, playing=None, quiet_until_seconds=now + BREATH_SECONDS)


def _ended(score: Score, now: float) -> Score:
    """Let go of a sound that is over, and of cues that waited too long."""
    waiting = tuple(item for item in score.waiting if now - item.since_seconds <= _CUE_LIFE_SECONDS)
    score = replace(score, waiting=waiting)
    playing = score.playing
    if playing is None or now + _SAME_INSTANT_SECONDS < playing.since_seconds + playing.sound.length_seconds:
        return score
    end = playing.since_seconds + playing.sound.length_seconds
    if playing.sound.repeat_seconds is not None:
        again = end + playing.sound.repeat_seconds
    else:
        again = max(score.burst_seconds, end + _AFTER_CUE_SECONDS)
    return replace(score, playing=None, burst_seconds=again, quiet_until_seconds=end + BREATH_SECONDS)


def _preempted(score: Score, now: float) -> Score:
    """A high alarm cuts off any cue, and every alarm a self-test, one that only waits too."""
    priority, playing = _sounding(score.alerting, now), score.playing
    if priority is None:
        return score
    if any(item.cued.cue is Cue.SELF_TEST for item in score.waiting):
        others = tuple(item for item in score.waiting if item.cued.cue is not Cue.SELF_TEST)
        score = replace(score, waiting=others)
    if playing is None or playing.cued is None:
        return score
    return _cut(score, now) if priority is Priority.HIGH or playing.cued.cue is Cue.SELF_TEST else score


def _begun(score: Score, now: float) -> Score:
    """Begin what is due, unless something plays."""
    if score.playing is not None or now + _SAME_INSTANT_SECONDS < score.quiet_until_seconds:
        return score
    priority = _sounding(score.alerting, now)
    cue_seconds = score.quiet_until_seconds + _BEFORE_CUE_SECONDS
    if score.waiting and priority is not Priority.HIGH and now + _SAME_INSTANT_SECONDS >= cue_seconds:
        first, *rest = score.waiting
        playing = _Playing(CUES[first.cued.cue], now, first.cued, danger=False)
        return replace(score, playing=playing, waiting=tuple(rest))
    if priority is not None and now + _SAME_INSTANT_SECONDS >= score.burst_seconds:
        return replace(score, playing=_Playing(BURSTS[priority], now, None, danger=priority is Priority.HIGH))
    return score


def _next_start(score: Score, now: float) -> float | None:
    """When a silent score has to be looked at again: a burst, a waiting cue, or the end of a pause."""
    priority = _sounding(score.alerting, now)
    until = score.alerting.paused_until_seconds
    coming = []
    if priority is not None:
        coming.append(max(score.burst_seconds, score.quiet_until_seconds))
    if score.waiting and priority is not Priority.HIGH:
        coming.append(score.quiet_until_seconds + _BEFORE_CUE_SECONDS)
    if until is not None and now < until + _PAUSE_GRACE_SECONDS:
        coming.append(until if now < until else until + _PAUSE_GRACE_SECONDS)
    return min(coming, default=None)


def _lamp_of(alerting: Alerting, now: float) -> tuple[Priority | None, bool, bool]:
    until = alerting.paused_until_seconds
    return alerting.lamp, alerting.flashing, until is not None and now < until


def _lamp(score: Score, now: float) -> tuple[Colour, float | None]:
    """The colour now and when it changes."""
    pattern, since = lamp_pattern(*_lamp_of(score.alerting, now)), score.lamp_since_seconds
    playing, opened = score.playing, score.lamp_test_seconds
    if playing is not None and playing.cued is not None and playing.cued.cue is Cue.SELF_TEST:
        pattern, since = LAMP_TEST, playing.since_seconds
    elif opened is not None and now + _SAME_INSTANT_SECONDS < opened + sum(glow.seconds for glow in LAMP_TEST):
        pattern, since = LAMP_TEST, opened
    if not pattern:
        return Colour.DARK, None
    if len(pattern) == 1:
        return pattern[0].colour, None
    length = sum(glow.seconds for glow in pattern)
    offset = (now - since + _SAME_INSTANT_SECONDS) % length
    end = 0.0
    for glow in pattern[:-1]:
        end += glow.seconds
        if offset < end:
            return glow.colour, now + end - offset + _SAME_INSTANT_SECONDS
    return pattern[-1].colour, now + length - offset + _SAME_INSTANT_SECONDS
