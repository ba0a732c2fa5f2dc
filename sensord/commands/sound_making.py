"""Sounds made: as samples for an ear at a loudspeaker, or played on the configured buzzer.

As samples, a passive part is drawn as its drive's harmonics up to 4 kHz with a soft rise and fall; the pins themselves
switch hard. An active part is drawn as the one high tone that it always makes, switched hard.
"""

import signal
import sys
import threading
import wave
from array import array
from collections.abc import Sequence
from math import pi, sin
from pathlib import Path

from sensord.clock import Clock, SystemClock
from sensord.commands.given import a_new_file
from sensord.commands.sounds import BETWEEN_SECONDS, FALL_SECONDS, RATE_HERTZ
from sensord.config import DEFAULT_PATH
from sensord.config.loading import load
from sensord.config.sections import ChimeSection
from sensord.errors import ConfigError
from sensord.pins.chime import Chime
from sensord.watch.cues import Cue
from sensord.watch.effects import Alerting, Cued
from sensord.watch.sound.patterns import BURSTS, CUES, TONE_DUTY, Pulse, Sound

_FULL_SCALE = 32767
_LOUDNESS = 0.7
_HIGHEST_HERTZ = 4000.0
# A common resonance of small buzzers that carry their own oscillator; common practice, no source.
_ACTIVE_HERTZ = 2700.0
# Rise in 10 to 20 % of the pulse, the fall in the gap (IEC 60601-1-8 pattern, public copies). The cues' long notes
# rise no slower than those of the alarms.
_RISE = 0.15
_SLOWEST_RISE_SECONDS = 0.04
_TABLE = 512


def write_tape(path: str, sounds: Sequence[Sound], kind: str) -> None:
    """All sounds one after another in a WAV file. Raises as `write_wav` does."""
    pause = silence(BETWEEN_SECONDS)
    write_wav(Path(path), sum((rendered(sound, kind) + pause for sound in sounds), array("h")))


def rendered(sound: Sound, kind: str) -> "array[int]":
    """The sound as 16-bit samples at `RATE_HERTZ`; `kind` is `passive` or `active`."""
    samples = silence(sound.length_seconds + 2 * FALL_SECONDS)
    for onset, pulse in zip(sound.onsets_seconds, sound.pulses, strict=True):
        start = round(onset * RATE_HERTZ)
        for index, value in enumerate(_drawn(pulse, kind)):
            samples[start + index] = value
    return samples


def silence(seconds: float) -> "array[int]":
    """That much nothing."""
    return array("h", bytes(2 * round(seconds * RATE_HERTZ)))


def _drawn(pulse: Pulse, kind: str) -> Sequence[int]:
    on = round(pulse.on_seconds * RATE_HERTZ)
    if kind == "active":
        table, hertz, rise, fall = _wave((1.0,)), _ACTIVE_HERTZ, 1, 1
    else:
        harmonics = range(1, int(_HIGHEST_HERTZ / pulse.hertz) + 1)
        table = _wave(tuple(abs(sin(n * pi * TONE_DUTY)) / n for n in harmonics))
        hertz, rise = pulse.hertz, round(min(_RISE * pulse.on_seconds, _SLOWEST_RISE_SECONDS) * RATE_HERTZ)
        fall = round(min(FALL_SECONDS, pulse.gap_seconds / 2) * RATE_HERTZ)
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


def write_wav(path: Path, samples: "array[int]") -> None:
    """Write one mono 16-bit WAV file, a new one. Raises `DataError`."""
    data = array("h", samples)
    if sys.byteorder == "big":
        data.byteswap()
    with a_new_file(path), path.open("wb") as raw, wave.open(raw, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE_HERTZ)
        file.writeframes(data.tobytes())


def play_as_configured(sounds: Sequence[Sound], config: str | None) -> None:
    """Play on the buzzer of the config at that path, or of the system's. Raises `ConfigError`, `WiringError`."""
    path = Path(config) if config is not None else DEFAULT_PATH
    section = load(path).chime
    if section.kind == "none":
        raise ConfigError(f'{path}: chime.kind: is "none": set "active" or "passive", and pin, to play')
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    print(f"playing on GPIO {section.pin}; Ctrl-C ends it", file=sys.stderr)
    play(sounds, section.model_copy(update={"self_test": False}), SystemClock())


def play(sounds: Sequence[Sound], section: ChimeSection, clock: Clock) -> None:
    """Play on the configured buzzer, one after another. Raises `WiringError`."""
    chime, never = Chime(section, clock), threading.Event()
    try:
        for sound in sounds:
            _play(chime, sound, clock, never)
            clock.wait(never, BETWEEN_SECONDS)
    finally:
        chime.close()


def _play(chime: Chime, sound: Sound, clock: Clock, never: threading.Event) -> None:
    now = clock.monotonic_seconds()
    priority = next((priority for priority, burst in BURSTS.items() if burst is sound), None)
    if priority is None:
        chime.handle(Cued(now, _cue(sound)))
    else:
        chime.handle(Alerting(seconds=now, priority=priority, lamp=priority, flashing=True))
    clock.wait(never, sound.length_seconds)
    chime.handle(Alerting(seconds=clock.monotonic_seconds(), priority=None))


def _cue(sound: Sound) -> Cue:
    return next(cue for cue, other in CUES.items() if other is sound)
