"""Which numbers are no measurement: the data sheet's power-on value, zeros, spans, leaps, a register that stands."""

from dataclasses import replace

import pytest

from sensord.readings import Fault, FaultKind, Observation, Reading
from sensord.watch.screening import (
    BROODER_SCREEN,
    DISH_SCREEN,
    ROOM_SCREEN,
    Screen,
    ScreenSettings,
    screen,
)

ANY = ScreenSettings()
SLOW = ScreenSettings(step_celsius_per_second=1.0)


def screened(settings: ScreenSettings, readings: list[tuple[float, float]]) -> list[float | FaultKind]:
    """What comes out for (seconds, Celsius) in order: the Celsius, or which fault."""
    state, out = Screen(), list[float | FaultKind]()
    for seconds, celsius in readings:
        state, found = screen(settings, state, Reading("air", seconds, celsius))
        out.append(found.kind if isinstance(found, Fault) else found.celsius)
    return out


@pytest.mark.parametrize(
    ("settings", "celsius", "is_inside"),
    [
        *[(BROODER_SCREEN, 0.5, True), (BROODER_SCREEN, 0.4, False)],
        *[(BROODER_SCREEN, 60.0, True), (BROODER_SCREEN, 60.1, False)],
        *[(DISH_SCREEN, -10.0, True), (DISH_SCREEN, -10.1, False)],
        *[(DISH_SCREEN, 105.0, True), (DISH_SCREEN, 105.1, False)],
        *[(ROOM_SCREEN, -10.0, True), (ROOM_SCREEN, -10.1, False)],
        *[(ROOM_SCREEN, 50.0, True), (ROOM_SCREEN, 50.1, False)],
    ],
)
def test_each_place_has_a_span_of_what_can_be(settings: ScreenSettings, celsius: float, is_inside: bool) -> None:
    assert screened(settings, [(0.0, celsius)]) == [celsius if is_inside else FaultKind.OUT_OF_SPAN]


def test_the_power_on_value_is_believed_only_beside_its_like() -> None:
    """85 °C stands in a DS18B20's register after power-on (data sheet); hot water may honestly have it."""
    assert screened(ANY, [(0.0, 85.0)]) == [FaultKind.POWER_ON_VALUE]
    assert screened(ANY, [(0.0, 37.0), (1.0, 85.0), (2.0, 37.0)]) == [37.0, FaultKind.POWER_ON_VALUE, 37.0]
    assert screened(ANY, [(0.0, 83.0), (1.0, 85.0)]) == [83.0, 85.0]
    assert screened(ANY, [(0.0, 87.0), (1.0, 85.0)]) == [87.0, 85.0]
    assert screened(ANY, [(0.0, 82.9), (1.0, 85.0)])[1] is FaultKind.POWER_ON_VALUE
    assert screened(ANY, [(0.0, 87.1), (1.0, 85.0)])[1] is FaultKind.POWER_ON_VALUE


def test_nothing_but_zeros_is_believed_only_in_ice() -> None:
    assert screened(ANY, [(0.0, 0.0)]) == [FaultKind.ZERO_SCRATCHPAD]
    assert screened(ANY, [(0.0, 37.0), (1.0, 0.0)]) == [37.0, FaultKind.ZERO_SCRATCHPAD]
    for beside in (2.0, -2.0):
        assert screened(ANY, [(0.0, beside), (1.0, 0.0)]) == [beside, 0.0]
    for beside in (2.1, -2.1):
        assert screened(ANY, [(0.0, beside), (1.0, 0.0)])[1] is FaultKind.ZERO_SCRATCHPAD


def test_a_leap_is_refused_once_and_believed_when_it_stays() -> None:
    leap = FaultKind.IMPLAUSIBLE_STEP
    assert screened(SLOW, [(0.0, 34.0), (5.0, 45.0), (10.0, 34.0)]) == [34.0, leap, 34.0]
    assert screened(SLOW, [(0.0, 34.0), (5.0, 45.0), (10.0, 45.5), (15.0, 45.5)]) == [34.0, leap, 45.5, 45.5]
    assert screened(SLOW, [(0.0, 34.0), (5.0, 45.0), (10.0, 20.0)]) == [34.0, leap, leap]


def test_the_longer_ago_the_further_a_reading_may_be() -> None:
    """One degree a second here, and a whole degree always: two readings may come quickly."""
    for seconds, celsius, is_leap in (
        *[(5.0, 39.0, False), (5.0, 39.1, True), (5.0, 29.0, False), (5.0, 28.9, True)],
        *[(0.1, 35.0, False), (0.1, 35.1, True)],
    ):
        wanted = FaultKind.IMPLAUSIBLE_STEP if is_leap else celsius
        assert screened(SLOW, [(0.0, 34.0), (seconds, celsius)])[1] == wanted
    slower = replace(SLOW, step_celsius_per_second=0.1)
    assert screened(slower, [(0.0, 34.0), (5.0, 35.0)])[1] == 35.0
    assert screened(slower, [(0.0, 34.0), (20.0, 36.0)])[1] == 36.0


def test_a_dip_is_no_leap_in_a_dish() -> None:
    assert screened(DISH_SCREEN, [(0.0, 21.0), (1.0, 45.0)]) == [21.0, 45.0]


def test_a_register_that_stands_still_is_frozen_until_its_first_change() -> None:
    frozen = replace(ANY, frozen_seconds=50.0)
    times = (0.0, 20.0, 49.9, 50.0, 60.0)
    found = screened(frozen, [*((t, 37.0) for t in times), (61.0, 37.0625), (62.0, 37.0625), (111.0, 37.0625)])
    stands = FaultKind.FROZEN
    assert found == [37.0, 37.0, 37.0, stands, stands, 37.0625, 37.0625, stands]
    assert screened(ANY, [(t, 37.0) for t in times]) == [37.0] * 5


def test_a_fault_passes_and_leaves_the_memory_alone() -> None:
    state, _ = screen(SLOW, Screen(), Reading("air", 0.0, 34.0))
    fault: Observation = Fault("air", 5.0, FaultKind.CRC_ERROR)
    assert screen(SLOW, state, fault) == (state, fault)


def test_a_fault_says_what_was_read() -> None:
    _, found = screen(BROODER_SCREEN, Screen(), Reading("floor", 5.0, -40.0))
    assert isinstance(found, Fault)
    assert (found.probe, found.seconds) == ("floor", 5.0)
    assert "-40.0 °C" in found.detail


def test_a_dish_that_stands_still_for_fifty_seconds_and_a_brooder_for_a_quarter_of_an_hour_are_frozen() -> None:
    for settings, seconds in ((DISH_SCREEN, 50.0), (BROODER_SCREEN, 900.0)):
        assert screened(settings, [(0.0, 35.0), (seconds - 0.5, 35.0)]) == [35.0, 35.0]
        assert screened(settings, [(0.0, 35.0), (seconds, 35.0)]) == [35.0, FaultKind.FROZEN]
    assert screened(ROOM_SCREEN, [(0.0, 20.0), (90_000.0, 20.0)]) == [20.0, 20.0]
    for settings in (BROODER_SCREEN, ROOM_SCREEN):
        assert screened(settings, [(0.0, 20.0), (5.0, 25.0)])[1] == 25.0
        assert screened(settings, [(0.0, 20.0), (5.0, 25.1)])[1] is FaultKind.IMPLAUSIBLE_STEP
