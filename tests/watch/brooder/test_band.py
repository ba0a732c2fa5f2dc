"""Deadband and delays against worked walks of a controller manual's rule and of on/off controllers (HYS, DLY rows)."""

import json
from pathlib import Path
from typing import Any

import pytest

from sensord.watch.brooder.band import Limit, LimitSettings, limit_judged

ROWS: dict[str, dict[str, Any]] = {
    row["id"]: row for row in json.loads((Path(__file__).parents[2] / "data/alarm_check_values.json").read_text())
}


def walk(settings: LimitSettings, samples: list[list[float]], start: bool = False) -> list[bool]:
    limit, said = Limit(is_standing=start), []
    for seconds, celsius in samples:
        limit = limit_judged(settings, limit, seconds, float(celsius))
        said.append(limit.is_standing)
    return said


@pytest.mark.parametrize("row", ["DLY-01", "DLY-02", "DLY-03", "DLY-04"])
def test_delays_follow_the_worked_walks(row: str) -> None:
    given = ROWS[row]["given"]
    settings = LimitSettings(
        limit_celsius=given["limit"],
        is_low=given.get("low", False),
        deadband_celsius=given["deadband"],
        on_delay_seconds=given["on_delay_s"],
        off_delay_seconds=given["off_delay_s"],
    )
    assert walk(settings, given["samples"]) == ROWS[row]["expected"]


def test_time_without_readings_is_not_time_in_alarm() -> None:
    given = ROWS["DLY-05"]["given"]
    settings = LimitSettings(
        limit_celsius=given["limit"],
        on_delay_seconds=given["on_delay_s"],
        longest_gap_seconds=given["max_sample_gap_s"],
    )
    assert walk(settings, given["samples"]) == [False, False]
    assert walk(settings, [*given["samples"], [55, 38.5], [70, 38.5]])[-1]


@pytest.mark.parametrize("row", ["HYS-01", "HYS-02", "HYS-04"])
def test_deadband_switches_like_an_on_off_controller(row: str) -> None:
    given = ROWS[row]["given"]
    half = given["bandwidth"] / 2
    # The controller switches below ref - half, not at it: one milli-degree further.
    settings = LimitSettings(
        limit_celsius=given["ref"] - half - 0.001,
        is_low=True,
        deadband_celsius=given["bandwidth"] + 0.001,
        on_delay_seconds=0,
        off_delay_seconds=0,
    )
    samples = [[float(i), float(celsius)] for i, celsius in enumerate(given["inputs"])]
    assert walk(settings, samples, given["start"]) == ROWS[row]["expected"]


def test_deadband_switches_like_a_schmitt_trigger() -> None:
    given = ROWS["HYS-03"]["given"]
    settings = LimitSettings(
        limit_celsius=given["high"] + 0.001,
        is_low=False,
        deadband_celsius=given["high"] + 0.001 - given["low"],
        on_delay_seconds=0,
        off_delay_seconds=0,
    )
    samples = [[float(i), celsius] for i, celsius in enumerate(given["inputs"])]
    assert walk(settings, samples, given["start"]) == ROWS["HYS-03"]["expected"]
