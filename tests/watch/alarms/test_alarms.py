"""The alarm book: conditions, commands, shelves and silences to the very second where they end, and what is seen."""

import pytest

from sensord.errors import CommandError
from sensord.watch.alarms.alarms import alarm_views
from sensord.watch.command_table import (
    Acknowledge,
    OutOfService,
    PauseAudio,
    Reset,
    ReturnToService,
    Shelve,
    Unshelve,
)
from sensord.watch.conditions import UNIT_PLACE, Condition, Where, alarms_of
from sensord.watch.cues import Cue, Priority
from sensord.watch.effects import AlarmState, Cued
from sensord.watch.events import Origin
from tests.helpers.keeper import COLD, DANGER, FAULT, RULES, SCALD, WARM, Keeper

SHORT = {"shelve_seconds": 500.0, "rearm_seconds": 900.0, "reminder_seconds": 200.0}
"""Others than any default, so that the settings are seen to be obeyed."""


def test_every_condition_says_what_is_seen_and_what_to_do_first() -> None:
    for row in (condition.row for condition in Condition):
        assert "avian vet" in row.do_first
        assert "\n" not in row.seen + row.do_first + row.shout
        assert row.places


def test_each_place_has_the_alarms_of_its_kind_and_no_others() -> None:
    possible = alarms_of(["nest", "box"], ["bowl"])
    assert {place for place, _ in possible} == {"nest", "box", "bowl", UNIT_PLACE}
    assert {condition for place, condition in possible if place == "bowl"} == {FAULT[1], SCALD[1]}
    assert (UNIT_PLACE, Condition.FEED_OVERDUE) in possible
    assert {condition for _, condition in possible} == set(Condition)
    assert all((Where.BROODER in condition.row.places) == (("nest", condition) in possible) for condition in Condition)


def test_acknowledging_silences_and_the_view_keeps_it() -> None:
    keeper = Keeper(COLD)
    changes = keeper.tell(Acknowledge, None, 5.0, Origin.BUTTON)
    assert [(change.state, change.origin) for change in changes] == [(AlarmState.ACKNOWLEDGED, Origin.BUTTON)]
    assert keeper.heard(5.0) is None
    (shown,) = alarm_views(keeper.book, 5.0)
    assert shown.standing
    assert shown.seen.endswith("(31.0 °C).")
    assert (shown.began_seconds, shown.since_seconds) == (0.0, 5.0)


def test_what_does_not_wait_is_not_acknowledged() -> None:
    keeper = Keeper()
    with pytest.raises(CommandError, match="too-cold of brooder is normal: no alarm waits"):
        keeper.tell(Acknowledge, COLD, 0.0)
    keeper.come(COLD, seconds=0.0)
    keeper.tell(Acknowledge, None, 1.0)
    with pytest.raises(CommandError, match="no alarm waits"):
        keeper.tell(Acknowledge, None, 2.0)
    keeper.come(FAULT, seconds=3.0)
    assert [change.place for change in keeper.tell(Acknowledge, None, 4.0)] == ["dish"]
    keeper.come(WARM, seconds=5.0)
    keeper.tell(Shelve, WARM, 5.0)
    with pytest.raises(CommandError, match="no alarm waits"):
        keeper.tell(Acknowledge, None, 6.0)


def test_what_a_place_cannot_have_is_refused_by_name() -> None:
    with pytest.raises(CommandError, match="there is no too-cold at dish: known are probe-fault, scalding"):
        Keeper().tell(Shelve, ("dish", Condition.TOO_COLD), 0.0)
    with pytest.raises(CommandError, match="there is no place 'attic': known are brooder, dish, unit"):
        Keeper().tell(Acknowledge, ("attic", Condition.TOO_COLD), 0.0)


def test_a_reminder_comes_a_whole_interval_after_the_acknowledgement_and_after_each_other() -> None:
    keeper = Keeper(COLD, **SHORT)
    assert keeper.wait(500.0) == ()  # nobody has acknowledged it
    keeper.tell(Acknowledge, None, 550.0)
    times = [560.0, 749.0, 750.0, 751.0, 949.0, 950.0]
    assert [effect for seconds in times for effect in keeper.wait(seconds)] == [
        Cued(750.0, Cue.REMINDER),
        Cued(950.0, Cue.REMINDER),
    ]
    keeper.come(FAULT, seconds=960.0)
    keeper.tell(Acknowledge, FAULT, 1000.0)
    assert keeper.wait(1199.0) == ()
    assert keeper.wait(1200.0) == (Cued(1200.0, Cue.REMINDER),)
    keeper.go(COLD, FAULT, seconds=1210.0)
    assert keeper.wait(1400.0) == ()


def test_an_acknowledged_alarm_sounds_again_after_its_time_to_the_second() -> None:
    keeper = Keeper(COLD, **SHORT)
    keeper.tell(Acknowledge, COLD, 50.0)
    keeper.wait(949.9)
    assert keeper.state(COLD) is AlarmState.ACKNOWLEDGED
    keeper.wait(950.0)
    assert keeper.state(COLD) is AlarmState.UNACKNOWLEDGED
    assert keeper.book.get(*COLD).since_seconds == 950.0


def test_a_shelf_hides_what_stands_for_its_time_and_at_most_the_longest() -> None:
    keeper = Keeper(COLD, **SHORT)
    keeper.tell(Shelve, COLD, 100.0)
    assert keeper.heard(100.0) is None
    keeper.wait(599.9)
    assert keeper.state(COLD) is AlarmState.SHELVED
    keeper.wait(600.0)
    assert keeper.state(COLD) is AlarmState.UNACKNOWLEDGED


@pytest.mark.parametrize("seconds", [0.0, -5.0, 500.1, float("nan"), float("inf")])
def test_a_shelf_beyond_the_longest_is_refused(seconds: float) -> None:
    with pytest.raises(CommandError, match=r"more than 0 and at most the 500 s of alarms\.shelve_seconds"):
        Keeper(COLD, **SHORT).tell(Shelve, COLD, 0.0, Origin.MQTT, for_seconds=seconds)


def test_a_shelf_can_be_put_off_up_to_its_longest_from_the_start() -> None:
    keeper = Keeper(COLD, **SHORT)
    keeper.tell(Shelve, COLD, 100.0, for_seconds=300.0)
    assert keeper.tell(Shelve, COLD, 300.0, for_seconds=300.0) == ()
    assert keeper.book.get(*COLD).shelf == (100.0, 600.0)
    for seconds, left in ((300.0, 300), (700.0, 0)):
        with pytest.raises(CommandError, match=f"for {left} s more at most"):
            keeper.tell(Shelve, COLD, seconds, for_seconds=301.0)


def test_shelving_a_place_shelves_all_but_its_dangers_and_what_is_out_of_service() -> None:
    keeper = Keeper(COLD)
    keeper.tell(OutOfService, WARM, 0.0)
    changes = keeper.say(Shelve(seconds=1.0, origin=Origin.CONTROL, place="brooder", for_seconds=60.0))
    assert keeper.state(WARM) is AlarmState.OUT_OF_SERVICE
    shelved = {change.condition for change in changes}
    mine = {condition for place, condition in RULES.possible if place == "brooder" and not condition.is_danger}
    assert shelved == mine - {WARM[1]}
    assert {change.place for change in changes} == {"brooder"}


def test_danger_cannot_be_shelved_and_ends_every_shelf_of_its_own_place_only() -> None:
    with pytest.raises(CommandError, match="warns of danger"):
        Keeper().tell(Shelve, DANGER, 0.0)
    keeper = Keeper(COLD, FAULT)
    for key in (COLD, FAULT):
        keeper.tell(Shelve, key, 0.0)
    keeper.come(WARM, seconds=5.0)
    assert keeper.state(COLD) is AlarmState.SHELVED  # no danger
    keeper.come(DANGER, seconds=10.0)
    assert keeper.state(COLD) is AlarmState.UNACKNOWLEDGED
    assert keeper.state(FAULT) is AlarmState.SHELVED
    with pytest.raises(CommandError, match="danger stands at brooder"):
        keeper.tell(Shelve, COLD, 11.0)
    keeper.go(DANGER, seconds=12.0)
    assert keeper.state(FAULT) is AlarmState.SHELVED
    keeper.tell(Shelve, COLD, 13.0)
    assert keeper.state(COLD) is AlarmState.SHELVED


def test_unshelving_ends_what_is_meant_and_is_refused_where_nothing_is_shelved() -> None:
    keeper = Keeper(COLD, WARM)
    for key in (COLD, WARM):
        keeper.tell(Shelve, key, 0.0)
    keeper.tell(Unshelve, COLD, 5.0)
    assert (keeper.state(COLD), keeper.state(WARM)) == (AlarmState.UNACKNOWLEDGED, AlarmState.SHELVED)
    assert len(keeper.say(Unshelve(seconds=6.0, origin=Origin.CONTROL, place="brooder"))) == 1
    with pytest.raises(CommandError, match="too-cold of brooder is unacknowledged: nothing is shelved"):
        keeper.tell(Unshelve, COLD, 7.0)
    with pytest.raises(CommandError, match=r"^nothing is shelved$"):
        keeper.say(Unshelve(seconds=7.0, origin=Origin.CONTROL, place="brooder"))


def test_service_is_left_and_entered_once_and_lasts_until_put_back() -> None:
    keeper = Keeper(COLD)
    keeper.tell(OutOfService, COLD, 0.0)
    keeper.wait(1e6)
    assert keeper.state(COLD) is AlarmState.OUT_OF_SERVICE
    with pytest.raises(CommandError, match="out of service already"):
        keeper.tell(OutOfService, COLD, 1e6)
    with pytest.raises(CommandError, match="return it to service first"):
        keeper.tell(Shelve, COLD, 1e6)
    assert [change.state for change in keeper.tell(ReturnToService, COLD, 1e6)] == [AlarmState.UNACKNOWLEDGED]
    with pytest.raises(CommandError, match="in service already"):
        keeper.tell(ReturnToService, COLD, 1e6)


def test_a_latched_danger_stays_until_it_is_reset() -> None:
    keeper = Keeper(DANGER, latching=frozenset({DANGER[1]}))
    with pytest.raises(CommandError, match="is unacknowledged: only a latched alarm"):
        keeper.tell(Reset, DANGER, 0.5)
    keeper.go(DANGER, seconds=1.0)
    assert keeper.heard(100.0) is Priority.HIGH
    with pytest.raises(CommandError, match="is latched-unacknowledged: only a latched alarm that was acknowledged"):
        keeper.tell(Reset, DANGER, 2.0)
    keeper.tell(Acknowledge, DANGER, 2.0)
    assert keeper.heard(100.0) is None
    keeper.tell(Reset, DANGER, 3.0)
    assert keeper.state(DANGER) is AlarmState.NORMAL
    with pytest.raises(CommandError, match="is normal: only a latched alarm"):
        keeper.tell(Reset, DANGER, 4.0)


def test_horn_and_lamp_take_the_worst_of_what_is_meant_for_them() -> None:
    for keeper in (Keeper(COLD, DANGER, FAULT), Keeper(DANGER, FAULT, COLD)):
        assert (keeper.heard(1.0), keeper.lamp(1.0)) == (Priority.HIGH, (Priority.HIGH, True))
    keeper = Keeper(DANGER, FAULT, COLD)
    keeper.tell(Acknowledge, DANGER, 1.0)
    assert (keeper.heard(60.0), keeper.lamp(60.0)) == (Priority.MEDIUM, (Priority.HIGH, True))
    keeper.tell(Acknowledge, None, 61.0)
    assert (keeper.heard(62.0), keeper.lamp(62.0)) == (None, (Priority.HIGH, False))
    assert (Keeper().heard(1.0), Keeper().lamp(1.0)) == (None, (None, False))
    returned = Keeper(COLD)
    returned.go(COLD, seconds=2.0)
    assert (returned.heard(2.0), returned.lamp(2.0)) == (None, (Priority.MEDIUM, True))
    shelved = Keeper(COLD)
    shelved.tell(Shelve, COLD, 0.0)
    assert shelved.lamp(1.0) == (None, False)


def test_a_pause_is_over_at_its_second_and_a_new_alarm_ends_it() -> None:
    keeper = Keeper(COLD)
    keeper.say(PauseAudio(seconds=0.0, origin=Origin.BUTTON, for_seconds=100.0))
    keeper.wait(99.9)
    assert keeper.heard(99.9) is None
    keeper.wait(100.0)
    assert keeper.heard(100.0) is Priority.MEDIUM
    keeper.say(PauseAudio(seconds=200.0, origin=Origin.BUTTON))
    keeper.go(WARM, seconds=201.0)
    assert keeper.heard(201.0) is None
    keeper.come(WARM, seconds=202.0)
    assert keeper.heard(202.0) is Priority.MEDIUM
    for seconds in (0.0, -1.0, 120.1, float("nan")):
        with pytest.raises(CommandError, match=r"at most the 120 s of alarms\.pause_seconds"):
            keeper.say(PauseAudio(seconds=300.0, origin=Origin.BUTTON, for_seconds=seconds))


def test_alarms_that_sound_come_first_then_the_worst_then_the_oldest() -> None:
    keeper = Keeper(DANGER)
    keeper.tell(Acknowledge, DANGER, 0.0)
    for key, seconds in ((COLD, 20.0), (WARM, 10.0), ((UNIT_PLACE, Condition.FEED_OVERDUE), 5.0)):
        keeper.come(key, seconds=seconds)
    assert keeper.shown(30.0) == [WARM, COLD, (UNIT_PLACE, Condition.FEED_OVERDUE), DANGER]


def test_a_view_counts_down_its_shelf() -> None:
    keeper = Keeper(COLD)
    (plain,) = alarm_views(keeper.book, 5.0)
    assert plain.shelved_left_seconds is None
    keeper.tell(Shelve, COLD, 0.0, for_seconds=300.0)
    for seconds, left in ((100.0, 200.0), (300.0, 0.0), (400.0, 0.0)):
        (shown,) = alarm_views(keeper.book, seconds)
        assert shown.shelved_left_seconds == left
