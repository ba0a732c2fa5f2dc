"""Where the paste is and where it goes, from one lagged, quantised, noisy probe in it.

A small physical model (`physics.regime`) is followed by a bank of filters. Each holds one time constant of the probe
and one of three regimes: being stirred, at rest with the tip in the core, at rest with the tip near the rim or the
surface. The readings themselves weigh them (interacting multiple models: Bar-Shalom, Li, Kirubarajan, Estimation with
Applications to Tracking and Navigation, 2001, 11.6.6). Losses learned over one stir hold for the next; that the tip
may lie anywhere after it is all that limits one probe.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from sensord.physics.heat import ROOM_CELSIUS
from sensord.physics.regime import (
    MEAN,
    SIZE,
    SOAK,
    SOAK_SECONDS,
    UNMIXED,
    Regime,
    Spot,
    Step,
    blend,
    laid,
    measure,
    packed,
    predicted,
    rate_of,
)

TIME_CONSTANTS_SECONDS = (4.0, 5.5, 7.6, 10.5, 14.5)
"""Of capsules of 4 to 6 mm in stirred paste; cf. maker's table, water: t50 10.4 s for 6 mm, i.e. 15 s."""
UNSETTLED_SECONDS = 16.0
"""How long after a disturbance the paste goes by no simple law: water lies on top, is stirred in by and by."""
UNSETTLED_DRIFT = 0.006
ANEW_CELSIUS, ANEW_SOAK, ANEW_UNMIXED = 6.0, 0.006, 0.5
"""How far water that is added may change the mean, and what else the bowl may then take or give, Celsius a second."""
BOWL_PER_SECOND = 0.0015
"""What the bowl gives back of a sudden change of the paste: its heat capacity is some 0.3 of the paste's, and it
follows in about `regime.SOAK_SECONDS`."""
START_CELSIUS, START_SOAK, START_LAYERING = 40.0, -0.01, 0.2
START_SPREADS = (9.0, 0.35, 0.015, 0.25, 0.5, 0.3, 0.5)
"""Of the state after a dip, in its order. That of the losses, a third, covers the bowl's size and the draught."""
HABIT_SECONDS = 240.0
BEGINS_STIRRING_PER_SECOND, ENDS_STIRRING_PER_SECOND = 1.0 / 75.0, 1.0 / 14.0
STIRRED_AFTER_DIP, STIRRED_AFTER_DISTURBANCE = 0.7, 0.6
"""Probability that a dip or a disturbance goes with a stir: it mostly ends in one."""
RIM_SHARE = 0.12
"""Of rests, those in which the tip lies in the cool paste near the rim or the surface; common practice, no source."""
RULED_OUT = 1e-3
"""A time constant that weighs less than this is let go."""
TRACE = 1e-4
"""A share of a filter that is too small to change it."""
BATH_PER_SECOND = 0.003
"""Celsius a second that something gives to the paste: from here on it is taken to be a bath, not only a warm bowl."""


@dataclass(frozen=True, slots=True)
class CoolingSettings:
    """What is known before: the room (Celsius, from the probe in air) and the probe's time constant if measured."""

    room_celsius: float = ROOM_CELSIUS
    time_constant_seconds: float | None = None

    @property
    def time_constants(self) -> tuple[float, ...]:
        known = self.time_constant_seconds
        return TIME_CONSTANTS_SECONDS if known is None else (0.85 * known, known, 1.18 * known)


@dataclass(frozen=True, kw_only=True)
class Cooling:
    """What is believed of the paste at `seconds`. The bank lies in threes of one time constant: stirred, core, rim."""

    seconds: float
    room_celsius: float
    bank: tuple[Regime, ...]
    unsettled_until: float = -math.inf
    surprise: float = 0.0
    surprise_celsius: float = 0.0
    habit: float = 1.0
    """Losses of the last minutes as a multiple of the usual: who stirs goes on stirring, who does not does not."""

    @cached_property
    def celsius(self) -> float:
        """Best estimate of the mean of the paste."""
        return sum(r.weight * r.state[MEAN] for r in self.bank)

    @cached_property
    def spread_celsius(self) -> float:
        """Standard deviation of that estimate."""
        mean = self.celsius
        return math.sqrt(sum(r.weight * (r.covary(MEAN, MEAN) + (r.state[MEAN] - mean) ** 2) for r in self.bank))

    @cached_property
    def rate(self) -> float:
        """Of the mean, Celsius a second."""
        return sum(r.weight * rate_of(r, self.room_celsius) for r in self.bank)

    @cached_property
    def bathed(self) -> bool:
        """Whether the bowl seems to stand in a warm bath: something goes on giving heat to the paste."""
        given = sum(r.weight * r.state[SOAK] for r in self.bank)
        return given > BATH_PER_SECOND and self.seconds > self.unsettled_until + SOAK_SECONDS

    @cached_property
    def stirring(self) -> float:
        """Probability that the paste is being stirred."""
        return sum(r.weight for r in self.bank if r.spot is Spot.STIRRED)


def start(settings: CoolingSettings, seconds: float, celsius: float) -> Cooling:
    """The probe, reading `celsius`, has just been dipped into paste of which nothing is known."""
    state = (START_CELSIUS, 1.0, START_SOAK, 0.0, START_LAYERING, celsius, celsius)
    covariance = packed([[s**2 if i == j else 0.0 for j in range(SIZE)] for i, s in enumerate(START_SPREADS)])
    taus, room = settings.time_constants, settings.room_celsius
    bank = tuple(
        laid(Regime(share / len(taus), spot, tau, state, covariance), room)
        for tau in taus
        for spot, share in _shares(STIRRED_AFTER_DIP).items()
    )
    return Cooling(seconds=seconds, room_celsius=room, bank=bank)


def disturb(cooling: Cooling, silence_seconds: float = 0.0) -> Cooling:
    """Something has happened to the bowl: its mean and evenness are open again, what was learned of losses stays.

    `silence_seconds` is how long ago the last reading was; the unrest counts from the next one.
    """
    totals, shares = _totals(cooling.bank), _shares(STIRRED_AFTER_DISTURBANCE)
    bank = []
    for regime in cooling.bank:
        anew = regime.with_parts(
            {
                MEAN: (regime.state[MEAN], ANEW_CELSIUS**2),
                SOAK: (regime.state[SOAK], ANEW_SOAK**2 + (BOWL_PER_SECOND * ANEW_CELSIUS) ** 2),
                UNMIXED: (0.0, ANEW_UNMIXED**2),
            }
        ).covarying(MEAN, SOAK, -BOWL_PER_SECOND * ANEW_CELSIUS**2)
        weight = shares[regime.spot] * totals[regime.time_constant_seconds]
        bank.append(laid(anew.weighing(weight), cooling.room_celsius))
    unsettled_until = cooling.seconds + silence_seconds + UNSETTLED_SECONDS
    return replace(cooling, bank=tuple(bank), unsettled_until=unsettled_until, surprise=0.0, surprise_celsius=0.0)


def follow(cooling: Cooling, seconds: float, celsius: float) -> Cooling:
    """Take in one reading. Longer gaps are bridged in steps; time that does not advance changes nothing."""
    gap = seconds - cooling.seconds
    if gap <= 0.0:
        return cooling
    steps = max(1, min(60, math.ceil(gap / 2.0)))
    settled = seconds > cooling.unsettled_until
    step = Step.of(gap / steps, cooling.room_celsius, 0.0 if settled else UNSETTLED_DRIFT, cooling.bathed)
    bank = cooling.bank
    for _ in range(steps):
        bank = _pass(bank, step)
    measured = [measure(regime, celsius) for regime in bank]
    total = sum(m.likelihood * m.regime.weight for m in measured)
    miss = sum(m.regime.weight * m.error for m in measured)
    variance = sum(m.regime.weight * (m.expected + (m.error - miss) ** 2) for m in measured)
    kept = _prune([m.regime.weighing(m.regime.weight * m.likelihood / total) for m in measured])
    factor = sum(r.weight * r.loss_factor for r in kept)
    return Cooling(
        seconds=seconds,
        room_celsius=cooling.room_celsius,
        bank=kept,
        unsettled_until=cooling.unsettled_until,
        surprise=miss / math.sqrt(variance),
        surprise_celsius=miss,
        habit=factor + (cooling.habit - factor) * math.exp(-gap / HABIT_SECONDS),
    )


def _shares(stirred: float) -> dict[Spot, float]:
    """How the weight of one time constant is spread over the regimes where `stirred` is all that is known."""
    return {
        Spot.STIRRED: stirred,
        Spot.CORE: (1.0 - stirred) * (1.0 - RIM_SHARE),
        Spot.RIM: (1.0 - stirred) * RIM_SHARE,
    }


def _totals(bank: Sequence[Regime]) -> dict[float, float]:
    """The weight of each time constant."""
    totals: dict[float, float] = {}
    for regime in bank:
        totals[regime.time_constant_seconds] = totals.get(regime.time_constant_seconds, 0.0) + regime.weight
    return totals


def _prune(bank: list[Regime]) -> tuple[Regime, ...]:
    """Let go of time constants that the readings have ruled out."""
    weights = _totals(bank)
    kept = [r for r in bank if weights[r.time_constant_seconds] > RULED_OUT]
    if len(kept) == len(bank):
        return tuple(bank)
    total = sum(r.weight for r in kept)
    return tuple(r.weighing(r.weight / total) for r in kept)


def _pass(bank: tuple[Regime, ...], step: Step) -> tuple[Regime, ...]:
    """Let one step pass: the regimes mix, then each moves by its own physics."""
    begin = 1.0 - math.exp(-step.seconds * BEGINS_STIRRING_PER_SECOND)
    end = 1.0 - math.exp(-step.seconds * ENDS_STIRRING_PER_SECOND)
    moved: list[Regime] = []
    for i in range(0, len(bank), len(Spot)):
        stirred, core, rim = bank[i : i + len(Spot)]
        ended = stirred.weight * end
        rested = blend(core, rim, core.weight * begin, rim.weight * begin)
        at_rim, to_rim = rim.weight * (1.0 - begin), ended * RIM_SHARE
        # Layers at the rim are other than those that the stirred paste would lie in; a trace of it changes nothing.
        newly_at_rim = laid(stirred._replace(spot=Spot.RIM), step.room) if to_rim > TRACE * at_rim else rim
        moved.append(predicted(blend(stirred, rested, stirred.weight * (1.0 - end), rested.weight), step))
        moved.append(predicted(blend(core, stirred, core.weight * (1.0 - begin), ended * (1.0 - RIM_SHARE)), step))
        moved.append(predicted(blend(rim, newly_at_rim, at_rim, to_rim), step))
    return tuple(moved)
