"""Sounds as samples: measured afresh from the samples, compared with the ranges of the pattern and with each other."""

import itertools
import shutil
import subprocess
import wave
from array import array
from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, hypot, log, log10, pi, sin
from pathlib import Path

import pytest

from sensord.commands.sound_making import rendered, silence, write_wav
from sensord.commands.sounds import RATE_HERTZ
from sensord.watch.cues import Priority
from sensord.watch.sound.patterns import BURSTS, every_sound

KINDS = ("active", "passive")
# Two sounds are told apart when their rhythms, fitted onto each other note by note as well as can be, still differ by
# this much: the mean over the notes of the longer one of |ln(ratio of the lengths)| + |ln(ratio of the rests)|, a note
# too many or too few counting 1. Untrained ears notice a change of length of about 10 %, which is 0.1 here (Weber
# fraction of duration, from memory).
APART = 0.4


@dataclass(frozen=True, slots=True)
class Beep:
    """A pulse as measured from samples, in seconds from the first sample."""

    onset_seconds: float
    length_seconds: float


def measured(samples: Sequence[int]) -> list[Beep]:
    """The beeps found in samples: where the peak of each 2.5 ms exceeds half of the greatest of all.

    Good to 2.5 ms, and to half the rise on top for soft pulses. Empty for silence.
    """
    window = RATE_HERTZ // 400
    peaks = [max(map(abs, samples[start : start + window])) for start in range(0, len(samples), window)]
    threshold = max(peaks, default=0) / 2
    found: list[Beep] = []
    began: int | None = None
    for index, peak in enumerate([*peaks, 0]):
        if began is None and threshold and peak >= threshold:
            began = index
        elif began is not None and peak < threshold:
            found.append(Beep(began * window / RATE_HERTZ, (index - began) * window / RATE_HERTZ))
            began = None
    return found


def read(path: Path) -> "array[int]":
    with wave.open(str(path), "rb") as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (1, 2, RATE_HERTZ)
        samples = array("h")
        samples.frombytes(file.readframes(file.getnframes()))
        return samples


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("name", every_sound())
def test_a_wav_file_holds_the_pulses_as_written(tmp_path: Path, name: str, kind: str) -> None:
    sound = every_sound()[name]
    write_wav(tmp_path / "sound.wav", rendered(sound, kind))
    beeps = measured(read(tmp_path / "sound.wav"))
    # The measure is good to one window of 2.5 ms, and to half of a rise of up to 40 ms for soft pulses.
    assert [beep.onset_seconds for beep in beeps] == pytest.approx(sound.onsets_seconds, abs=0.023)
    assert [beep.length_seconds for beep in beeps] == pytest.approx([p.on_seconds for p in sound.pulses], abs=0.023)


@pytest.mark.parametrize("kind", KINDS)
def test_the_measured_high_burst_lies_within_the_ranges_of_the_standard(kind: str) -> None:
    # IEC 60601-1-8 Tables 3 and 4 (public copies): pulses 75-200 ms, gaps 50-125 ms, fifth to sixth 0.35-1.30 s.
    beeps = measured(rendered(BURSTS[Priority.HIGH], kind))
    gaps = gaps_of(beeps)
    assert len(beeps) == 10
    assert all(0.075 <= beep.length_seconds <= 0.200 for beep in beeps)
    assert all(0.050 <= gaps[n] <= 0.125 for n in (0, 1, 3, 5, 6, 8))
    assert 0.35 <= gaps[4] <= 1.30


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("priority", [Priority.MEDIUM, Priority.LOW], ids=str)
def test_measured_lower_bursts_lie_within_the_ranges_of_the_standard(priority: Priority, kind: str) -> None:
    # Same source: pulses and gaps 125-250 ms.
    beeps = measured(rendered(BURSTS[priority], kind))
    assert all(0.125 <= beep.length_seconds <= 0.250 for beep in beeps)
    assert all(0.125 <= gap <= 0.250 for gap in gaps_of(beeps))


@pytest.mark.parametrize("priority", Priority, ids=str)
def test_alarm_tones_rise_in_10_to_20_percent_of_the_pulse(priority: Priority) -> None:
    # Same source; the rise runs from 10 to 90 % of the peak, here of the envelope in steps of one period.
    sound = BURSTS[priority]
    pulse = sound.pulses[0]
    period = round(RATE_HERTZ / pulse.hertz)
    samples = rendered(sound, "passive")[: round(pulse.on_seconds * RATE_HERTZ)]
    envelope = [max(map(abs, samples[i : i + period])) for i in range(0, len(samples) - period, period)]
    low, high = (next(i for i, level in enumerate(envelope) if level >= part * max(envelope)) for part in (0.1, 0.9))
    rise_seconds = (high - low) * period / RATE_HERTZ
    assert 0.08 <= rise_seconds / pulse.on_seconds <= 0.20


@pytest.mark.parametrize("name", every_sound())
def test_tones_have_four_components_within_15_db_from_300_to_4000_hertz(name: str) -> None:
    # Same source. Measured by Goertzel's sum over the steady part of the longest pulse.
    sound = every_sound()[name]
    index = max(range(len(sound.pulses)), key=lambda n: sound.pulses[n].on_seconds)
    pulse, onset = sound.pulses[index], sound.onsets_seconds[index]
    start, end = (round((onset + part * pulse.on_seconds) * RATE_HERTZ) for part in (0.25, 0.95))
    samples = rendered(sound, "passive")[start:end]
    harmonics = [n * pulse.hertz for n in range(1, 20) if 300 <= n * pulse.hertz <= 4000]
    levels = [20 * log10(amplitude(samples, hertz)) for hertz in harmonics]
    assert sum(level >= max(levels) - 15 for level in levels) >= 4


def amplitude(samples: Sequence[int], hertz: float) -> float:
    angle = 2 * pi * hertz / RATE_HERTZ
    real = sum(value * cos(angle * n) for n, value in enumerate(samples))
    imaginary = sum(value * sin(angle * n) for n, value in enumerate(samples))
    return 2 * hypot(real, imaginary) / len(samples)


def gaps_of(beeps: list[Beep]) -> list[float]:
    return [b.onset_seconds - a.onset_seconds - a.length_seconds for a, b in itertools.pairwise(beeps)]


def rhythm_distance(one: list[Beep], other: list[Beep]) -> float:
    """Edit distance of two rhythms per note of the longer, see `APART`."""
    left, right = (list(zip(notes, [*gaps_of(notes), None], strict=True)) for notes in (one, other))
    row: list[float] = [float(n) for n in range(len(right) + 1)]
    for i, (a, gap_a) in enumerate(left, 1):
        above, row = row, [float(i)]
        for j, (b, gap_b) in enumerate(right, 1):
            change = abs(log(a.length_seconds / b.length_seconds))
            if gap_a is not None and gap_b is not None:
                change += abs(log(gap_a / gap_b))
            row.append(min(above[j] + 1, row[j - 1] + 1, above[j - 1] + change))
    return row[-1] / max(len(left), len(right))


@pytest.mark.parametrize("kind", KINDS)
def test_every_two_sounds_are_told_apart_by_rhythm_alone(kind: str) -> None:
    beeps = {name: measured(rendered(sound, kind)) for name, sound in every_sound().items()}
    distances = {
        (one, other): rhythm_distance(beeps[one], beeps[other]) for one, other in itertools.combinations(beeps, 2)
    }
    assert len(distances) == 36
    close = {pair: round(distance, 2) for pair, distance in distances.items() if distance < APART}
    assert close == {}


def test_the_ready_tone_is_the_farthest_from_every_alarm() -> None:
    ready = measured(rendered(every_sound()["ready"], "active"))
    for burst in BURSTS.values():
        assert rhythm_distance(ready, measured(rendered(burst, "active"))) >= 2 * APART


def test_a_rhythm_has_no_distance_from_itself_and_a_tempo_change_of_10_percent_is_not_another_sound() -> None:
    beeps = measured(rendered(every_sound()["ready"], "active"))
    slower = [Beep(beep.onset_seconds * 1.1, beep.length_seconds * 1.1) for beep in beeps]
    assert rhythm_distance(beeps, beeps) == 0
    assert rhythm_distance(beeps, slower) < APART


def test_pitch_tells_the_sounds_apart_a_second_time() -> None:
    melodies = [tuple(pulse.hertz for pulse in sound.pulses) for sound in every_sound().values()]
    assert len(set(melodies)) == len(melodies)


def test_silence_has_no_beeps() -> None:
    assert measured(silence(1.0)) == []
    assert measured([]) == []


@pytest.mark.skipif(shutil.which("sox") is None, reason="a second opinion from sox")
def test_sox_finds_the_same_length_and_no_clipping(tmp_path: Path) -> None:
    sound = BURSTS[Priority.HIGH]
    write_wav(tmp_path / "high.wav", rendered(sound, "passive"))
    told = subprocess.run(["sox", tmp_path / "high.wav", "-n", "stat"], capture_output=True, text=True, check=True)
    figures = dict(line.split(":") for line in told.stderr.splitlines() if line.count(":") == 1)
    assert float(figures["Length (seconds)"]) == pytest.approx(sound.length_seconds, abs=0.05)
    assert 0.5 < float(figures["Maximum amplitude"]) < 0.95
    assert abs(float(figures["Mean    amplitude"])) < 0.01
