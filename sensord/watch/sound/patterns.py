"""Every sound and every lamp pattern as a value; what plays them is `pins.chime`, when is `watch.sound.score`.

Bursts follow the pattern of IEC 60601-1-8 (pulses, gaps and lamp rates as known from public copies). Conformity is
never claimed: pins switch hard, without the pattern's soft rise, and an active buzzer lacks its overtones. The cues are
this project's own. All sounds differ in rhythm alone, for a buzzer that can only be on or off, and again in pitch for
one that can play tones. Only the sound of `READY` has a note longer than half a second.
"""

from enum import Enum, unique
from typing import NamedTuple, TypeAlias

from sensord.watch.cues import Cue, Priority

# A pulse wave of this duty carries its first six harmonics within 15 dB (|sin(n pi d)| / n), so that any fundamental
# up to 1 kHz has the four components of 300 to 4000 Hz that the pattern asks for; a square wave has only the odd ones
# and reaches three. It also puts more of its energy where a piezo disc is loud, at 2 to 4 kHz.
TONE_DUTY = 1 / 8

# Silence between two sounds when one cuts off the other, so that they do not run into one.
BREATH_SECONDS = 0.15

# Between the sounds of a self-test: long enough to tell where one ends.
_TEST_GAP_SECONDS = 1.5


class Pulse(NamedTuple):
    """One beep: `on_seconds` of sound, then `gap_seconds` of silence. `hertz` is the fundamental of a tone."""

    on_seconds: float
    gap_seconds: float
    hertz: float


class Sound(NamedTuple):
    """Pulses in order. The last gap counts into the length; `repeat_seconds` is the silence from the end of the last
    pulse to the start of the next burst, None where the sound is played once."""

    name: str
    pulses: tuple[Pulse, ...]
    repeat_seconds: float | None = None

    @property
    def length_seconds(self) -> float:
        """From the first onset to the end of the last pulse."""
        return sum(pulse.on_seconds + pulse.gap_seconds for pulse in self.pulses) - self.pulses[-1].gap_seconds

    @property
    def onsets_seconds(self) -> tuple[float, ...]:
        """When each pulse begins, counted from the first."""
        onsets = [0.0]
        for pulse in self.pulses[:-1]:
            onsets.append(onsets[-1] + pulse.on_seconds + pulse.gap_seconds)
        return tuple(onsets)

    def pulse_at(self, offset_seconds: float) -> tuple[Pulse | None, float | None]:
        """What sounds `offset_seconds` after the start (None for silence), and the offset of the next change
        (None once the last pulse is over)."""
        for onset, pulse in zip(self.onsets_seconds, self.pulses, strict=True):
            if offset_seconds < onset:
                return None, onset
            if offset_seconds < onset + pulse.on_seconds:
                return pulse, onset + pulse.on_seconds
        return None, None


# Notes of a C major chord and their neighbours, equal temperament, A4 = 440 Hz.
_G4, _C5, _E5, _F5, _G5, _A5, _B5 = 392.0, 523.25, 659.26, 698.46, 783.99, 880.0, 987.77


def _figure(name: str, *notes: tuple[float, float, float]) -> Sound:
    """A sound from (on, gap, hertz) triples."""
    return Sound(name, tuple(Pulse(*note) for note in notes))


def _high() -> Sound:
    """Ten pulses, 3+2, a pause, 3+2: td 150 ms, x 100 ms, 2x + td between third and fourth, 0.7 s in the middle."""
    on, x, middle = 0.15, 0.10, 0.70
    half = [(on, x, _G5), (on, x, _G5), (on, 2 * x + on, _G5), (on, x, _B5), (on, middle, _A5)]
    return _figure("high", *half, *half)._replace(repeat_seconds=3.0)


BURSTS: dict[Priority, Sound] = {
    Priority.HIGH: _high(),
    Priority.MEDIUM: _figure("medium", (0.2, 0.2, _E5), (0.2, 0.2, _E5), (0.2, 0.2, _G5))._replace(repeat_seconds=8.0),
    Priority.LOW: _figure("low", (0.23, 0.23, _C5), (0.23, 0.23, _C5))._replace(repeat_seconds=30.0),
}

_ONCE: dict[Cue, Sound] = {
    # Grows: short, longer, long, each higher, twice. The long last note belongs to this sound alone.
    Cue.READY: _figure(
        "ready",
        *[(0.1, 0.12, _C5), (0.3, 0.12, _E5), (0.9, 0.5, _G5)],
        *[(0.1, 0.12, _C5), (0.3, 0.12, _E5), (0.9, 0.5, _G5)],
    ),
    # A low rattle, ten to the second.
    Cue.NOT_READY: _figure("not-ready", *[(0.05, 0.05, _G4)] * 10),
    # Quick pairs with rests, falling: the window runs out.
    Cue.CLOSING: _figure(
        "closing",
        *[(0.08, 0.08, _A5), (0.08, 0.6, _A5)],
        *[(0.08, 0.08, _F5), (0.08, 0.6, _F5)],
        *[(0.08, 0.08, _C5), (0.08, 0.6, _C5)],
    ),
    # Long-short, long-short, round and round like a spoon.
    Cue.STIR: _figure("stir", *[(0.4, 0.1, _C5), (0.1, 0.3, _G5)] * 4),
    # One tick.
    Cue.CONFIRM: _figure("confirm", (0.06, 0.06, _A5)),
    # Tick ... tick ... tick, a second and more apart.
    Cue.REMINDER: _figure("reminder", *[(0.1, 1.2, _F5)] * 3),
}


def _self_test() -> Sound:
    """Every sound once, between two ticks: least urgent first, so that the end of it is not taken for an alarm."""
    tick = _ONCE[Cue.CONFIRM]
    cues = [_ONCE[cue] for cue in (Cue.REMINDER, Cue.STIR, Cue.CLOSING, Cue.READY, Cue.NOT_READY)]
    bursts = [BURSTS[priority] for priority in sorted(Priority)]
    pulses: list[Pulse] = []
    for sound in (tick, *bursts, *cues, tick):
        pulses += (*sound.pulses[:-1], sound.pulses[-1]._replace(gap_seconds=_TEST_GAP_SECONDS))
    return Sound("self-test", tuple(pulses))


CUES: dict[Cue, Sound] = {**_ONCE, Cue.SELF_TEST: _self_test()}


def every_sound() -> dict[str, Sound]:
    """All sounds that can be met in life by their names, without the self-test that strings them together."""
    return {sound.name: sound for sound in (*BURSTS.values(), *_ONCE.values())}


@unique
class Colour(Enum):
    """What a lamp can show, as (red, green, blue); a lamp of one colour stays dark for `BLUE` too."""

    DARK = (0, 0, 0)
    RED = (1, 0, 0)
    YELLOW = (1, 1, 0)
    CYAN = (0, 1, 1)
    BLUE = (0, 0, 1)


class Glow(NamedTuple):
    """One step of a lamp pattern."""

    seconds: float
    colour: Colour


LampPattern: TypeAlias = tuple[Glow, ...]

_COLOURS = {Priority.HIGH: Colour.RED, Priority.MEDIUM: Colour.YELLOW, Priority.LOW: Colour.CYAN}
# Seconds lit and dark. High: 2 Hz, 40 % lit (1.4 to 2.8 Hz, 20 to 60 %). Medium: 0.5 Hz, 40 % (0.4 to 0.8 Hz).
# Low shines constantly. IEC 60601-1-8 pattern, known from public copies.
_FLASHES = {Priority.HIGH: (0.2, 0.3), Priority.MEDIUM: (0.8, 1.2)}
# While the audio is paused the pattern is broken every few seconds by a wink: blue where the lamp can, else dark.
_WINK_EVERY_SECONDS = 4.0
_WINK: LampPattern = (Glow(0.3, Colour.DARK), Glow(0.3, Colour.BLUE), Glow(0.3, Colour.DARK))

LAMP_TEST: LampPattern = (Glow(0.4, Colour.RED), Glow(0.4, Colour.YELLOW), Glow(0.4, Colour.CYAN))


def lamp_pattern(lamp: Priority | None, flashing: bool, paused: bool) -> LampPattern:
    """The steps that repeat until something else stands. Empty for a lamp that stays dark."""
    if lamp is None:
        return _WINK if paused else ()
    colour = _COLOURS[lamp]
    if flashing and lamp in _FLASHES:
        lit, dark = _FLASHES[lamp]
        once: LampPattern = (Glow(lit, colour), Glow(dark, Colour.DARK))
    else:
        once = (Glow(_WINK_EVERY_SECONDS, colour),)
    if not paused:
        return once
    length = sum(glow.seconds for glow in once)
    return once * max(1, round(_WINK_EVERY_SECONDS / length)) + _WINK
