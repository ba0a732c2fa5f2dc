"""`sensord sounds`: what does each sound mean, and does the buzzer play it?"""

import argparse
import json
import textwrap
from typing import Any

from sensord.errors import DataError
from sensord.watch.sound.patterns import Sound, every_sound

RATE_HERTZ = 16000
FALL_SECONDS = 0.015
BETWEEN_SECONDS = 1.5

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
    parser.add_argument("--wav", metavar="FILE", help="write the sound, or all one after another, as a new WAV")
    parser.add_argument(
        "--kind", choices=["passive", "active"], default="passive", help="the buzzer that the WAV stands for"
    )
    parser.add_argument("--play", action="store_true", help="play on the configured buzzer (stop the daemon first)")
    parser.add_argument("--config", metavar="FILE", help="for --play; else that of the system")
    parser.add_argument("--json", action="store_true", help="one JSON object instead of a table")


def run(options: argparse.Namespace) -> int:
    sounds = _chosen(options.name)
    lengths = [_tape_samples(sound) for sound in sounds]
    starts = [round(sum(lengths[:number]) / RATE_HERTZ, 6) for number in range(len(sounds))]
    rows = [_row(sound, start) for sound, start in zip(sounds, starts, strict=True)]
    if options.wav is not None:
        from sensord.commands.sound_making import write_tape

        write_tape(options.wav, sounds, options.kind)
    if options.json:
        print(json.dumps({"kind": options.kind, "wav": options.wav, "sounds": rows}))
    else:
        print("\n".join(_lines(rows)))
        if options.wav is not None:
            print(f"written to {options.wav}")
    if options.play:
        from sensord.commands.sound_making import play_as_configured

        play_as_configured(sounds, options.config)
    return 0


def _chosen(name: str) -> list[Sound]:
    sounds = every_sound()
    if name == "all":
        return list(sounds.values())
    if name not in sounds:
        raise DataError(f"there is no sound '{name}': say all, or one of {', '.join(sounds)}")
    return [sounds[name]]


def _tape_samples(sound: Sound) -> int:
    """How many samples a sound and the pause after it take on the tape of all sounds."""
    return round((sound.length_seconds + 2 * FALL_SECONDS) * RATE_HERTZ) + round(BETWEEN_SECONDS * RATE_HERTZ)


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
