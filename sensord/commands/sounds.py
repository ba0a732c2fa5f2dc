"""`sensord sounds`: what does each sound mean, and does the buzzer play it?

As samples, a passive part is drawn as its drive's harmonics up to 4 kHz with a soft rise and fall; the pins themselves
switch hard. An active part is drawn as the one high tone that it always makes, switched hard.
"""

import argparse
import json
import signal
import sys
import textwrap
import threading
import wave
from array import array
from collections.abc import Sequence
from math import pi, sin
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sensord.clock import Clock, SystemClock
from sensord.errors import ConfigError, DataError, StorageError
from sensord.watch.effects import Alerting, Cue, Cued
from sensord.watch.sound.patterns import BURSTS, CUES, TONE_DUTY, Pulse, Sound, every_sound

if TYPE_CHECKING:
    from sensord.config.sections import ChimeSection
    from sensord.pins.chime import Chime

__all__ = ["RATE_HERTZ", "arguments", "play", "rendered", "run", "silence", "write_wav"]

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
_BETWEEN_SECONDS = 1.5

_MEANINGS = {
    "high": "an alarm of high priority: go now",
    "medium": "an alarm of medium priority: go soon",
    "low": "an alarm of low priority: look when you can",
    "ready": "the formula is ready: feed",
    "not-ready": "no longer ready: do not feed",
    "closing": "the feeding window is about to close",
    "stir": "the formula is uneven: stir it",
    "confirm": "understood",
    "reminder": "an acknowledged alarm still stands",
}


def arguments(parser: argparse.ArgumentParser) -> None:
    names = ", ".join(every_sound())
    parser.add_argument("name", nargs="?", default="all", metavar="NAME", help=f"all (the default), or one of: {names}")
    parser.add_argument("--wav", type=Path, metavar="FILE", help="write the sound, or all one after another, as a WAV")
    parser.add_argument(
        "--kind", choices=["passive", "active"], default="passive", help="the buzzer that the WAV stands for"
    )
    parser.add_argument("--play", action="store_true", help="play on the configured buzzer (stop the daemon first)")
    parser.add_argument("--config", type=Path, metavar="FILE", help="for --play; else that of the system")
    parser.add_argument("--json", action="store_true", help="one JSON object instead of a table")


def run(options: argparse.Namespace) -> int:
    sounds = _chosen(options.name)
    lengths = [_tape_samples(sound) for sound in sounds]
    starts = [round(sum(lengths[:number]) / RATE_HERTZ, 6) for number in range(len(sounds))]
    rows = [_row(sound, start) for sound, start in zip(sounds, starts, strict=True)]
    if options.wav is not None:
        pause = silence(_BETWEEN_SECONDS)
        write_wav(options.wav, sum((rendered(sound, options.kind) + pause for sound in sounds), array("h")))
    if options.json:
        print(json.dumps({"kind": options.kind, "wav": options.wav and str(options.wav), "sounds": rows}))
    else:
        print("\n".join(_lines(rows)))
        if options.wav is not None:
            print(f"written to {options.wav}")
    if options.play:
        section = _section(options.config)
        signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
        print(f"playing on GPIO {section.pin}; Ctrl-C ends it", file=sys.stderr)
        play(sounds, section, SystemClock())
    return 0


def rendered(sound: Sound, kind: str) -> "array[int]":
    """The sound as 16-bit samples at `RATE_HERTZ`; `kind` is `passive` or `active`."""
    samples = silence(sound.length_seconds + 2 * _FALL_SECONDS)
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


def _chosen(name: str) -> list[Sound]:
    sounds = every_sound()
    if name == "all":
        return list(sounds.values())
    if name not in sounds:
        raise DataError(f"there is no sound '{name}': say all, or one of {', '.join(sounds)}")
    return [sounds[name]]


def _tape_samples(sound: Sound) -> int:
    """How many samples a sound and the pause after it take on the tape of all sounds."""
    return round((sound.length_seconds + 2 * _FALL_SECONDS) * RATE_HERTZ) + round(_BETWEEN_SECONDS * RATE_HERTZ)


def _row(sound: Sound, start: float) -> dict[str, Any]:
    return {
        "name": sound.name,
        "meaning": _MEANINGS[sound.name],
        "starts_s": start,
        "repeat_s": sound.repeat_seconds,
        "hertz": [pulse.hertz for pulse in sound.pulses],
        "onsets_s": [round(onset, 6) for onset in sound.onsets_seconds],
        "lengths_s": [pulse.on_seconds for pulse in sound.pulses],
    }


def _lines(rows: list[dict[str, Any]]) -> list[str]:
    lines = []
    for row in rows:
        again = "once" if row["repeat_s"] is None else f"again after {row['repeat_s']:g} s"
        lines.append(f"{row['name']}: {row['meaning']} ({_pulses(len(row['onsets_s']))}, {again})")
        pulses = zip(row["onsets_s"], row["lengths_s"], row["hertz"], strict=True)
        beeps = "  ".join(f"{onset:.2f}s+{length * 1000:.0f}ms@{hertz:.0f}Hz" for onset, length, hertz in pulses)
        lines.append(textwrap.fill(beeps, 78, initial_indent="    ", subsequent_indent="    ", break_on_hyphens=False))
    return lines


def _pulses(count: int) -> str:
    return "1 pulse" if count == 1 else f"{count} pulses"


def _section(path: Path | None) -> "ChimeSection":
    from sensord.config.loading import DEFAULT_PATH, load  # only to play: a table needs no config

    section = load(path or DEFAULT_PATH).chime
    if section.kind == "none":
        raise ConfigError(f'{path or DEFAULT_PATH}: chime.kind: is "none": set "active" or "passive", and pin, to play')
    return section.model_copy(update={"self_test": False})


def play(sounds: list[Sound], section: "ChimeSection", clock: Clock) -> None:
    """Play on the configured buzzer, one after another. Raises `WiringError`."""
    from sensord.pins.chime import Chime

    chime, never = Chime(section, clock), threading.Event()
    try:
        for sound in sounds:
            _play(chime, sound, clock, never)
            clock.wait(never, _BETWEEN_SECONDS)
    finally:
        chime.close()


def _play(chime: "Chime", sound: Sound, clock: Clock, never: threading.Event) -> None:
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
