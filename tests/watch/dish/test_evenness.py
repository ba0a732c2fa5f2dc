"""Hot spots: what stirring does to readings in even paste, beside a lump, and after water was added."""

import math
from collections.abc import Callable

import pytest

from sensord.readings import Reading
from sensord.watch.dish.evenness import Believed, Evenness, Shown, evenness_of, mean_remembered, sign_of

ROOM = 21.0
# The daemon has been up for more than a day: only differences of times may count.
UP = 100_000.0


def readings(celsius: Callable[[float], float], stop: float = 60.0, last: float = 40.0) -> tuple[Reading, ...]:
    """One a second, the last 40 s of them as the watch keeps them."""
    return tuple(Reading("dish", UP + s, celsius(float(s))) for s in range(int(stop - last), int(stop) + 1))


def climbs(by: float, begin: float = 45.0, tau: float = 2.5, fall: float = 0.01) -> Callable[[float], float]:
    """Falling slowly, then a climb by so much that comes to rest."""

    def celsius(t: float) -> float:
        if t < begin:
            return 40.0 - fall * t
        return 40.0 - fall * begin + by * (1.0 - math.exp(-(t - begin) / tau))

    return celsius


def spot(celsius: Callable[[float], float], since_dip: float = 60.0, room: float = ROOM) -> bool:
    return sign_of(readings(celsius), (), since_dip, room) is Shown.HOT_SPOT


@pytest.mark.parametrize(("by", "found"), [(0.2, False), (0.28, False), (0.38, True), (0.8, True), (0.95, False)])
def test_a_climb_more_than_even_paste_and_less_than_water_is_a_hot_spot(by: float, found: bool) -> None:
    """1.6 % of 19 °C over the room are 0.3 °C; over 0.85 °C somebody added water."""
    assert spot(climbs(by)) is found


def test_paste_near_the_room_needs_three_tenths_of_a_degree() -> None:
    for by, found in ((0.25, False), (0.33, True)):
        assert spot(climbs(by), room=37.0) is found


def test_a_climb_that_goes_on_is_not_judged_yet() -> None:
    assert not spot(climbs(1.2, begin=50.0, tau=14.0))


def test_a_climb_out_of_readings_that_rose_before_is_no_sign() -> None:
    assert spot(climbs(0.6, fall=0.0))
    assert not spot(climbs(0.6, fall=-0.01))


def leaps(by: float, back: float) -> Callable[[float], float]:
    """Falling, up within three seconds, and down again by so much."""

    def celsius(t: float) -> float:
        base = 40.0 - 0.01 * min(t, 44.0)
        if t < 45.0:
            return base
        if t < 52.0:
            return base + by
        return base + by - back

    return celsius


@pytest.mark.parametrize(
    ("by", "back", "found"), [(0.8, 0.8, True), (0.65, 0.65, False), (0.9, 0.55, True), (0.9, 0.45, True)]
)
def test_a_leap_that_comes_down_again_is_a_hot_spot(by: float, back: float, found: bool) -> None:
    """Up by more than 0.7 and down again by more than 0.5 °C; what stays up is a climb."""
    assert spot(leaps(by, back)) is found


def test_a_leap_that_has_come_all_the_way_down_is_one_too() -> None:
    """At the end nothing has risen; but in between it was seven tenths and more over where it began."""
    assert spot(lambda t: 40.0 - 0.01 * t + (0.9 if 46.0 <= t < 50.0 else 0.0))


def test_a_fall_before_the_leap_is_no_leap() -> None:
    """The highest came first: paste that was stirred cooler."""
    assert not spot(lambda t: 41.0 if t < 46.0 else 40.0 if t < 55.0 else 40.2)


def test_right_after_a_dip_and_with_few_readings_nothing_is_told() -> None:
    assert not spot(climbs(0.6), since_dip=44.0)
    assert spot(climbs(0.6), since_dip=45.0)
    whole = readings(climbs(0.6))
    # Two dozen readings at the least, and a slope before the climb.
    assert not sign_of(whole[-23:], (), 60.0, ROOM)
    sparse = tuple(r for r in readings(climbs(0.6), last=60.0) if r.seconds % 2 == 0)
    assert not sign_of(sparse, (), 60.0, ROOM)


def test_even_paste_that_cools_shows_nothing_however_it_is_stirred() -> None:
    """A tip that had lain near the rim climbs as far as the mean; one in the core falls."""
    for by in (-0.5, -0.2, 0.0, 0.2):
        assert not spot(climbs(by))


# --- how long it is uneven


def test_a_sign_makes_it_uneven_and_a_new_one_renews_it() -> None:
    uneven = evenness_of(Evenness(), 100.0, Shown.HOT_SPOT, 0.0)
    assert uneven == Evenness(uneven_since=100.0, evidence_seconds=100.0)
    assert evenness_of(uneven, 130.0, Shown.HOT_SPOT, 0.0) == Evenness(uneven_since=100.0, evidence_seconds=130.0)
    even = Evenness()
    assert evenness_of(even, 200.0, None, 1.0) is even


def test_a_stir_without_a_new_sign_clears_it_after_three_quarters_of_a_minute() -> None:
    uneven = Evenness(uneven_since=100.0, evidence_seconds=100.0)
    stirred = evenness_of(uneven, 111.0, None, 0.7)
    assert stirred.stirred_since
    later = evenness_of(stirred, 145.0, None, 0.0)
    assert later.uneven_since == 100.0
    assert evenness_of(later, 145.1, None, 0.0) == Evenness()
    assert evenness_of(uneven, 145.1, None, 0.0).uneven_since == 100.0  # nobody stirred


def test_the_stir_that_showed_it_does_not_count() -> None:
    uneven = Evenness(uneven_since=100.0, evidence_seconds=100.0)
    assert not evenness_of(uneven, 104.0, None, 0.7).stirred_since
    assert not evenness_of(uneven, 110.0, None, 0.7).stirred_since
    assert not evenness_of(uneven, 111.0, None, 0.6).stirred_since
    assert not evenness_of(uneven, 145.1, None, 0.0).stirred_since
    # One long stir: seen at once when it has cleared.
    assert evenness_of(uneven, 146.0, None, 0.9) == Evenness()


def test_after_five_minutes_it_is_forgotten() -> None:
    uneven = Evenness(uneven_since=100.0, evidence_seconds=150.0)
    assert evenness_of(uneven, 450.0, None, 0.0).uneven_since == 100.0
    assert evenness_of(uneven, 450.1, None, 0.0) == Evenness()
    fresh = evenness_of(uneven, 450.0, None, 0.0)
    assert fresh.evidence_seconds == 150.0


def test_two_dozen_readings_are_enough() -> None:
    whole = readings(climbs(0.6))
    assert sign_of(whole[-24:], (), 60.0, ROOM)


@pytest.mark.parametrize("began", [20.0, 100_000.0])
def test_ages_are_differences_whenever_the_day_began(began: float) -> None:
    uneven = Evenness(uneven_since=began, evidence_seconds=began)
    assert evenness_of(uneven, began + 11.0, None, 0.7).stirred_since
    assert not evenness_of(uneven, began + 9.0, None, 0.7).stirred_since
    stirred = Evenness(uneven_since=began, evidence_seconds=began, stirred_since=True)
    assert evenness_of(stirred, began + 45.0, None, 0.0).uneven_since == began
    assert evenness_of(stirred, began + 46.0, None, 0.0) == Evenness()
    assert evenness_of(uneven, began + 300.0, None, 0.0).uneven_since == began
    assert evenness_of(uneven, began + 301.0, None, 0.0) == Evenness()


def test_it_is_judged_at_the_newest_reading() -> None:
    """The climb comes to rest with the last six seconds; a second before, it was still on its way."""
    taken = readings(climbs(0.6, begin=45.0, tau=2.0), stop=70.0, last=50.0)
    first = next(n for n in range(24, len(taken)) if sign_of(taken[:n], (), 60.0, ROOM))
    last = taken[first - 1]
    slope_seconds = [r for r in taken[:first] if r.seconds >= last.seconds - 6.3]
    mean_t = sum(r.seconds for r in slope_seconds) / len(slope_seconds)
    square = sum((r.seconds - mean_t) ** 2 for r in slope_seconds)
    rest = sum((r.seconds - mean_t) * r.celsius for r in slope_seconds) / square
    # At rest is less than 0.02 °C a second over the last six seconds and a bit, and it had not been so before.
    assert abs(rest) < 0.02
    before = [r for r in taken[: first - 1] if r.seconds >= last.seconds - 1.0 - 6.3]
    mean_t = sum(r.seconds for r in before) / len(before)
    square = sum((r.seconds - mean_t) ** 2 for r in before)
    assert abs(sum((r.seconds - mean_t) * r.celsius for r in before) / square) >= 0.02


def test_a_dozen_readings_in_eighteen_seconds_are_enough() -> None:
    """Every second before the climb; then with holes."""
    whole = readings(climbs(0.6), stop=60.0, last=60.0)
    for holes, found in (((43, 44, 46, 48, 49, 51, 53), True), ((43, 44, 46, 48, 49, 51, 53, 52), False)):
        some = tuple(r for r in whole if r.seconds - UP not in holes)
        assert sum(r.seconds >= UP + 42.0 for r in some) == 19 - len(holes)
        assert (sign_of(some, (), 60.0, ROOM) is Shown.HOT_SPOT) is found


def test_the_lowest_before_the_climb_counts_wherever_it_was() -> None:
    """A dip just before the climb, not at the beginning of the window."""

    def celsius(t: float) -> float:
        if t < 46.0:
            return 40.0 - 0.01 * t
        return 39.3 if t < 50.0 else 39.3 + 0.6 * (1.0 - math.exp(-(t - 50.0) / 1.5))

    assert spot(celsius)


# --- what was believed of the mean before the climb


def given(*celsius: float) -> tuple[Reading, ...]:
    return tuple(Reading("dish", float(second), value) for second, value in enumerate(celsius))


def believing(celsius: float, spread: float) -> tuple[Believed, ...]:
    return tuple(Believed(float(second), celsius, spread) for second in range(40))


REST = [38.0 - 0.01 * second for second in range(24)]
CLIMB = [*REST, *[37.8 + 0.1 * step for step in range(7)], *[38.4] * 9]


def test_a_climb_beyond_the_mean_that_comes_to_rest_is_a_hot_spot() -> None:
    assert sign_of(given(*CLIMB), believing(37.6, 0.1), 100.0, 21.0) is Shown.HOT_SPOT


def test_a_climb_back_to_the_mean_is_a_tip_that_had_lain_near_the_rim() -> None:
    assert sign_of(given(*CLIMB), believing(38.4, 0.1), 100.0, 21.0) is Shown.COOL_REST
    assert sign_of(given(*CLIMB), believing(37.6, 0.5), 100.0, 21.0) is Shown.COOL_REST
    further = [*REST, *[37.8 + 0.3 * step for step in range(7)], *[39.6] * 9]
    assert sign_of(given(*further), believing(39.8, 0.1), 100.0, 21.0) is Shown.COOL_REST
    assert sign_of(given(*further), believing(38.4, 0.1), 100.0, 21.0) is None


def test_a_climb_that_is_not_at_rest_or_no_more_than_noise_is_no_cool_rest() -> None:
    going_on = [*REST, *[37.8 + 0.07 * step for step in range(16)]]
    assert sign_of(given(*going_on), believing(39.8, 0.1), 100.0, 21.0) is None
    # 0.31 °C against 1.6 % of 17 °C over the room; a leap that came down again is no rest either.
    small = [*REST, *[37.77 + 0.05 * step for step in range(6)], *[38.0] * 10]
    assert sign_of(given(*small), believing(39.0, 0.1), 100.0, 21.0) is None
    leap = [*REST, *[38.9] * 6, *[37.8] * 10]
    assert sign_of(given(*leap), believing(39.0, 0.1), 100.0, 21.0) is None


def test_when_a_cool_rest_ended_is_kept_and_makes_nothing_uneven() -> None:
    rested = evenness_of(Evenness(), 80.0, Shown.COOL_REST, 0.9)
    assert rested == Evenness(cool_rest_seconds=80.0)
    assert evenness_of(rested, 81.0, None, 0.9).cool_rest_seconds == 80.0
    uneven = evenness_of(rested, 90.0, Shown.HOT_SPOT, 0.0)
    assert evenness_of(uneven, 500.0, None, 0.0) == rested


def test_what_was_believed_is_kept_for_the_window_only() -> None:
    evenness = Evenness()
    for second in range(100):
        evenness = mean_remembered(evenness, Believed(float(second), 37.0, 0.2))
    assert len(evenness.believed) == 22
