"""Feeding rules against the tables they come from (tests/data/husbandry.json, rows that were read in their source)."""

import json
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.care.chick_day import chick_view, overdue
from sensord.care.chicks import Chick, Crop, Feed, Weighing
from sensord.care.feeding import cautions, due, feeds_planned, planned_millilitres
from sensord.care.plausible import check_chick, check_feed, check_weighing, chick_named, day
from sensord.config.sections import Config
from sensord.config.settings import nursery_settings
from sensord.errors import CommandError
from sensord.watch.conditions import UNIT_PLACE, Condition
from sensord.watch.cues import Priority
from sensord.watch.effects import AlarmChanged, AlarmState
from sensord.watch.events import DayKnown, Tick
from sensord.watch.nursery import step
from sensord.watch.state import first_nursery

HUSBANDRY = json.loads((Path(__file__).parents[1] / "data" / "husbandry.json").read_text())
NOW = 1_900_000_000.0
HOUR = 3600.0


@pytest.mark.parametrize(
    "row", [row for row in HUSBANDRY["feed_tables"] if row["seen"]], ids=lambda row: f"{row['species']} {row['mass_g']}"
)
def test_the_tables_are_the_handbooks(row: dict[str, float]) -> None:
    found = feeds_planned(Chick(name="pip", kind=str(row["species"])), row["mass_g"], NOW)
    assert (found.low_ml, found.high_ml) == (row["ml_min"], row["ml_max"])
    assert (found.low_hours, found.high_hours) == (row["hours_min"], row["hours_max"])
    assert "Hand-Rearing Birds" in found.volume_source


def test_ten_percent_of_an_eighty_gram_chick_is_eight_millilitres() -> None:
    """Avian pediatric nutrition, Lake Howell Animal Clinic; one millilitre taken as one gram."""
    found = feeds_planned(Chick(name="pip", kind="cockatiel"), 80.0, NOW)
    assert found.low_ml is None
    assert found.high_ml == pytest.approx(8.0)
    assert planned_millilitres(found) == pytest.approx(8.0)


@given(st.floats(1, 600), st.sampled_from(["rock pigeon", "mourning dove", "cockatiel", ""]))
def test_no_plan_is_ever_over_an_eighth_of_the_body_mass(grams: float, kind: str) -> None:
    """The pigeon table's own maximum is 12.5 % (40 g, 5 ml); everything else stays at or below its tenth."""
    high = feeds_planned(Chick(name="pip", kind=kind), grams, NOW).high_ml
    assert high is not None
    assert high <= 0.135 * grams


def test_an_unweighed_chick_has_an_interval_but_no_volume() -> None:
    found = feeds_planned(Chick(name="pip", kind="rock pigeon"), None, NOW)
    assert found.high_ml is None
    assert planned_millilitres(found) is None
    assert found.low_hours == 2


def test_hatchlings_eat_every_two_hours_and_the_keepers_own_interval_wins() -> None:
    young = Chick(name="pip", kind="lorikeet", hatched=date(2030, 3, 14))
    assert feeds_planned(young, 10.0, NOW).high_hours == 2
    own = Chick(name="pip", kind="lorikeet", every_hours=2.5)
    assert (feeds_planned(own, 10.0, NOW).low_hours, feeds_planned(own, 10.0, NOW).interval_source[:3]) == (2.5, "set")


def test_a_crop_that_empties_in_four_hours_leaves_a_night_gap_of_six() -> None:
    """The clinic's example: empties in 4 h, one longer gap of 33 to 50 % more."""
    found = due(feeds_planned(Chick(name="pip", every_hours=4), None, NOW), [Feed(chick="pip", utc_seconds=NOW)])
    assert found is not None
    assert (found.from_utc_seconds - NOW, found.overdue_utc_seconds - NOW) == (4 * HOUR, 6 * HOUR)
    assert due(feeds_planned(Chick(name="pip"), None, NOW), []) is None


def test_a_full_crop_before_a_feed_is_an_emergency_for_a_vet() -> None:
    (found,) = cautions([Feed(chick="pip", utc_seconds=NOW, millilitres=4.0, crop=Crop.FULL)], NOW)
    assert "do not add more" in found.sentence
    assert "vet now" in found.sentence
    assert found.source


def test_a_crop_never_felt_empty_in_a_day_is_worth_a_question() -> None:
    feeds = [
        Feed(chick="pip", utc_seconds=NOW - i * 4 * HOUR, millilitres=4.0, crop=Crop.NEARLY) for i in range(5, -1, -1)
    ]
    assert len(cautions(feeds, NOW)) == 1
    assert len(cautions(feeds[-4:], NOW)) == 1
    assert cautions(feeds[-3:], NOW) == ()  # three feeds may all have come soon
    assert cautions([*feeds[:-1], Feed(chick="pip", utc_seconds=NOW, millilitres=4.0, crop=Crop.EMPTY)], NOW) == ()
    assert cautions([], NOW) == ()


def test_slips_of_the_pen_are_asked_back() -> None:
    last = Weighing("pip", NOW - 86_400, 45.0)
    with pytest.raises(CommandError, match=r"45 ml is 100 % of the 45 g"):
        check_feed(Feed(chick="pip", utc_seconds=NOW, millilitres=45.0), last, NOW)
    with pytest.raises(CommandError, match="cannot be in the future"):
        check_feed(Feed(chick="pip", utc_seconds=NOW + 3600, millilitres=4.5), last, NOW)
    with pytest.raises(CommandError, match="too long ago"):
        check_feed(Feed(chick="pip", utc_seconds=NOW - 200 * 86_400, millilitres=4.5), last, NOW)
    with pytest.raises(CommandError, match="Celsius or Fahrenheit"):
        check_feed(Feed(chick="pip", utc_seconds=NOW, millilitres=4.5, celsius=102.0), last, NOW)
    check_feed(Feed(chick="pip", utc_seconds=NOW, millilitres=4.5, celsius=39.5), last, NOW)
    with pytest.raises(CommandError, match=r"g or dg\? Perhaps 4\.5"):
        check_weighing(Weighing("pip", NOW, 45.0), [Weighing("pip", NOW - 86_400, 4.4)], NOW)
    with pytest.raises(CommandError, match="no chick 'pop' \\(known: pip\\)"):
        chick_named("pop", {"pip": Chick(name="pip")})
    with pytest.raises(CommandError, match="still to come"):
        check_chick(Chick(name="pip", hatched=date(2040, 1, 1)), NOW)
    with pytest.raises(CommandError, match="no date"):
        day("4.5.2031")
    with pytest.raises(CommandError, match="every 100 h"):
        check_chick(Chick(name="pip", every_hours=100), NOW)


@given(st.floats(0.5, 2000.0), st.floats(0.2, 5.0))
def test_a_weight_within_a_factor_of_five_is_taken_and_a_tenfold_one_is_not(grams: float, factor: float) -> None:
    before = [Weighing("pip", NOW - 86_400, grams)]
    check_weighing(Weighing("pip", NOW, min(grams * factor, 5000.0)), before, NOW)
    for tenfold in (grams * 10, grams / 10):
        with pytest.raises(CommandError):
            check_weighing(Weighing("pip", NOW, tenfold), before, NOW)


def test_an_overdue_feed_is_a_soft_reminder_until_it_is_given() -> None:
    settings = nursery_settings(Config.model_validate({"history": {"feed_reminder": True}}))
    pip = chick_view(Chick(name="pip", every_hours=4), [], [Feed(chick="pip", utc_seconds=NOW)], NOW, NOW)
    nursery, _ = step(settings, first_nursery(settings, 0.0), DayKnown(0.0, (pip,)))
    nursery, effects = step(settings, nursery, Tick(1.0, NOW + 7 * HOUR))
    (raised,) = [one for one in effects if isinstance(one, AlarmChanged)]
    assert (raised.place, raised.condition, raised.priority) == (UNIT_PLACE, Condition.FEED_OVERDUE, Priority.LOW)
    assert "avian vet" in raised.do_first
    fed = chick_view(Chick(name="pip", every_hours=4), [], [Feed(chick="pip", utc_seconds=NOW + 7 * HOUR)], NOW, NOW)
    nursery, _ = step(settings, nursery, DayKnown(1.5, (fed,)))
    _, effects = step(settings, nursery, Tick(2.0, NOW + 7 * HOUR))
    (over,) = [one for one in effects if isinstance(one, AlarmChanged)]
    assert over.state in (AlarmState.NORMAL, AlarmState.RETURNED_UNACKNOWLEDGED)


def test_a_chick_is_overdue_only_after_more_than_a_nights_rest() -> None:
    view = chick_view(Chick(name="pip", every_hours=4), [], [Feed(chick="pip", utc_seconds=NOW)], NOW + 5 * HOUR, NOW)
    assert not overdue([view], NOW + 5.9 * HOUR)
    assert overdue([view], NOW + 6.1 * HOUR)
    assert not overdue([view], None)
    assert not overdue([chick_view(Chick(name="dot"), [], [], NOW, NOW)], NOW)
