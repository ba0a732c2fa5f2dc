"""A probe that is not in paste: in a hand, under a warm tap, on a warm plate. Simulated, from plain physics.

Each run is a list of readings a second apart: some seconds of air, the touch, and what follows. Drawn widely, so that
many of them rest inside a feeding band:

- a **hand** takes a capsule up within 5 to 30 s (moist skin, 100 to 300 W/(m2 K) against some 0.7 J/K of capsule; a
  loose hold less). Skin of a palm is 29 to 35 °C, and warms for minutes towards 33 to 37.4 once it is closed, or cools
  a little where blood is kept back. Vessels open and close about once a minute or two (0.05 to 0.2 °C), and now and
  then the grip shifts and the tip touches less for some seconds. Half of the draws end where a fist under a blanket
  or an armpit does.
- a **tap** follows within 2 to 4 s. A mixer holds its water to some tenths, swings slowly, and steps when somebody
  opens another tap.
- a **plate** takes 12 to 60 s through a film of air and is warming up, held by a thermostat that switches, or both.

Common practice, no source, all of it; so a wide draw, and rules that were chosen for a physical reason.
"""

import math
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from sensord.demo.simulator import ProbeMake
from sensord.readings import Reading

__all__ = ["KINDS", "Held", "held", "not_paste"]

TICK = 0.25


@dataclass(frozen=True, slots=True)
class Held:
    """One run: what the probe was held in and what it said, one reading a second."""

    kind: str
    seed: int
    readings: tuple[Reading, ...]


def held(kind: str, seed: int, seconds: float = 700.0) -> Held:
    """One run of `kind`, `seconds` after the touch."""
    rng = random.Random(f"{kind} {seed}")
    return Held(kind, seed, tuple(_readings(rng, kind, seconds)))


def not_paste(count: int, seed: int, seconds: float = 700.0) -> list[Held]:
    """`count` runs, hand, tap and plate in turn."""
    return [held(KINDS[i % len(KINDS)], seed * 100_000 + i, seconds) for i in range(count)]


def _readings(rng: random.Random, kind: str, seconds: float) -> Iterator[Reading]:
    room = rng.uniform(18.0, 27.0)
    probe = ProbeMake(
        air_seconds=rng.uniform(40.0, 75.0),
        offset_celsius=rng.gauss(0.0, 0.05),
        stem_share=rng.uniform(0.02, 0.07),
        stem_loss=rng.uniform(0.02, 0.18),
        noise_celsius=rng.uniform(0.02, 0.06),
    )
    touch, made = rng.uniform(15.0, 40.0), _MAKES[kind](rng)
    tip = stem = room
    now, due = 0.0, 0.0
    while now < touch + seconds:
        if now >= due:
            due += 1.0
            yield Reading("dish", round(now, 2), probe.said(tip, stem, rng))
        target, lag = made(now - touch) if now >= touch else (room, probe.air_seconds)
        tip, stem = probe.followed(tip, stem, target, lag, rng.uniform(35.0, 45.0), room, TICK)
        now += TICK


_Made = Callable[[float], tuple[float, float]]
"""What is around the tip so many seconds after the touch, Celsius, and the time constant towards it."""


def _hand(rng: random.Random) -> _Made:
    lag = rng.uniform(5.0, 30.0)
    end = rng.choice([rng.uniform(33.0, 37.2), rng.uniform(35.8, 37.4)])
    begin = end + rng.uniform(-4.0, 0.6)
    slow = rng.uniform(60.0, 400.0)
    vessels, period, phase = rng.uniform(0.02, 0.2), rng.uniform(50.0, 150.0), rng.uniform(0.0, 2.0 * math.pi)
    shifts = [rng.uniform(20.0, 700.0) for _ in range(rng.randint(0, 8))]
    lengths = [rng.uniform(2.0, 10.0) for _ in shifts]
    depth = rng.uniform(0.3, 3.0)

    def made(since: float) -> tuple[float, float]:
        skin = end + (begin - end) * math.exp(-since / slow)
        skin += vessels * math.sin(2.0 * math.pi * since / period + phase)
        loose = any(at <= since < at + length for at, length in zip(shifts, lengths, strict=True))
        return (skin - depth, 1.5 * lag) if loose else (skin, lag)

    return made


def _tap(rng: random.Random) -> _Made:
    lag = rng.uniform(2.0, 4.0)
    mixed = rng.uniform(35.5, 39.0)
    arrives = rng.choice([0.0, rng.uniform(3.0, 20.0)])
    swing, period, phase = rng.uniform(0.02, 0.4), rng.uniform(15.0, 90.0), rng.uniform(0.0, 2.0 * math.pi)
    steps = [(rng.uniform(30.0, 700.0), rng.gauss(0.0, 0.4)) for _ in range(rng.randint(0, 4))]

    def made(since: float) -> tuple[float, float]:
        cold = 15.0 * math.exp(-since / arrives) if arrives else 0.0
        step = sum(by for at, by in steps if since >= at)
        return mixed - cold + step + swing * math.sin(2.0 * math.pi * since / period + phase), lag

    return made


def _plate(rng: random.Random) -> _Made:
    lag = rng.uniform(12.0, 60.0)
    end = rng.uniform(36.0, 45.0)
    begin = end - rng.choice([0.0, rng.uniform(0.5, 12.0)])
    slow = rng.uniform(150.0, 1200.0)
    swing, period, phase = rng.choice([0.0, rng.uniform(0.05, 1.0)]), rng.uniform(60.0, 600.0), rng.uniform(0.0, 6.28)

    def made(since: float) -> tuple[float, float]:
        switched = swing * (2.0 * abs(2.0 * ((since / period + phase) % 1.0) - 1.0) - 1.0)
        return end + (begin - end) * math.exp(-since / slow) + switched, lag

    return made


_MAKES: dict[str, Callable[[random.Random], _Made]] = {"hand": _hand, "tap": _tap, "plate": _plate}
KINDS = tuple(_MAKES)
