"""What each retained state says, how often, and until when anybody may take it for live."""

from dataclasses import replace
from typing import Any

import pytest

from sensord.mqtt.messages import RetainedState, Timing, states_of
from sensord.mqtt.units import FleetBook
from sensord.readings import FaultKind
from sensord.watch.conditions import Condition
from sensord.watch.effects import DishState
from sensord.watch.views import Snapshot
from tests.mqtt.world import TOPICS, alarm_view, snapshot

TIMING = Timing(100.0, 1_800_000_000.0, True)
ALARMS = frozenset({("brooder", Condition.TOO_COLD), ("brooder", Condition.TOO_WARM)})


def said(seen: Snapshot) -> dict[str, RetainedState]:
    states = states_of(seen, TOPICS, TIMING, ALARMS, interval_seconds=10.0)
    return {state.topic.removeprefix(f"{TOPICS.root}/"): state for state in states}


def fields(state: RetainedState) -> dict[str, Any]:
    return state.payload(sequence=1).model_dump()


def aged(seen: Snapshot, name: str, **changes: Any) -> Snapshot:
    probes = tuple(replace(probe, **changes) if probe.name == name else probe for probe in seen.probes)
    return replace(seen, probes=probes)


def test_a_reading_is_of_the_time_when_it_was_read() -> None:
    seen = aged(snapshot(seconds=99.0), "air", age_seconds=4.0)
    assert fields(said(seen)["probe/air"])["time"] == "2027-01-15T07:59:55.000Z"
    assert fields(said(aged(seen, "air", age_seconds=None))["probe/air"])["time"] == "2027-01-15T07:59:59.000Z"


def test_measured_values_carry_the_uncertainty_and_the_quality_of_their_own_probes() -> None:
    seen = said(snapshot())
    air, brooder, dish = (fields(seen[topic]) for topic in ("probe/air", "brooder/brooder", "dish/dish"))
    assert (air["value"], air["expanded_uncertainty"], air["quality"]) == (34.5, 0.2, "good")
    assert (brooder["expanded_uncertainty"], brooder["quality"]) == (0.5, "good"), "the widest of both probes"
    assert dish["quality"] == "good"
    other = fields(said(replace(snapshot(), dishes=(replace(snapshot().dishes[0], probe="elsewhere"),)))["dish/dish"])
    assert other["quality"] == "none"


def test_quality_is_good_while_one_probe_reads_and_a_fault_before_it_is_none() -> None:
    def quality(**changes: Any) -> str:
        floor = aged(snapshot(), "floor", celsius=None, fault=FaultKind.LATE)
        return str(fields(said(aged(floor, "air", **changes))["brooder/brooder"])["quality"])

    assert quality() == "good"
    assert quality(celsius=None) == "fault"
    assert quality(celsius=float("nan")) == "fault"
    nothing = aged(aged(snapshot(), "floor", celsius=None), "air", celsius=None)
    assert fields(said(nothing)["brooder/brooder"])["quality"] == "none"


def test_a_faulty_probe_has_no_value_whatever_the_view_still_holds() -> None:
    air = fields(said(snapshot(fault=FaultKind.CRC_ERROR))["probe/air"])
    assert (air["value"], air["expanded_uncertainty"], air["quality"]) == (None, None, "fault")


@pytest.mark.parametrize(("state", "pace"), [(DishState.AWAY, 10.0), (DishState.HOT, 2.0), (DishState.READY, 2.0)])
def test_a_dish_in_use_is_said_more_often(state: DishState, pace: float) -> None:
    assert said(snapshot(dish=state))["dish/dish"].pace_seconds == pace


def test_measured_states_expire_and_alarms_never_do() -> None:
    seen = said(snapshot(alarms=(alarm_view(),)))
    expiry = {topic.split("/")[0]: state.expiry_seconds for topic, state in seen.items()}
    assert expiry == {"alarm": None, "dish": 60, "probe": 60, "brooder": 60}
    assert seen["alarm/brooder/too-cold"].pace_seconds == 10.0
    assert seen["alarm/brooder/too-warm"].pace_seconds == float("inf"), "a normal alarm is said once"


def test_a_normal_alarm_is_nothing_but_normal() -> None:
    told = fields(said(snapshot())["alarm/brooder/too-warm"])
    assert (told["state"], told["active"], told["priority"], told["value"], told["since"]) == (
        "normal",
        False,
        None,
        None,
        None,
    )


@pytest.mark.parametrize(
    ("topic", "change"),
    [
        ("dish/dish", {"dish": DishState.HOT}),
        ("probe/air", {"fault": FaultKind.LATE}),
        ("brooder/brooder", {"celsius": None, "fault": FaultKind.LATE}),
    ],
)
def test_a_change_of_meaning_is_told_from_a_change_of_numbers(topic: str, change: dict[str, Any]) -> None:
    before = said(snapshot())[topic].meaning
    assert said(snapshot(celsius=34.6))[topic].meaning == before
    after = snapshot(**change)
    if topic.startswith("brooder"):
        after = aged(after, "floor", celsius=None, fault=FaultKind.LATE)
    assert said(after)[topic].meaning != before


def test_numbers_have_three_places_and_what_is_none_is_null() -> None:
    assert fields(said(snapshot(celsius=34.12345))["probe/air"])["value"] == 34.123
    assert fields(said(snapshot(celsius=float("inf")))["probe/air"])["value"] is None


@pytest.mark.parametrize(("trusted", "since"), [(True, 1_799_999_900.0), (False, 1_800_000_050.0)])
def test_an_alarm_of_a_unit_without_a_clock_counts_from_when_it_was_heard(trusted: bool, since: float) -> None:
    timing = Timing(100.0, 1_800_000_000.0, trusted)
    (state, *_) = states_of(snapshot(alarms=(alarm_view(),)), TOPICS, timing, ALARMS, 10.0)
    book = FleetBook("sensord")
    book.take(state.topic, state.payload(sequence=1).encoded(), 1_800_000_050.0)
    (unit,) = book.units(1_800_000_060.0)
    assert [alarm.since_seconds for alarm in unit.snapshot.alarms] == [since]
