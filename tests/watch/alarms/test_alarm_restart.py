"""What of the alarms survives a restart: shelves for no longer than they had left, latches, service, open ones."""

import json
from dataclasses import replace

import pytest

from sensord.watch.alarms.alarm_book import Alarm, AlarmBook, Key, dump, restore
from sensord.watch.command_table import Acknowledge, OutOfService, Shelve
from sensord.watch.effects import AlarmState
from tests.helpers.keeper import COLD, DANGER, RULES, SCALD, WARM, Keeper


def shelved() -> Keeper:
    """Shelved at 100 s for 300 s."""
    keeper = Keeper(COLD)
    keeper.tell(Shelve, COLD, 100.0, for_seconds=300.0)
    return keeper


def back(keeper: Keeper, at: float, gap: float | None, key: Key = COLD, most: float = 600.0) -> Alarm:
    """The alarm after a stop at `at` and a start `gap` later, when it is 1000 s."""
    data = json.loads(json.dumps(dump(keeper.book, at)))
    return restore(replace(keeper.rules, shelve_seconds=most), data, 1000.0, gap).get(*key)


def test_a_shelf_goes_on_for_what_is_left_of_it() -> None:
    # 250 s were left, 40 s have passed; it began 50 s before the stop.
    assert back(shelved(), at=150.0, gap=40.0).shelf == (910.0, 1210.0)
    assert back(shelved(), 150.0, 250.0).state is AlarmState.NORMAL
    assert back(shelved(), 150.0, 249.0).shelf == (701.0, 1001.0)
    # A shorter longest shelf in a changed config is obeyed.
    assert back(shelved(), 150.0, 40.0, most=100.0).shelf == (910.0, 1010.0)


@pytest.mark.parametrize("gap", [None, -0.1, -3600.0, float("nan"), float("-inf")])
def test_a_shelf_is_dropped_where_nobody_knows_how_long_it_was_or_the_clock_was_put_back(gap: float | None) -> None:
    assert back(shelved(), 150.0, gap).state is AlarmState.NORMAL


def test_no_row_of_restarts_makes_a_shelf_longer_than_the_longest() -> None:
    keeper, now, passed = shelved(), 150.0, 50.0
    for gap in [1.0, 0.0, 2.0, 0.0] * 80:
        book = restore(RULES, dump(keeper.book, now), 1000.0, gap)
        keeper.book, now, passed = book, 1003.0, passed + gap + 3.0
        shelf = book.get(*COLD).shelf
        assert shelf is None or passed < 600.0
    assert passed > 600.0


def test_latches_service_and_what_nobody_acknowledged_survive() -> None:
    keeper = Keeper(DANGER, WARM, SCALD, latching=frozenset({DANGER[1]}))
    keeper.go(DANGER, seconds=1.0)
    keeper.tell(OutOfService, WARM, 2.0)
    assert back(keeper, 3.0, 1.0, DANGER).state is AlarmState.LATCHED_UNACKNOWLEDGED
    assert back(keeper, 3.0, None, WARM).state is AlarmState.OUT_OF_SERVICE
    assert back(keeper, 3.0, 1.0, SCALD).state is AlarmState.RETURNED_UNACKNOWLEDGED
    unlatched = restore(RULES, dump(keeper.book, 3.0), 0.0, 1.0)
    assert unlatched.get(*DANGER).state is AlarmState.RETURNED_UNACKNOWLEDGED
    assert dump(AlarmBook({COLD: Alarm()}), 2.0) == []


def test_an_acknowledgement_does_not_survive_and_what_still_stands_sounds_again() -> None:
    keeper = Keeper(COLD)
    keeper.tell(Acknowledge, COLD, 1.0)
    keeper.book = restore(RULES, dump(keeper.book, 2.0), 0.0, 1.0)
    assert [change.state for change in keeper.come(COLD, seconds=5.0)] == [AlarmState.UNACKNOWLEDGED]


@pytest.mark.parametrize(
    "data",
    [
        None,
        7,
        [{"place": "brooder"}, 7, None],
        [{"place": "attic", "condition": "too-cold", "state": "out-of-service", "silenced_by": "control"}],
        [{"place": "brooder", "condition": "too-cold", "state": "suppressed", "silenced_by": "control"}],
        [{"place": "brooder", "condition": ["too-cold"], "state": "shelved", "silenced_by": "control"}],
    ],
)
def test_what_cannot_be_read_or_be_is_dropped(data: object) -> None:
    assert restore(RULES, data, 0.0, 1.0).alarms == {}


@pytest.mark.parametrize(("left", "since"), [(None, 1.0), (1.0, None), ("9", 1.0), (10**400, 1.0), (9.0, -1.0)])
def test_a_shelf_that_cannot_be_is_dropped(left: object, since: object) -> None:
    row = {"place": "brooder", "condition": "too-cold", "state": "shelved", "silenced_by": "control"}
    data = [{**row, "shelved_for_seconds": left, "shelved_since_seconds": since}]
    assert restore(RULES, data, 0.0, 1.0).alarms == {}
