"""The filters of the cooling estimate against the textbook: what they are when a step is short, and Kalman's update.

Sources: continuous-time covariance dP/dt = A P + P A' + Q (Bar-Shalom, Li, Kirubarajan, Estimation with Applications
to Tracking and Navigation, 2001, 4.3 and 7.2), Joseph's form of the update (same, 5.2), mixing of interacting models
(same, 11.6.6). A is found by numerical differentiation of the model as the module's docstring has it.
"""

import math
import random
from dataclasses import replace

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
    Cooling,
    CoolingSettings,
    Regime,
    disturb,
    follow,
    start,
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


def flow(x: list[float], stirring: bool) -> list[float]:
    """How fast each part of the state moves, as the docstring of the module tells it."""
    mean, loss, soak, unmixed, layering, tip, stem = x
    rate = -loss * cooling.USUAL_LOSS_PER_SECOND * (mean - ROOM) + soak
    usual = (
        cooling.LAYERING_USUAL * -rate / 0.0125
    )  # as much as paste that loses 0.0125 °C/s, about 19 °C over the room
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
    return cooling._advance(0.4, stirring, TAU, list(x), [list(row) for row in covariance], ROOM, dt, unsettled)


@pytest.mark.parametrize("stirring", [False, True])
def test_over_a_short_step_the_state_moves_as_the_model_says(stirring: bool) -> None:
    dt = 1e-4
    after = moved(dt, stirring, some_covariance(1))
    speeds = [(late - early) / dt for late, early in zip(after.state, STATE, strict=True)]
    assert speeds == pytest.approx(flow(list(STATE), stirring), rel=1e-3, abs=1e-7)
    assert (after.weight, after.stirring, after.time_constant_seconds) == (0.4, stirring, TAU)


@pytest.mark.parametrize("unsettled", [0.0, 0.014])
@pytest.mark.parametrize("stirring", [False, True])
@pytest.mark.parametrize("seed", [1, 2])
def test_over_a_short_step_the_covariance_moves_as_the_textbook_says(
    stirring: bool, unsettled: float, seed: int
) -> None:
    dt = 1e-4
    p, a = some_covariance(seed), jacobian(STATE, stirring)
    noise = [[0.0] * SIZE for _ in range(SIZE)]
    rate = abs(flow(list(STATE), stirring)[MEAN])
    layers = cooling.FORGET_STIRRED_SECONDS if stirring else cooling.LAYERING_FORGOTTEN_SECONDS
    spread = cooling.LAYERING_SPREAD + cooling.LAYERING_SPREAD_PER_RATE * rate / 0.0125
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


@pytest.mark.parametrize("stirring", [False, True])
def test_over_a_long_time_everything_levels_out(stirring: bool) -> None:
    """After ten time constants: soak gone, tip at the paste beside it, the stem a few per cent cooler."""
    settled = (30.0, 0.0, -0.004, 0.3, 0.25, 39.5, 37.0)
    nothing = [[0.0] * SIZE for _ in range(SIZE)]
    regime = moved(1.0, stirring, nothing, x=settled)
    for _ in range(30_000 if not stirring else 1_500):
        regime = moved(1.0, stirring, nothing, x=regime.state)
    mean, _, soak, unmixed, layering, tip, stem = regime.state
    # A total of soak x T is what the bowl still took, summed in steps of a second.
    assert mean == pytest.approx(30.0 - 0.004 * cooling.SOAK_SECONDS, abs=0.01)
    assert soak == pytest.approx(0.0, abs=1e-6)
    assert unmixed == pytest.approx(0.0 if stirring else layering, abs=1e-3)
    assert tip == pytest.approx(mean + unmixed, abs=1e-3)
    assert stem == pytest.approx(tip - cooling.STEM_LOSS * (tip - ROOM), abs=1e-3)


@pytest.mark.parametrize(("soak", "share"), [(1.0, -1.5), (-1.0, 2.0)])
def test_layers_follow_the_heat_that_leaves_only_so_far(soak: float, share: float) -> None:
    """Paste that a bath heats or cools fast has no deeper layers than two (warmed: one and a half) usual ones."""
    nothing = [[0.0] * SIZE for _ in range(SIZE)]
    after = moved(600.0, True, nothing, x=(41.0, 1.0, soak, 0.0, 0.0, 41.0, 40.0))
    assert after.state[LAYERING] == pytest.approx(share * cooling.LAYERING_USUAL, rel=1e-6)
    spread = cooling.LAYERING_SPREAD + 2.0 * cooling.LAYERING_SPREAD_PER_RATE
    assert after.covariance[LAYERING][LAYERING] == pytest.approx(spread**2, rel=1e-6)


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
        Regime(0.5, True, TAU, STATE, tuple(tuple(row) for row in p)), celsius
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
    regime = Regime(0.5, True, TAU, STATE, tuple(tuple(row) for row in some_covariance(3)))
    wild, wilder = cooling._measure(regime, 85.0), cooling._measure(regime, 300.0)
    assert wild[1] == wilder[1] > 0.0


def mixture(several: list[Regime]) -> tuple[list[float], Matrix]:
    """Mean and covariance of a mixture of normal distributions (law of total variance)."""
    total = math.fsum(r.weight for r in several)
    mean = [math.fsum(r.weight * r.state[i] for r in several) / total for i in range(SIZE)]
    spread = [
        [
            math.fsum(
                r.weight * (r.covariance[i][j] + (r.state[i] - mean[i]) * (r.state[j] - mean[j])) for r in several
            )
            / total
            for j in range(SIZE)
        ]
        for i in range(SIZE)
    ]
    return mean, spread


def other(weight: float, stirring: bool, seed: int, shift: float) -> Regime:
    state = tuple(x + shift * (index + 1) for index, x in enumerate(STATE))
    return Regime(weight, stirring, TAU, state, tuple(tuple(row) for row in some_covariance(seed)))


@pytest.mark.parametrize("share", [0.0, 0.3, 0.97, 1.0])
def test_two_filters_blend_to_the_mixture_of_both(share: float) -> None:
    a, b = other(share, True, 4, 0.1), other(1.0 - share, False, 5, -0.05)
    mean, spread = mixture([a, b])
    state, covariance = cooling._blend(a, b, 3.0 * share, 3.0 * (1.0 - share))
    assert state == pytest.approx(mean)
    for found, wanted in zip(covariance, spread, strict=True):
        assert found == pytest.approx(wanted)


def bank(stirred: float) -> Cooling:
    return Cooling(100.0, ROOM, (other(stirred, True, 6, 0.02), other(1.0 - stirred, False, 7, -0.02)))


@pytest.mark.parametrize("stirred", [0.2, 0.9])
def test_one_reading_is_one_cycle_of_interacting_models(stirred: float) -> None:
    """Mix by the chances of changing over, move, weigh by the likelihood of the reading, normalise."""
    before, dt, celsius = bank(stirred), 1.0, 39.3
    stir, rest = before.bank
    # Constant rates out of either regime: the chance to have left within dt is 1 - exp(-rate dt).
    ends = 1.0 - math.exp(-dt * cooling.ENDS_STIRRING_PER_SECOND)
    begins = 1.0 - math.exp(-dt * cooling.BEGINS_STIRRING_PER_SECOND)
    moves, total = [], 0.0
    for stirring, from_stir, from_rest in ((True, 1.0 - ends, begins), (False, ends, 1.0 - begins)):
        shares = [replace(stir, weight=stir.weight * from_stir), replace(rest, weight=rest.weight * from_rest)]
        weight = shares[0].weight + shares[1].weight
        mean, spread = mixture(shares)
        moved_on = cooling._advance(weight, stirring, TAU, mean, spread, ROOM, dt, 0.0)
        after, likelihood, error, square = cooling._measure(moved_on, celsius)
        moves.append((after, weight, likelihood, error, square))
        total += weight * likelihood
    found = follow(before, 101.0, celsius)
    for regime, (after, weight, likelihood, _, _) in zip(found.bank, moves, strict=True):
        assert regime.weight == pytest.approx(weight * likelihood / total)
        assert regime.state == pytest.approx(after.state)
        assert regime.stirring is after.stirring
    miss = math.fsum(weight * error for _, weight, _, error, _ in moves)
    square = math.fsum(weight * (own + (error - miss) ** 2) for _, weight, _, error, own in moves)
    assert (found.surprise_celsius, found.surprise) == pytest.approx((miss, miss / math.sqrt(square)))
    assert (found.seconds, found.room_celsius, found.unsettled_until) == (101.0, ROOM, -math.inf)
    # What is told of it is the mixture of both.
    mean, spread = mixture(list(found.bank))
    assert (found.celsius, found.spread_celsius) == pytest.approx((mean[MEAN], math.sqrt(spread[MEAN][MEAN])))
    assert found.stirring == pytest.approx(found.bank[0].weight)
    slow = math.fsum(r.weight * flow(list(r.state), r.stirring)[MEAN] for r in found.bank)
    assert found.rate == pytest.approx(slow)


def test_a_long_gap_is_bridged_in_steps_of_two_seconds() -> None:
    """As if readings that say nothing had come between: the belief before the reading is the same."""
    before = bank(0.5)
    at_once = follow(before, 110.0, 39.3)
    stepwise = before.bank
    for _ in range(5):
        stepwise = cooling._pass(stepwise, ROOM, 2.0, 0.0)
    expected = follow(replace(before, bank=stepwise, seconds=110.0 - 1e-9), 110.0, 39.3)
    assert at_once.celsius == pytest.approx(expected.celsius, abs=1e-6)
    assert at_once.spread_celsius == pytest.approx(expected.spread_celsius, abs=1e-6)
    late = follow(before, 100.0 + 3 * 3600.0, 30.0)
    assert abs(late.celsius - 30.0) < 2.0 * late.spread_celsius


def test_a_time_constant_is_let_go_once_a_thousand_to_one_speaks_against_it() -> None:
    def pair(weight: float, tau: float) -> list[Regime]:
        halves = (other(weight / 2, True, 6, 0.0), other(weight / 2, False, 6, 0.0))
        return [replace(half, time_constant_seconds=tau) for half in halves]

    kept = cooling._prune([*pair(0.9975, 7.0), *pair(0.0005, 4.0), *pair(0.0020, 10.0)])
    assert [r.time_constant_seconds for r in kept] == [7.0, 7.0, 10.0, 10.0]
    assert math.fsum(r.weight for r in kept) == pytest.approx(1.0)
    assert kept[0].weight / kept[2].weight == pytest.approx(0.9975 / 0.0020)


def test_a_fresh_bank_knows_nothing_of_the_paste_and_rather_expects_the_stir_after_a_dip() -> None:
    fresh = start(CoolingSettings(20.0, 10.0), 5.0, 38.0)
    assert (fresh.seconds, fresh.room_celsius) == (5.0, 20.0)
    assert fresh.spread_celsius > 8.0
    assert 0.5 < fresh.stirring < 1.0
    assert math.fsum(r.weight for r in fresh.bank) == pytest.approx(1.0)
    assert all(r.state[TIP] == r.state[STEM] == 38.0 for r in fresh.bank)
    taus = sorted({r.time_constant_seconds for r in fresh.bank})
    assert len(taus) == 3
    assert taus[0] < 10.0 == taus[1] < taus[2]
    # A measured time constant is good to about a sixth either way.
    assert (taus[0] / 10.0, taus[2] / 10.0) == pytest.approx((1 / 1.18, 1.18), rel=0.01)
    assert 36.0 < fresh.celsius < 45.0  # what formula usually has when the probe goes in
    for regime in fresh.bank:
        assert regime.state[LOSS] == 1.0
        assert regime.state[UNMIXED] == 0.0
        assert 0.0 <= regime.state[LAYERING] <= cooling.LAYERING_USUAL
        assert -0.02 <= regime.state[SOAK] <= 0.0  # a bowl cooler than its paste takes some warmth at first
        off = [regime.covariance[i][j] for i in range(SIZE) for j in range(SIZE) if i != j]
        assert set(off) == {0.0}
        assert all(regime.covariance[i][i] > 0.0 for i in range(SIZE))


def test_a_disturbance_opens_what_it_can_change_and_nothing_else() -> None:
    before = bank(0.25)
    after = disturb(before, silence_seconds=3.0)
    assert math.fsum(r.weight for r in after.bank) == pytest.approx(1.0)
    assert after.stirring == pytest.approx(0.6)  # whoever does something to the bowl rather stirs than not
    assert (after.seconds, after.room_celsius) == (before.seconds, before.room_celsius)
    assert after.unsettled_until == before.seconds + 3.0 + cooling.UNSETTLED_SECONDS
    opened = (MEAN, SOAK, UNMIXED, LAYERING)
    for old, new in zip(before.bank, after.bank, strict=True):
        assert new.state[UNMIXED] == pytest.approx(old.state[UNMIXED] / 2.0)
        for i in range(SIZE):
            assert i == UNMIXED or new.state[i] == old.state[i]
            for j in range(SIZE):
                if i in opened and j in opened and i == j:
                    continue
                wanted = 0.0 if i in opened or j in opened else old.covariance[i][j]
                assert new.covariance[i][j] == wanted
        # Water may move the mean by several degrees and layers by half a one, a bath the rest by tenths a minute.
        spreads = {index: math.sqrt(new.covariance[index][index]) for index in opened}
        assert 4.0 < spreads[MEAN] < 9.0
        assert 0.4 < spreads[UNMIXED] < 1.6
        assert 0.2 < spreads[LAYERING] < 0.8
        assert 0.002 < spreads[SOAK] < 0.02


def test_after_a_disturbance_the_paste_goes_by_no_law_for_a_while() -> None:
    """Until then the mean wanders by more than a tenth of a degree a second, from then on hardly at all."""
    before = replace(bank(0.5), unsettled_until=105.0)
    for seconds, unsettled in ((105.0, cooling.UNSETTLED_DRIFT), (105.1, 0.0)):
        start_ = replace(before, seconds=seconds - 1.0)
        expected = cooling._pass(start_.bank, ROOM, 1.0, unsettled)
        spread = mixture([cooling._measure(r, 39.3)[0] for r in expected])[1][MEAN][MEAN]
        settled = mixture([cooling._measure(r, 39.3)[0] for r in cooling._pass(start_.bank, ROOM, 1.0, 0.0)])[1]
        assert (spread > settled[MEAN][MEAN]) is (unsettled > 0.0)
        found = follow(start_, seconds, 39.3)
        for regime, one in zip(found.bank, expected, strict=True):
            assert regime.covariance[MEAN] == pytest.approx(cooling._measure(one, 39.3)[0].covariance[MEAN])
