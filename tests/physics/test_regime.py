"""One filter of the cooling estimate against the textbook: what it is when a step is short, and Kalman's update.

Sources: continuous-time covariance dP/dt = A P + P A' + Q (Bar-Shalom, Li, Kirubarajan, Estimation with Applications
to Tracking and Navigation, 2001, 4.3 and 7.2), Joseph's form of the update (same, 5.2), mixing of interacting models
(same, 11.6.6). A is found by numerical differentiation of the model as the module's docstring has it.
"""

import math
import random

import pytest

from sensord.physics import regime as filters
from sensord.physics.regime import (
    LAYERING,
    LOSS,
    MEAN,
    SIZE,
    SOAK,
    STEM,
    TIP,
    UNMIXED,
    Regime,
    Spot,
    Step,
    blend,
    laid,
    measure,
    packed,
    predicted,
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


def full(triangle: tuple[float, ...]) -> Matrix:
    """The whole of a symmetric matrix."""
    cells = iter(triangle)
    rows = [[0.0] * SIZE for _ in range(SIZE)]
    for i in range(SIZE):
        for j in range(i, SIZE):
            rows[i][j] = rows[j][i] = next(cells)
    return rows


def spot_of(stirring: bool) -> Spot:
    return Spot.STIRRED if stirring else Spot.CORE


def flow(x: list[float], stirring: bool) -> list[float]:
    """How fast each part of the state moves, as the docstring of the module tells it."""
    mean, loss, soak, unmixed, layering, tip, stem = x
    losses = loss * filters.USUAL_LOSS_PER_SECOND * (mean - ROOM)
    factor = filters.STIRRED_LOSS if stirring else filters.FRESH_LOSS
    rate = -factor * filters.warmth(STATE[MEAN]) * losses + soak
    usual = spot_of(stirring).value.middle_per_rate * losses / filters.LAYERING_RATE
    if stirring:
        evens, layers = -unmixed / filters.STIR_SECONDS, (usual - layering) / filters.FORGET_STIRRED_SECONDS
        lag = TAU
    else:
        evens = (layering - unmixed) / filters.LAYER_SECONDS
        layers = (usual - layering) / filters.LAYERING_FORGOTTEN_SECONDS
        lag = TAU * filters.REST_FACTOR
    end = tip - filters.STEM_LOSS * (tip - ROOM)
    return [
        rate,
        0.0,
        -soak / filters.SOAK_SECONDS,
        evens,
        layers,
        (mean + unmixed - tip) / lag,
        (end - stem) / filters.STEM_SECONDS,
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


def moved(dt: float, stirring: bool, covariance: Matrix, unsettled: float = 0.0, bathed: bool = False) -> Regime:
    return predicted(
        Regime(0.4, spot_of(stirring), TAU, STATE, packed(covariance)), Step.of(dt, ROOM, unsettled, bathed)
    )


@pytest.mark.parametrize("stirring", [False, True])
def test_over_a_short_step_the_state_moves_as_the_model_says(stirring: bool) -> None:
    dt = 1e-4
    after = moved(dt, stirring, some_covariance(1))
    speeds = [(late - early) / dt for late, early in zip(after.state, STATE, strict=True)]
    assert speeds == pytest.approx(flow(list(STATE), stirring), rel=1e-3, abs=1e-7)
    assert (after.weight, after.spot, after.time_constant_seconds) == (0.4, spot_of(stirring), TAU)


@pytest.mark.parametrize("unsettled", [0.0, 0.014])
@pytest.mark.parametrize("stirring", [False, True])
@pytest.mark.parametrize("seed", [1, 2])
def test_over_a_short_step_the_covariance_moves_as_the_textbook_says(
    stirring: bool, unsettled: float, seed: int
) -> None:
    dt = 1e-4
    p, a = some_covariance(seed), jacobian(STATE, stirring)
    noise = [[0.0] * SIZE for _ in range(SIZE)]
    losses = STATE[LOSS] * filters.USUAL_LOSS_PER_SECOND * (STATE[MEAN] - ROOM)
    layers = filters.FORGET_STIRRED_SECONDS if stirring else filters.LAYERING_FORGOTTEN_SECONDS
    usual = spot_of(stirring).value
    spread = usual.spread + usual.spread_per_rate * losses / filters.LAYERING_RATE
    noise[MEAN][MEAN] = filters.MEAN_DRIFT + unsettled
    noise[LOSS][LOSS] = filters.LOSS_DRIFT
    noise[SOAK][SOAK] = filters.SOAK_DRIFT_STIRRED if stirring else filters.SOAK_DRIFT_AT_REST
    unmixed = filters.UNMIXED_DRIFT_STIRRED if stirring else filters.UNMIXED_DRIFT_AT_REST
    noise[UNMIXED][UNMIXED] = unmixed + unsettled
    # An Ornstein-Uhlenbeck process of this standing spread is fed with 2 / T of its variance.
    noise[LAYERING][LAYERING] = 2.0 / layers * spread**2
    noise[TIP][TIP] = filters.TIP_DRIFT
    expected = added(product(a, p), product(p, turned(a)), noise)
    after = full(moved(dt, stirring, p, unsettled).covariance)
    for i in range(SIZE):
        for j in range(SIZE):
            speed = (after[i][j] - p[i][j]) / dt
            assert speed == pytest.approx(expected[i][j], rel=3e-3, abs=3e-7), (i, j)


def test_a_tip_on_the_move_is_known_to_a_twentieth_of_its_way() -> None:
    nothing = [[0.0] * SIZE for _ in range(SIZE)]
    after = moved(1.0, True, nothing)
    way = after.state[TIP] - STATE[TIP]
    assert after.covary(TIP, TIP) == pytest.approx(filters.TIP_DRIFT + (way / 20.0) ** 2)


def sees() -> list[float]:
    """The probe shows its tip, and a few per cent of its cable end."""
    row = [0.0] * SIZE
    row[TIP], row[STEM] = 1.0 - filters.STEM_SHARE, filters.STEM_SHARE
    return row


@pytest.mark.parametrize("celsius", [39.0, 39.4, 44.0])
def test_a_reading_is_taken_in_as_kalman_has_it(celsius: float) -> None:
    p, h, r = some_covariance(3), sees(), filters.NOISE_CELSIUS**2
    error = celsius - math.fsum(a * b for a, b in zip(h, STATE, strict=True))
    ph = [row[0] for row in product(p, turned([h]))]
    s = math.fsum(a * b for a, b in zip(h, ph, strict=True)) + r
    gain = [value / s for value in ph]
    after, likelihood, missed, expected = measure(Regime(0.5, Spot.STIRRED, TAU, STATE, packed(p)), celsius)
    assert (missed, expected) == pytest.approx((error, s))
    assert likelihood * math.sqrt(s) == pytest.approx(math.exp(-min(error**2 / s, 60.0) / 2.0))
    assert after.state == pytest.approx([x + k * error for x, k in zip(STATE, gain, strict=True)])
    # Joseph's form: (I - K H) P (I - K H)' + K R K'.
    rest = [[EYE[i][j] - gain[i] * h[j] for j in range(SIZE)] for i in range(SIZE)]
    noise = [[gain[i] * r * gain[j] for j in range(SIZE)] for i in range(SIZE)]
    joseph = added(product(product(rest, p), turned(rest)), noise)
    for found, wanted in zip(full(after.covariance), joseph, strict=True):
        assert found == pytest.approx(wanted, rel=1e-9, abs=1e-12)


def test_a_wild_reading_rules_no_filter_out_for_good() -> None:
    regime = Regime(0.5, Spot.STIRRED, TAU, STATE, packed(some_covariance(3)))
    wild, wilder = measure(regime, 85.0), measure(regime, 300.0)
    assert wild.likelihood == wilder.likelihood > 0.0


@pytest.mark.parametrize("share", [0.3, 0.8])
def test_two_filters_blend_into_the_mean_and_covariance_of_their_mixture(share: float) -> None:
    one, other = some_covariance(4), some_covariance(5)
    far = tuple(x + d for x, d in zip(STATE, (0.7, -0.3, 0.002, -0.4, 0.5, 1.0, -2.0), strict=True))
    a = Regime(0.9, Spot.CORE, TAU, STATE, packed(one), 0.2)
    b = Regime(0.8, Spot.STIRRED, TAU, far, packed(other), 1.0)
    both = blend(a, b, share * 0.5, (1.0 - share) * 0.5)
    middle = [share * x + (1.0 - share) * y for x, y in zip(STATE, far, strict=True)]
    assert both.state == pytest.approx(middle)
    # E[(x - E x)(x - E x)'] of each part about the middle of both.
    for i in range(SIZE):
        for j in range(SIZE):
            expected = share * (one[i][j] + (STATE[i] - middle[i]) * (STATE[j] - middle[j])) + (1.0 - share) * (
                other[i][j] + (far[i] - middle[i]) * (far[j] - middle[j])
            )
            assert both.covary(i, j) == pytest.approx(expected, rel=1e-9, abs=1e-12), (i, j)
    assert (both.spot, both.time_constant_seconds) == (Spot.CORE, TAU)
    assert both.weight == pytest.approx(0.5)
    assert both.skin == pytest.approx(share * 0.2 + (1.0 - share) * 1.0)


def test_a_share_of_next_to_nothing_blends_nothing_in() -> None:
    a = Regime(0.9, Spot.CORE, TAU, STATE, packed(some_covariance(4)), 0.2)
    b = Regime(0.8, Spot.STIRRED, 5.0, tuple(x + 1.0 for x in STATE), packed(some_covariance(5)), 0.6)
    assert blend(a, b, 0.5, 0.5e-5) == a.weighing(0.5 + 0.5e-5)
    assert blend(a, b, 0.5e-5, 0.5) == b._replace(weight=0.5 + 0.5e-5, spot=Spot.CORE)
    assert blend(a, b, 0.0, 0.0).weight == 0.0


def test_skin_forms_at_rest_and_is_stirred_in() -> None:
    """Surface and rim cool within `SKIN_SECONDS` at rest; a stir levels them as fast as it does the rest."""
    begun = Regime(1.0, Spot.CORE, TAU, STATE, packed(some_covariance(1)), 0.25)
    step = Step.of(10.0, ROOM, 0.0, bathed=False)
    formed = predicted(begun, step).skin
    assert formed == pytest.approx(1.0 - 0.75 * math.exp(-10.0 / filters.SKIN_SECONDS))
    assert predicted(begun._replace(spot=Spot.STIRRED), step).skin == pytest.approx(
        0.25 * math.exp(-10.0 / filters.STIR_SECONDS)
    )
    assert begun.loss_factor == pytest.approx(0.75 * filters.FRESH_LOSS + 0.25 * filters.SKIN_LOSS)
    assert begun._replace(spot=Spot.STIRRED, skin=1.0).loss_factor == filters.STIRRED_LOSS


def test_parts_that_are_set_hang_together_with_nothing_else() -> None:
    given = some_covariance(2)
    one = Regime(0.3, Spot.RIM, TAU, STATE, packed(given), 0.4).with_parts({SOAK: (0.5, 0.04), TIP: (30.0, 0.09)})
    assert one.state == (*STATE[:SOAK], 0.5, *STATE[SOAK + 1 : TIP], 30.0, STATE[STEM])
    for i in range(SIZE):
        for j in range(SIZE):
            expected = {(SOAK, SOAK): 0.04, (TIP, TIP): 0.09}.get((i, j), 0.0)
            expected = expected if {i, j} & {SOAK, TIP} else given[i][j]
            assert one.covary(i, j) == expected, (i, j)
    again = one.covarying(TIP, MEAN, 0.11)
    assert again.covary(MEAN, TIP) == again.covary(TIP, MEAN) == 0.11
    assert again.covary(TIP, TIP) == 0.09
    assert (again.weight, again.spot, again.time_constant_seconds, again.skin) == (0.3, Spot.RIM, TAU, 0.4)


@pytest.mark.parametrize("stirring", [False, True])
def test_what_a_bath_gives_dies_away_slowly_and_is_known_less(stirring: bool) -> None:
    nothing = [[0.0] * SIZE for _ in range(SIZE)]
    plain, bathed = moved(1.0, stirring, nothing), moved(1.0, stirring, nothing, bathed=True)
    assert plain.state[SOAK] == pytest.approx(STATE[SOAK] * math.exp(-1.0 / filters.SOAK_SECONDS))
    assert bathed.state[SOAK] == pytest.approx(STATE[SOAK] * math.exp(-1.0 / filters.BATH_SECONDS))
    assert bathed.covary(SOAK, SOAK) - plain.covary(SOAK, SOAK) == pytest.approx(filters.BATH_DRIFT)


@pytest.mark.parametrize("spot", list(Spot))
def test_layers_are_as_deep_as_the_losses_make_them(spot: Spot) -> None:
    """In proportion to the cooling, as far as twice the rate at which the figures hold."""

    def depth(celsius: float, loss: float = 1.0, soak: float = -0.01) -> tuple[float, float]:
        one = Regime(1.0, spot, TAU, (celsius, loss, soak, *STATE[3:]), packed(some_covariance(2)))
        set_down = laid(one, ROOM)
        assert set_down.covary(LAYERING, TIP) == 0.0
        return set_down.state[LAYERING], math.sqrt(set_down.covary(LAYERING, LAYERING))

    usual = spot.value
    at_rate = ROOM + filters.LAYERING_RATE / filters.USUAL_LOSS_PER_SECOND
    assert depth(at_rate) == pytest.approx((usual.middle_per_rate, usual.spread + usual.spread_per_rate))
    assert depth(ROOM) == pytest.approx((0.0, usual.spread))
    assert depth(ROOM - filters.LAYERING_RATE / filters.USUAL_LOSS_PER_SECOND) == pytest.approx(
        (-usual.middle_per_rate, usual.spread)
    )
    assert depth(at_rate, 0.5)[0] == pytest.approx(0.5 * usual.middle_per_rate)
    # A bath warms the rim instead: the layers turn over, and are the less known the more heat goes either way.
    given = filters.LAYERING_RATE
    assert depth(at_rate, soak=given) == pytest.approx((0.0, usual.spread + 2.0 * usual.spread_per_rate))
    assert depth(ROOM, soak=given) == pytest.approx((-usual.middle_per_rate, usual.spread + usual.spread_per_rate))
    assert depth(ROOM, soak=9.0 * given)[0] == pytest.approx(-2.0 * usual.middle_per_rate)
    assert depth(at_rate, 9.0) == pytest.approx(
        (2.0 * usual.middle_per_rate, usual.spread + 2.0 * usual.spread_per_rate)
    )


def test_warmth_ends_where_paste_does() -> None:
    assert filters.warmth(37.0) == 1.0
    assert filters.warmth(47.0) == pytest.approx(1.0 + 10.0 * filters.EVAPORATION_PER_KELVIN)
    assert filters.warmth(-40.0) == filters.warmth(0.0)
    assert filters.warmth(120.0) == filters.warmth(90.0)
