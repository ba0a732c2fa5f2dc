"""The sounds and lamp patterns as values, against the pattern of IEC 60601-1-8.

Source of the ranges: Tables 3 and 4 of IEC 60601-1-8 as coded in public copies (an open-source sound generator for
that standard, an audio-DAC data sheet); those marked 'memory' are from memory and unverified. The pattern is
followed; conformity is not claimed.
"""

import itertools
from math import log2, pi, sin

import pytest

from sensord.watch.cues import Cue, Priority
from sensord.watch.sound.patterns import (
    BREATH_SECONDS,
    BURSTS,
    CUES,
    LAMP_TEST,
    TONE_DUTY,
    Colour,
    Pulse,
    Sound,
    every_sound,
    lamp_pattern,
)


@pytest.mark.parametrize(
    ("priority", "counts"), [(Priority.HIGH, {10}), (Priority.MEDIUM, {3}), (Priority.LOW, {1, 2})], ids=str
)
def test_a_burst_has_the_pulses_of_its_priority(priority: Priority, counts: set[int]) -> None:
    assert len(BURSTS[priority].pulses) in counts


@pytest.mark.parametrize(
    ("priority", "shortest", "longest"),
    [(Priority.HIGH, 0.075, 0.200), (Priority.MEDIUM, 0.125, 0.250), (Priority.LOW, 0.125, 0.250)],
    ids=str,
)
def test_pulses_are_as_long_as_their_priority_allows(priority: Priority, shortest: float, longest: float) -> None:
    assert all(shortest <= pulse.on_seconds <= longest for pulse in BURSTS[priority].pulses)


def test_the_high_burst_begins_its_pulses_where_the_worked_example_does() -> None:
    # Worked from the ranges with td 150 ms, x 100 ms, 0.70 s between the halves.
    onsets = (0, 0.25, 0.50, 1.00, 1.25, 2.10, 2.35, 2.60, 3.10, 3.35)
    assert BURSTS[Priority.HIGH].onsets_seconds == pytest.approx(onsets, abs=1e-6)


def test_the_medium_burst_begins_its_pulses_where_the_worked_example_does() -> None:
    # Worked from the ranges with td 200 ms, y 200 ms.
    assert BURSTS[Priority.MEDIUM].onsets_seconds == pytest.approx((0, 0.4, 0.8), abs=1e-6)


def test_bursts_repeat_within_the_allowed_silence() -> None:
    # High 2.5 to 15 s, low over 15 s or never; medium 2.5 to 30 s from memory.
    ranges = {Priority.HIGH: (2.5, 15), Priority.MEDIUM: (2.5, 30), Priority.LOW: (15, float("inf"))}
    for priority, (least, most) in ranges.items():
        repeat = BURSTS[priority].repeat_seconds
        assert repeat is not None
        assert least <= repeat <= most


def test_fundamentals_lie_between_150_and_1000_hertz() -> None:
    assert all(150 <= pulse.hertz <= 1000 for sound in every_sound().values() for pulse in sound.pulses)


def test_the_tone_has_four_components_within_15_db_between_300_and_4000_hertz() -> None:
    # Fourier series of a pulse wave of duty d: |sin(n pi d)| / n. A square wave reaches three only.
    for hertz in {pulse.hertz for sound in every_sound().values() for pulse in sound.pulses}:
        assert _components(hertz, TONE_DUTY) >= 4
    assert _components(400.0, 0.5) == 3


def _components(hertz: float, duty: float) -> int:
    levels = {n: abs(sin(n * pi * duty)) / n for n in range(1, int(4000 / hertz) + 1) if n * hertz >= 300}
    loudest = max(levels.values())
    return sum(level >= loudest * 10 ** (-15 / 20) for level in levels.values())


def test_only_the_ready_tone_has_a_note_of_half_a_second() -> None:
    long = {name for name, sound in every_sound().items() if any(pulse.on_seconds >= 0.5 for pulse in sound.pulses)}
    assert long == {"ready"}


def test_the_ready_tone_rises_and_grows() -> None:
    first = CUES[Cue.READY].pulses[:3]
    assert all(b.hertz > a.hertz and b.on_seconds >= 2 * a.on_seconds for a, b in itertools.pairwise(first))


def test_every_cue_and_every_priority_has_a_sound_of_its_own_name() -> None:
    assert set(CUES) == set(Cue)
    assert set(BURSTS) == set(Priority)
    assert len(every_sound()) == len(Cue) - 1 + len(Priority)


def test_cues_are_not_repeated() -> None:
    assert all(sound.repeat_seconds is None for sound in CUES.values())


@pytest.mark.parametrize(
    ("priority", "colour", "slowest", "fastest"),
    [(Priority.HIGH, Colour.RED, 1.4, 2.8), (Priority.MEDIUM, Colour.YELLOW, 0.4, 0.8)],
    ids=str,
)
def test_the_lamp_flashes_in_the_colour_and_at_the_rate_of_the_priority(
    priority: Priority, colour: Colour, slowest: float, fastest: float
) -> None:
    lit, dark = lamp_pattern(priority, flashing=True, paused=False)
    assert (lit.colour, dark.colour) == (colour, Colour.DARK)
    assert slowest <= 1 / (lit.seconds + dark.seconds) <= fastest
    assert 0.2 <= lit.seconds / (lit.seconds + dark.seconds) <= 0.6


def test_the_lamp_of_a_low_alarm_shines_cyan_without_a_break() -> None:
    assert {glow.colour for glow in lamp_pattern(Priority.LOW, flashing=True, paused=False)} == {Colour.CYAN}


def test_an_acknowledged_alarm_shines_steadily() -> None:
    # ISA-18.1 sequence A: acknowledge gives steady and silent.
    for priority in Priority:
        assert len({glow.colour for glow in lamp_pattern(priority, flashing=False, paused=False)}) == 1


def test_a_pause_of_the_audio_shows_on_the_lamp_whatever_stands() -> None:
    for priority in (None, *Priority):
        for flashing in (False, True):
            shown = lamp_pattern(priority, flashing, paused=True)
            assert shown != lamp_pattern(priority, flashing, paused=False)
            assert Colour.BLUE in {glow.colour for glow in shown}


def test_no_lamp_is_lit_when_nothing_stands() -> None:
    assert lamp_pattern(None, flashing=False, paused=False) == ()


def test_tones_are_notes_of_the_equal_temperament() -> None:
    """A4 = 440 Hz (ISO 16), each semitone the twelfth root of two."""
    for sound in every_sound().values():
        for pulse in sound.pulses:
            semitones = 12 * log2(pulse.hertz / 440)
            assert abs(semitones - round(semitones)) < 0.001, sound.name


def test_what_sounds_at_an_offset_and_when_it_changes() -> None:
    sound = Sound("two", (Pulse(0.2, 0.3, 440.0), Pulse(0.1, 5.0, 880.0)))
    assert sound.length_seconds == pytest.approx(0.6)
    assert sound.onsets_seconds == (0.0, 0.5)
    first, second = sound.pulses
    for offset, expected in ((0.0, (first, 0.2)), (0.19, (first, 0.2)), (0.2, (None, 0.5)), (0.49, (None, 0.5))):
        assert sound.pulse_at(offset) == expected
    pulse, change = sound.pulse_at(0.5)
    assert pulse is second
    assert change == pytest.approx(0.6)
    assert sound.pulse_at(0.6) == (None, None)


def test_the_high_burst_rises_within_its_halves_and_is_twice_the_same() -> None:
    pulses = BURSTS[Priority.HIGH].pulses
    assert pulses[:5] == pulses[5:]
    assert pulses[3].hertz > pulses[4].hertz > pulses[0].hertz == pulses[1].hertz == pulses[2].hertz
    assert len({pulse.on_seconds for pulse in pulses}) == 1


def test_a_lower_alarm_comes_back_later() -> None:
    waits = [BURSTS[priority].repeat_seconds or 0.0 for priority in sorted(Priority, reverse=True)]
    assert waits == sorted(waits)
    assert len(set(waits)) == 3


def test_the_self_test_plays_every_sound_between_two_ticks_the_worst_alarm_last_of_them() -> None:
    tick = CUES[Cue.CONFIRM]
    order = [tick, BURSTS[Priority.LOW], BURSTS[Priority.MEDIUM], BURSTS[Priority.HIGH]]
    order += [CUES[cue] for cue in (Cue.REMINDER, Cue.STIR, Cue.CLOSING, Cue.READY, Cue.NOT_READY)]
    order.append(tick)
    pulses = list(CUES[Cue.SELF_TEST].pulses)
    for sound in order:
        taken, pulses = pulses[: len(sound.pulses)], pulses[len(sound.pulses) :]
        assert [(p.on_seconds, p.hertz) for p in taken] == [(p.on_seconds, p.hertz) for p in sound.pulses]
        assert taken[:-1] == list(sound.pulses[:-1])
        assert taken[-1].gap_seconds >= 1.0  # long enough to tell where one ends
    assert pulses == []


@pytest.mark.parametrize(
    ("priority", "hertz_range", "duty_range"),
    # IEC 60601-1-8 as known from public copies: flashing rate and share lit.
    [(Priority.HIGH, (1.4, 2.8), (0.2, 0.6)), (Priority.MEDIUM, (0.4, 0.8), (0.2, 0.6))],
)
def test_lamps_flash_as_fast_as_their_priority_says(
    priority: Priority, hertz_range: tuple[float, float], duty_range: tuple[float, float]
) -> None:
    lit, dark = lamp_pattern(priority, flashing=True, paused=False)
    assert dark.colour is Colour.DARK
    assert hertz_range[0] <= 1 / (lit.seconds + dark.seconds) <= hertz_range[1]
    assert duty_range[0] <= lit.seconds / (lit.seconds + dark.seconds) <= duty_range[1]


@pytest.mark.parametrize("flashing", [True, False])
@pytest.mark.parametrize("priority", list(Priority))
def test_a_paused_lamp_winks_blue_every_four_seconds(priority: Priority, flashing: bool) -> None:
    plain = lamp_pattern(priority, flashing, paused=False)
    paused = lamp_pattern(priority, flashing, paused=True)
    wink = paused[-3:]
    assert [glow.colour for glow in wink] == [Colour.DARK, Colour.BLUE, Colour.DARK]
    assert sum(glow.seconds for glow in wink) < 1.0
    before = paused[:-3]
    assert before == plain * (len(before) // len(plain))
    assert 3.5 <= sum(glow.seconds for glow in before) <= 4.5
    assert lamp_pattern(None, flashing, paused=True) == wink
    assert lamp_pattern(None, flashing, paused=False) == ()


def test_every_cue_is_over_in_six_seconds_and_each_beep_can_be_told_from_the_next() -> None:
    """A keeper half asleep: no beep or gap under 40 ms runs into its neighbour, and no cue drags on."""
    for cue, sound in CUES.items():
        if cue is Cue.SELF_TEST:
            continue
        assert sound.length_seconds < 6.0
        longest_gap = 1.2 if cue is Cue.REMINDER else 0.6
        for pulse in sound.pulses:
            assert 0.04 <= pulse.on_seconds <= 0.9
            assert 0.04 <= pulse.gap_seconds <= longest_gap
    for burst in BURSTS.values():
        assert all(0.04 <= pulse.gap_seconds <= 0.7 for pulse in burst.pulses)
        assert burst.length_seconds < 4.0


def test_cues_differ_in_rhythm_alone() -> None:
    """For a buzzer that can only be on or off: how many beeps, how long, how far apart."""
    rhythms = {
        name: tuple((round(pulse.on_seconds, 2), round(pulse.gap_seconds, 2)) for pulse in sound.pulses)
        for name, sound in every_sound().items()
    }
    assert len(set(rhythms.values())) == len(rhythms)
    counts = {name: len(sound.pulses) for name, sound in every_sound().items()}
    assert counts["confirm"] == 1
    assert counts["reminder"] == 3
    assert counts["ready"] == counts["closing"] == 6
    assert counts["stir"] == 8
    assert counts["not-ready"] == 10


def test_the_closing_cue_falls_and_not_ready_stays_low() -> None:
    falls = [pulse.hertz for pulse in CUES[Cue.CLOSING].pulses]
    assert falls == sorted(falls, reverse=True)
    assert len(set(falls)) == 3
    lowest = min(pulse.hertz for sound in every_sound().values() for pulse in sound.pulses)
    assert {pulse.hertz for pulse in CUES[Cue.NOT_READY].pulses} == {lowest}


def test_a_breath_between_sounds_is_a_tenth_to_a_third_of_a_second() -> None:
    assert 0.1 <= BREATH_SECONDS <= 1 / 3
    assert [glow.seconds for glow in LAMP_TEST] == [LAMP_TEST[0].seconds] * 3
    assert 0.2 <= LAMP_TEST[0].seconds <= 1.0
    assert [glow.colour for glow in LAMP_TEST] == [Colour.RED, Colour.YELLOW, Colour.CYAN]


def test_a_tone_is_a_narrow_pulse_and_lamps_are_of_the_colours_of_the_pattern() -> None:
    """Red, yellow and cyan are the colours of IEC 60601-1-8 as known from public copies; blue is ours, for the wink."""
    assert 0.05 < TONE_DUTY < 0.5
    assert Colour.RED.value == (1, 0, 0)
    assert Colour.YELLOW.value == (1, 1, 0)
    assert Colour.CYAN.value == (0, 1, 1)
    assert Colour.BLUE.value == (0, 0, 1)
    assert Colour.DARK.value == (0, 0, 0)
