"""The buzzer's small state machine under every order of effects: what must be heard is heard, what must not is not."""

import itertools
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from sensord.watch.cues import Cue, Priority
from sensord.watch.effects import Alerting, Cued, DishChanged, DishState
from sensord.watch.sound.patterns import BREATH_SECONDS, BURSTS, Colour
from sensord.watch.sound.score import Due, Score, advance, opening, take


def played(score: Score, start: float, end: float) -> tuple[Score, list[tuple[float, Due]]]:
    """What is due from `start` to `end`, at every instant where something changes."""
    dues, now, rounds = [], start, 0
    while now < end:
        score, due = advance(score, now)
        dues.append((now, due))
        rounds += 1
        assert rounds < 10_000, "the score asks to be looked at again without end"
        if due.next_seconds is None:
            break
        assert due.next_seconds > now - 1e-5
        now = max(now + 1e-6, due.next_seconds)
    return score, dues


_priorities = st.sampled_from([None, *Priority])
_effects = st.one_of(
    st.builds(lambda p, lamp, flash: (p, lamp, flash), _priorities, _priorities, st.booleans()),
    st.sampled_from(Cue),
    st.sampled_from([state for state in DishState if state is not DishState.READY]),
)
_steps = st.lists(st.tuples(_effects, st.floats(0.0, 12.0)), max_size=25)


def effect_of(told: Any, now: float) -> object:
    match told:
        case (priority, lamp, flashing):
            return Alerting(seconds=now, priority=priority, lamp=lamp, flashing=flashing)
        case Cue():
            return Cued(now, told, "dish")
        case _:
            return DishChanged(seconds=now, dish="dish", probe="dish", state=told, previous=DishState.READY)


@given(_steps)
def test_after_any_history_a_high_alarm_is_heard_within_a_breath(steps: list[tuple[Any, float]]) -> None:
    score, now = opening(0.0), 0.0
    for told, seconds in steps:
        score, _ = played(take(score, effect_of(told, now), now), now, now + seconds)
        now += seconds
    score, _ = advance(score, now)
    score = take(score, Alerting(seconds=now, priority=None), now)
    score = take(score, Alerting(seconds=now, priority=Priority.HIGH), now)
    _, dues = played(score, now, now + 20)
    first = next(seconds for seconds, due in dues if due.pulse is not None)
    assert first - now <= BREATH_SECONDS + 1e-4
    assert {due.pulse for _, due in dues} <= {None, *BURSTS[Priority.HIGH].pulses}
    assert all(due.danger for _, due in dues if due.pulse is not None)


@given(_steps)
def test_after_any_history_a_silenced_horn_is_silent_once_the_cues_are_over(steps: list[tuple[Any, float]]) -> None:
    score, now = opening(0.0), 0.0
    for told, seconds in steps:
        score, _ = played(take(score, effect_of(told, now), now), now, now + seconds)
        now += seconds
    score, _ = advance(take(score, Alerting(seconds=now, priority=None), now), now)
    _, dues = played(score, now, now + 600)
    assert dues[-1][1] == Due(None, False, Colour.DARK, None)


@given(_steps)
def test_between_two_sounds_there_is_always_silence(steps: list[tuple[Any, float]]) -> None:
    score, now, dues = Score(), 0.0, []
    for told, seconds in steps:
        score, more = played(take(score, effect_of(told, now), now), now, now + seconds)
        dues += more
        now += seconds
    pulses = [due.pulse for _, due in dues]
    following = itertools.pairwise(pulses)
    assert all(after is before or before is None or after is None or after == before for before, after in following)


@given(_steps)
def test_no_cue_but_the_newest_few_is_waited_for(steps: list[tuple[Any, float]]) -> None:
    score, now = Score(), 0.0
    for told, _ in steps:
        score = take(score, effect_of(told, now), now)
        assert len(score.waiting) <= 4


def test_the_horn_comes_back_after_a_pause_even_in_the_middle_of_a_cue() -> None:
    score = take(
        Score(), Alerting(seconds=0.0, priority=None, lamp=Priority.HIGH, flashing=True, paused_until_seconds=10.0), 0.0
    )
    score = take(score, Cued(14.5, Cue.READY), 14.5)
    _, dues = played(score, 14.5, 20.0)
    first = next(seconds for seconds, due in dues if due.danger)
    assert 15.0 <= first <= 15.0 + BREATH_SECONDS + 1e-4


def test_a_score_does_not_mind_what_is_none_of_its_business() -> None:
    score = Score()
    assert take(score, "anything", 1.0) is score
