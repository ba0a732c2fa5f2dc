"""The outlook against the differential equation that its closed solution solves, and first-order error propagation.

The reference integrates d mean/dt = -loss k (mean - room) + soak(t), d soak/dt = -soak/T by Runge and Kutta's fourth
order and differentiates it numerically; no formula is shared with the code.
"""

import math
from collections.abc import Callable

import pytest

from sensord.physics.cooling import Cooling
from sensord.physics.outlook import DRIFT_SHARE, HORIZON_SECONDS, WINDOW_SHARE, look_ahead
from sensord.physics.regime import (
    BATH_SECONDS,
    LOSS,
    MEAN,
    SIZE,
    SOAK,
    SOAK_SECONDS,
    USUAL_LOSS_PER_SECOND,
    Regime,
    Spot,
    packed,
    warmth,
)
from sensord.readings import Band

ROOM = 21.0
BAND = Band(36.0, 38.0)
# Quantile of the standard normal distribution, 5 % in either tail (any table of it).
Z = 1.645
Known = tuple[float, float, float]


def course(known: Known, seconds: float, soak_seconds: float = SOAK_SECONDS) -> float:
    """The mean of the paste by Runge and Kutta."""

    def rates(mean: float, soak: float) -> tuple[float, float]:
        return -known[1] * USUAL_LOSS_PER_SECOND * (mean - ROOM) + soak, -soak / soak_seconds

    mean, soak = known[0], known[2]
    count = max(1, math.ceil(seconds / 8.0))
    h = seconds / count
    for _ in range(count):
        a = rates(mean, soak)
        b = rates(mean + h / 2 * a[0], soak + h / 2 * a[1])
        c = rates(mean + h / 2 * b[0], soak + h / 2 * b[1])
        d = rates(mean + h * c[0], soak + h * c[1])
        mean += h / 6 * (a[0] + 2 * b[0] + 2 * c[0] + d[0])
        soak += h / 6 * (a[1] + 2 * b[1] + 2 * c[1] + d[1])
    return mean


def root(of: Callable[[float], float], low: float, high: float) -> float:
    """Where a function that is positive at `low` and not at `high` comes down to nothing."""
    for _ in range(40):
        middle = (low + high) / 2.0
        low, high = (middle, high) if of(middle) > 0.0 else (low, middle)
    return high


def gradient(of: Callable[[Known], float], known: Known) -> list[float]:
    found = []
    for index, step in enumerate((0.01, 0.002, 0.0001)):
        up, down = list(known), list(known)
        up[index] += step
        down[index] -= step
        found.append((of((up[0], up[1], up[2])) - of((down[0], down[1], down[2]))) / (2 * step))
    return found


def variance(slopes: list[float], covariance: dict[tuple[int, int], float]) -> float:
    return sum(slopes[i] * slopes[j] * value for (i, j), value in covariance.items())


def believed(known: Known, covariance: dict[tuple[int, int], float], weight: float = 1.0) -> Regime:
    places = (MEAN, LOSS, SOAK)
    state = [known[0], 1.0, 0.0, 0.0, 0.0, known[0], known[0]]
    rows = [[0.0] * SIZE for _ in range(SIZE)]
    # The losses on the way are those of half-way to the band.
    edge = min(max(known[0], BAND.low_celsius), BAND.high_celsius)
    scale = (1.0, 1.0 / warmth((known[0] + edge) / 2.0), 1.0)
    for i, place in enumerate(places):
        state[place] = scale[i] * known[i]
    for (i, j), value in covariance.items():
        rows[places[i]][places[j]] = scale[i] * scale[j] * value
    return Regime(weight, Spot.CORE, 7.0, tuple(state), packed(rows))


def cooling(known: Known, covariance: dict[tuple[int, int], float]) -> Cooling:
    """Half a minute after a disturbance, when what the bowl gives is its own and no bath's."""
    return Cooling(seconds=0.0, room_celsius=ROOM, bank=(believed(known, covariance),), unsettled_until=-30.0)


# Standard deviations 0.3 °C, 0.12 and 0.002 °C/s, correlated as they are after some minutes of readings.
VARIANCES = {(0, 0): 0.09, (1, 1): 0.0144, (2, 2): 4e-6}
ACROSS = {(0, 1): -0.012, (0, 2): 1.2e-4, (1, 2): -5e-5}
COVARIANCE = VARIANCES | ACROSS | {(j, i): value for (i, j), value in ACROSS.items()}
HOT: Known = (42.0, 1.3, -0.012)
WARMED: Known = (34.5, 0.8, 0.06)


@pytest.mark.parametrize(("known", "edge"), [(HOT, 38.0), ((40.0, 0.6, 0.004), 38.0), (WARMED, 36.0)])
def test_the_band_is_entered_when_the_equation_says_so(known: Known, edge: float) -> None:
    sign = 1.0 if known[0] > edge else -1.0
    ready = look_ahead(cooling(known, {}), BAND, 0.0).ready_in_seconds
    assert ready is not None
    expected = root(lambda t: sign * (course(known, t) - edge), 0.0, 60.0 if sign < 0 else 4000.0)
    assert ready.middle == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize("offset", [0.0, 0.25])
def test_the_interval_of_the_entry_is_first_order_error_propagation(offset: float) -> None:
    ready = look_ahead(cooling(HOT, COVARIANCE), BAND, offset).ready_in_seconds
    assert ready is not None

    def spread(seconds: float) -> float:
        slopes = gradient(lambda known: course(known, seconds), HOT)
        drift = DRIFT_SHARE * (course(HOT, seconds) - HOT[0])
        return math.sqrt(variance(slopes, COVARIANCE) + offset**2 + drift**2)

    low = root(lambda t: course(HOT, t) - Z * spread(t) - BAND.high_celsius, 0.0, 3000.0)
    high = root(lambda t: course(HOT, t) + Z * spread(t) - BAND.high_celsius, 0.0, 3000.0)
    assert (ready.low, ready.high) == pytest.approx((low, high), rel=5e-3)


def test_the_interval_of_an_entry_from_below_is_the_other_way_round() -> None:
    covariance = {(0, 0): 0.01}
    ready = look_ahead(cooling(WARMED, covariance), BAND, 0.0).ready_in_seconds
    assert ready is not None

    def spread(seconds: float) -> float:
        drift = DRIFT_SHARE * (course(WARMED, seconds) - WARMED[0])
        return math.sqrt(variance(gradient(lambda known: course(known, seconds), WARMED), covariance) + drift**2)

    low = root(lambda t: BAND.low_celsius - course(WARMED, t) - Z * spread(t), 0.0, 60.0)
    high = root(lambda t: BAND.low_celsius - course(WARMED, t) + Z * spread(t), 0.0, 60.0)
    assert (ready.low, ready.high) == pytest.approx((low, high), rel=0.01)


def times(known: Known, shift: float = 0.0) -> tuple[float, float]:
    """When a course that falls through the band enters and leaves it, for a probe that is off by `shift`."""
    enters = root(lambda t: course(known, t) + shift - BAND.high_celsius, 0.0, 4000.0)
    leaves = root(lambda t: course(known, t) + shift - BAND.low_celsius, 0.0, 4000.0)
    return (0.0 if known[0] + shift <= BAND.high_celsius else enters), leaves


@pytest.mark.parametrize("offset", [0.0, 0.25])
@pytest.mark.parametrize("known", [HOT, (37.4, 1.1, -0.004)])
def test_the_window_is_the_time_between_both_edges_with_its_propagated_error(known: Known, offset: float) -> None:
    window = look_ahead(cooling(known, COVARIANCE), BAND, offset).open_for_seconds
    assert window is not None
    enters, leaves = times(known)
    assert window.middle == pytest.approx(leaves - enters, rel=5e-3)

    def length(one: Known, shift: float = 0.0) -> float:
        enters, leaves = times(one, shift)
        return leaves - enters

    by_offset = (length(known, 0.01) - length(known, -0.01)) / 0.02
    spread = math.sqrt(variance(gradient(length, known), COVARIANCE) + (by_offset * offset) ** 2)
    share = math.sqrt((spread / window.middle) ** 2 + WINDOW_SHARE**2)
    # A length that cannot be negative is taken as log-normal: its logarithm's variance is ln(1 + share²).
    wide = Z * math.sqrt(math.log(1.0 + share**2))
    assert (window.low, window.high) == pytest.approx(
        (window.middle * math.exp(-wide), window.middle * math.exp(wide)), rel=5e-3
    )


def test_a_window_that_ends_at_the_upper_edge_is_found_too() -> None:
    """A warm bath: the paste rises through the whole band."""
    outlook = look_ahead(cooling(WARMED, {}), BAND, 0.0)
    assert outlook.open_for_seconds is not None
    assert outlook.ready_in_seconds is not None
    enters = root(lambda t: BAND.low_celsius - course(WARMED, t), 0.0, 60.0)
    leaves = root(lambda t: BAND.high_celsius - course(WARMED, t), 0.0, 210.0)
    assert outlook.open_for_seconds.middle == pytest.approx(leaves - enters, rel=0.02)


def test_a_bath_goes_on_warming_where_a_warm_bowl_would_have_done() -> None:
    known: Known = (34.5, 0.6, 0.017)
    assert look_ahead(cooling(known, {}), BAND, 0.0).never
    bathed = Cooling(seconds=0.0, room_celsius=ROOM, bank=(believed(known, {}),))
    outlook = look_ahead(bathed, BAND, 0.0)
    assert outlook.ready_in_seconds is not None
    expected = root(lambda t: BAND.low_celsius - course(known, t, BATH_SECONDS), 0.0, 900.0)
    assert outlook.ready_in_seconds.middle == pytest.approx(expected, rel=2e-3)


def test_paste_that_rises_into_the_band_and_falls_out_again_has_its_whole_stay_as_window() -> None:
    known: Known = (35.5, 1.0, 0.03)
    outlook = look_ahead(cooling(known, {}), BAND, 0.0)
    assert outlook.open_for_seconds is not None
    enters = root(lambda t: BAND.low_celsius - course(known, t), 0.0, 60.0)
    leaves = root(lambda t: course(known, t) - BAND.low_celsius, 100.0, 4000.0)
    assert outlook.open_for_seconds.middle == pytest.approx(leaves - enters, rel=0.01)


def test_paste_that_stays_in_the_band_has_no_end_of_the_window() -> None:
    """In a room of 37 °C nothing leaves a band around 37 °C."""
    settled = Cooling(seconds=0.0, room_celsius=37.0, bank=(believed((37.2, 1.0, 0.0), {}),))
    outlook = look_ahead(settled, BAND, 0.1)
    assert outlook.open_for_seconds is None
    assert not outlook.never
    assert outlook.ready_in_seconds is not None
    assert (outlook.ready_in_seconds.middle, outlook.ready_in_seconds.low) == (0.0, 0.0)


@pytest.mark.parametrize("edge", [BAND.low_celsius, BAND.high_celsius])
def test_paste_on_an_edge_is_in_the_band_already(edge: float) -> None:
    ready = look_ahead(cooling((edge, 1.0, 0.0), {}), BAND, 0.0).ready_in_seconds
    assert ready is not None
    assert (ready.middle, ready.low) == (0.0, 0.0)


def test_paste_that_seems_to_be_in_the_band_may_still_have_to_cool() -> None:
    """0.2 °C under the upper edge, known to 0.4 °C: at the 95th percentile it is 0.46 °C over, and must lose that."""
    known, covariance = (37.8, 1.0, 0.0), {(0, 0): 0.16}
    ready = look_ahead(cooling(known, covariance), BAND, 0.0).ready_in_seconds
    assert ready is not None

    def late(seconds: float) -> float:
        drift = DRIFT_SHARE * (course(known, seconds) - known[0])
        slope = gradient(lambda one: course(one, seconds), known)[0]
        return course(known, seconds) + Z * math.sqrt(0.16 * slope**2 + drift**2) - BAND.high_celsius

    assert ready.high == pytest.approx(root(late, 0.0, 500.0), rel=0.01)


def test_paste_that_seems_warm_enough_may_still_have_to_warm() -> None:
    known, covariance = (36.2, 1.0, 0.03), {(0, 0): 0.09}
    ready = look_ahead(cooling(known, covariance), BAND, 0.0).ready_in_seconds
    assert ready is not None

    def late(seconds: float) -> float:
        drift = DRIFT_SHARE * (course(known, seconds) - known[0])
        slope = gradient(lambda one: course(one, seconds), known)[0]
        return BAND.low_celsius - course(known, seconds) + Z * math.sqrt(0.09 * slope**2 + drift**2)

    assert ready.high == pytest.approx(root(late, 0.0, 60.0), rel=0.02)


def test_what_may_be_ready_but_perhaps_never_has_its_late_end_at_the_horizon() -> None:
    """Paste that warms to just over the band's lower edge: at the cool end of what is believed it never gets there."""
    known: Known = (35.6, 1.0, 0.025)
    assert max(course(known, t) for t in range(0, 300, 10)) == pytest.approx(36.2, abs=0.1)
    ready = look_ahead(cooling(known, {(0, 0): 0.25}), BAND, 0.0).ready_in_seconds
    assert ready is not None
    assert ready.low == 0.0
    assert math.isfinite(ready.middle)
    assert ready.high == HORIZON_SECONDS


def test_beyond_the_horizon_it_is_never() -> None:
    """Two hours are the horizon: a dish in a warm room that needs three will not get there on this course."""
    room = 37.0
    for hours, never in ((1.5, False), (3.0, True)):
        loss = math.log((50.0 - room) / (38.0 - room)) / (hours * 3600.0) / USUAL_LOSS_PER_SECOND
        outlook = look_ahead(
            Cooling(seconds=0.0, room_celsius=room, bank=(believed((50.0, loss, 0.0), {}),)), BAND, 0.0
        )
        assert outlook.never is never
        assert (outlook.ready_in_seconds is None) is never
    assert HORIZON_SECONDS == 2 * 3600.0


def test_two_beliefs_count_as_their_mixture() -> None:
    """Mean and variance of a mixture: law of total variance, here 0.3 and 0.7 of two paste means 1 °C apart."""
    one, two = believed((41.5, 1.0, 0.0), {(0, 0): 0.04}, 0.3), believed((42.5, 1.0, 0.0), {(0, 0): 0.04}, 0.7)
    mixed = look_ahead(Cooling(seconds=0.0, room_celsius=ROOM, bank=(one, two)), BAND, 0.0)
    alone = look_ahead(cooling((42.2, 1.0, 0.0), {(0, 0): 0.04 + 0.3 * 0.7 * 1.0**2}), BAND, 0.0)
    assert mixed.ready_in_seconds is not None
    assert alone.ready_in_seconds is not None
    assert (mixed.ready_in_seconds.low, mixed.ready_in_seconds.middle, mixed.ready_in_seconds.high) == pytest.approx(
        (alone.ready_in_seconds.low, alone.ready_in_seconds.middle, alone.ready_in_seconds.high), rel=3e-3
    )


def test_a_bowl_that_levels_out_as_fast_as_the_paste_cools_is_no_division_by_nothing() -> None:
    known: Known = (42.0, 1.0 / (SOAK_SECONDS * USUAL_LOSS_PER_SECOND), 0.05)
    ready = look_ahead(cooling(known, {}), BAND, 0.0).ready_in_seconds
    assert ready is not None
    assert ready.middle == pytest.approx(root(lambda t: course(known, t) - 38.0, 0.0, 200.0), rel=2e-3)


@pytest.mark.parametrize("known", [HOT, (37.4, 1.1, -0.004)])
def test_a_course_known_exactly_still_has_what_the_model_leaves_out(known: Known) -> None:
    window = look_ahead(cooling(known, {}), BAND, 0.0).open_for_seconds
    assert window is not None
    wide = Z * math.sqrt(math.log(1.0 + WINDOW_SHARE**2))
    assert (window.low / window.middle, window.high / window.middle) == pytest.approx((math.exp(-wide), math.exp(wide)))
