"""Profiles: shipped ones against their sources, and a keeper's own ones that are wrong."""

import json
import re
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


WATCHBIRD, NEWBURY, JAVA, QUAIL = "article 2632", "Newbury P", "p 773", "Mississippi State University Extension, Quail"
PRINTED = [
    # profile, stage, days of age; the stored row by group, stage, first day; what its source and ours both say; margin
    ("parrots", "hatchling", (0, 1), ("parrot", "hatch", 1), WATCHBIRD, 0.5),
    ("parrots", "naked", (2, 9), ("parrot", "naked", 2), WATCHBIRD, 0.0),
    ("parrots", "pin-feathered", (10, 27), ("parrot", "downy", 10), WATCHBIRD, 0.5),
    ("parrots", "feathered", (None, None), ("parrot", "feathered", None), WATCHBIRD, 0.0),
    ("cockatiel", "hatchling", (0, 0), ("cockatiel", "hatch", 0), NEWBURY, 0.5),
    ("cockatiel", "naked", (5, 5), ("cockatiel", "naked", 4), NEWBURY, 0.5),
    ("cockatiel", "pin-feathered", (10, 28), ("cockatiel", "downy_to_feathered", 7), NEWBURY, 1.0),
    ("cockatiel", "feathered", (None, None), ("parrot", "feathered", None), WATCHBIRD, 0.0),
    ("finches", "hatchling", (0, 6), ("finch", "hatch", 1), JAVA, 0.5),
    ("finches", "naked", (7, 7), ("finch", "nestling", 7), JAVA, 0.5),
    ("finches", "feathered", (20, 30), ("finch", "nestling", 20), JAVA, 0.5),
    ("songbirds", "hatchling", (None, None), ("songbird_small", "hatchling_nestling", None), "p 675", 0.0),
    ("songbirds", "nestling", (None, None), ("songbird_thrush", "hatchling", None), "p 712", 0.0),
    ("songbirds", "feathered", (None, None), ("songbird_thrush", "feathered", None), "p 712", 0.0),
    ("pigeons-doves", "hatchling", (0, 6), ("pigeon", "naked", None), "p 451", 0.0),
    ("pigeons-doves", "nestling", (7, 20), ("pigeon", "nestling", None), "p 451", 0.0),
    ("pigeons-doves", "feathered", (21, 35), ("pigeon", "feathering", 21), "Pyle J", 0.0),
    ("poultry", "hatchling", (0, 7), ("poultry_quail", "precocial", 1), QUAIL, 0.0),
    ("poultry", "week-2", (8, 14), ("poultry_quail", "precocial", 8), QUAIL, 0.0),
    ("poultry", "week-3", (15, 21), ("poultry_quail", "precocial", 15), QUAIL, 0.0),
    ("poultry", "week-4", (22, 28), ("poultry_quail", "precocial", 22), QUAIL, 0.0),
    ("poultry", "week-5", (29, 35), ("poultry_quail", "precocial", 29), QUAIL, 0.0),
    ("poultry", "feathered", (36, 60), ("poultry_quail", "precocial", 36), QUAIL, 1.0),
]
OUR_OWN = {("finches", "weaned"), ("parrots", "weaned")} | {
    ("synthesis", stage) for stage in ("hatchling", "naked", "pin-feathered", "feathered", "weaned")
}
"""Rows that no source prints; they say so themselves."""


def stored(kind: str) -> list[dict[str, Any]]:
    """Rows of `tests/data/husbandry.json`, each with its source and how its number was seen."""
    rows: list[dict[str, Any]] = json.loads((Path(__file__).parents[1] / "data/husbandry.json").read_text())[kind]
    return rows


@pytest.mark.parametrize(
    ("name", "stage", "days", "key", "source", "margin"), PRINTED, ids=[f"{row[0]}-{row[1]}" for row in PRINTED]
)
def test_each_shipped_row_carries_what_its_source_prints(
    name: str,
    stage: str,
    days: tuple[int | None, int | None],
    key: tuple[str, str, int | None],
    source: str,
    margin: float,
) -> None:
    row = load_profile(name).row(stage)
    (printed,) = [
        each for each in stored("brooder_schedule") if (each["group"], each["stage"], each["day_from"]) == key
    ]
    assert printed["seen_how"] == "direct"  # read in the source itself, not from memory
    assert row.checked
    assert source in row.source
    assert source in printed["source"]
    assert row.band.low_celsius == pytest.approx(printed["temp_min_c"] - margin, abs=1e-9)
    assert row.band.high_celsius == pytest.approx(printed["temp_max_c"] + margin, abs=1e-9)
    assert (row.from_day, row.to_day) == days
    if margin:  # one value is printed: that the band around it is ours stands beside it
        assert re.search(r"printed as .*to either side.* (is|are) ours", row.note)


def test_every_shipped_row_is_compared_or_says_that_nobody_printed_it() -> None:
    compared = {(name, stage) for name, stage, *_ in PRINTED}
    shipped = {(name, row.stage) for name in shipped_profiles() for row in load_profile(name).rows}
    assert compared | OUR_OWN == shipped
    assert not any(load_profile(name).row(stage).checked for name, stage in OUR_OWN)


def test_the_synthesis_is_the_stored_one() -> None:
    for printed in stored("default_profile"):
        stage = {"hatch": "hatchling", "naked_or_downy": "naked"}.get(printed["stage"], printed["stage"])
        row = load_profile("synthesis").row(stage.replace("_", "-"))
        assert row.band == Band(printed["band_min_c"], printed["band_max_c"])
        assert (row.from_day, row.to_day) == (printed["day_from"], printed["day_to"])
        assert "synthesis" in row.source


@pytest.mark.parametrize(
    ("name", "printed"),
    [
        *[(name, ("vulture chapter", 0.5)) for name in ("parrots", "songbirds", "pigeons-doves", "synthesis")],
        ("poultry", ("Quail brooding temperatures", 0.4)),
        ("finches", ("same source", 6 / 13)),  # 36 °C at day 7 to 30 °C at day 20
        ("cockatiel", ("avicultural society", 3 / 4.5)),  # 35 to 32 °C within 4 to 5 days
    ],
)
def test_the_rate_is_the_source_s_and_at_most_a_tenth_more(name: str, printed: tuple[str, float]) -> None:
    profile = load_profile(name)
    assert printed[0] in profile.rate_source
    assert printed[1] <= profile.rate_celsius_per_day <= printed[1] + 0.1 + 1e-9
    rates = [row["c_per_day_max"] for row in stored("step_down") if printed[0] in row["source"]]
    assert rates in ([], [printed[1]])


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


@pytest.mark.parametrize("day", [-3.0, -2.0, 201.0, 366.0])
def test_a_hatch_date_in_the_future_or_a_year_ago_is_refused(day: float) -> None:
    plan = make_plan(load_profile("parrots"), (HATCHED,))
    with pytest.raises(DataError, match="hatch date 2026-05-01"):
        check_dates(plan, HATCHED_SECONDS + day * DAY)
    for allowed in (-1.0, 0.0, 200.0):
        check_dates(plan, HATCHED_SECONDS + allowed * DAY)


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
        (lambda d: d["bands"][1].update(from_day=5), "days 4 to 4 have no band"),
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
        (lambda d: d.update(move=["step"]), "step"),
        (lambda d: d.update(caution=5), "caution: needs a text"),
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
