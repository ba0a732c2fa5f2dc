"""Hot spots: what a climb of the reading says, and what it does not."""

from sensord.readings import Reading
from sensord.watch.evenness import Believed, Evenness, judge, remember, shows_hot_spot


def readings(*celsius: float) -> tuple[Reading, ...]:
    return tuple(Reading("dish", float(second), value) for second, value in enumerate(celsius))


def believing(celsius: float, spread: float) -> tuple[Believed, ...]:
    return tuple(Believed(float(second), celsius, spread) for second in range(40))


REST = [38.0 - 0.01 * second for second in range(24)]
CLIMB = [*REST, *[37.8 + 0.1 * step for step in range(7)], *[38.4] * 9]


def test_a_climb_beyond_the_mean_that_comes_to_rest_is_a_hot_spot() -> None:
    assert shows_hot_spot(readings(*CLIMB), believing(37.6, 0.1), 100.0, 21.0)


def test_a_climb_back_to_the_mean_is_a_tip_that_had_lain_near_the_rim() -> None:
    assert not shows_hot_spot(readings(*CLIMB), believing(38.4, 0.1), 100.0, 21.0)
    assert not shows_hot_spot(readings(*CLIMB), believing(37.6, 0.5), 100.0, 21.0)


def test_paste_that_just_cools_shows_nothing() -> None:
    assert not shows_hot_spot(readings(*[38.0 - 0.01 * s for s in range(40)]), believing(37.6, 0.1), 100.0, 21.0)


def test_nothing_is_said_right_after_a_dip() -> None:
    assert not shows_hot_spot(readings(*CLIMB), believing(37.6, 0.1), 30.0, 21.0)


def test_a_hot_spot_stands_until_a_stir_has_shown_no_other() -> None:
    spotted = judge(Evenness(), 100.0, True, 0.9)
    assert spotted.uneven_since == 100.0
    assert judge(spotted, 150.0, False, 0.1).uneven_since == 100.0
    stirred = judge(spotted, 120.0, False, 0.9)
    assert judge(stirred, 140.0, False, 0.1).uneven_since == 100.0
    assert judge(stirred, 146.0, False, 0.1).uneven_since is None


def test_what_was_believed_is_kept_for_the_window_only() -> None:
    evenness = Evenness()
    for second in range(100):
        evenness = remember(evenness, Believed(float(second), 37.0, 0.2))
    assert len(evenness.believed) == 22
