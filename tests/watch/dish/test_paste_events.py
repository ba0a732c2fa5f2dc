"""What happened to the bowl, from readings on courses that are known: dips, lifts, water, and what settles a doubt.

A probe of first order: it comes up as 1 - exp(-t/tau), in paste with tau of 4 to 20 s, in air of 35 to 85 s.
"""

import math
from collections.abc import Callable
from dataclasses import replace

import pytest

from sensord.physics.cooling import Cooling
from sensord.physics.regime import MEAN, SIZE, Regime, Spot, packed
from sensord.readings import Reading
from sensord.watch.dish.paste_events import (
    EPISODE_SECONDS,
    LEAVING_READINGS,
    Episode,
    PasteFinder,
    find_in_air,
    find_in_paste,
    reading_remembered,
    unexplained,
)
from sensord.watch.effects import Note

# The daemon has been up for more than a day: only differences of times may count.
UP = 100_000.0


def course(celsius: Callable[[float], float], start: float, stop: float, step: float = 1.0) -> tuple[Reading, ...]:
    """Readings from `start` to `stop`, in seconds after `UP`."""
    count = round((stop - start) / step)
    return tuple(Reading("dish", UP + start + step * n, celsius(start + step * n)) for n in range(count + 1))


def belief(celsius: float, spread: float = 0.05, surprise: float = 0.0, missed: float = 0.0) -> Cooling:
    covariance = packed([[spread**2 if i == j == MEAN else 0.0 for j in range(SIZE)] for i in range(SIZE)])
    state = (celsius, 1.0, 0.0, 0.0, 0.0, celsius, celsius)
    return Cooling(
        seconds=0.0,
        room_celsius=21.0,
        bank=(Regime(1.0, Spot.CORE, 7.0, state, covariance),),
        surprise=surprise,
        surprise_celsius=missed,
    )


def test_forty_seconds_of_readings_are_kept() -> None:
    finder = PasteFinder()
    for second in range(100):
        finder = reading_remembered(finder, Reading("dish", float(second), 40.0))
    assert [r.seconds for r in finder.recent] == [float(s) for s in range(60, 100)]


# --- in air


def in_air(readings: tuple[Reading, ...], room: float | None = None) -> tuple[PasteFinder, bool]:
    return find_in_air(PasteFinder(recent=readings, room_celsius=room))


@pytest.mark.parametrize("tau", [4.0, 7.0, 14.0, 20.0])
@pytest.mark.parametrize("paste", [32.0, 37.0, 50.0])
def test_a_dip_into_warm_paste_shows_within_six_seconds(tau: float, paste: float) -> None:
    for wait in range(1, 7):
        readings = course(lambda t: 21.0 if t < 0 else paste + (21.0 - paste) * math.exp(-t / tau), -20.0, float(wait))
        if in_air(readings, 21.0)[1]:
            return
    pytest.fail("no dip was found")


@pytest.mark.parametrize("tau", [35.0, 60.0, 85.0])
def test_warm_air_or_a_hand_nearby_is_no_dip(tau: float) -> None:
    """Air of 26 °C around a probe of 21 °C: 5 / 35 = 0.14 °C a second at the fastest."""
    for wait in range(1, 15):
        readings = course(lambda t: 21.0 if t < 0 else 26.0 - 5.0 * math.exp(-t / tau), -20.0, float(wait))
        assert not in_air(readings, 21.0)[1]


def test_a_steady_climb_however_fast_is_no_dip() -> None:
    """A dip begins; what climbs all along by the same 0.3 °C a second is something else."""
    assert not in_air(course(lambda t: 30.0 + 0.3 * t, 0.0, 20.0))[1]
    quickening = course(lambda t: 30.0 + 0.3 * t + (0.2 * t if t > 0 else 0.0), -20.0, 3.0)
    assert in_air(quickening)[1]


def test_the_first_readings_in_paste_already_climbing_are_a_dip() -> None:
    """The daemon began while the probe went in: nothing before tells against it."""
    assert in_air(course(lambda t: 30.0 + 0.5 * t, 0.0, 2.0))[1]
    assert not in_air(course(lambda t: 30.0 + 0.1 * t, 0.0, 2.0))[1]
    assert in_air(course(lambda t: 30.0 + 0.5 * t, 0.0, 1.0))[1] is False  # two readings tell no slope


def test_a_steady_reading_is_the_room() -> None:
    finder, dipped = in_air(course(lambda _: 21.4, 0.0, 14.0))
    assert not dipped
    assert finder.room_celsius == pytest.approx(21.4)
    short, _ = in_air(course(lambda _: 21.4, 0.0, 12.0))
    assert short.room_celsius is None
    drifting, _ = in_air(course(lambda t: 21.0 + 0.03 * t, 0.0, 20.0), 19.0)
    assert drifting.room_celsius == 19.0
    slow, _ = in_air(course(lambda t: 21.0 + 0.02 * t, 0.0, 20.0), 19.0)
    # The mean of the last eight readings, 13 to 20 s.
    assert slow.room_celsius == pytest.approx(21.0 + 0.02 * 16.5)
    falling, _ = in_air(course(lambda t: 21.0 - 0.03 * t, 0.0, 20.0), 19.0)
    assert falling.room_celsius == 19.0


@pytest.mark.parametrize(
    ("celsius", "room", "dipped"),
    [(30.1, None, True), (29.9, None, False), (31.9, 26.0, False), (32.1, 26.0, True), (30.1, 15.0, True)],
)
def test_a_steady_reading_too_warm_for_a_room_is_paste(celsius: float, room: float | None, dipped: bool) -> None:
    """The daemon began with the probe in the bowl: over 30 °C, and six degrees over the room."""
    finder, found = in_air(course(lambda _: celsius, 0.0, 20.0), room)
    assert found is dipped
    assert (finder.room_celsius == room) is dipped


# --- in paste: surprises


def surprised(*surprises: tuple[float, float]) -> tuple[PasteFinder, list[bool]]:
    """Feed (surprise in standard deviations, miss in Celsius) one after the other; when an episode began."""
    finder, anew = PasteFinder(in_paste=True), []
    for second, (z, missed) in enumerate(surprises):
        finder = reading_remembered(finder, Reading("dish", float(second), 38.0))
        finder, note, starts = find_in_paste(finder, belief(38.5), belief(38.0, surprise=z, missed=missed))
        assert note is None
        anew.append(starts)
    return finder, anew


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_one_great_surprise_opens_an_episode(sign: float) -> None:
    finder, anew = surprised((sign * 4.6, sign * 0.3))
    assert anew == [True]
    assert finder.episode == Episode(
        seconds=0.0, latest_seconds=0.0, reading_celsius=38.0 - sign * 0.3, mean_celsius=38.5, upward=sign > 0
    )
    assert (finder.surprise, finder.surprise_celsius) == (0.0, 0.0)
    assert surprised((sign * 4.4, sign * 0.3))[1] == [False]
    assert surprised((sign * 4.6, sign * 0.19))[1] == [False]


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_smaller_surprises_of_one_sign_add_up_over_what_is_usual(sign: float) -> None:
    """Each counts by what it is over 1.6: twice 3.6 is 4, three times is 6, over 5."""
    assert surprised(*[(sign * 3.6, sign * 0.15)] * 4)[1][:3] == [False, False, True]
    assert surprised(*[(sign * 3.6, sign * 0.08)] * 3)[1] == [False, False, False]  # 0.24 °C in all
    assert surprised(*[(sign * 1.5, sign * 0.2)] * 30)[1] == [False] * 30


def test_surprises_that_alternate_or_rest_do_not_add_up() -> None:
    assert not any(surprised(*[(3.6, 0.15), (-3.6, -0.15)] * 10)[1])
    resting = surprised(*[(3.6, 0.15), (0.5, 0.02), (0.5, 0.02), (0.5, 0.02)] * 4)[1]
    assert not any(resting)


# --- episodes and their names


def episode(
    age: float, change: float, spread: float = 0.1, named: bool = False, recent: tuple[Reading, ...] | None = None
) -> tuple[PasteFinder, Note | None]:
    """So many seconds after a surprise the mean is believed to have changed by so much."""
    began = Episode(
        seconds=UP + 100.0,
        latest_seconds=UP + 100.0,
        reading_celsius=38.0,
        mean_celsius=38.0,
        upward=change > 0,
        named=named,
    )
    recent = recent or course(lambda _: 38.0 + change, 100.0 + age - 20.0, 100.0 + age)
    finder = PasteFinder(recent=recent, in_paste=True, episode=began)
    finder, note, anew = find_in_paste(finder, belief(38.0), belief(38.0 + change, spread))
    assert not anew
    return finder, note


def test_hot_water_is_named_once_the_mean_is_known_to_have_risen() -> None:
    assert episode(12.5, 1.0)[1] is Note.HOT_WATER
    assert episode(12.0, 1.0)[1] is None  # too early
    assert episode(12.5, 0.79)[1] is None  # too little
    assert episode(12.5, 0.81)[1] is Note.HOT_WATER
    assert episode(12.5, 1.0, spread=0.59)[1] is Note.HOT_WATER
    assert episode(12.5, 1.0, spread=0.61)[1] is None  # not known well enough
    _, note = episode(12.5, 1.0, named=True)
    assert note is None
    named = episode(12.5, 1.0)[0].episode
    assert named is not None
    assert named.named


def settling(age: float, tau: float) -> tuple[Reading, ...]:
    """Readings that fall by two degrees after the pour and level out with that time constant."""
    return course(lambda t: 36.0 + 2.0 * math.exp(-(t - 100.0) / tau), max(100.0, 60.0 + age), 100.0 + age)


def test_cool_water_is_named_once_the_readings_level_out() -> None:
    assert episode(25.0, -1.5, recent=settling(25.0, 8.0))[1] is Note.COOL_WATER
    assert episode(20.0, -1.5, recent=settling(20.0, 8.0))[1] is None
    assert episode(25.0, -0.79, recent=settling(25.0, 8.0))[1] is None
    assert episode(25.0, -1.0, spread=0.59, recent=settling(25.0, 8.0))[1] is Note.COOL_WATER
    assert episode(25.0, -1.0, spread=0.61, recent=settling(25.0, 8.0))[1] is None
    # A probe in air goes on falling: with a time constant of 60 s its slope has hardly changed.
    assert episode(25.0, -1.5, recent=settling(25.0, 60.0))[1] is None


def test_an_episode_that_is_over_leaves_its_last_word() -> None:
    over = EPISODE_SECONDS + 0.5
    for change, named, wanted in (
        (1.0, False, Note.HOT_WATER),
        (-1.0, False, Note.COOL_WATER),
        (0.7, False, Note.DISTURBED),
        (-0.7, False, Note.DISTURBED),
        (1.0, True, None),
        (0.1, True, None),
    ):
        finder, note = episode(over, change, spread=1.0, named=named)
        assert note is wanted
        assert finder.episode is None
    still, _ = episode(EPISODE_SECONDS, 0.1)
    assert still.episode is not None


# --- leaving


def lifted(tau: float, seconds: float, start: float = 38.0, sink: float = 19.0) -> tuple[Reading, ...]:
    """A probe with paste on it in the air of a room of 21 °C: it heads for two degrees less."""
    return course(lambda t: sink + (start - sink) * math.exp(-max(t, 0.0) / tau), -20.0, seconds)


def leaving(
    readings: tuple[Reading, ...], room: float | None = 21.0, before: int = 0
) -> tuple[PasteFinder, Note | None]:
    finder = PasteFinder(recent=readings, in_paste=True, room_celsius=room, leaving=before)
    finder, note, _ = find_in_paste(finder, belief(38.0), belief(38.0))
    return finder, note


@pytest.mark.parametrize("tau", [25.0, 50.0, 85.0])
def test_a_probe_in_air_is_told_by_five_readings_on_its_course(tau: float) -> None:
    readings = lifted(tau, 14.0)
    assert leaving(readings)[0].leaving == 1
    assert leaving(readings, room=None)[0].leaving == 1  # 21 °C are assumed
    finder, note = leaving(readings, before=LEAVING_READINGS - 1)
    assert note is Note.LIFT
    assert not finder.in_paste
    assert (finder.leaving, finder.episode, finder.since_seconds) == (0, None, UP + 14.0)
    assert LEAVING_READINGS == 5


def test_one_reading_off_the_course_begins_the_count_anew() -> None:
    steady = course(lambda _: 38.0, -20.0, 14.0)
    assert leaving(steady, before=3)[0].leaving == 0


@pytest.mark.parametrize("tau", [5.0, 8.0, 14.0])
def test_cool_water_poured_in_bends_far_more_than_air(tau: float) -> None:
    readings = course(lambda t: 34.0 + 4.0 * math.exp(-max(t, 0.0) / tau), -20.0, 13.0)
    assert leaving(readings)[0].leaving == 0


def test_paste_that_cools_by_itself_does_not_leave() -> None:
    assert leaving(course(lambda t: 21.0 + 24.0 * math.exp(-t / 1500.0), 0.0, 40.0))[0].leaving == 0


def test_air_much_slower_or_faster_than_air_can_be_is_none() -> None:
    """20 to 110 s (maker's table: 6 mm in air t50 46.8 s, i.e. 68 s)."""
    assert leaving(lifted(17.0, 14.0))[0].leaving == 0
    assert leaving(lifted(130.0, 14.0))[0].leaving == 0
    assert leaving(lifted(105.0, 14.0))[0].leaving == 1


def test_a_fall_of_less_than_nine_tenths_in_twelve_seconds_is_no_lift() -> None:
    """Paste near room temperature: the same time constant, but hardly a fall."""
    for start, leaves in ((22.5, 0), (24.5, 1)):
        assert leaving(lifted(40.0, 14.0, start=start))[0].leaving == leaves


def test_scattered_readings_are_no_probe_in_air() -> None:
    smooth = lifted(50.0, 14.0)
    rough = tuple(replace(r, celsius=r.celsius + (0.15 if n % 2 else -0.15)) for n, r in enumerate(smooth))
    assert leaving(rough)[0].leaving == 0
    quiet = tuple(replace(r, celsius=r.celsius + (0.03 if n % 2 else -0.03)) for n, r in enumerate(smooth))
    assert leaving(quiet)[0].leaving == 1


def test_too_few_readings_or_a_hole_tell_nothing() -> None:
    readings = lifted(50.0, 14.0)
    assert leaving(readings[-9:])[0].leaving == 0  # only the last eight seconds
    sparse = tuple(r for r in readings if r.seconds % 2 == 0)
    assert leaving(sparse)[0].leaving == 0  # seven in twelve seconds
    nine = course(lambda t: 19.0 + 19.0 * math.exp(-max(t, 0.0) / 50.0), -18.0, 13.5, step=1.5)
    assert leaving(nine)[0].leaving == 1
    begun = tuple(r for r in readings if r.seconds >= UP + 3.6)  # eleven of them, in ten seconds and a half
    assert leaving(begun)[0].leaving == 0


# --- what is unexplained


def test_something_is_unexplained_for_twelve_seconds_and_while_the_readings_fall() -> None:
    began = Episode(
        seconds=UP + 100.0, latest_seconds=UP + 100.0, reading_celsius=38.0, mean_celsius=38.0, upward=False
    )
    level = course(lambda _: 37.0, 90.0, 130.0)
    assert not unexplained(PasteFinder(recent=level), UP + 130.0)
    for seconds, is_open in ((111.9, True), (112.0, False)):
        recent = course(lambda _: 37.0, 80.0, seconds)
        assert unexplained(PasteFinder(recent=recent, episode=began), UP + seconds) is is_open
    for fall, is_open in ((0.08, False), (0.10, True)):
        recent = course(lambda t, fall=fall: 40.0 - fall * (t - 100.0), 90.0, 125.0)  # type: ignore[misc]
        assert unexplained(PasteFinder(recent=recent, episode=began), UP + 125.0) is is_open
    assert not unexplained(PasteFinder(recent=level[:2], episode=began), UP + 120.0)  # no slope can be told


def test_half_as_much_again_counts_by_its_own_size() -> None:
    """Named where the spread is under six tenths of the change."""
    for spread, is_named in ((0.88, True), (0.92, False)):
        hot = episode(15.0, 1.5, spread=spread)[1]
        cool = episode(25.0, -1.5, spread=spread, recent=settling(25.0, 8.0))[1]
        assert (hot is Note.HOT_WATER) is is_named
        assert (cool is Note.COOL_WATER) is is_named
    assert episode(15.0, -1.5, recent=settling(15.0, 8.0))[1] is None


def test_it_is_the_newest_reading_that_is_too_warm_for_a_room() -> None:
    assert in_air(course(lambda t: 29.8 + 0.02 * t, 0.0, 20.0))[1]
    assert not in_air(course(lambda t: 30.2 - 0.02 * t, 0.0, 20.0))[1]


def test_the_slope_of_a_dip_is_that_of_the_last_three_seconds() -> None:
    """Fast only in its last two readings, or fast before and over: neither is a dip."""
    late = course(lambda t: 21.0 if t < 1.0 else 21.0 + 0.35 * (t - 1.0), -30.0, 3.0)
    assert in_air(late, 21.0)[1]
    over = course(lambda t: 21.0 if t < -6.0 else 21.0 + 0.5 * min(t + 6.0, 3.0), -30.0, 1.0)
    assert not in_air(over, 21.0)[1]


@pytest.mark.parametrize("bend_share", [0.5, 0.8, 1.0, 1.2, 1.7])
def test_the_bend_of_a_probe_in_air_belongs_to_its_slope(bend_share: float) -> None:
    """Slope and bend of exp(-t / 50 s) in the middle of twelve seconds; with another bend it is no such course."""
    level, pace = 33.0, 1.0 / 50.0
    fall = -(level - 19.0) * pace
    bend = bend_share * -fall * pace / 2.0
    readings = course(
        lambda t: level + fall * (t - 6.0) + bend * (t - 6.0) ** 2 if t >= 0.0 else level - 6.0 * fall + 36.0 * bend,
        -20.0,
        12.0,
    )
    # 2.8e-3 °C/s² are expected; three tenths of that and two and a half standard deviations are allowed either way:
    # a probe's noise of 0.055 °C leaves 1.2e-3 for thirteen readings.
    allowed = 0.3 * 2.8e-3 + 2.5 * 0.055 * math.sqrt(180.0 / 13**5)
    expected = abs(bend - 2.8e-3) < allowed
    assert (leaving(readings)[0].leaving == 1) is expected


def test_half_a_minute_and_a_bit_is_what_an_episode_lasts() -> None:
    assert episode(31.5, 0.1)[0].episode is not None
    assert episode(32.5, 0.1)[0].episode is None


def test_three_surprises_of_changing_sign_are_none_of_one() -> None:
    """Up, up, down by far: what was up does not count against it, nor for it."""
    assert surprised((3.6, 0.15), (3.6, 0.15), (-2.0, -0.3), (3.6, 0.15))[1] == [False] * 4
    finder, _ = surprised((2.6, 0.15))
    # Over the usual 1.6, of which six tenths are kept at the first of a sign.
    assert finder.surprise == pytest.approx(0.6)
    assert finder.surprise_celsius == 0.15
    finder, _ = surprised((2.6, 0.15), (2.6, 0.15))
    assert finder.surprise == pytest.approx(1.6)
    finder, _ = surprised((2.6, 0.15), (1.0, 0.05))
    assert finder.surprise == pytest.approx(0.36)
    assert finder.surprise_celsius == pytest.approx(0.2)
    finder, _ = surprised((-2.6, -0.15), (-2.6, -0.15))
    assert finder.surprise == pytest.approx(-1.6)
    finder, _ = surprised((2.6, 0.15), (-2.6, -0.1))
    assert (finder.surprise, finder.surprise_celsius) == pytest.approx((-0.6, -0.1))


def test_a_room_is_learned_from_the_last_quarter_minute_whatever_was_before() -> None:
    readings = course(lambda t: 21.0 if t > 0.0 else 21.0 - 0.2 * t, -20.0, 15.0)
    assert in_air(readings)[0].room_celsius == pytest.approx(21.0)
    still_falling = course(lambda t: 21.0 if t > 5.0 else 21.0 - 0.2 * (t - 5.0), -20.0, 15.0)
    assert in_air(still_falling, 18.0)[0].room_celsius == 18.0


def test_what_was_long_before_a_dip_does_not_count_against_it() -> None:
    """Carried into a warmer room, at rest there for ten seconds, then dipped."""

    def celsius(t: float) -> float:
        if t < -10.0:
            return 21.0 + 0.3 * (t + 40.0)
        return 30.0 if t < 0.0 else 30.0 + 0.3 * t

    assert in_air(course(celsius, -39.0, 3.0), 21.0)[1]


def test_water_in_a_slow_probe_levels_out_too() -> None:
    """The slowest capsule in paste, 14 s: from its first ten seconds to its last six the slope falls to a third."""
    assert episode(25.0, -1.5, recent=settling(25.0, 14.0))[1] is Note.COOL_WATER
