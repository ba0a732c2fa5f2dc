"""Every cell of the alarm table, against public copies of ISA-18.2 / IEC 62682 and OPC 10000-9 (ALM and ANN rows)."""

import json
from itertools import product
from pathlib import Path
from typing import Any

import pytest

from sensord.watch.alarms.alarm_book import Alarm, AlarmBook, Cause, Shelf, happen
from sensord.watch.alarms.alarm_table import HORN, LETTERS, TABLE, Happening, Said
from sensord.watch.alarms.alarms import alerting
from sensord.watch.command_table import Acknowledge, Reset
from sensord.watch.conditions import Condition
from sensord.watch.cues import Priority
from sensord.watch.effects import AlarmState
from sensord.watch.events import Origin
from tests.helpers.keeper import COLD, RULES, Keeper

ROWS: list[dict[str, Any]] = json.loads((Path(__file__).parents[2] / "data/alarm_check_values.json").read_text())
STATES = {letter: state for state, letter in LETTERS.items()}
STANDS = "BC"
HIDDEN = "GI"
"""States in which the condition may stand or not."""
EVENTS = {
    "ON": Happening.ON,
    "ACK": Happening.ACKNOWLEDGE,
    "RESET": Happening.RESET,
    "REALARM": Happening.REARM,
    "SHELVE": Happening.SHELVE,
    "REMOVE_FROM_SERVICE": Happening.REMOVE,
    "UNSHELVE": Happening.UNSHELVE,
    "SHELVE_TIMEOUT": Happening.UNSHELVE,
    "RETURN_TO_SERVICE": Happening.RETURN,
}


def is_ours(row: dict[str, Any]) -> bool:
    """Nothing suppresses an alarm here, and no shelf ends with its condition."""
    given = row["given"]
    return row["id"].startswith("ALM") and "SUPPRESS" not in given["event"] and "one-shot" not in given["state"]


OURS = [row for row in ROWS if is_ours(row)]


def alarm_in(letter: str, stands: bool) -> Alarm:
    return Alarm(state=STATES[letter], stands=stands, shelf=Shelf(0.0, 60.0) if letter == "G" else None)


def after(alarm: Alarm, happening: Happening, stands: bool | None = None) -> str:
    book = AlarmBook({COLD: alarm})
    brought = Alarm(state=alarm.state, stands=alarm.stands if stands is None else stands, shelf=alarm.shelf)
    book, _ = happen(book, Cause(5.0, Origin.CONTROL), COLD, happening, brought)
    return LETTERS[book.get(*COLD).state]


@pytest.mark.parametrize("row", OURS, ids=lambda row: str(row["id"]))
def test_transition_matches_the_published_row(row: dict[str, Any]) -> None:
    given = row["given"]
    letter = given["state"][0]
    alarm = alarm_in(letter, letter in STANDS or "condition true" in given["state"])
    if given["event"] == "RESTART":
        return  # no transition; tests/watch/alarms/test_alarm_restart.py
    if given["event"] == "OFF":
        assert after(alarm, Happening.OFF_LATCHING if given["latching"] else Happening.OFF, False) == row["expected"]
    else:
        assert after(alarm, EVENTS[given["event"]], True if given["event"] == "ON" else None) == row["expected"]


def test_no_published_row_was_left_out_but_for_what_is_not_done_here() -> None:
    assert len(OURS) == len([row for row in ROWS if row["id"].startswith("ALM")]) - 7


@pytest.mark.parametrize(("letter", "happening"), list(product(STATES, Happening)))
def test_every_cell_has_an_entry_and_the_machine_obeys_it(letter: str, happening: Happening) -> None:
    for stands in (False, True) if letter in HIDDEN else (letter in STANDS,):
        says = TABLE[STATES[letter], happening]
        expected = {Said.NOTHING: letter, Said.REFUSED: letter, Said.BY_CONDITION: "B" if stands else "A"}
        found = after(alarm_in(letter, stands), happening)
        assert found == (expected[says] if isinstance(says, Said) else LETTERS[says])


def test_the_horn_may_sound_only_where_the_table_says() -> None:
    for letter, state in STATES.items():
        alert = alerting(RULES, AlarmBook({COLD: alarm_in(letter, letter in STANDS)}), 1.0)
        assert (alert.priority is not None) == (letter in ("B", "E"))
        assert (state in HORN) == (letter in ("B", "E"))


def test_leaving_shelf_or_service_with_the_condition_true_annunciates() -> None:
    for letter, happening in (("G", Happening.UNSHELVE), ("I", Happening.RETURN)):
        book, changes = happen(AlarmBook({COLD: alarm_in(letter, True)}), Cause(9.0, Origin.CONTROL), COLD, happening)
        assert [change.state for change in changes] == [AlarmState.UNACKNOWLEDGED]
        assert alerting(RULES, book, 9.0).priority is Priority.MEDIUM


@pytest.mark.parametrize(("row", "latching"), [("ANN-01", False), ("ANN-02", True)])
def test_lamp_and_horn_follow_the_annunciator_sequences(row: str, latching: bool) -> None:
    """ISA-18.1 sequences A (automatic reset) and M (manual reset)."""
    given = next(r for r in ROWS if r["id"] == row)
    keeper = Keeper(latching=frozenset({Condition.TOO_COLD}) if latching else frozenset())
    shown = []
    for seconds, step in enumerate(given["given"]["steps"]):
        if step in ("acknowledge", "reset"):
            keeper.tell(Acknowledge if step == "acknowledge" else Reset, COLD, seconds)
        else:
            keeper.come(COLD, seconds=seconds, standing=step == "abnormal")
        lamp, flashing = keeper.lamp(seconds)
        light = "off" if lamp is None else "flash" if flashing else "steady"
        shown.append([light, "off" if keeper.heard(seconds) is None else "on"])
    # The sheet writes "silent" and "off" for the same silence.
    assert shown == [[lamp, "off" if horn == "silent" else horn] for lamp, horn in given["expected"]]
