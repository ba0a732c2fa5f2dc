"""When each sound and light begins and ends: the horn's bursts, cues between them, pauses, and the lamp's rhythm."""

import math

import pytest

from sensord.watch.cues import Cue, Priority
from sensord.watch.effects import Alerting, Cued, DishChanged, DishState
from sensord.watch.sound.patterns import BREATH_SECONDS, BURSTS, CUES, LAMP_TEST, Colour, Pulse, Sound
from sensord.watch.sound.score import Due, Score, advance, opening, take

HIGH, MEDIUM, LOW = Priority.HIGH, Priority.MEDIUM, Priority.LOW
# What a cue leaves of silence: half a second before it, a whole one before the next burst of a standing alarm.
BEFORE, AFTER = 0.5, 1.0


def heard(score: Score, start: float, end: float) -> tuple[Score, list[tuple[float, Pulse]]]:
    """Every pulse that begins between `start` and `end`, with its time; the score is looked at whenever it asks."""
    found, now, before = list[tuple[float, Pulse]](), start, None
    while now < end:
        score, due = advance(score, now)
        if due.pulse is not None and due.pulse is not before:
            found.append((now, due.pulse))
        before = due.pulse
        if due.next_seconds is None:
            break
        assert due.next_seconds > now - 1e-5
        now = max(now + 1e-6, due.next_seconds)
    return score, found


def starts(score: Score, start: float, end: float, sound: Sound) -> list[float]:
    """When that sound begins between two times: its first pulse after a silence longer than any gap within it."""
    _, pulses = heard(score, start, end)
    longest = max(pulse.on_seconds + pulse.gap_seconds for pulse in sound.pulses) + 0.2
    begun, last = [], -math.inf
    for seconds, pulse in pulses:
        if pulse in sound.pulses:
            if seconds - last > longest:
                begun.append(seconds)
            last = seconds
    return begun


def standing(priority: Priority, now: float = 0.0) -> Score:
    return take(Score(), Alerting(seconds=now, priority=priority, lamp=priority, flashing=True), now)


@pytest.mark.parametrize("priority", list(Priority))
def test_bursts_of_a_standing_alarm_repeat_after_the_silence_of_their_priority(priority: Priority) -> None:
    burst = BURSTS[priority]
    assert burst.repeat_seconds is not None
    period = burst.length_seconds + burst.repeat_seconds
    found = starts(standing(priority, 10.0), 10.0, 10.0 + 2.5 * period, burst)
    assert found == pytest.approx([10.0, 10.0 + period, 10.0 + 2 * period], abs=1e-4)


def test_the_pulses_of_a_burst_begin_at_its_onsets() -> None:
    _, found = heard(standing(MEDIUM), 0.0, 2.0)
    assert [seconds for seconds, _ in found] == pytest.approx(list(BURSTS[MEDIUM].onsets_seconds), abs=1e-4)
    assert tuple(pulse for _, pulse in found) == BURSTS[MEDIUM].pulses


def test_a_pulse_ends_after_its_on_time() -> None:
    score, due = advance(standing(LOW), 0.0)
    first = BURSTS[LOW].pulses[0]
    assert due.pulse is first
    assert due.next_seconds == pytest.approx(first.on_seconds)
    _, silent = advance(score, first.on_seconds)
    assert silent.pulse is None
    assert silent.next_seconds == pytest.approx(first.on_seconds + first.gap_seconds)


@pytest.mark.parametrize("priority", list(Priority))
def test_only_danger_plays_at_full_level(priority: Priority) -> None:
    _, due = advance(standing(priority), 0.0)
    assert due.danger is (priority is HIGH)


def test_a_cue_in_silence_is_heard_at_once_and_is_no_danger() -> None:
    _, due = advance(take(Score(), Cued(50.0, Cue.CONFIRM), 50.0), 50.0)
    assert due.pulse is CUES[Cue.CONFIRM].pulses[0]
    assert not due.danger


def test_a_cue_waits_for_the_end_of_a_lower_burst_and_the_next_burst_waits_for_the_cue() -> None:
    score, _ = advance(standing(MEDIUM), 0.0)
    score = take(score, Cued(0.1, Cue.REMINDER), 0.1)
    burst, cue = BURSTS[MEDIUM], CUES[Cue.REMINDER]
    begins = starts(score, 0.1, 30.0, cue)
    assert begins == pytest.approx([burst.length_seconds + BEFORE], abs=1e-4)
    ends = begins[0] + cue.length_seconds
    assert burst.repeat_seconds is not None
    due = max(burst.length_seconds + burst.repeat_seconds, ends + AFTER)
    assert starts(score, 0.1, 30.0, burst)[1] == pytest.approx(due, abs=1e-4)


def test_a_burst_that_fell_due_under_a_long_cue_follows_it_after_a_second() -> None:
    burst, cue = BURSTS[MEDIUM], CUES[Cue.READY]
    assert burst.repeat_seconds is not None
    due = burst.length_seconds + burst.repeat_seconds
    score, _ = heard(standing(MEDIUM), 0.0, due - 1.0)
    score = take(score, Cued(due - 1.0, Cue.READY), due - 1.0)
    assert starts(score, due - 1.0, due + 8.0, burst)[:1] == pytest.approx(
        [due - 1.0 + cue.length_seconds + AFTER], abs=1e-4
    )


def test_two_cues_follow_each_other_after_half_a_second() -> None:
    score = take(take(Score(), Cued(0.0, Cue.CONFIRM), 0.0), Cued(0.0, Cue.STIR), 0.0)
    _, found = heard(score, 0.0, 1.0)
    assert found[1][0] == pytest.approx(CUES[Cue.CONFIRM].length_seconds + BEFORE, abs=1e-4)
    assert found[1][1] is CUES[Cue.STIR].pulses[0]


def test_a_cue_that_had_to_wait_more_than_five_seconds_is_dropped() -> None:
    for seconds, is_heard in ((5.0, True), (5.1, False)):
        score = take(Score(), Cued(0.0, Cue.CONFIRM), 0.0)
        _, due = advance(score, seconds)
        assert (due.pulse is not None) is is_heard


def test_the_four_newest_cues_wait() -> None:
    score = Score()
    cues = (Cue.CONFIRM, Cue.STIR, Cue.REMINDER, Cue.CLOSING, Cue.CONFIRM)
    for cue in cues:
        score = take(score, Cued(0.0, cue, "dish"), 0.0)
    assert tuple(item.cued.cue for item in score.waiting) == cues[1:]


def test_a_high_alarm_cuts_off_a_cue_after_a_breath_and_no_cue_interrupts_it() -> None:
    score, _ = advance(take(Score(), Cued(0.0, Cue.READY, "dish"), 0.0), 0.0)
    score = take(score, Alerting(seconds=0.5, priority=HIGH, lamp=HIGH, flashing=True), 0.5)
    score, due = advance(score, 0.5)
    assert due.pulse is None
    assert due.next_seconds == pytest.approx(0.5 + BREATH_SECONDS)
    assert starts(score, 0.5, 4.0, BURSTS[HIGH]) == pytest.approx([0.5 + BREATH_SECONDS], abs=1e-4)
    score = take(score, Cued(1.0, Cue.CONFIRM), 1.0)
    _, pulses = heard(score, 1.0, 30.0)
    assert {pulse for _, pulse in pulses} <= set(BURSTS[HIGH].pulses)


def test_a_lower_alarm_lets_a_cue_end() -> None:
    score, _ = advance(take(Score(), Cued(0.0, Cue.STIR, "dish"), 0.0), 0.0)
    score = take(score, Alerting(seconds=0.5, priority=MEDIUM, lamp=MEDIUM, flashing=True), 0.5)
    begins = starts(score, 0.5, 10.0, BURSTS[MEDIUM])
    assert begins[0] == pytest.approx(CUES[Cue.STIR].length_seconds + AFTER, abs=1e-4)


@pytest.mark.parametrize("priority", list(Priority))
def test_any_alarm_cuts_off_a_self_test_and_drops_one_that_waits(priority: Priority) -> None:
    score, due = advance(take(Score(), Cued(0.0, Cue.SELF_TEST), 0.0), 0.0)
    assert due.pulse is not None
    score = take(score, Alerting(seconds=0.01, priority=priority, lamp=priority, flashing=True), 0.01)
    score, due = advance(score, 0.01)
    assert due.pulse is None
    assert starts(score, 0.01, 1.0, BURSTS[priority])[0] == pytest.approx(0.01 + BREATH_SECONDS, abs=1e-4)
    waits = take(take(Score(), Alerting(seconds=0.0, priority=priority), 0.0), Cued(0.0, Cue.SELF_TEST), 0.0)
    waits, _ = advance(waits, 0.0)
    assert waits.waiting == ()


def test_any_other_cue_ends_a_self_test() -> None:
    score, _ = advance(take(Score(), Cued(0.0, Cue.SELF_TEST), 0.0), 0.0)
    score = take(score, Cued(1.0, Cue.CONFIRM), 1.0)
    assert score.playing is None
    begins = starts(score, 1.0, 3.0, CUES[Cue.CONFIRM])
    assert begins == pytest.approx([1.0 + BREATH_SECONDS + 0.35], abs=1e-4)


def ready(dish: str) -> Score:
    return advance(take(Score(), Cued(0.0, Cue.READY, dish), 0.0), 0.0)[0]


def test_the_ready_tone_stops_when_its_dish_leaves_ready() -> None:
    for state in DishState:
        score = take(
            ready("left"),
            DishChanged(seconds=0.2, dish="left", probe="probe", state=state, previous=DishState.READY),
            0.2,
        )
        assert (score.playing is None) is (state is not DishState.READY)
    other = take(
        ready("left"),
        DishChanged(seconds=0.2, dish="right", probe="probe", state=DishState.HOT, previous=DishState.READY),
        0.2,
    )
    assert other.playing is not None


def test_a_ready_tone_that_waits_goes_with_its_dish_and_leaves_the_others() -> None:
    score = take(ready("left"), Cued(0.1, Cue.READY, "right"), 0.1)
    score = take(score, Cued(0.1, Cue.CLOSING, "right"), 0.1)
    score = take(score, Cued(0.1, Cue.STIR, "right"), 0.1)
    score = take(
        score, DishChanged(seconds=0.2, dish="right", probe="probe", state=DishState.HOT, previous=DishState.READY), 0.2
    )
    assert score.playing is not None
    assert [item.cued.cue for item in score.waiting] == [Cue.STIR]


def test_not_ready_takes_the_place_of_the_ready_tone_of_its_dish() -> None:
    score = take(ready("left"), Cued(0.2, Cue.NOT_READY, "left"), 0.2)
    assert score.playing is None
    assert [item.cued.cue for item in score.waiting] == [Cue.NOT_READY]
    score = take(ready("left"), Cued(0.2, Cue.NOT_READY, "right"), 0.2)
    assert score.playing is not None


def test_a_change_of_what_stands_begins_its_burst_anew_and_the_same_again_does_not() -> None:
    score, _ = advance(standing(LOW), 0.0)
    same = take(score, Alerting(seconds=0.1, priority=LOW, lamp=LOW, flashing=True), 0.1)
    assert same.playing is score.playing
    worse = take(score, Alerting(seconds=0.1, priority=MEDIUM, lamp=MEDIUM, flashing=True), 0.1)
    assert starts(worse, 0.1, 2.0, BURSTS[MEDIUM])[0] == pytest.approx(0.1 + BREATH_SECONDS, abs=1e-4)
    silenced = take(score, Alerting(seconds=0.1, priority=None, lamp=LOW, flashing=False), 0.1)
    _, due = advance(silenced, 0.1)
    assert due.pulse is None


def paused(until: float, flashing: bool = True) -> Score:
    return take(
        Score(), Alerting(seconds=0.0, priority=None, lamp=HIGH, flashing=flashing, paused_until_seconds=until), 0.0
    )


def test_a_pause_that_nobody_ends_ends_five_seconds_after_its_time() -> None:
    _, pulses = heard(paused(10.0), 0.0, 30.0)
    assert pulses[0][0] == pytest.approx(15.0, abs=1e-4)
    assert pulses[0][1] is BURSTS[HIGH].pulses[0]
    _, pulses = heard(paused(10.0, flashing=False), 0.0, 30.0)
    assert pulses == []


def test_the_end_of_a_pause_is_looked_at() -> None:
    silent = take(
        Score(), Alerting(seconds=0.0, priority=None, lamp=None, flashing=False, paused_until_seconds=10.0), 0.0
    )
    silent = take(
        silent, Alerting(seconds=0.0, priority=None, lamp=LOW, flashing=False, paused_until_seconds=10.0), 0.0
    )
    for now, following in ((10.0, 15.0), (12.0, 15.0)):
        assert advance(silent, now)[1].next_seconds == pytest.approx(following)
    assert advance(silent, 15.0)[1].next_seconds is None


def colours(score: Score, start: float, end: float) -> list[tuple[float, Colour]]:
    found, now = list[tuple[float, Colour]](), start
    while now < end:
        score, due = advance(score, now)
        if not found or found[-1][1] is not due.colour:
            found.append((now, due.colour))
        if due.next_seconds is None:
            break
        now = max(now + 1e-6, due.next_seconds)
    return found


def test_the_lamp_flashes_red_twice_a_second_in_danger() -> None:
    score = take(Score(), Alerting(seconds=100.0, priority=None, lamp=HIGH, flashing=True), 100.0)
    found = colours(score, 100.0, 101.1)
    assert [colour for _, colour in found] == [Colour.RED, Colour.DARK] * 2 + [Colour.RED]
    assert [seconds for seconds, _ in found] == pytest.approx([100.0, 100.2, 100.5, 100.7, 101.0], abs=1e-4)


def test_the_lamp_flashes_yellow_every_two_seconds_for_medium() -> None:
    score = take(Score(), Alerting(seconds=0.0, priority=None, lamp=MEDIUM, flashing=True), 0.0)
    assert [seconds for seconds, _ in colours(score, 0.0, 3.0)] == pytest.approx([0.0, 0.8, 2.0, 2.8], abs=1e-4)


def test_a_low_or_an_acknowledged_alarm_shines_without_a_break() -> None:
    for priority, flashing, colour in ((LOW, True, Colour.CYAN), (HIGH, False, Colour.RED)):
        _, due = advance(
            take(Score(), Alerting(seconds=0.0, priority=None, lamp=priority, flashing=flashing), 0.0), 3.3
        )
        assert due == Due(None, False, colour, None)


def test_the_lamp_keeps_its_rhythm_while_only_the_horn_changes() -> None:
    score = take(Score(), Alerting(seconds=0.0, priority=HIGH, lamp=HIGH, flashing=True), 0.0)
    same_lamp = take(score, Alerting(seconds=0.3, priority=MEDIUM, lamp=HIGH, flashing=True), 0.3)
    assert same_lamp.lamp_since_seconds == 0.0
    for changed in (
        Alerting(seconds=0.3, priority=HIGH, lamp=MEDIUM, flashing=True),
        Alerting(seconds=0.3, priority=HIGH, lamp=HIGH, flashing=False),
    ):
        assert take(score, changed, 0.3).lamp_since_seconds == 0.3
    assert (
        take(
            score, Alerting(seconds=0.3, priority=HIGH, lamp=HIGH, flashing=True, paused_until_seconds=9.0), 0.3
        ).lamp_since_seconds
        == 0.3
    )


def test_a_pause_winks_blue_between_the_flashes_until_it_ends() -> None:
    found = colours(paused(60.0), 0.0, 6.0)
    assert Colour.BLUE in {colour for _, colour in found}
    over = colours(paused(60.0), 60.0, 64.9)
    assert Colour.BLUE not in {colour for _, colour in over}


def test_the_start_ticks_once_and_takes_the_lamp_through_its_colours() -> None:
    score = opening(1000.0)
    _, pulses = heard(score, 1000.0, 1010.0)
    assert pulses == [(1000.0, CUES[Cue.CONFIRM].pulses[0])]
    found = colours(score, 1000.0, 1010.0)
    assert [colour for _, colour in found] == [*(glow.colour for glow in LAMP_TEST), Colour.DARK]
    assert [seconds - 1000.0 for seconds, _ in found] == pytest.approx([0.0, 0.4, 0.8, 1.2], abs=1e-4)


def test_a_self_test_lights_the_lamp_in_turn_whatever_stands() -> None:
    score = take(Score(), Alerting(seconds=0.0, priority=None, lamp=LOW, flashing=False), 0.0)
    score, _ = advance(take(score, Cued(5.0, Cue.SELF_TEST), 5.0), 5.0)
    found = colours(score, 5.0, 6.3)
    assert [colour for _, colour in found] == [Colour.RED, Colour.YELLOW, Colour.CYAN, Colour.RED]
    other = advance(take(Score(), Cued(5.0, Cue.CONFIRM), 5.0), 5.0)[1]
    assert other.colour is Colour.DARK


def test_whoever_looks_between_two_sounds_hears_silence() -> None:
    """Half a second before a cue: not after the breath already."""
    for base in (0.0, 86_400.0):
        score = take(take(Score(), Cued(base, Cue.CONFIRM), base), Cued(base, Cue.STIR), base)
        score, _ = advance(score, base)
        over = base + CUES[Cue.CONFIRM].length_seconds
        for after in (0.05, 0.2, 0.45):
            score, due = advance(score, over + after)
            assert due.pulse is None
            assert due.next_seconds is not None
        assert advance(score, over + 0.5)[1].pulse is CUES[Cue.STIR].pulses[0]
