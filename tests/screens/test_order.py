"""What comes first, what is said in full, and where a bar stands."""

from dataclasses import replace
from datetime import date

import pytest

from sensord.care.brooding import Brooding, DayPlan
from sensord.readings import Band, Place
from sensord.screens.lines import snapshot_lines
from sensord.screens.page import Look
from sensord.screens.panels import alarm_rows, probe_rows
from sensord.screens.places import Layout, place_rows
from sensord.screens.tables import draw_band, plan_lines
from sensord.screens.words import Tone, answer, for_the_keeper
from sensord.watch.conditions import Condition
from sensord.watch.cues import Priority
from sensord.watch.effects import AlarmState
from tests.screens.invented import AWAY, READY, alarm, brooder, night, probe

LOW = alarm(Condition.PROBE_FAULT, Priority.LOW, place="doves")
WARM = alarm(Condition.TOO_WARM, Priority.MEDIUM, place="swifts")
COLD = alarm(Condition.TOO_COLD, Priority.LOW, place="finches")
DANGER = alarm(Condition.DANGEROUSLY_WARM, Priority.HIGH, place="brooder")
OVER = replace(DANGER, place="quail", standing=False, state=AlarmState.RETURNED_UNACKNOWLEDGED)


def test_alarms_stand_in_the_order_in_which_a_person_should_see_to_them() -> None:
    # What stands before what is over; danger and cold before food, so before the rest; then by priority.
    assert for_the_keeper([OVER, LOW, WARM, COLD, DANGER]) == [DANGER, COLD, WARM, LOW, OVER]


def test_any_alarm_of_high_priority_comes_before_a_ready_dish_and_says_so() -> None:
    said = answer(night(READY, alarms=(DANGER,)))
    assert said.tone is Tone.HIGH
    assert said.sentence.startswith("!!! BROODER DANGEROUSLY WARM")
    assert said.also == "a dish is ready, but this comes first"
    assert answer(night(READY, alarms=(WARM,))).tone is Tone.READY


def test_a_place_has_the_colour_of_its_worst_alarm() -> None:
    here = replace(LOW, place="brooder")
    snapshot = night(AWAY, alarms=(here, DANGER))
    header = place_rows(brooder(), snapshot, Look(), Layout(), 80)[0]
    assert any("bright_red" in str(span.style) for span in header.spans)


def test_only_the_first_alarms_are_told_in_full_and_none_that_is_over() -> None:
    told = "\n".join(row.plain for row in alarm_rows(night(alarms=(DANGER, WARM)), Look(width=300), 1))
    assert DANGER.do_first in told
    assert WARM.do_first not in told
    over = "\n".join(row.plain for row in alarm_rows(night(alarms=(OVER,)), Look(width=300), 9))
    assert "over again" in over
    assert OVER.do_first not in over


def test_the_age_of_the_oldest_reading_is_told() -> None:
    probes = tuple(probe(f"p{age:.0f}", Place.ROOM, 21.0, age_seconds=age) for age in (1.0, 50.0, 3.0))
    assert "the oldest reading 50 s old" in probe_rows(night(probes=probes), Look(), False)[0].plain


def test_a_stale_picture_foretells_nothing() -> None:
    leaving = night(AWAY, brooder(leaves_band_in_seconds=900.0))
    assert "may leave its band in about 15 min" in "\n".join(snapshot_lines(leaving))
    assert "may leave" not in "\n".join(snapshot_lines(leaving, 60.0))


@pytest.mark.parametrize(
    ("low", "high", "start", "stop"), [(30.0, 36.0, 0, 30), (32.0, 34.0, 10, 20), (33.0, 33.05, 15, 15)]
)
def test_a_band_is_drawn_at_its_degrees(low: float, high: float, start: int, stop: int) -> None:
    bar = draw_band(Band(low, high), 30, 36, 31)  # five characters a degree
    assert len(bar) - len(bar.lstrip()) == start
    assert len(bar) - 1 == stop


def test_the_scale_of_a_plan_names_its_ends_where_they_are() -> None:
    brooding = Brooding(
        stage="s", band=Band(31.0, 35.0), source="x", checked=True, humidity="", signs="", notes=("look",)
    )
    _, head, row, *rest = plan_lines("t", [DayPlan(date(2024, 5, 4), None, brooding)])
    scale = head.index("30 °C")
    assert head.index("36 °C") - scale == 27  # so that the figure ends where the scale does
    assert row.index("├") - scale == round(1 / 6 * 31)
    assert "from 2024-05-04: look" in rest
