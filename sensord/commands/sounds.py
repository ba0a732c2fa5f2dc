"""`sensord sounds`: what does each sound mean, and does the buzzer play it?"""

import argparse
import json
import signal
import sys
import textwrap
import threading
from array import array
from pathlib import Path
from typing import Any

from sensord.clock import Clock, SystemClock
from sensord.config.loading import DEFAULT_PATH, load
from sensord.config.sections import ChimeSection
from sensord.errors import ConfigError, DataError
from sensord.pins.chime import Chime
from sensord.screens.waveform import RATE_HERTZ, measured, rendered, silence, write_wav
from sensord.watch.effects import Alerting, Cue, Cued
from sensord.watch.sound.patterns import BURSTS, CUES, Sound, every_sound

__all__ = ["arguments", "play", "run"]

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
    parser.add_argument("--config", type=Path, metavar="FILE", help=f"for --play; else {DEFAULT_PATH}")
    parser.add_argument("--json", action="store_true", help="one JSON object instead of a table")


def run(options: argparse.Namespace) -> int:
    sounds = _chosen(options.name)
    samples, starts = _tape(sounds, options.kind)
    rows = [_row(sound, options.kind, start) for sound, start in zip(sounds, starts, strict=True)]
    if options.wav is not None:
        write_wav(options.wav, samples)
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


def _chosen(name: str) -> list[Sound]:
    sounds = every_sound()
    if name == "all":
        return list(sounds.values())
    if name not in sounds:
        raise DataError(f"there is no sound '{name}': say all, or one of {', '.join(sounds)}")
    return [sounds[name]]


def _tape(sounds: list[Sound], kind: str) -> tuple["array[int]", list[float]]:
    """All sounds one after another, and when each begins (seconds)."""
    samples, starts, start = array("h"), [], 0.0
    for sound in sounds:
        piece = rendered(sound, kind) + silence(_BETWEEN_SECONDS)
        starts.append(start)
        start = round(start + len(piece) / RATE_HERTZ, 6)
        samples += piece
    return samples, starts


def _row(sound: Sound, kind: str, start: float) -> dict[str, Any]:
    beeps = measured(rendered(sound, kind))
    return {
        "name": sound.name,
        "meaning": _MEANINGS[sound.name],
        "starts_s": start,
        "repeat_s": sound.repeat_seconds,
        "hertz": [pulse.hertz for pulse in sound.pulses],
        "onsets_s": [round(onset, 6) for onset in sound.onsets_seconds],
        "lengths_s": [pulse.on_seconds for pulse in sound.pulses],
        "measured_onsets_s": [round(beep.onset_seconds, 4) for beep in beeps],
        "measured_lengths_s": [round(beep.length_seconds, 4) for beep in beeps],
    }


def _lines(rows: list[dict[str, Any]]) -> list[str]:
    lines = []
    for row in rows:
        again = "once" if row["repeat_s"] is None else f"again after {row['repeat_s']:g} s"
        lines.append(f"{row['name']}: {row['meaning']} ({_pulses(len(row['onsets_s']))}, {again})")
        pairs = zip(row["measured_onsets_s"], row["measured_lengths_s"], row["hertz"], strict=True)
        beeps = "  ".join(f"{onset:.2f}s+{length * 1000:.0f}ms@{hertz:.0f}Hz" for onset, length, hertz in pairs)
        lines.append(textwrap.fill(beeps, 78, initial_indent="    ", subsequent_indent="    ", break_on_hyphens=False))
    return lines


def _pulses(count: int) -> str:
    return "1 pulse" if count == 1 else f"{count} pulses"


def _section(path: Path | None) -> ChimeSection:
    section = load(path or DEFAULT_PATH).chime
    if section.kind == "none":
        raise ConfigError(f'{path or DEFAULT_PATH}: chime.kind: is "none": set "active" or "passive", and pin, to play')
    return section.model_copy(update={"self_test": False})


def play(sounds: list[Sound], section: ChimeSection, clock: Clock) -> None:
    """Play on the configured buzzer, one after another. Raises `WiringError`."""
    chime, never = Chime(section, clock), threading.Event()
    try:
        for sound in sounds:
            _one(chime, sound, clock, never)
            clock.wait(never, _BETWEEN_SECONDS)
    finally:
        chime.close()


def _one(chime: Chime, sound: Sound, clock: Clock, never: threading.Event) -> None:
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
