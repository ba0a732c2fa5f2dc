"""Where the paste is and where it goes, from one lagged, quantised, noisy probe in it.

A small physical model is followed by a bank of extended Kalman filters (plain floats, no library). The state is

    mean      mass-weighted mean of the paste, Celsius
    loss      losses to the room as a multiple of what a small bowl usually loses
    soak      what the bowl (or a bath) takes or gives besides, Celsius a second; it dies away as they level out
    unmixed   how far the paste at the tip differs from the mean, Celsius
    layering  what `unmixed` drifts to while nobody stirs
    tip, stem the probe's own two temperatures

Each filter of the bank holds one time constant of the probe and one of three regimes: being stirred, at rest with the
tip in the core, at rest with the tip near the rim or the surface. The readings themselves weigh them (interacting
multiple models). At rest the core stays warmer than the mean while rim and surface cool, so `unmixed` grows, upwards
or downwards; a stir brings it back to nothing and may leave the tip elsewhere. That is all that limits one probe.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum, unique

__all__ = ["Cooling", "CoolingSettings", "Place", "Regime", "disturb", "follow", "start", "warmth"]

MEAN, LOSS, SOAK, UNMIXED, LAYERING, TIP, STEM = range(7)
SIZE = 7

NOISE_CELSIUS = 0.055
"""Of one reading: a DS18B20's 1/16 °C step is 0.018 (rectangular), its noise a few hundredths; common practice."""
USUAL_LOSS_PER_SECOND = 6e-4
"""A bowl of 20 to 180 ml between 36 and 45 °C: free convection and radiation from bowl and surface, and evaporation,
which is over half of it. From the heat balance in `sensord.simulator`; the spread of 0.35 covers size and draught."""
LOSS_SPREAD = 0.35
EVAPORATION_PER_KELVIN, FEEDING_CELSIUS = 0.008, 37.0
"""How losses per kelvin over the room grow with the paste's temperature: vapour pressure rises faster than it does.
Saturation pressure by Magnus (WMO-No. 8) in the balance of `sensord.simulator`: 6 % more at 47 °C, 20 % at 60."""
SOAK_SECONDS = 100.0
"""How long a bowl takes to level out with its paste (ceramic about 2 minutes, steel less)."""
LAYER_SECONDS = 48.0
"""How long resting paste takes to lie in layers again after a stir: conduction over a centimetre, (1 cm)2 / a."""
STIR_SECONDS = 6.0
"""How fast stirring levels the paste out."""
STIRRED_LOSS, FRESH_LOSS, SKIN_LOSS = 1.56, 1.08, 0.79
"""Losses as a multiple of the usual: while stirred (fresh surface, moving air, warm paste at the wall), just after, and
at long rest, when surface and rim have cooled. The usual is what a bowl on its way to the band has on the whole."""
SKIN_SECONDS, HABIT_SECONDS = 75.0, 240.0
REST_FACTOR = 1.55
"""How much slower a probe follows when nobody stirs: only conduction feeds the tip."""
STEM_SHARE, STEM_LOSS, STEM_SECONDS = 0.045, 0.07, 48.0
"""A few per cent of a reading are the cable end of the capsule, which lags and loses heat; common practice."""
TIME_CONSTANTS_SECONDS = (4.0, 5.5, 7.6, 10.5, 14.5)
"""Of capsules of 4 to 6 mm in stirred paste; cf. maker's table, water: t50 10.4 s for 6 mm, i.e. 15 s."""
UNSETTLED_SECONDS = 16.0
"""How long after a disturbance the paste goes by no simple law: water lies on top, is stirred in by and by."""
UNSETTLED_DRIFT = 0.006
ANEW_CELSIUS, ANEW_SOAK, ANEW_UNMIXED = 6.0, 0.006, 0.5
"""How far water that is added may change the mean, and what else the bowl may then take or give, Celsius a second."""
BOWL_PER_SECOND = 0.0015
"""What the bowl gives back of a sudden change of the paste: its heat capacity is some 0.3 of the paste's, and it
follows in about `SOAK_SECONDS`."""
START_UNMIXED, START_SOAK = 0.25, 0.015
MEAN_DRIFT = 4e-6
LOSS_DRIFT = 4e-6
SOAK_DRIFT_AT_REST, SOAK_DRIFT_STIRRED = 4e-9, 4e-8
UNMIXED_DRIFT_AT_REST, UNMIXED_DRIFT_STIRRED = 1e-5, 1.3e-3
TIP_DRIFT = 1e-4
LAYERING_FORGOTTEN_SECONDS = 3000.0
FORGET_STIRRED_SECONDS = 6.0
BEGINS_STIRRING_PER_SECOND, ENDS_STIRRING_PER_SECOND = 1.0 / 75.0, 1.0 / 14.0
STIRRED_AFTER_DISTURBANCE = 0.6
"""Probability that a disturbance goes with a stir: it mostly ends in one."""
RIM_SHARE = 0.12
"""Of rests, those in which the tip lies in the cool paste near the rim or the surface; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Layering:
    """Where `unmixed` drifts to at rest: middle and spread, Celsius, each with a part that grows with the cooling."""

    middle_per_rate: float
    spread: float
    spread_per_rate: float


LAYERING_RATE = 0.0116
"""Celsius a second of usual losses at which the figures below hold."""


@unique
class Place(Enum):
    """What a filter of the bank takes the paste at the tip to be."""

    STIRRED = Layering(0.33, 0.12, 0.23)
    CORE = Layering(0.34, 0.12, 0.24)
    RIM = Layering(-1.0, 0.15, 0.8)


Rows = list[list[float]]


@dataclass(frozen=True, slots=True)
class CoolingSettings:
    """What is known before: the room (Celsius, from the probe in air) and the probe's time constant if measured."""

    room_celsius: float = 21.0
    time_constant_seconds: float | None = None

    @property
    def time_constants(self) -> tuple[float, ...]:
        known = self.time_constant_seconds
        return TIME_CONSTANTS_SECONDS if known is None else (0.85 * known, known, 1.18 * known)


@dataclass(frozen=True, slots=True)
class Regime:
    """One filter of the bank: its weight, what it assumes, its state and covariance (rows)."""

    weight: float
    place: Place
    time_constant_seconds: float
    state: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    skin: float = 0.0
    """How far surface and rim have cooled below the core: 0 just stirred, 1 as at long rest."""

    @property
    def loss_factor(self) -> float:
        """Losses as a multiple of the usual."""
        return STIRRED_LOSS if self.place is Place.STIRRED else FRESH_LOSS + (SKIN_LOSS - FRESH_LOSS) * self.skin


@dataclass(frozen=True, slots=True)
class Cooling:
    """What is believed of the paste at `seconds`."""

    seconds: float
    room_celsius: float
    bank: tuple[Regime, ...]
    unsettled_until: float = -math.inf
    surprise: float = 0.0
    surprise_celsius: float = 0.0
    habit: float = 1.0
    """Losses of the last minutes as a multiple of the usual: who stirs goes on stirring, who does not does not."""

    @property
    def celsius(self) -> float:
        """Best estimate of the mean of the paste."""
        return sum(r.weight * r.state[MEAN] for r in self.bank)

    @property
    def spread_celsius(self) -> float:
        """Standard deviation of that estimate."""
        mean = self.celsius
        return math.sqrt(sum(r.weight * (r.covariance[MEAN][MEAN] + (r.state[MEAN] - mean) ** 2) for r in self.bank))

    @property
    def rate(self) -> float:
        """Of the mean, Celsius a second."""
        return sum(r.weight * _rate(r.state, self.room_celsius, r.loss_factor) for r in self.bank)

    @property
    def stirring(self) -> float:
        """Probability that the paste is being stirred."""
        return sum(r.weight for r in self.bank if r.place is Place.STIRRED)


def start(settings: CoolingSettings, seconds: float, celsius: float) -> Cooling:
    """The probe, reading `celsius`, has just been dipped into paste of which nothing is known."""
    spreads = (9.0, LOSS_SPREAD, START_SOAK, START_UNMIXED, 0.5, 0.3, 0.5)
    state = (40.0, 1.0, -0.01, 0.0, 0.2, celsius, celsius)
    return _fresh(settings, seconds, state, _diagonal(spreads), 0.7)


def disturb(cooling: Cooling, silence_seconds: float = 0.0) -> Cooling:
    """Something has happened to the bowl: its mean and evenness are open again, what was learned of losses stays.

    `silence_seconds` is how long ago the last reading was; the unrest counts from the next one.
    """
    bank = []
    totals, shares = _totals(cooling.bank), _shares(STIRRED_AFTER_DISTURBANCE)
    for regime in cooling.bank:
        state = [*regime.state]
        state[UNMIXED] = 0.0
        covariance = [list(row) for row in regime.covariance]
        for index, spread in ((MEAN, ANEW_CELSIUS), (SOAK, ANEW_SOAK), (UNMIXED, ANEW_UNMIXED)):
            for other in range(SIZE):
                covariance[index][other] = covariance[other][index] = 0.0
            covariance[index][index] = spread**2
        covariance[SOAK][SOAK] += (BOWL_PER_SECOND * ANEW_CELSIUS) ** 2
        covariance[MEAN][SOAK] = covariance[SOAK][MEAN] = -BOWL_PER_SECOND * ANEW_CELSIUS**2
        weight = shares[regime.place] * totals[regime.time_constant_seconds]
        anew = replace(regime, weight=weight, state=tuple(state), covariance=_tuples(covariance))
        bank.append(_laid(anew, cooling.room_celsius))
    unsettled_until = cooling.seconds + silence_seconds + UNSETTLED_SECONDS
    return replace(cooling, bank=tuple(bank), unsettled_until=unsettled_until, surprise=0.0, surprise_celsius=0.0)


def _shares(stirred: float) -> dict[Place, float]:
    """How the weight of one time constant is spread over the regimes where `stirred` is all that is known."""
    return {
        Place.STIRRED: stirred,
        Place.CORE: (1.0 - stirred) * (1.0 - RIM_SHARE),
        Place.RIM: (1.0 - stirred) * RIM_SHARE,
    }


def _totals(bank: Sequence[Regime]) -> dict[float, float]:
    """The weight of each time constant."""
    totals: dict[float, float] = {}
    for regime in bank:
        totals[regime.time_constant_seconds] = totals.get(regime.time_constant_seconds, 0.0) + regime.weight
    return totals


def _fresh(
    settings: CoolingSettings,
    seconds: float,
    state: tuple[float, ...],
    covariance: tuple[tuple[float, ...], ...],
    stirred: float,
) -> Cooling:
    taus = settings.time_constants
    bank = tuple(
        _laid(Regime(share / len(taus), place, tau, state, covariance), settings.room_celsius)
        for tau in taus
        for place, share in _shares(stirred).items()
    )
    return Cooling(seconds, settings.room_celsius, bank)


def _diagonal(spreads: Sequence[float]) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(s * s if i == j else 0.0 for j in range(SIZE)) for i, s in enumerate(spreads))


def follow(cooling: Cooling, seconds: float, celsius: float) -> Cooling:
    """Take in one reading. Longer gaps are bridged in steps; time that does not advance changes nothing."""
    gap = seconds - cooling.seconds
    if gap <= 0.0:
        return cooling
    steps = max(1, min(60, math.ceil(gap / 2.0)))
    bank = cooling.bank
    settled = seconds > cooling.unsettled_until
    for _ in range(steps):
        bank = _pass(bank, cooling.room_celsius, gap / steps, 0.0 if settled else UNSETTLED_DRIFT)
    measured = [_measure(regime, celsius) for regime in bank]
    total = sum(likelihood * r.weight for r, likelihood, _, _ in measured)
    miss = sum(r.weight * error for r, _, error, _ in measured)
    variance = sum(r.weight * (square + (error - miss) ** 2) for r, _, error, square in measured)
    kept = [_weighing(r, r.weight * likelihood / total) for r, likelihood, _, _ in measured]
    pruned = _prune(kept)
    factor = sum(r.weight * r.loss_factor for r in pruned)
    return replace(
        cooling,
        seconds=seconds,
        bank=pruned,
        surprise=miss / math.sqrt(variance),
        surprise_celsius=miss,
        habit=factor + (cooling.habit - factor) * math.exp(-gap / HABIT_SECONDS),
    )


def _prune(bank: list[Regime]) -> tuple[Regime, ...]:
    """Let go of time constants that the readings have ruled out."""
    weights = _totals(bank)
    kept = [r for r in bank if weights[r.time_constant_seconds] > 1e-3]
    if len(kept) == len(bank):
        return tuple(bank)
    total = sum(r.weight for r in kept)
    return tuple(_weighing(r, r.weight / total) for r in kept)


def _weighing(r: Regime, weight: float) -> Regime:
    """The same with another weight; written out, as `replace` takes ten times as long."""
    return Regime(weight, r.place, r.time_constant_seconds, r.state, r.covariance, r.skin)


def _pass(bank: tuple[Regime, ...], room: float, dt: float, unsettled: float) -> tuple[Regime, ...]:
    """Let `dt` seconds pass: the regimes mix, then each moves by its own physics."""
    begin, end = 1.0 - math.exp(-dt * BEGINS_STIRRING_PER_SECOND), 1.0 - math.exp(-dt * ENDS_STIRRING_PER_SECOND)
    moved: list[Regime] = []
    for i in range(0, len(bank), 3):  # threes: stirred, core, rim
        stirred, core, rim = bank[i : i + 3]
        ended = stirred.weight * end
        rested = _blend(core, rim, core.weight * begin, rim.weight * begin)
        at_rim, to_rim = rim.weight * (1.0 - begin), ended * RIM_SHARE
        laid = _laid(replace(stirred, place=Place.RIM), room) if to_rim > 1e-4 * at_rim else rim  # no more than a trace
        moved.extend(
            _advance(_blend(one, other, share, other_share), room, dt, unsettled)
            for one, other, share, other_share in (
                (stirred, rested, stirred.weight * (1.0 - end), rested.weight),
                (core, stirred, core.weight * (1.0 - begin), ended * (1.0 - RIM_SHARE)),
                (rim, laid, at_rim, to_rim),
            )
        )
    return tuple(moved)


def _laid(regime: Regime, room: float) -> Regime:
    """The regime with its layering as it is where nothing has been seen of it yet."""
    middle, spread = _layering(regime, room)
    state = [*regime.state[:LAYERING], middle, *regime.state[LAYERING + 1 :]]
    covariance = [list(row) for row in regime.covariance]
    for other in range(SIZE):
        covariance[LAYERING][other] = covariance[other][LAYERING] = 0.0
    covariance[LAYERING][LAYERING] = spread**2
    return replace(regime, state=tuple(state), covariance=_tuples(covariance))


def _layering(regime: Regime, room: float) -> tuple[float, float]:
    """What the tip's spot drifts to beside the mean, Celsius, and its spread: layering follows the heat that leaves."""
    usual = regime.place.value
    loss_rate = regime.state[LOSS] * USUAL_LOSS_PER_SECOND * (regime.state[MEAN] - room)
    share = max(0.0, min(2.0, loss_rate / LAYERING_RATE))
    return usual.middle_per_rate * share, usual.spread + usual.spread_per_rate * share


def _tuples(rows: Rows) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(row) for row in rows)


def _blend(a: Regime, b: Regime, share_a: float, share_b: float) -> Regime:
    """The mixture of two filters as one normal distribution, in the place of the first."""
    total = share_a + share_b
    wa = share_a / total if total > 1e-300 else 0.5
    if wa > 0.9999:
        return _weighing(a, total)
    if wa < 0.0001:
        return Regime(total, a.place, b.time_constant_seconds, b.state, b.covariance, b.skin)
    wb = 1.0 - wa
    apart = [x - y for x, y in zip(a.state, b.state, strict=True)]
    product = wa * wb
    state = tuple(wa * x + wb * y for x, y in zip(a.state, b.state, strict=True))
    covariance = tuple(
        tuple(wa * x + wb * y + product * di * dj for x, y, dj in zip(row_a, row_b, apart, strict=True))
        for row_a, row_b, di in zip(a.covariance, b.covariance, apart, strict=True)
    )
    return Regime(total, a.place, a.time_constant_seconds, state, covariance, wa * a.skin + wb * b.skin)


def warmth(celsius: float) -> float:
    """Losses per kelvin over the room at `celsius`, as a multiple of those at feeding temperature."""
    return 1.0 + EVAPORATION_PER_KELVIN * (min(max(celsius, 0.0), 90.0) - FEEDING_CELSIUS)


def _rate(state: Sequence[float], room: float, loss_factor: float) -> float:
    per_kelvin = state[LOSS] * loss_factor * warmth(state[MEAN]) * USUAL_LOSS_PER_SECOND
    return -per_kelvin * (state[MEAN] - room) + state[SOAK]


def _advance(regime: Regime, room: float, dt: float, unsettled: float) -> Regime:
    """One filter through `dt`: state by the model, covariance by its Jacobian, row by row as most of it is zeros."""
    mean, loss, soak, unmixed, layering, tip, stem = regime.state
    tau, place, factor = regime.time_constant_seconds, regime.place, regime.loss_factor
    usual_loss = factor * warmth(mean) * USUAL_LOSS_PER_SECOND
    over = mean - room
    stirring = place is Place.STIRRED
    kept = math.exp(-dt / (tau if stirring else tau * REST_FACTOR))
    stem_kept = math.exp(-dt / STEM_SECONDS)
    soak_kept = math.exp(-dt / SOAK_SECONDS)
    rate = _rate(regime.state, room, factor)
    usual, usual_spread = _layering(regime, room)
    if stirring:
        even_kept, drawn = math.exp(-dt / STIR_SECONDS), 0.0
        layer_kept = math.exp(-dt / FORGET_STIRRED_SECONDS)
        skin = even_kept * regime.skin
    else:
        even_kept = math.exp(-dt / LAYER_SECONDS)
        drawn = 1.0 - even_kept
        layer_kept = math.exp(-dt / LAYERING_FORGOTTEN_SECONDS)
        skin = 1.0 - math.exp(-dt / SKIN_SECONDS) * (1.0 - regime.skin)
    f00, f01 = 1.0 - loss * usual_loss * dt, -usual_loss * over * dt
    follow_ = 1.0 - kept
    stem_follow = 1.0 - stem_kept
    state = (
        mean + rate * dt,
        loss,
        soak * soak_kept,
        even_kept * unmixed + drawn * layering,
        layer_kept * layering + (1.0 - layer_kept) * usual,
        kept * tip + follow_ * (mean + unmixed),
        stem_kept * stem + stem_follow * (tip - STEM_LOSS * (tip - room)),
    )
    p0, p1, p2, p3, p4, p5, p6 = regime.covariance
    stem_gain = stem_follow * (1.0 - STEM_LOSS)
    half = [
        [f00 * a + f01 * b + dt * c for a, b, c in zip(p0, p1, p2, strict=True)],
        p1,
        [soak_kept * a for a in p2],
        [even_kept * a + drawn * b for a, b in zip(p3, p4, strict=True)],
        [layer_kept * a for a in p4],
        [kept * a + follow_ * (b + c) for a, b, c in zip(p5, p0, p3, strict=True)],
        [stem_kept * a + stem_gain * b for a, b in zip(p6, p5, strict=True)],
    ]
    covariance = [
        [
            f00 * h0 + f01 * h1 + dt * h2,
            h1,
            soak_kept * h2,
            even_kept * h3 + drawn * h4,
            layer_kept * h4,
            kept * h5 + follow_ * (h0 + h3),
            stem_kept * h6 + stem_gain * h5,
        ]
        for h0, h1, h2, h3, h4, h5, h6 in half
    ]
    covariance[MEAN][MEAN] += (MEAN_DRIFT + unsettled) * dt
    covariance[LOSS][LOSS] += LOSS_DRIFT * dt
    covariance[SOAK][SOAK] += (SOAK_DRIFT_STIRRED if stirring else SOAK_DRIFT_AT_REST) * dt
    covariance[UNMIXED][UNMIXED] += (UNMIXED_DRIFT_STIRRED if stirring else UNMIXED_DRIFT_AT_REST) * dt
    covariance[UNMIXED][UNMIXED] += unsettled * dt
    covariance[LAYERING][LAYERING] += (1.0 - layer_kept**2) * usual_spread**2
    covariance[TIP][TIP] += TIP_DRIFT * dt + (0.05 * (state[TIP] - tip)) ** 2
    return Regime(regime.weight, place, tau, state, _tuples(covariance), skin)


def _measure(regime: Regime, celsius: float) -> tuple[Regime, float, float, float]:
    """The filter after a reading; with its likelihood, by how much it missed and the variance it had expected."""
    x, p = regime.state, regime.covariance
    tip_share = 1.0 - STEM_SHARE
    gain = [tip_share * row[TIP] + STEM_SHARE * row[STEM] for row in p]
    expected = tip_share * gain[TIP] + STEM_SHARE * gain[STEM] + NOISE_CELSIUS**2
    error = celsius - tip_share * x[TIP] - STEM_SHARE * x[STEM]
    # A floor under the likelihood: one wild reading must not rule a filter out for good.
    likelihood = math.exp(-0.5 * min(error * error / expected, 60.0)) / math.sqrt(expected)
    state = tuple(a + k * error / expected for a, k in zip(x, gain, strict=True))
    covariance = tuple(
        tuple(a - ki * kj / expected for a, kj in zip(row, gain, strict=True)) for row, ki in zip(p, gain, strict=True)
    )
    return (
        Regime(regime.weight, regime.place, regime.time_constant_seconds, state, covariance, regime.skin),
        likelihood,
        error,
        expected,
    )
