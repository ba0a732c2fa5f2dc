"""The band in force: no stage, clock or restart lets it come down faster than the profile does."""

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sensord.care.brooding import make_plan
from sensord.config.folders import load_profile
from sensord.errors import CommandError
from sensord.readings import Band
from sensord.watch.brooder.banding import Banding, band_notes, confirmed, followed, staged
from sensord.watch.brooder.brooder_rules import BrooderSettings
from tests.helpers.usual import usual_brooder

PROFILE = load_profile("parrots")
RATE = PROFILE.rate_celsius_per_day
DAY = 86_400.0
HATCHED_SECONDS = 1_777_593_600.0  # 2026-05-01, midnight UTC
DATED = usual_brooder(
    name="nest",
    probes=("air",),
    band=Band(37.0, 38.0),
    pinned=False,
    plan=make_plan(PROFILE, (date(2026, 5, 1),)),
)
STAGED = replace(DATED, plan=make_plan(PROFILE, stage="hatchling"))


def begun(held_to: BrooderSettings = STAGED, utc_seconds: float | None = None) -> Banding:
    return followed(held_to, Banding(band=held_to.band), 0.0, utc_seconds)[0]


def test_a_stage_while_the_clock_is_not_set_moves_nothing_at_once() -> None:
    """It dropped the band by 15 °C, and the air could fall to 25 without an alarm."""
    before = begun(DATED)
    after, _ = followed(DATED, staged(DATED, before, "weaned", by_network=False), 1.0, None, at_once=True)
    assert after.band.low_celsius == pytest.approx(before.band.low_celsius, abs=1e-3)
    for day in (1, 2, 3):
        after, _ = followed(DATED, after, day * DAY + 1.0, None)
        assert after.band.low_celsius == pytest.approx(before.band.low_celsius - day * RATE, abs=1e-3)


def test_a_stage_said_again_and_again_brings_the_band_down_no_faster() -> None:
    """Each counted as five minutes, so that one a second came down at three hundred times the rate."""
    banding = begun()
    for second in range(1, 601):
        banding = staged(STAGED, banding, "weaned" if second % 2 else "feathered", by_network=False)
        banding, _ = followed(STAGED, banding, float(second), None, at_once=True)
    assert banding.band.low_celsius >= 37.0 - RATE * 600 / DAY - 1e-9


def test_up_is_at_once_for_cold_chicks_are_not_made_to_wait() -> None:
    banding = begun(replace(STAGED, plan=make_plan(PROFILE, stage="pin-feathered")))
    up, _ = followed(STAGED, staged(STAGED, banding, "hatchling", by_network=False), 1.0, None, at_once=True)
    assert up.band == Band(37.0, 38.0)


def test_the_first_clock_takes_the_place_of_what_was_assumed_without_one() -> None:
    known, _ = followed(DATED, begun(DATED), 300.0, HATCHED_SECONDS + 60 * DAY)
    assert known.band == Band(28.9, 29.9)
    assert not known.assumed


def test_a_stage_said_before_the_first_clock_is_followed_from_what_the_clock_tells() -> None:
    banding = staged(DATED, begun(DATED), "feathered", by_network=False)
    banding, _ = followed(DATED, banding, 1.0, None, at_once=True)
    banding, _ = followed(DATED, banding, 301.0, HATCHED_SECONDS + 60 * DAY)
    assert banding.band.low_celsius == pytest.approx(28.9, abs=0.01)
    again, _ = followed(DATED, banding, 601.0, HATCHED_SECONDS + 90 * DAY)
    assert again.band.low_celsius == pytest.approx(28.9, abs=0.01)


def test_ten_days_without_a_clock_are_no_credit_for_a_jump() -> None:
    banding = begun(DATED, HATCHED_SECONDS)
    for day in range(1, 11):
        banding, _ = followed(DATED, banding, day * DAY, None)
    banding = staged(DATED, banding, "weaned", by_network=False)
    banding, _ = followed(DATED, banding, 10 * DAY + 1.0, None, at_once=True)
    assert banding.band.low_celsius == pytest.approx(37.0, abs=1e-3)


STEPS = st.lists(
    st.tuples(
        st.floats(0.0, 3 * DAY),
        st.sampled_from([None, *PROFILE.stages]),
        st.one_of(st.none(), st.floats(HATCHED_SECONDS, HATCHED_SECONDS + 200 * DAY)),
    ),
    max_size=20,
)


@settings(max_examples=200, deadline=None)
@given(STEPS, st.sampled_from([DATED, STAGED]))
def test_whatever_comes_the_band_comes_down_no_faster_than_its_profile(
    steps: list[tuple[float, str | None, float | None]], held_to: BrooderSettings
) -> None:
    now, banding = 0.0, begun(held_to, HATCHED_SECONDS)
    for elapsed, stage, utc_seconds in steps:
        now += elapsed
        if stage is not None:
            banding = staged(held_to, banding, stage, by_network=False)
        after, _ = followed(held_to, banding, now, utc_seconds, at_once=stage is not None)
        most = RATE * (now - (banding.looked_seconds or 0.0)) / DAY + 1e-6
        assert after.band.low_celsius >= banding.band.low_celsius - most
        assert after.band.high_celsius >= banding.band.high_celsius - most
        banding = after


def test_over_the_network_a_stage_goes_to_the_next_one_only() -> None:
    for far in ("pin-feathered", "feathered", "weaned"):
        with pytest.raises(CommandError, match=rf"one step at a time.*'{far}'.*'hatchling'.*on the unit"):
            staged(STAGED, begun(), far, by_network=True)
    banding = staged(STAGED, begun(), "naked", by_network=True)
    assert (banding.stage, banding.confirmed) == ("naked", False)
    assert any("confirm it here" in note for note in band_notes(STAGED, banding))


def test_over_the_network_no_second_stage_is_taken_before_somebody_at_the_unit_has_confirmed_the_first() -> None:
    banding = staged(STAGED, begun(), "naked", by_network=True)
    with pytest.raises(CommandError, match="confirmed on the unit first"):
        staged(STAGED, banding, "pin-feathered", by_network=True)
    assert staged(STAGED, banding, "naked", by_network=True) == banding
    after = staged(STAGED, confirmed(banding), "pin-feathered", by_network=True)
    assert (after.stage, after.confirmed) == ("pin-feathered", False)
    assert staged(STAGED, after, "weaned", by_network=False).confirmed


def test_before_anything_is_known_the_network_sets_no_stage() -> None:
    with pytest.raises(CommandError, match="further than that from 'unknown'"):
        staged(STAGED, Banding(band=STAGED.band), "naked", by_network=True)


def test_a_band_on_its_way_says_where_to() -> None:
    banding = staged(STAGED, begun(), "naked", by_network=False)
    banding, _ = followed(STAGED, banding, 1.0, None, at_once=True)
    assert band_notes(STAGED, banding) == ("coming down to 35.0–36.1 °C by at most 0.5 °C a day",)
