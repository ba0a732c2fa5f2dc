"""One side of the band: delays of being outside, deep, in danger and back, second by second."""

from dataclasses import replace

import pytest

from sensord.watch.brooder.side import FLICKER_CELSIUS, Level, Side, SideRules, side_after

# Out after 200 s at any depth or after 100 s where it is half a degree; danger at 1.5 °C, after 100 s once out.
RULES = SideRules(deep_celsius=0.5, deep_seconds=100.0, shallow_seconds=200.0, danger_celsius=1.5, danger_seconds=100.0)
INSIDE = Side(was_in_band=True)


def walk(depths: list[tuple[float, float]], side: Side = INSIDE, deepening: float = 0.0) -> Side:
    for seconds, depth in depths:
        side = side_after(RULES, side, seconds, depth, deepening)
    return side


@pytest.mark.parametrize(("depth", "delay"), [(0.0, 200.0), (0.49, 200.0), (0.5, 100.0), (1.0, 100.0)])
def test_out_of_the_band_stands_after_the_delay_of_its_depth(depth: float, delay: float) -> None:
    assert walk([(10.0, depth), (9.9 + delay, depth)]).level is Level.IN_BAND
    assert walk([(10.0, depth), (10.0 + delay, depth)]).level is Level.OUT


def test_what_will_be_deep_in_a_minute_counts_as_deep_and_what_is_on_its_way_back_does_not() -> None:
    soon = [(0.0, 0.2), (100.0, 0.2)]
    assert walk(soon, deepening=0.0049).level is Level.IN_BAND
    assert walk(soon, deepening=0.0051).level is not Level.IN_BAND
    deep = [(0.0, 0.8), (100.0, 0.8)]
    assert walk(deep, deepening=-0.0051).level is Level.IN_BAND
    assert walk(deep, deepening=-0.0049).level is Level.OUT


def test_danger_is_where_it_is_deep_or_will_be_within_five_minutes() -> None:
    at = [(0.0, 1.5), (100.0, 1.5)]
    assert walk(at).level is Level.DANGER
    assert walk([(0.0, 1.4), (100.0, 1.4)]).level is Level.OUT
    coming = [(0.0, 0.9), (100.0, 0.9)]
    assert walk(coming, deepening=0.0019).level is Level.OUT
    assert walk(coming, deepening=0.0021).level is Level.DANGER
    assert walk(at, deepening=-0.001).level is Level.DANGER  # a way back takes nothing off


def test_after_a_stop_twenty_seconds_are_enough() -> None:
    for seconds, level in ((19.9, Level.IN_BAND), (20.0, Level.OUT)):
        assert walk([(0.0, 0.1), (seconds, 0.1)], Side()).level is level
    assert walk([(0.0, -1.0), (5.0, 0.1), (25.0, 0.1)], Side()).level is Level.IN_BAND


def test_a_flicker_back_inside_does_not_break_the_delay_and_more_does() -> None:
    """One step of the probe, 1/16 °C."""
    assert FLICKER_CELSIUS == 1 / 16
    flicker = [(0.0, 0.1), (100.0, -0.0625), (200.0, 0.1)]
    assert walk(flicker).level is Level.OUT
    back = [(0.0, 0.1), (100.0, -0.07), (200.0, 0.1)]
    assert walk(back).level is Level.IN_BAND
    assert walk([*back, (399.0, 0.1)]).level is Level.IN_BAND
    assert walk([*back, (400.0, 0.1)]).level is Level.OUT


def test_air_that_hovers_just_inside_has_not_begun_to_be_outside() -> None:
    assert walk([(0.0, -0.03), (200.0, -0.03), (210.0, 0.0)]).level is Level.IN_BAND


OUT = walk([(0.0, 1.0), (100.0, 1.0)])


def test_out_goes_once_it_has_been_back_beyond_the_deadband_for_its_delay() -> None:
    assert OUT.level is Level.OUT
    assert walk([(200.0, -0.3), (400.0, -0.3)], OUT).level is Level.OUT
    assert walk([(200.0, -0.31), (319.9, -0.31)], OUT).level is Level.OUT
    gone = walk([(200.0, -0.31), (320.0, -0.31)], OUT)
    assert gone == INSIDE
    broken = walk([(200.0, -0.31), (300.0, -0.2), (310.0, -0.31), (420.0, -0.31)], OUT)
    assert broken.level is Level.OUT


def test_out_becomes_danger_after_its_own_delay() -> None:
    assert walk([(200.0, 1.5), (299.9, 1.5)], OUT).level is Level.OUT
    assert walk([(200.0, 1.5), (300.0, 1.5)], OUT).level is Level.DANGER
    assert walk([(200.0, 1.5), (250.0, 1.4), (260.0, 1.5), (350.0, 1.5)], OUT).level is Level.OUT


DANGER = walk([(0.0, 1.6), (100.0, 1.6)])


def test_danger_becomes_out_after_ten_minutes_milder_by_the_deadband() -> None:
    assert DANGER.level is Level.DANGER
    milder = [(200.0, 1.19), (799.9, 1.19)]
    assert walk(milder, DANGER).level is Level.DANGER
    assert walk([*milder, (800.0, 1.19)], DANGER).level is Level.OUT
    assert walk([(200.0, 1.2), (1000.0, 1.2)], DANGER).level is Level.DANGER
    assert walk([(200.0, -0.2), (1000.0, -0.2)], DANGER).level is Level.DANGER
    assert walk([(200.0, -0.31), (320.0, -0.31)], DANGER).level is Level.IN_BAND


def test_inside_is_remembered_and_nothing_pends() -> None:
    assert walk([(0.0, -1.0)], Side()) == INSIDE
    pending = walk([(0.0, 0.2)])
    assert pending.outside_since == 0.0
    assert walk([(50.0, -1.0)], pending) == INSIDE
    steady = replace(INSIDE)
    assert walk([(50.0, -1.0)], steady) is steady


@pytest.mark.parametrize("began", [10.0, 130.0, 86_400.0])
def test_delays_are_differences_whenever_the_day_began(began: float) -> None:
    back = Side(level=Level.OUT, was_in_band=True, back_since=began)
    assert side_after(RULES, back, began + 119.0, -0.5, 0.0).level is Level.OUT
    assert side_after(RULES, back, began + 120.0, -0.5, 0.0).level is Level.IN_BAND
    worse = Side(level=Level.OUT, was_in_band=True, danger_since=began)
    assert side_after(RULES, worse, began + 99.0, 1.6, 0.0).level is Level.OUT
    assert side_after(RULES, worse, began + 100.0, 1.6, 0.0).level is Level.DANGER
    milder = Side(level=Level.DANGER, was_in_band=True, milder_since=began)
    assert side_after(RULES, milder, began + 599.0, 0.5, 0.0).level is Level.DANGER
    assert side_after(RULES, milder, began + 600.0, 0.5, 0.0).level is Level.OUT
    outside = Side(was_in_band=True, outside_since=began)
    assert side_after(RULES, outside, began + 199.0, 0.1, 0.0).level is Level.IN_BAND
    assert side_after(RULES, outside, began + 200.0, 0.1, 0.0).level is Level.OUT


def test_a_delay_that_ran_out_between_two_readings_has_run_out() -> None:
    for late in (201.0, 250.0, 5000.0):
        assert walk([(0.0, 0.1), (late, 0.1)]).level is Level.OUT
    assert walk([(200.0, -0.31), (900.0, -0.31)], OUT).level is Level.IN_BAND
    assert walk([(200.0, 1.5), (900.0, 1.5)], OUT).level is Level.DANGER
