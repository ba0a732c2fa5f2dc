"""Plain lines say what the dashboard says."""

import pytest

from sensord.readings import Band, FaultKind, Interval, Reading
from sensord.screens.lines import effect_line, snapshot_lines
from sensord.watch.conditions import Condition
from sensord.watch.cues import Cue, Priority
from sensord.watch.effects import (
    AlarmChanged,
    AlarmState,
    Answered,
    BandMoved,
    BatchStarted,
    Cued,
    DishChanged,
    DishState,
    Effect,
    Forecast,
    GapFound,
    Measured,
    Note,
    Noted,
)
from sensord.watch.events import Origin
from tests.screens.invented import SNAPSHOTS


@pytest.mark.parametrize("name", SNAPSHOTS)
def test_every_alarm_and_place_has_its_line(name: str) -> None:
    snapshot = SNAPSHOTS[name]
    lines = snapshot_lines(snapshot)
    for view in snapshot.brooders:
        assert any(line.startswith(f"{view.name}: ") for line in lines)
    for one in snapshot.dishes:
        assert any(line.startswith(f"{one.name}: ") for line in lines)
    for alarm in snapshot.alarms:
        assert any(alarm.place in line and alarm.condition.value.replace("-", " ") in line for line in lines)
    assert all("\n" not in line for line in lines)


def test_stale_lines_call_nothing_ready() -> None:
    lines = snapshot_lines(SNAPSHOTS["ready"], stale_seconds=60.0)
    assert lines[0].startswith("NO DATA SINCE 03:15:00")
    assert not any("open for" in line or "FEED NOW" in line for line in lines)
    assert any("was ready to feed" in line for line in lines)


@pytest.mark.parametrize(
    ("effect", "line"),
    [
        (
            AlarmChanged(
                seconds=1.0,
                place="brooder",
                condition=Condition.TOO_COLD,
                priority=Priority.MEDIUM,
                state=AlarmState.UNACKNOWLEDGED,
                previous=AlarmState.NORMAL,
                celsius=33.0,
                seen="The air is cold.",
                do_first="Check the lid.",
            ),
            "!! brooder too cold: The air is cold. → Check the lid.",
        ),
        (
            AlarmChanged(
                seconds=1.0,
                place="brooder",
                condition=Condition.TOO_COLD,
                priority=Priority.MEDIUM,
                state=AlarmState.ACKNOWLEDGED,
                previous=AlarmState.UNACKNOWLEDGED,
            ),
            "brooder too cold: acknowledged",
        ),
        (
            DishChanged(
                seconds=1.0,
                dish="dish",
                probe="p",
                state=DishState.READY,
                previous=DishState.HOT,
                estimate_celsius=Interval(37.4, 37.1, 37.7),
                why="in the band",
            ),
            "dish: ready to feed, paste about 37.4 °C (in the band)",
        ),
        (
            Noted(seconds=1.0, probe="p", what=Note.PROBE_FAULT, fault=FaultKind.CRC_ERROR),
            "probe p: probe fault crc error",
        ),
        (
            Forecast(
                seconds=1.0,
                place="brooder",
                condition=Condition.TOO_COLD,
                in_seconds=Interval(900.0, 600.0, 1500.0),
            ),
            "brooder: too cold expected in about 15 min",
        ),
        (
            BandMoved(seconds=1.0, place="brooder", band=Band(31.0, 33.0), band_source="profile", pinned=False),
            "brooder: keep at 31.0–33.0 °C now (profile)",
        ),
        (BatchStarted(1.0, "dish", Origin.BUTTON), "dish: a new bowl"),
        (GapFound(1.0, None, {}, {}), "nobody watched for an unknown time"),
        (Cued(1.0, Cue.NOT_READY, "dish"), "sound: not ready, dish"),
        (
            Answered(seconds=1.0, request="r", origin=Origin.CONTROL, verb="shelve", done=False, reason="too long"),
            "shelve refused: too long",
        ),
        (Answered(seconds=1.0, request="r", origin=Origin.CONTROL, verb="shelve", done=True), "shelve done"),
        (
            AlarmChanged(
                seconds=1.0,
                place="brooder",
                condition=Condition.TOO_COLD,
                priority=Priority.MEDIUM,
                state=AlarmState.SHELVED,
                previous=AlarmState.NORMAL,
            ),
            None,
        ),
        (Measured(Reading("p", 1.0, 37.0), 0.5), None),
    ],
)
def test_a_happening_is_one_line(effect: Effect, line: str | None) -> None:
    assert effect_line(effect) == line
