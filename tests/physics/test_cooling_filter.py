"""The filters of the cooling estimate against the textbook: what they are when a step is short, and Kalman's update.

Sources: continuous-time covariance dP/dt = A P + P A' + Q (Bar-Shalom, Li, Kirubarajan, Estimation with Applications
to Tracking and Navigation, 2001, 4.3 and 7.2), Joseph's form of the update (same, 5.2), mixing of interacting models
(same, 11.6.6). A is found by numerical differentiation of the model as the module's docstring has it.
"""

import math
import random

import pytest

from sensord.physics import cooling
from sensord.physics.cooling import (
    LAYERING,
    LOSS,
    MEAN,
    SIZE,
    SOAK,
    STEM,
    TIP,
    UNMIXED,
    Place,
    Regime,
)

Matrix = list[list[float]]
ROOM, TAU = 21.0, 7.0
STATE = (41.0, 1.2, -0.004, 0.3, 0.25, 39.5, 37.0)
EYE: Matrix = [[float(i == j) for j in range(SIZE)] for i in range(SIZE)]


def product(a: Matrix, b: Matrix) -> Matrix:
    return [
        [math.fsum(x * y for x, y in zip(row, column, strict=True)) for column in zip(*b, strict=True)] for row in a
    ]


def turned(a: Matrix) -> Matrix:
    return [list(row) for row in zip(*a, strict=True)]


def added(*several: Matrix) -> Matrix:
    return [[math.fsum(cells) for cells in zip(*rows, strict=True)] for rows in zip(*several, strict=True)]


def some_covariance(seed: int) -> Matrix:
    """Symmetric and positive definite, of about the size that the filters hold."""
    rng = random.Random(seed)
    root = [[rng.gauss(0.0, 1.0) * size for _ in range(SIZE)] for size in (0.5, 0.2, 0.01, 0.3, 0.3, 0.5, 0.5)]
    return product(root, turned(root))


def place(stirring: bool) -> Place:
    return Place.STIRRED if stirring else Place.CORE


def flow(x: list[float], stirring: bool) -> list[float]:
    """How fast each part of the state moves, as the docstring of the module tells it."""
    mean, loss, soak, unmixed, layering, tip, stem = x
    losses = loss * cooling.USUAL_LOSS_PER_SECOND * (mean - ROOM)
    factor = cooling.STIRRED_LOSS if stirring else cooling.FRESH_LOSS
    rate = -factor * cooling.warmth(STATE[MEAN]) * losses + soak
    usual = place(stirring).value.middle_per_rate * losses / cooling.LAYERING_RATE
    if stirring:
        evens, layers = -unmixed / cooling.STIR_SECONDS, (usual - layering) / cooling.FORGET_STIRRED_SECONDS
        lag = TAU
    else:
        evens = (layering - unmixed) / cooling.LAYER_SECONDS
        layers = (usual - layering) / cooling.LAYERING_FORGOTTEN_SECONDS
        lag = TAU * cooling.REST_FACTOR
    end = tip - cooling.STEM_LOSS * (tip - ROOM)
    return [
        rate,
        0.0,
        -soak / cooling.SOAK_SECONDS,
        evens,
        layers,
        (mean + unmixed - tip) / lag,
        (end - stem) / cooling.STEM_SECONDS,
    ]


def jacobian(x: tuple[float, ...], stirring: bool) -> Matrix:
    columns = []
    for index in range(SIZE):
        step = 1e-4
        up, down = list(x), list(x)
        up[index] += step
        down[index] -= step
        above, below = flow(up, stirring), flow(down, stirring)
        columns.append([(a - b) / (2 * step) for a, b in zip(above, below, strict=True)])
    a = turned(columns)
    # What the layers drift to is an input to the filter, whose doubt its own noise covers.
    for index in (MEAN, LOSS, SOAK):
        a[LAYERING][index] = 0.0
    return a


def moved(
    dt: float, stirring: bool, covariance: Matrix, unsettled: float = 0.0, x: tuple[float, ...] = STATE
) -> Regime:
    regime = Regime(0.4, place(stirring), TAU, x, tuple(tuple(row) for row in covariance))
    return cooling._advance(regime, ROOM, dt, unsettled)


@pytest.mark.parametrize("stirring", [False, True])
def test_over_a_short_step_the_state_moves_as_the_model_says(stirring: bool) -> None:
    dt = 1e-4
    after = moved(dt, stirring, some_covariance(1))
    speeds = [(late - early) / dt for late, early in zip(after.state, STATE, strict=True)]
    assert speeds == pytest.approx(flow(list(STATE), stirring), rel=1e-3, abs=1e-7)
    assert (after.weight, after.place, after.time_constant_seconds) == (0.4, place(stirring), TAU)


@pytest.mark.parametrize("unsettled", [0.0, 0.014])
@pytest.mark.parametrize("stirring", [False, True])
@pytest.mark.parametrize("seed", [1, 2])
def test_over_a_short_step_the_covariance_moves_as_the_textbook_says(
    stirring: bool, unsettled: float, seed: int
) -> None:
    dt = 1e-4
    p, a = some_covariance(seed), jacobian(STATE, stirring)
    noise = [[0.0] * SIZE for _ in range(SIZE)]
    losses = STATE[LOSS] * cooling.USUAL_LOSS_PER_SECOND * (STATE[MEAN] - ROOM)
    layers = cooling.FORGET_STIRRED_SECONDS if stirring else cooling.LAYERING_FORGOTTEN_SECONDS
    usual = place(stirring).value
    spread = usual.spread + usual.spread_per_rate * losses / cooling.LAYERING_RATE
    noise[MEAN][MEAN] = cooling.MEAN_DRIFT + unsettled
    noise[LOSS][LOSS] = cooling.LOSS_DRIFT
    noise[SOAK][SOAK] = cooling.SOAK_DRIFT_STIRRED if stirring else cooling.SOAK_DRIFT_AT_REST
    unmixed = cooling.UNMIXED_DRIFT_STIRRED if stirring else cooling.UNMIXED_DRIFT_AT_REST
    noise[UNMIXED][UNMIXED] = unmixed + unsettled
    # An Ornstein-Uhlenbeck process of this standing spread is fed with 2 / T of its variance.
    noise[LAYERING][LAYERING] = 2.0 / layers * spread**2
    noise[TIP][TIP] = cooling.TIP_DRIFT
    expected = added(product(a, p), product(p, turned(a)), noise)
    after = moved(dt, stirring, p, unsettled).covariance
    for i in range(SIZE):
        for j in range(SIZE):
            speed = (after[i][j] - p[i][j]) / dt
            assert speed == pytest.approx(expected[i][j], rel=3e-3, abs=3e-7), (i, j)


def test_a_tip_on_the_move_is_known_to_a_twentieth_of_its_way() -> None:
    nothing = [[0.0] * SIZE for _ in range(SIZE)]
    after = moved(1.0, True, nothing)
    way = after.state[TIP] - STATE[TIP]
    assert after.covariance[TIP][TIP] == pytest.approx(cooling.TIP_DRIFT + (way / 20.0) ** 2)


def sees() -> list[float]:
    """The probe shows its tip, and a few per cent of its cable end."""
    row = [0.0] * SIZE
    row[TIP], row[STEM] = 1.0 - cooling.STEM_SHARE, cooling.STEM_SHARE
    return row


@pytest.mark.parametrize("celsius", [39.0, 39.4, 44.0])
def test_a_reading_is_taken_in_as_kalman_has_it(celsius: float) -> None:
    p, h, r = some_covariance(3), sees(), cooling.NOISE_CELSIUS**2
    error = celsius - math.fsum(a * b for a, b in zip(h, STATE, strict=True))
    ph = [row[0] for row in product(p, turned([h]))]
    s = math.fsum(a * b for a, b in zip(h, ph, strict=True)) + r
    gain = [value / s for value in ph]
    after, likelihood, missed, expected = cooling._measure(
        Regime(0.5, Place.STIRRED, TAU, STATE, tuple(tuple(row) for row in p)), celsius
    )
    assert (missed, expected) == pytest.approx((error, s))
    assert likelihood * math.sqrt(s) == pytest.approx(math.exp(-min(error**2 / s, 60.0) / 2.0))
    assert after.state == pytest.approx([x + k * error for x, k in zip(STATE, gain, strict=True)])
    # Joseph's form: (I - K H) P (I - K H)' + K R K'.
    rest = [[EYE[i][j] - gain[i] * h[j] for j in range(SIZE)] for i in range(SIZE)]
    noise = [[gain[i] * r * gain[j] for j in range(SIZE)] for i in range(SIZE)]
    joseph = added(product(product(rest, p), turned(rest)), noise)
    for found, wanted in zip(after.covariance, joseph, strict=True):
        assert found == pytest.approx(wanted, rel=1e-9, abs=1e-12)


def test_a_wild_reading_rules_no_filter_out_for_good() -> None:
    regime = Regime(0.5, Place.STIRRED, TAU, STATE, tuple(tuple(row) for row in some_covariance(3)))
    wild, wilder = cooling._measure(regime, 85.0), cooling._measure(regime, 300.0)
    assert wild[1] == wilder[1] > 0.0


def test_a_time_constant_is_let_go_once_a_thousand_to_one_speaks_against_it() -> None:
    def pair(weight: float, tau: float) -> list[Regime]:
        rows = tuple(tuple(row) for row in some_covariance(6))
        return [Regime(weight / len(Place), place, tau, STATE, rows) for place in Place]

    kept = cooling._prune([*pair(0.9975, 7.0), *pair(0.0005, 4.0), *pair(0.0020, 10.0)])
    assert [r.time_constant_seconds for r in kept] == [7.0] * 3 + [10.0] * 3
    assert math.fsum(r.weight for r in kept) == pytest.approx(1.0)
    assert kept[0].weight / kept[3].weight == pytest.approx(0.9975 / 0.0020)
