"""The sparklines' memory: means of equal bins, holes where nothing was read, the last hour."""

import pytest

from sensord.watch.state import TrailKeeper


def kept(readings: list[tuple[float, float]], bin_seconds: float = 60.0) -> TrailKeeper:
    keeper = TrailKeeper(bin_seconds=bin_seconds)
    for seconds, celsius in readings:
        keeper = keeper.add(seconds, celsius)
    return keeper


def test_each_bin_is_the_mean_of_its_readings() -> None:
    keeper = kept([(0.0, 30.0), (20.0, 31.0), (59.9, 35.0), (60.0, 40.0), (90.0, 41.0), (121.0, 20.0)])
    assert keeper.trail(125.0).celsius == pytest.approx((32.0, 40.5, 20.0))
    assert keeper.trail(125.0).bin_seconds == 60.0


def test_a_keeper_that_begins_late_has_no_holes_before_its_first_reading() -> None:
    assert kept([(7200.0, 35.0)]).trail(7210.0).celsius == (35.0,)


def test_bins_without_a_reading_are_holes() -> None:
    keeper = kept([(0.0, 30.0), (240.0, 34.0)])
    assert keeper.trail(250.0).celsius == (30.0, None, None, None, 34.0)
    neighbours = kept([(0.0, 30.0), (60.0, 34.0)])
    assert neighbours.trail(70.0).celsius == (30.0, 34.0)


def test_silence_until_now_is_shown_as_holes_too() -> None:
    keeper = kept([(0.0, 30.0)])
    assert keeper.trail(30.0).celsius == (30.0,)
    assert keeper.trail(70.0).celsius == (30.0,)  # the bin that follows is under way, nothing is missing yet
    assert keeper.trail(190.0).celsius == (30.0, None, None)


def test_nothing_read_shows_nothing() -> None:
    assert TrailKeeper(bin_seconds=60.0).trail(500.0).celsius == ()


def test_the_last_sixty_bins_are_kept() -> None:
    keeper = kept([(60.0 * n, float(n)) for n in range(100)])
    assert keeper.trail(60.0 * 99 + 5).celsius == tuple(float(n) for n in range(40, 100))
    after_a_night = keeper.add(60.0 * 1000, 5.0)
    assert after_a_night.trail(60.0 * 1000).celsius == (*[None] * 59, 5.0)
    assert keeper.trail(60.0 * 130).celsius == (*[float(n) for n in range(70, 100)], *[None] * 30)


def test_bins_begin_at_whole_multiples_before_the_clock_was_started_too() -> None:
    keeper = kept([(-30.0, 30.0), (30.0, 34.0)])
    assert keeper.trail(30.0).celsius == (30.0, 34.0)


def test_the_bin_under_way_is_a_mean_too() -> None:
    keeper = kept([(0.0, 30.0), (60.0, 40.0), (70.0, 42.0), (80.0, 44.0)])
    assert keeper.trail(90.0).celsius == pytest.approx((30.0, 42.0))
