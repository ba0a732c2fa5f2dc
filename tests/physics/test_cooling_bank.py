"""The bank of filters: how it begins, how its regimes mix in one reading, what a disturbance opens, what it lets go.

The cycle of interacting models is that of Bar-Shalom, Li, Kirubarajan, Estimation with Applications to Tracking and
Navigation, 2001, 11.6.6, written down here without any of the short cuts of the code.
"""

import math
from dataclasses import replace

import pytest

from sensord.physics import cooling
from sensord.physics.cooling import Cooling, CoolingSettings, disturb, follow, start
from sensord.physics.regime import (
    LAYERING,
    LOSS,
    MEAN,
    SIZE,
    SOAK,
    SOAK_SECONDS,
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
    rate_of,
)
from tests.physics.test_regime import STATE, some_covariance

ROOM = 21.0
RIM = cooling.RIM_SHARE


def three(tau: float = 7.0, weights: tuple[float, float, float] = (0.3, 0.5, 0.2), seed: int = 1) -> list[Regime]:
    """Three regimes of one time constant that differ in state, covariance and skin."""
    return [
        Regime(weight, spot, tau, tuple(x + 0.1 * n for x in STATE), packed(some_covariance(seed + n)), 0.3 * n)
        for n, (weight, spot) in enumerate(zip(weights, Spot, strict=True))
    ]


def about(one: Regime, other: Regime) -> bool:
    """Whether two filters are the same but for rounding."""
    assert (one.spot, one.time_constant_seconds) == (other.spot, other.time_constant_seconds)
    assert one.weight == pytest.approx(other.weight)
    assert one.state == pytest.approx(other.state)
    assert one.covariance == pytest.approx(other.covariance, rel=1e-9, abs=1e-12)
    return one.skin == pytest.approx(other.skin)


def cycled(bank: list[Regime], dt: float, unsettled: float, bathed: bool = False) -> list[Regime]:
    """One step of the regimes by the book: flows from each to each, mixing, then the model of each."""
    stirred, core, rim = bank
    begin, end = 1.0 - math.exp(-dt / 75.0), 1.0 - math.exp(-dt / 14.0)
    flows = {
        Spot.STIRRED: [(stirred, stirred.weight * (1 - end)), (core, core.weight * begin), (rim, rim.weight * begin)],
        Spot.CORE: [(core, core.weight * (1 - begin)), (stirred, stirred.weight * end * (1 - RIM))],
        Spot.RIM: [
            (rim, rim.weight * (1 - begin)),
            (laid(stirred._replace(spot=Spot.RIM), ROOM), stirred.weight * end * RIM),
        ],
    }
    step = Step.of(dt, ROOM, unsettled, bathed)
    moved = []
    for spot, parts in flows.items():
        total, shares = parts[0]
        for more, share in parts[1:]:
            total = blend(total, more, shares, share)
            shares += share
        moved.append(predicted(total._replace(weight=shares, spot=spot), step))
    return moved


@pytest.mark.parametrize("unsettled_until", [-math.inf, 1e9])
def test_a_reading_is_one_cycle_of_the_book(unsettled_until: float) -> None:
    bank = three()
    before = Cooling(seconds=100.0, room_celsius=ROOM, bank=tuple(bank), unsettled_until=unsettled_until, habit=1.2)
    after = follow(before, 101.5, 39.9)
    drift = 0.0 if unsettled_until < 0.0 else cooling.UNSETTLED_DRIFT
    taken = [measure(one, 39.9) for one in cycled(bank, 1.5, drift, before.bathed)]
    total = math.fsum(m.regime.weight * m.likelihood for m in taken)
    for found, m in zip(after.bank, taken, strict=True):
        assert about(found, m.regime.weighing(m.regime.weight * m.likelihood / total))
    weights = [m.regime.weight for m in taken]
    miss = math.fsum(w * m.error for w, m in zip(weights, taken, strict=True))
    variance = math.fsum(w * (m.expected + (m.error - miss) ** 2) for w, m in zip(weights, taken, strict=True))
    assert after.surprise_celsius == pytest.approx(miss)
    assert after.surprise == pytest.approx(miss / math.sqrt(variance))
    assert (after.seconds, after.room_celsius, after.unsettled_until) == (101.5, ROOM, unsettled_until)
    factor = math.fsum(one.weight * one.loss_factor for one in after.bank)
    assert after.habit == pytest.approx(factor + (1.2 - factor) * math.exp(-1.5 / cooling.HABIT_SECONDS))


def test_a_long_gap_is_bridged_in_steps_of_two_seconds_and_a_very_long_one_in_sixty() -> None:
    for gap, steps in ((7.0, 4), (8.0, 4), (500.0, 60)):
        bank = three()
        bathed = Cooling(seconds=0.0, room_celsius=ROOM, bank=tuple(bank)).bathed
        for _ in range(steps):
            bank = cycled(bank, gap / steps, 0.0, bathed)
        after = follow(Cooling(seconds=0.0, room_celsius=ROOM, bank=tuple(three())), gap, 38.0)
        taken = [measure(one, 38.0) for one in bank]
        for found, m in zip(after.bank, taken, strict=True):
            assert found.state == pytest.approx(m.regime.state)


def test_regimes_of_one_time_constant_do_not_mix_with_those_of_another() -> None:
    both = follow(
        Cooling(seconds=0.0, room_celsius=ROOM, bank=(*three(7.0, (0.1, 0.3, 0.1)), *three(4.0, (0.2, 0.2, 0.1), 8))),
        1.0,
        39.9,
    )
    alone = follow(Cooling(seconds=0.0, room_celsius=ROOM, bank=tuple(three(4.0, (0.2, 0.2, 0.1), 8))), 1.0, 39.9)
    for found, expected in zip(both.bank[3:], alone.bank, strict=True):
        assert found.state == pytest.approx(expected.state)


def test_what_is_told_of_the_bank_is_told_of_its_mixture() -> None:
    bank = three()
    one = Cooling(seconds=0.0, room_celsius=ROOM, bank=tuple(bank))
    mean = math.fsum(r.weight * r.state[MEAN] for r in bank)
    assert one.celsius == pytest.approx(mean)
    square = math.fsum(r.weight * (r.covary(MEAN, MEAN) + r.state[MEAN] ** 2) for r in bank)
    assert one.spread_celsius == pytest.approx(math.sqrt(square - mean**2))
    assert one.rate == pytest.approx(math.fsum(r.weight * rate_of(r, ROOM) for r in bank))
    assert one.stirring == pytest.approx(bank[0].weight)


def test_a_bath_is_what_goes_on_giving_heat_after_the_bowl_has_levelled_out() -> None:
    def given(soak: float, seconds: float) -> bool:
        bank = tuple(r._replace(state=(*r.state[:SOAK], soak, *r.state[SOAK + 1 :])) for r in three())
        return Cooling(seconds=seconds, room_celsius=ROOM, bank=bank, unsettled_until=50.0).bathed

    assert given(1.1 * cooling.BATH_PER_SECOND, 50.0 + SOAK_SECONDS + 0.1)
    assert not given(1.1 * cooling.BATH_PER_SECOND, 50.0 + SOAK_SECONDS)
    assert not given(0.9 * cooling.BATH_PER_SECOND, 900.0)


@pytest.mark.parametrize("known", [None, 6.0])
def test_after_a_dip_nothing_is_known_but_what_the_probe_says(known: float | None) -> None:
    begun = start(CoolingSettings(23.0, known), 50.0, 31.5)
    taus = cooling.TIME_CONSTANTS_SECONDS if known is None else (0.85 * known, known, 1.18 * known)
    assert [r.time_constant_seconds for r in begun.bank] == [tau for tau in taus for _ in Spot]
    assert [r.spot for r in begun.bank] == list(Spot) * len(taus)
    shares = (0.7, 0.3 * (1.0 - RIM), 0.3 * RIM)
    assert [r.weight for r in begun.bank] == pytest.approx([share / len(taus) for _ in taus for share in shares])
    assert (begun.seconds, begun.room_celsius, begun.habit, begun.unsettled_until) == (50.0, 23.0, 1.0, -math.inf)
    for one in begun.bank:
        assert one.state[TIP] == one.state[-1] == 31.5
        spreads = [math.sqrt(one.covary(i, i)) for i in range(SIZE) if i != LAYERING]
        assert spreads == pytest.approx([s for i, s in enumerate(cooling.START_SPREADS) if i != LAYERING])
        assert one == laid(one, 23.0)
        assert all(one.covary(i, j) == 0.0 for i in range(SIZE) for j in range(i))


def test_a_disturbance_opens_mean_soak_and_evenness_and_leaves_the_rest() -> None:
    before = replace(
        Cooling(seconds=80.0, room_celsius=ROOM, bank=(*three(7.0, (0.1, 0.3, 0.1)), *three(4.0, (0.2, 0.2, 0.1), 8))),
        habit=1.3,
    )
    after = disturb(replace(before, surprise=9.0, surprise_celsius=2.0), silence_seconds=5.0)
    assert (after.seconds, after.habit, after.surprise, after.surprise_celsius) == (80.0, 1.3, 0.0, 0.0)
    assert after.unsettled_until == 80.0 + 5.0 + cooling.UNSETTLED_SECONDS
    assert [r.weight for r in after.bank] == pytest.approx([0.3, 0.2 * (1 - RIM), 0.2 * RIM] * 2)
    for was, now in zip(before.bank, after.bank, strict=True):
        assert (now.spot, now.time_constant_seconds, now.skin) == (was.spot, was.time_constant_seconds, was.skin)
        assert (now.state[MEAN], now.state[LOSS], now.state[SOAK], now.state[UNMIXED]) == (*was.state[:3], 0.0)
        assert now.state[TIP:] == was.state[TIP:]
        assert now.covary(MEAN, MEAN) == pytest.approx(cooling.ANEW_CELSIUS**2)
        assert now.covary(UNMIXED, UNMIXED) == pytest.approx(cooling.ANEW_UNMIXED**2)
        # What the mean gains of a sudden, the bowl takes from it at BOWL_PER_SECOND of it.
        given_back = cooling.BOWL_PER_SECOND * cooling.ANEW_CELSIUS
        assert now.covary(SOAK, SOAK) == pytest.approx(cooling.ANEW_SOAK**2 + given_back**2)
        assert now.covary(MEAN, SOAK) == pytest.approx(-given_back * cooling.ANEW_CELSIUS)
        assert now.covary(LOSS, TIP) == was.covary(LOSS, TIP)
        assert now.covary(MEAN, LOSS) == now.covary(UNMIXED, TIP) == now.covary(SOAK, TIP) == 0.0
        assert now == laid(now, ROOM)


def test_a_time_constant_is_let_go_once_a_thousand_to_one_speaks_against_it() -> None:
    def shares(total: float, tau: float) -> list[Regime]:
        return three(tau, (total / 2, total / 4, total / 4))

    kept = cooling._prune([*shares(0.9975, 7.0), *shares(0.0005, 4.0), *shares(0.0020, 10.0)])
    assert [r.time_constant_seconds for r in kept] == [7.0] * 3 + [10.0] * 3
    assert math.fsum(r.weight for r in kept) == pytest.approx(1.0)
    assert kept[0].weight / kept[3].weight == pytest.approx(0.9975 / 0.0020)


def test_time_that_runs_backwards_or_stands_still_changes_nothing() -> None:
    one = Cooling(seconds=80.0, room_celsius=ROOM, bank=tuple(three()))
    assert follow(one, 80.0, 99.0) is follow(one, 79.0, 99.0) is one
