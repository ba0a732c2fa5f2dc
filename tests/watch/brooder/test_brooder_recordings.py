"""Whole recorded days through sensord as replay runs it, held against what really happened."""

from pathlib import Path

import pytest

from tests.bench.brooder_simulator import Day, simulate
from tests.bench.score_brooders import days_of, score, sensord_says

DAYS = {day.family: day for day in days_of(Path(__file__).parents[2] / "data/brooder")}


@pytest.mark.parametrize("family", ["heater_open", "power_cut", "probe_fault", "chick_on_probe"])
def test_a_recorded_day_is_told_once_in_time_and_nothing_else_is(family: str) -> None:
    figures = score([DAYS[family]], sensord_says)
    assert figures.missed == 0
    assert figures.in_time == figures.warranted
    assert figures.alarms == figures.warranted
    assert (figures.false, figures.nuisance) == (0, 0)
    assert all(figures.troubles)
    assert all(figures.gaps)
    # Each jump is told anew; where the probe shows what would be dangerous air, danger is told too.
    assert sum(figures.chick_named) == len(DAYS[family].chick_s)
    assert figures.chick == ([6 + 3] if family == "chick_on_probe" else [])


def test_a_heater_with_a_loose_contact_is_foretold_once_it_is_known() -> None:
    figures = score([DAYS["heater_open"]], sensord_says)
    assert figures.failures == 7
    assert len(figures.leads) >= 5


@pytest.mark.parametrize("day", [simulate("door_busy", 2), simulate("probe_out", 1)], ids=lambda day: str(day.name))
def test_a_simulated_day_misses_nothing_and_cries_no_wolf(day: Day) -> None:
    figures = score([day], sensord_says)
    assert figures.missed == 0
    assert (figures.false, figures.nuisance) == (0, 0)
    assert all(figures.troubles)
