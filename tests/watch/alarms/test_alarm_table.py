"""Every cell of the alarm table, against public copies of ISA-18.2 / IEC 62682 and OPC 10000-9 (ALM and ANN rows)."""

import json
import re
from dataclasses import replace
from itertools import product
from pathlib import Path
from typing import Any

import pytest

from sensord.watch.alarms.alarm_book import Alarm, AlarmBook, AlarmSettings, happen, move
from sensord.watch.alarms.alarm_table import HORN, LETTERS, TABLE, Happening, Move, cell
from sensord.watch.alarms.alarms import acknowledge, alerting, reset, restore, standing
from sensord.watch.conditions import Condition, Priority
from sensord.watch.effects import AlarmState
from sensord.watch.events import Origin

ROWS: list[dict[str, Any]] = json.loads((Path(__file__).parents[2] / "data/alarm_check_values.json").read_text())
SETTINGS = AlarmSettings()
KEY = ("brooder", Condition.TOO_COLD)
FLAGS = {
    Move.A: Alarm(),
    Move.B: Alarm(condition_true=True, acknowledged=False),
    Move.C: Alarm(condition_true=True),
    Move.D: Alarm(acknowledged=False),
    Move.E: Alarm(acknowledged=False, latched=True),
    Move.F: Alarm(latched=True),
    Move.G: Alarm(shelved_from_seconds=0.0, shelved_until_seconds=60.0),
    Move.H: Alarm(suppressed=True),
    Move.I: Alarm(out=True),
}
EVENTS = {
    "ON": Happening.ON,
    "ACK": Happening.ACKNOWLEDGE,
    "RESET": Happening.RESET,
    "REALARM": Happening.REARM,
    "SHELVE": Happening.SHELVE,
    "SUPPRESS": Happening.SUPPRESS,
    "REMOVE_FROM_SERVICE": Happening.REMOVE,
    "UNSHELVE": Happening.UNSHELVE,
    "SHELVE_TIMEOUT": Happening.UNSHELVE,
    "UNSUPPRESS": Happening.UNSUPPRESS,
    "RETURN_TO_SERVICE": Happening.RETURN,
}


def moved(alarm: Alarm, happening: Happening) -> Alarm:
    book = AlarmBook({KEY: alarm})
    tracked = alarm
    if happening is Happening.ON:
        tracked = replace(alarm, condition_true=True)
    elif happening in (Happening.OFF, Happening.OFF_LATCHING, Happening.OFF_ONE_SHOT):
        tracked = replace(alarm, condition_true=False)
    elif happening is Happening.SHELVE and cell(alarm.state, happening) is Move.G:
        tracked = replace(alarm, shelved_from_seconds=5.0, shelved_until_seconds=65.0)
    book, _ = move(book, SETTINGS, 5.0, KEY, alarm, tracked, happening, Origin.CONTROL)
    return book.get(*KEY)


@pytest.mark.parametrize("row", [r for r in ROWS if r["id"].startswith("ALM")], ids=lambda row: str(row["id"]))
def test_transition_matches_the_published_row(row: dict[str, Any]) -> None:
    given = row["given"]
    letter = Move(given["state"][0])
    alarm = replace(FLAGS[letter], condition_true=FLAGS[letter].condition_true or "condition true" in given["state"])
    if given["event"] == "RESTART":
        assert restore("lost", SETTINGS, 0.0, 10.0).get(*KEY).state is not AlarmState.SHELVED
        return
    if given["event"] == "OFF":
        one_shot = "one-shot" in given["state"]
        latching = Happening.OFF_LATCHING if given["latching"] else Happening.OFF
        happening = Happening.OFF_ONE_SHOT if one_shot else latching
    else:
        happening = EVENTS[given["event"]]
    assert LETTERS[moved(alarm, happening).state] == row["expected"]


@pytest.mark.parametrize(("letter", "happening"), list(product(FLAGS, Happening)))
def test_every_cell_has_an_entry_and_the_flags_obey_it(letter: Move, happening: Happening) -> None:
    for condition_true in (False, True) if letter in (Move.G, Move.H, Move.I) else (FLAGS[letter].condition_true,):
        alarm = replace(FLAGS[letter], condition_true=condition_true)
        says = TABLE[letter, happening]
        expected = {Move.STAY: letter, Move.REFUSE: letter, Move.RECOMPUTE: Move.B if condition_true else Move.A}
        if says is Move.STAY and happening in (Happening.ON, Happening.OFF, Happening.OFF_LATCHING):
            continue  # an ON that is on already does not happen: `standing` passes only changes
        assert LETTERS[moved(alarm, happening).state] == expected.get(says, says)


def test_the_horn_may_sound_only_where_the_table_says() -> None:
    for letter, alarm in FLAGS.items():
        alert = alerting(AlarmBook({KEY: alarm}), SETTINGS, 1.0, None)
        assert (alert.priority is not None) == (letter in (Move.B, Move.E))
        assert (alarm.state in HORN) == (letter in (Move.B, Move.E))
        assert alerting(AlarmBook({KEY: alarm}), SETTINGS, 1.0, 2.0).priority is None


def test_leaving_shelf_suppression_or_service_with_the_condition_true_annunciates() -> None:
    ends = {Move.G: Happening.UNSHELVE, Move.H: Happening.UNSUPPRESS, Move.I: Happening.RETURN}
    for letter, happening in ends.items():
        book = AlarmBook({KEY: replace(FLAGS[letter], condition_true=True)})
        book, changes = happen(book, SETTINGS, 9.0, KEY, happening, Origin.CONTROL)
        assert [change.state for change in changes] == [AlarmState.UNACKNOWLEDGED]
        assert alerting(book, SETTINGS, 9.0, None).priority is Priority.MEDIUM


@pytest.mark.parametrize(("row", "latching"), [("ANN-01", False), ("ANN-02", True)])
def test_lamp_and_horn_follow_the_annunciator_sequences(row: str, latching: bool) -> None:
    """ISA-18.1 sequences A (automatic reset) and M (manual reset)."""
    given = next(r for r in ROWS if r["id"] == row)
    settings = AlarmSettings(latching=frozenset({KEY[1]}) if latching else frozenset())
    book, shown = AlarmBook(), []
    for seconds, step in enumerate(given["given"]["steps"]):
        if step == "acknowledge":
            book, _ = acknowledge(book, settings, seconds, *KEY, Origin.BUTTON)
        elif step == "reset":
            book, _ = reset(book, settings, seconds, *KEY, Origin.BUTTON)
        else:
            book, _ = standing(book, settings, seconds, *KEY, step == "abnormal")
        alert = alerting(book, settings, seconds, None)
        lamp = "off" if alert.lamp is None else "flash" if alert.flashing else "steady"
        shown.append([lamp, "off" if alert.priority is None else "on"])
    # The sheet writes "silent" and "off" for the same silence.
    assert shown == [[lamp, "off" if horn == "silent" else horn] for lamp, horn in given["expected"]]


def test_the_table_is_written_with_the_standards_letters() -> None:
    assert "".join(LETTERS.values()) == "ABCDEFGHI"
    assert all(re.fullmatch("[A-I]|=|refused|B or A", says) for says in TABLE.values())
