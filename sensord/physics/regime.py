"""One filter of the paste around a probe's tip, under one assumption of what the keeper does and how slow the probe is.

The bank of `physics.cooling` holds several. The state is

    m  mean      mass-weighted mean of the paste, Celsius
    l  loss      losses to the room as a multiple of what a small bowl usually loses
    s  soak      what the bowl (or a bath) takes or gives besides, Celsius a second; it dies away as they level out
    u  unmixed   how far the paste at the tip differs from the mean, Celsius
    y  layering  what `unmixed` drifts to while nobody stirs
    t  tip       } the probe's own
    k  stem      } two temperatures

At rest the core stays warmer than the mean while rim and surface cool, so `unmixed` grows, upwards or downwards; a stir
brings it back to nothing and may leave the tip elsewhere. An extended Kalman filter on plain floats: no library.
Covariances are kept as their upper triangle, row by row, for half of a full one says nothing new.
"""

import math
from collections.abc import Sequence
from enum import Enum, unique
from typing import NamedTuple

MEAN, LOSS, SOAK, UNMIXED, LAYERING, TIP, STEM = range(7)
SIZE = 7

NOISE_CELSIUS = 0.055
"""Of one reading: a DS18B20's 1/16 °C step is 0.018 (rectangular), its noise a few hundredths; common practice."""
USUAL_LOSS_PER_SECOND = 6e-4
"""A bowl of 20 to 180 ml between 36 and 45 °C: free convection and radiation from bowl and surface, and evaporation,
which is over half of it. From the heat balance in `sensord.demo.simulator`."""
EVAPORATION_PER_KELVIN, FEEDING_CELSIUS = 0.008, 37.0
"""How losses per kelvin over the room grow with the paste's temperature: vapour pressure rises faster than it does.
Saturation pressure by Magnus (WMO-No. 8) in the balance of `sensord.demo.simulator`: 6 % more at 47 °C, 20 % at 60."""
SOAK_SECONDS = 100.0
"""How long a bowl takes to level out with its paste (ceramic about 2 minutes, steel less)."""
BATH_SECONDS, BATH_DRIFT = 900.0, 2e-7
"""The same where a warm bath stands behind the bowl, and by how much more the variance of `soak` then grows a second:
the bath cools, is topped up, and the bowl stands in it more or less deeply."""
LAYER_SECONDS = 48.0
"""How long resting paste takes to lie in layers again after a stir: conduction over a centimetre, (1 cm)2 / a."""
STIR_SECONDS = 6.0
"""How fast stirring levels the paste out."""
STIRRED_LOSS, FRESH_LOSS, SKIN_LOSS = 1.56, 1.08, 0.79
"""Losses as a multiple of the usual: while stirred (fresh surface, moving air, warm paste at the wall), just after, and
at long rest, when surface and rim have cooled. The usual is what a bowl on its way to the band has on the whole."""
SKIN_SECONDS = 75.0
REST_FACTOR = 1.55
"""How much slower a probe follows when nobody stirs: only conduction feeds the tip."""
STEM_SHARE, STEM_LOSS, STEM_SECONDS = 0.045, 0.07, 48.0
"""A few per cent of a reading are the cable end of the capsule, which lags and loses heat; common practice."""
MEAN_DRIFT = 4e-6
LOSS_DRIFT = 4e-6
SOAK_DRIFT_AT_REST, SOAK_DRIFT_STIRRED = 4e-9, 4e-8
UNMIXED_DRIFT_AT_REST, UNMIXED_DRIFT_STIRRED = 1e-5, 1.3e-3
TIP_DRIFT = 1e-4
"""Process noise: what each variance gains in a second."""
LAYERING_FORGOTTEN_SECONDS = 3000.0
FORGET_STIRRED_SECONDS = 6.0
_MOST_EXPONENT = 60.0
LOSS_SPAN = (-20.0, 40.0)
"""Of the losses, as multiples of the usual: far beyond what any bowl does. Only readings that no paste gives lead there
(a flood of nonsense from a broken wire), and from there on the steps of the model would not be stable."""

Triangle = tuple[float, ...]
"""The upper triangle of a symmetric matrix of `SIZE` rows, row by row: mm ml ms mu my mt mk ll ls ..."""

_AT = {pair: n for n, pair in enumerate((i, j) for i in range(SIZE) for j in range(i, SIZE))}


def _at(i: int, j: int) -> int:
    """Where a triangle holds row `i`, column `j`."""
    return _AT[min(i, j), max(i, j)]


_ROWS = tuple(tuple(_at(i, j) for j in range(SIZE)) for i in range(SIZE))
_SEEN = tuple((_at(i, TIP), _at(i, STEM)) for i in range(SIZE))
"""Where the columns of tip and stem stand, which are all that a reading shows."""


class Layering(NamedTuple):
    """Where `unmixed` drifts to at rest: middle and spread, Celsius, each with a part that grows with the cooling."""

    middle_per_rate: float
    spread: float
    spread_per_rate: float


LAYERING_RATE = 0.0116
"""Celsius a second of usual losses at which the figures below hold."""


@unique
class Spot(Enum):
    """What a filter takes the paste at the tip to be."""

    STIRRED = Layering(0.33, 0.12, 0.23)
    CORE = Layering(0.34, 0.12, 0.24)
    RIM = Layering(-1.0, 0.15, 0.8)


class Regime(NamedTuple):
    """One filter: its weight in the bank, what it assumes, its state and the covariance of that."""

    weight: float
    spot: Spot
    time_constant_seconds: float
    state: tuple[float, ...]
    covariance: Triangle
    skin: float = 0.0
    """How far surface and rim have cooled below the core: 0 just stirred, 1 as at long rest."""

    @property
    def loss_factor(self) -> float:
        """Losses as a multiple of the usual."""
        return STIRRED_LOSS if self.spot is Spot.STIRRED else FRESH_LOSS + (SKIN_LOSS - FRESH_LOSS) * self.skin

    def covary(self, i: int, j: int) -> float:
        """Covariance of two parts of the state."""
        return self.covariance[_at(i, j)]

    def weighing(self, weight: float) -> "Regime":
        """The same with another weight."""
        return Regime(weight, self.spot, self.time_constant_seconds, self.state, self.covariance, self.skin)

    def with_parts(self, parts: dict[int, tuple[float, float]]) -> "Regime":
        """The same with these parts of the state set to a value and a variance that hang together with nothing else."""
        weight, spot, tau, given, covariance, skin = self
        state, cells = [*given], [*covariance]
        for i, (value, _) in parts.items():
            state[i] = value
            for cell in _ROWS[i]:
                cells[cell] = 0.0
        for i, (_, variance) in parts.items():
            cells[_at(i, i)] = variance
        return Regime(weight, spot, tau, tuple(state), tuple(cells), skin)

    def covarying(self, i: int, j: int, covariance: float) -> "Regime":
        """The same with another covariance of two parts of the state."""
        cells = [*self.covariance]
        cells[_at(i, j)] = covariance
        return self._replace(covariance=tuple(cells))


class Updated(NamedTuple):
    """A filter after a reading; how likely that was, by how much it missed, and the variance it had expected."""

    regime: Regime
    likelihood: float
    error: float
    expected: float


class Step(NamedTuple):
    """What `seconds` do to every filter of a bank; `room` is in Celsius.

    `unsettled` is the variance that mean and unmixed gain a second while the paste goes by no simple law.
    """

    seconds: float
    room: float
    unsettled: float
    soak_kept: float
    stem_kept: float
    stirred: tuple[float, float, float]
    """What is kept of `unmixed`, how much of `layering` it takes on instead, and what is kept of `layering`."""
    at_rest: tuple[float, float, float]
    skin_kept: float
    soak_drift: float
    """What the variance of `soak` gains a second besides its own."""

    @classmethod
    def of(cls, seconds: float, room: float, unsettled: float, bathed: bool) -> "Step":
        even_at_rest = math.exp(-seconds / LAYER_SECONDS)
        return cls(
            seconds,
            room,
            unsettled,
            math.exp(-seconds / (BATH_SECONDS if bathed else SOAK_SECONDS)),
            math.exp(-seconds / STEM_SECONDS),
            (math.exp(-seconds / STIR_SECONDS), 0.0, math.exp(-seconds / FORGET_STIRRED_SECONDS)),
            (even_at_rest, 1.0 - even_at_rest, math.exp(-seconds / LAYERING_FORGOTTEN_SECONDS)),
            math.exp(-seconds / SKIN_SECONDS),
            BATH_DRIFT if bathed else 0.0,
        )


def packed(rows: Sequence[Sequence[float]]) -> Triangle:
    """The triangle of a symmetric matrix."""
    return tuple(rows[i][j] for i, j in _AT)


def warmth(celsius: float) -> float:
    """Losses per kelvin over the room at `celsius`, as a multiple of those at feeding temperature."""
    return 1.0 + EVAPORATION_PER_KELVIN * (min(max(celsius, 0.0), 90.0) - FEEDING_CELSIUS)


def rate_of(regime: Regime, room: float) -> float:
    """Of the mean, Celsius a second."""
    mean, loss, soak = regime.state[:3]
    return soak - loss * regime.loss_factor * warmth(mean) * USUAL_LOSS_PER_SECOND * (mean - room)


def layering(regime: Regime, room: float) -> tuple[float, float]:
    """What the tip's spot drifts to beside the mean, Celsius, and its spread: layering follows the heat that leaves."""
    mean, loss, soak = regime.state[:3]
    middle_per_rate, spread, spread_per_rate = regime.spot.value
    leaving = loss * USUAL_LOSS_PER_SECOND * (mean - room)
    given = max(0.0, soak)
    share = max(-2.0, min(2.0, (leaving - given) / LAYERING_RATE))
    wide = min(2.0, (max(0.0, leaving) + given) / LAYERING_RATE)
    return middle_per_rate * share, spread + spread_per_rate * wide


def laid(regime: Regime, room: float) -> Regime:
    """The regime with its layering as it is where nothing has been seen of it yet."""
    middle, spread = layering(regime, room)
    return regime.with_parts({LAYERING: (middle, spread**2)})


def _outer(one: Sequence[float], other: Sequence[float]) -> list[float]:
    """The upper triangle of a product that is symmetric."""
    return [a * b for i, a in enumerate(one) for b in other[i:]]


def blend(a: Regime, b: Regime, share_a: float, share_b: float) -> Regime:
    """The mixture of two filters as one normal distribution, in the spot of the first (Bar-Shalom 2001, 11.6.6)."""
    total = share_a + share_b
    wa = share_a / total if total > 1e-300 else 0.5
    if wa > 0.9999:
        return a.weighing(total)
    if wa < 0.0001:
        return Regime(total, a.spot, b.time_constant_seconds, b.state, b.covariance, b.skin)
    wb = 1.0 - wa
    apart = [x - y for x, y in zip(a.state, b.state, strict=True)]
    product = wa * wb
    state = tuple([wa * x + wb * y for x, y in zip(a.state, b.state, strict=True)])
    covariance = tuple(
        [
            wa * x + wb * y + product * z
            for x, y, z in zip(a.covariance, b.covariance, _outer(apart, apart), strict=True)
        ]
    )
    return Regime(total, a.spot, a.time_constant_seconds, state, covariance, wa * a.skin + wb * b.skin)


def predicted(regime: Regime, step: Step) -> Regime:
    """The filter after `step`: the state by the model, the covariance P by F P F' with F the Jacobian of the model.

    F is mostly zeros, so its product is written out; `h_..` are rows of F P.
    """
    weight, spot, tau, state, covariance, skin = regime
    mean, loss, soak, unmixed, layers, tip, stem = state
    dt, room, unsettled = step.seconds, step.room, step.unsettled
    stirring = spot is Spot.STIRRED
    even, drawn, layer = step.stirred if stirring else step.at_rest
    soaked, cable = step.soak_kept, step.stem_kept
    kept = math.exp(-dt / (tau if stirring else tau * REST_FACTOR))
    lead, cable_lead = 1.0 - kept, 1.0 - cable
    usual, usual_spread = layering(regime, room)
    losses = regime.loss_factor * warmth(mean) * USUAL_LOSS_PER_SECOND * dt
    moved = (
        mean + rate_of(regime, room) * dt,
        loss,
        soak * soaked,
        even * unmixed + drawn * layers,
        layer * layers + (1.0 - layer) * usual,
        kept * tip + lead * (mean + unmixed),
        cable * stem + cable_lead * (tip - STEM_LOSS * (tip - room)),
    )
    mm, ml, ms, mu, my, mt, mk, *others = covariance
    ll, ls, lu, ly, lt, lk, ss, su, sy, st, sk, uu, uy, ut, uk, yy, yt, yk, tt, tk, kk = others
    a, b, c = 1.0 - loss * losses, -losses * (mean - room), cable_lead * (1.0 - STEM_LOSS)
    hm_m, hm_l, hm_s = a * mm + b * ml + dt * ms, a * ml + b * ll + dt * ls, a * ms + b * ls + dt * ss
    hm_u, hm_y = a * mu + b * lu + dt * su, a * my + b * ly + dt * sy
    hm_t, hm_k = a * mt + b * lt + dt * st, a * mk + b * lk + dt * sk
    hu_m, hu_u, hu_y = even * mu + drawn * my, even * uu + drawn * uy, even * uy + drawn * yy
    hu_t, hu_k = even * ut + drawn * yt, even * uk + drawn * yk
    ht_m, ht_u = kept * mt + lead * (mm + mu), kept * ut + lead * (mu + uu)
    ht_t, ht_k = kept * tt + lead * (mt + ut), kept * tk + lead * (mk + uk)
    grown = (
        a * hm_m + b * hm_l + dt * hm_s + (MEAN_DRIFT + unsettled) * dt,
        hm_l,
        soaked * hm_s,
        even * hm_u + drawn * hm_y,
        layer * hm_y,
        kept * hm_t + lead * (hm_m + hm_u),
        cable * hm_k + c * hm_t,
        ll + LOSS_DRIFT * dt,
        soaked * ls,
        even * lu + drawn * ly,
        layer * ly,
        kept * lt + lead * (ml + lu),
        cable * lk + c * lt,
        soaked * soaked * ss + ((SOAK_DRIFT_STIRRED if stirring else SOAK_DRIFT_AT_REST) + step.soak_drift) * dt,
        soaked * (even * su + drawn * sy),
        soaked * layer * sy,
        soaked * (kept * st + lead * (ms + su)),
        soaked * (cable * sk + c * st),
        even * hu_u
        + drawn * hu_y
        + (UNMIXED_DRIFT_STIRRED if stirring else UNMIXED_DRIFT_AT_REST) * dt
        + unsettled * dt,
        layer * hu_y,
        kept * hu_t + lead * (hu_m + hu_u),
        cable * hu_k + c * hu_t,
        layer * layer * yy + (1.0 - layer * layer) * usual_spread**2,
        layer * (kept * yt + lead * (my + uy)),
        layer * (cable * yk + c * yt),
        kept * ht_t + lead * (ht_m + ht_u) + TIP_DRIFT * dt + (0.05 * (moved[TIP] - tip)) ** 2,
        cable * ht_k + c * ht_t,
        cable * (cable * kk + c * tk) + c * (cable * tk + c * tt),
    )
    skin = even * skin if stirring else 1.0 - step.skin_kept * (1.0 - skin)
    return Regime(weight, spot, tau, moved, grown, skin)


def measure(regime: Regime, celsius: float) -> Updated:
    """Kalman's update with a reading."""
    x, p = regime.state, regime.covariance
    tip_share = 1.0 - STEM_SHARE
    gain = [tip_share * p[tip] + STEM_SHARE * p[stem] for tip, stem in _SEEN]
    expected = tip_share * gain[TIP] + STEM_SHARE * gain[STEM] + NOISE_CELSIUS**2
    error = celsius - tip_share * x[TIP] - STEM_SHARE * x[STEM]
    # A floor under the likelihood: one wild reading must not rule a filter out for good.
    likelihood = math.exp(-0.5 * min(error * error / expected, _MOST_EXPONENT)) / math.sqrt(expected)
    share = error / expected
    state = tuple([a + k * share for a, k in zip(x, gain, strict=True)])
    if not LOSS_SPAN[0] <= state[LOSS] <= LOSS_SPAN[1]:
        state = (*state[:LOSS], min(max(state[LOSS], LOSS_SPAN[0]), LOSS_SPAN[1]), *state[LOSS + 1 :])
    scaled = [k / expected for k in gain]
    covariance = tuple([a - z for a, z in zip(p, _outer(gain, scaled), strict=True)])
    after = Regime(regime.weight, regime.spot, regime.time_constant_seconds, state, covariance, regime.skin)
    return Updated(after, likelihood, error, expected)
