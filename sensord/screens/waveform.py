"""Sounds as samples: what a buzzer would play, for an ear at a loudspeaker and for measuring.

A passive part is drawn as its drive's harmonics up to 4 kHz with a soft rise and fall; the pins themselves switch
hard. An active part is drawn as the one high tone that it always makes, switched hard.
"""

import sys
import wave
from array import array
from collections.abc import Sequence
from dataclasses import dataclass
from math import pi, sin
from pathlib import Path

from sensord.errors import StorageError
from sensord.watch.sound.patterns import TONE_DUTY, Pulse, Sound

__all__ = ["RATE_HERTZ", "Beep", "measured", "rendered", "silence", "write_wav"]

RATE_HERTZ = 16000

_FULL_SCALE = 32767
_LOUDNESS = 0.7
_HIGHEST_HERTZ = 4000.0
# A common resonance of small buzzers that carry their own oscillator; common practice, no source.
_ACTIVE_HERTZ = 2700.0
# Rise in 10 to 20 % of the pulse, the fall in the gap (IEC 60601-1-8 pattern, public copies). The cues' long notes
# rise no slower than those of the alarms.
_RISE = 0.15
_SLOWEST_RISE_SECONDS = 0.04
_FALL_SECONDS = 0.015
_TABLE = 512


@dataclass(frozen=True, slots=True)
class Beep:
    """A pulse as measured from samples, in seconds from the first sample."""

    onset_seconds: float
    length_seconds: float


def rendered(sound: Sound, kind: str) -> "array[int]":
    """The sound as 16-bit samples at `RATE_HERTZ`; `kind` is `passive` or `active`."""
    samples = silence(sound.length_seconds + 2 * _FALL_SECONDS)
    for onset, pulse in zip(sound.onsets_seconds, sound.pulses, strict=True):
        start = round(onset * RATE_HERTZ)
        for index, value in enumerate(_pulse(pulse, kind)):
            samples[start + index] = value
    return samples


def silence(seconds: float) -> "array[int]":
    """That much nothing."""
    return array("h", bytes(2 * round(seconds * RATE_HERTZ)))


def _pulse(pulse: Pulse, kind: str) -> Sequence[int]:
    on = round(pulse.on_seconds * RATE_HERTZ)
    if kind == "active":
        table, hertz, rise, fall = _wave((1.0,)), _ACTIVE_HERTZ, 1, 1
    else:
        harmonics = range(1, int(_HIGHEST_HERTZ / pulse.hertz) + 1)
        table = _wave(tuple(abs(sin(n * pi * TONE_DUTY)) / n for n in harmonics))
        hertz, rise = pulse.hertz, round(min(_RISE * pulse.on_seconds, _SLOWEST_RISE_SECONDS) * RATE_HERTZ)
        fall = round(min(_FALL_SECONDS, pulse.gap_seconds / 2) * RATE_HERTZ)
    step = hertz * _TABLE / RATE_HERTZ
    values = []
    for index in range(on + fall):
        envelope = min(1.0, (index + 1) / rise, (on + fall - index) / fall)
        values.append(int(_FULL_SCALE * _LOUDNESS * envelope * table[int(index * step) % _TABLE]))
    return values


def _wave(levels: tuple[float, ...]) -> list[float]:
    """One period of a sum of sines with these amplitudes, its peak at 1."""
    period = [
        sum(level * sin(2 * pi * n * index / _TABLE) for n, level in enumerate(levels, 1)) for index in range(_TABLE)
    ]
    peak = max(abs(value) for value in period)
    return [value / peak for value in period]


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


def write_wav(path: Path, samples: "array[int]") -> None:
    """Write one mono 16-bit WAV file. Raises `StorageError`."""
    data = array("h", samples)
    if sys.byteorder == "big":
        data.byteswap()
    try:
        with path.open("wb") as raw, wave.open(raw, "wb") as file:
            file.setnchannels(1)
            file.setsampwidth(2)
            file.setframerate(RATE_HERTZ)
            file.writeframes(data.tobytes())
    except OSError as error:
        raise StorageError(f"--wav {path}: cannot be written: {error.strerror}: choose another place") from error
