"""Profiles: shipped ones against their sources, and a keeper's own ones that are wrong."""

from collections.abc import Callable
from datetime import date
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from sensord.care.brooding import brooding_at, check_dates, coming, make_plan, towards
from sensord.care.profile import Profile, parse_profile
from sensord.config.folders import load_profile, shipped_profiles
from sensord.errors import ConfigError, DataError
from sensord.readings import Band

DAY = 86_400.0
HATCHED = date(2026, 5, 1)
HATCHED_SECONDS = 1_777_593_600.0  # 2026-05-01T00:00:00Z


def at_day(profile: Profile, day: float) -> Band:
    return brooding_at(make_plan(profile, (HATCHED,)), HATCHED_SECONDS + day * DAY).band


@pytest.mark.parametrize("name", shipped_profiles())
def test_every_shipped_row_names_its_source_and_keeps_within_published_temperatures(name: str) -> None:
    profile = load_profile(name)
    for row in profile.rows:
        assert len(row.source) > 10
        assert row.band.high_celsius <= 38.0  # the hottest set point in any source seen
        assert row.checked or "not checked" in row.provenance
    assert len(profile.rows) >= 3


@pytest.mark.parametrize(
    ("name", "stage", "low", "high"),
    [
        ("parrots", "naked", 35.0, 36.1),  # AFA Watchbird 2632: day 2-10
        ("parrots", "feathered", 23.9, 26.7),  # same
        ("songbirds", "hatchling", 33.3, 35.0),  # Hand-Rearing Birds 2nd ed., p 675
        ("songbirds", "feathered", 29.4, 32.3),  # p 712
        ("pigeons-doves", "hatchling", 35.0, 38.0),  # p 451
        ("pigeons-doves", "feathered", 25.0, 28.0),  # Pyle: 3 weeks
        ("poultry", "week-2", 29.4, 32.2),  # Mississippi State Extension, quail day 10
        ("poultry", "hatchling", 32.2, 35.0),  # same, day 1-7
    ],
)
def test_checked_rows_carry_the_printed_band(name: str, stage: str, low: float, high: float) -> None:
    row = load_profile(name).row(stage)
    assert row.checked
    assert row.band == Band(low, high)


def test_a_ramp_is_a_straight_line_between_the_printed_days() -> None:
    """Java sparrow: 37 at day 3, 36 at day 7, 30 at day 20 (Hand-Rearing Birds ch 50); linear, day 13.5 is 33.0."""
    profile = load_profile("finches")
    assert at_day(profile, 3).middle_celsius == 37.0
    assert at_day(profile, 20.5).middle_celsius == pytest.approx(30.0)
    assert at_day(profile, 13.5).middle_celsius == pytest.approx(33.0, abs=0.25)  # a quarter of a day of rate limit


def test_the_band_never_comes_down_faster_than_its_rate() -> None:
    for name in shipped_profiles():
        profile = load_profile(name)
        if not profile.dated:
            continue
        days = coming(make_plan(profile, (HATCHED,)), HATCHED_SECONDS, 60)
        for before, after in pairwise(days):
            fall = before.brooding.band.low_celsius - after.brooding.band.low_celsius
            assert fall <= profile.rate_celsius_per_day + 1e-9
            assert after.brooding.band.high_celsius <= before.brooding.band.high_celsius


def test_a_warmer_band_is_taken_at_once_a_cooler_one_slowly() -> None:
    assert towards(Band(30, 32), Band(34, 36), 0.5, 60.0) == Band(34, 36)
    assert towards(Band(34, 36), Band(30, 32), 0.5, DAY) == Band(33.5, 35.5)


def test_mixed_ages_follow_the_youngest_and_say_so() -> None:
    profile = load_profile("synthesis")
    mixed = brooding_at(make_plan(profile, (HATCHED, date(2026, 5, 9))), HATCHED_SECONDS + 10 * DAY)
    assert mixed.stage == "hatchling"
    assert any("youngest" in note for note in mixed.notes)


def test_age_alone_does_not_bring_a_stage_that_has_no_days() -> None:
    late = brooding_at(make_plan(load_profile("synthesis"), (HATCHED,)), HATCHED_SECONDS + 30 * DAY)
    assert late.stage == "naked"
    assert any("pin-feathered" in note for note in late.notes)


def test_without_a_trusted_clock_the_warmest_stage_holds_and_it_is_said() -> None:
    brooding = brooding_at(make_plan(load_profile("synthesis"), (HATCHED,)), None)
    assert brooding.stage == "hatchling"
    assert any("clock" in note for note in brooding.notes)


@pytest.mark.parametrize("day", [-3.0, 366.0])
def test_a_hatch_date_in_the_future_or_a_year_ago_is_refused(day: float) -> None:
    plan = make_plan(load_profile("parrots"), (HATCHED,))
    with pytest.raises(DataError, match="hatch date 2026-05-01"):
        check_dates(plan, HATCHED_SECONDS + day * DAY)


def test_what_cannot_be_planned_is_refused_with_the_choices() -> None:
    with pytest.raises(ConfigError, match="hatchling, nestling, feathered"):
        make_plan(load_profile("songbirds"), stage="weened")
    with pytest.raises(DataError, match="goes by stage"):
        make_plan(load_profile("songbirds"), (HATCHED,))
    with pytest.raises(DataError, match="hatch date or a stage"):
        make_plan(load_profile("parrots"))
    with pytest.raises(ConfigError, match="no profile 'dodo'"):
        load_profile("dodo")
    with pytest.raises(ConfigError, match="cannot be read"):
        load_profile("dodo.toml", Path("/nowhere"))


def own() -> dict[str, Any]:
    def row(stage: str, low: float, high: float, start: int, stop: int) -> dict[str, Any]:
        return {
            "stage": stage, "low_celsius": low, "high_celsius": high, "from_day": start, "to_day": stop,
            "source": "my vet", "checked": True,
        }  # fmt: skip

    return {
        "title": "mine",
        "rate_celsius_per_day": 0.5,
        "rate_source": "my vet",
        "bands": [row("hatchling", 35, 37, 0, 3), row("naked", 32, 35, 4, 10)],
    }


def changed(change: Callable[[dict[str, Any]], object]) -> dict[str, Any]:
    data = own()
    change(data)
    return data


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda d: d["bands"][1].update(from_day=6), "days 4 to 5 have no band"),
        (lambda d: d["bands"][1].update(from_day=3), "overlaps the row before it"),
        (lambda d: d["bands"][0].update(from_day=1), "days 0 to 0 have no band"),
        (lambda d: d["bands"][0].update(low_celsius=38), "upside down"),
        (lambda d: d["bands"][0].update(high_celsius=39.5), "over_39_is_meant = true"),
        (lambda d: d["bands"][0].update(low_celsius=3), "no brooder"),
        (lambda d: d["bands"][0].update(low_celsius="warm"), "needs a number"),
        (lambda d: d["bands"][0].update(low_celsius=True), "needs a number"),
        (lambda d: d["bands"][0].update(colour="red"), "unknown key"),
        (lambda d: d["bands"][0].pop("source"), "source: needs a text"),
        (lambda d: d["bands"][0].pop("checked"), "checked: is true"),
        (lambda d: d["bands"][0].pop("to_day"), "both or neither"),
        (lambda d: d["bands"][1].update(stage="hatchling"), "second row of this stage"),
        (lambda d: d["bands"][0].update(from_day=4, to_day=0), "exchange the two"),
        (lambda d: d.update(bands=[]), "at least one"),
        (lambda d: d.update(move="jump"), "step"),
        (lambda d: d.update(rate_celsius_per_day=9), "rate_celsius_per_day"),
        (lambda d: d.update(colour="red"), "unknown key"),
        (lambda d: d.pop("title"), "title: needs a text"),
    ],
)
def test_a_wrong_profile_is_refused_with_the_row_and_the_remedy(
    change: Callable[[dict[str, Any]], object], said: str
) -> None:
    with pytest.raises(ConfigError, match=f"mine.toml: .*{said}"):
        parse_profile(changed(change), "mine", "mine.toml")


def test_over_39_is_taken_when_it_is_said_that_it_is_meant() -> None:
    data = changed(lambda d: (d.update(over_39_is_meant=True), d["bands"][0].update(high_celsius=39.5)))
    assert parse_profile(data, "mine", "mine.toml").rows[0].band.high_celsius == 39.5
