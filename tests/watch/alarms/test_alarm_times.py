"""Alarms at the very seconds where shelves, reminders and silences end, and in the order the keeper sees them."""

from dataclasses import replace

import pytest

from sensord.errors import CommandError
from sensord.watch.alarms import alarms
from sensord.watch.alarms.alarm_book import Alarm, AlarmBook, AlarmSettings
from sensord.watch.conditions import Condition, Priority
from sensord.watch.effects import AlarmState, Cue, Cued
from sensord.watch.events import Origin

COLD = ("brooder", Condition.TOO_COLD)
WARM = ("brooder", Condition.TOO_WARM)
DANGER = ("brooder", Condition.DANGEROUSLY_COLD)
FEED = ("dish", Condition.FEED_OVERDUE)
# Others than any default, so that the settings are seen to be obeyed.
SETTINGS = AlarmSettings(shelve_seconds=500.0, rearm_seconds=900.0, reminder_seconds=200.0)


def raised(*keys: tuple[str, Condition], seconds: float = 0.0, book: AlarmBook | None = None) -> AlarmBook:
    book = book or AlarmBook()
    for key in keys:
        book, _ = alarms.standing(book, SETTINGS, seconds, *key, True, 31.0)
    return book


def acknowledged(*keys: tuple[str, Condition], seconds: float = 0.0) -> AlarmBook:
    return alarms.acknowledge(raised(*keys), SETTINGS, seconds, None, None, Origin.BUTTON)[0]


def reminders(book: AlarmBook, times: list[float]) -> list[float]:
    found = []
    for seconds in times:
        book, effects = alarms.tick(book, SETTINGS, seconds)
        found += [effect.seconds for effect in effects if isinstance(effect, Cued) and effect.cue is Cue.REMINDER]
    return found


def test_a_reminder_comes_a_whole_interval_after_the_acknowledgement_and_after_each_other() -> None:
    book = acknowledged(COLD, seconds=50.0)
    assert reminders(book, [60.0, 249.0, 250.0, 251.0, 449.0, 450.0]) == [250.0, 450.0]


def test_acknowledging_another_alarm_puts_the_reminder_off() -> None:
    book = raised(FEED, seconds=100.0, book=acknowledged(COLD))
    book, _ = alarms.acknowledge(book, SETTINGS, 150.0, *FEED, Origin.BUTTON)
    assert reminders(book, [200.0, 349.0, 350.0]) == [350.0]


def test_after_a_restart_nobody_knows_when_the_last_reminder_was_and_it_comes_at_once() -> None:
    book = replace(acknowledged(COLD, seconds=1000.0), reminded_seconds=None)
    assert reminders(book, [1001.0]) == [1001.0]


def test_nothing_is_recalled_that_is_not_acknowledged_or_no_longer_stands() -> None:
    assert reminders(raised(COLD), [500.0]) == []
    gone, _ = alarms.standing(acknowledged(COLD), SETTINGS, 10.0, *COLD, False)
    assert reminders(gone, [500.0]) == []


def test_an_acknowledged_alarm_sounds_again_after_its_time_to_the_second() -> None:
    book = acknowledged(COLD, seconds=50.0)
    for seconds, state in ((949.9, AlarmState.ACKNOWLEDGED), (950.0, AlarmState.UNACKNOWLEDGED)):
        assert alarms.tick(book, SETTINGS, seconds)[0].get(*COLD).state is state
    again, effects = alarms.tick(book, SETTINGS, 950.0)
    assert alarms.breaks_pause(effects)
    assert again.get(*COLD).since_seconds == 950.0


def test_a_shelf_lasts_its_time_and_at_most_the_longest() -> None:
    book, _ = alarms.shelve(raised(COLD), SETTINGS, 100.0, *COLD, 500.0, Origin.CONTROL)
    for seconds, state in ((599.9, AlarmState.SHELVED), (600.0, AlarmState.UNACKNOWLEDGED)):
        assert alarms.tick(book, SETTINGS, seconds)[0].get(*COLD).state is state
    with pytest.raises(CommandError, match="at most 500 s"):
        alarms.shelve(raised(COLD), SETTINGS, 100.0, *COLD, 500.1, Origin.CONTROL)
    for seconds in (0.0, -1.0):
        with pytest.raises(CommandError, match="more than 0"):
            alarms.shelve(raised(COLD), SETTINGS, 100.0, *COLD, seconds, Origin.CONTROL)


def test_a_shelf_can_be_put_off_up_to_its_longest_from_the_start() -> None:
    book, _ = alarms.shelve(raised(COLD), SETTINGS, 100.0, *COLD, 300.0, Origin.CONTROL)
    longer, _ = alarms.shelve(book, SETTINGS, 300.0, *COLD, 300.0, Origin.CONTROL)
    assert longer.get(*COLD).shelved_until_seconds == 600.0
    assert longer.get(*COLD).shelved_from_seconds == 100.0
    with pytest.raises(CommandError, match="for 300 s more at most"):
        alarms.shelve(book, SETTINGS, 300.0, *COLD, 301.0, Origin.CONTROL)
    with pytest.raises(CommandError, match="for 0 s more at most"):
        alarms.shelve(book, SETTINGS, 700.0, *COLD, 301.0, Origin.CONTROL)


def test_shelving_a_place_shelves_all_but_its_dangers_and_what_is_out_of_service() -> None:
    book, _ = alarms.out_of_service(raised(COLD), SETTINGS, 0.0, *WARM, Origin.CONTROL)
    book, _ = alarms.suppress(book, SETTINGS, 0.0, "brooder", Condition.PROBE_FAULT, True)
    book, changes = alarms.shelve(book, SETTINGS, 1.0, "brooder", None, 60.0, Origin.CONTROL)
    assert book.get(*WARM).state is AlarmState.OUT_OF_SERVICE
    assert book.get("brooder", Condition.PROBE_FAULT).state is AlarmState.SUPPRESSED
    assert book.get(*DANGER).state is AlarmState.NORMAL
    shelved = {change.condition for change in changes}
    assert Condition.TOO_COLD in shelved
    assert Condition.READINGS_LATE in shelved
    assert all(condition.priority is not Priority.HIGH for condition in shelved)
    assert book.get("dish", Condition.TOO_COLD).state is AlarmState.NORMAL


def test_a_suppressed_alarm_alone_cannot_be_shelved() -> None:
    key = ("brooder", Condition.PROBE_FAULT)
    book, _ = alarms.suppress(AlarmBook(), SETTINGS, 0.0, *key, True)
    with pytest.raises(CommandError, match="nothing at brooder can be shelved now"):
        alarms.shelve(book, SETTINGS, 1.0, *key, 60.0, Origin.CONTROL)


def test_a_danger_elsewhere_or_gone_does_not_forbid_a_shelf() -> None:
    book = raised(COLD, ("dish", Condition.SCALDING))
    shelved, _ = alarms.shelve(book, SETTINGS, 1.0, *COLD, 60.0, Origin.CONTROL)
    assert shelved.get(*COLD).state is AlarmState.SHELVED
    gone, _ = alarms.standing(raised(COLD, DANGER), SETTINGS, 1.0, *DANGER, False)
    shelved, _ = alarms.shelve(gone, SETTINGS, 2.0, *COLD, 60.0, Origin.CONTROL)
    assert shelved.get(*COLD).state is AlarmState.SHELVED


def test_a_danger_ends_the_shelves_of_its_own_place_only() -> None:
    book, _ = alarms.shelve(raised(COLD, FEED), SETTINGS, 0.0, *FEED, 300.0, Origin.CONTROL)
    book, _ = alarms.shelve(book, SETTINGS, 0.0, *COLD, 300.0, Origin.CONTROL)
    book = raised(("brooder", Condition.TOO_WARM), seconds=5.0, book=book)
    assert book.get(*COLD).state is AlarmState.SHELVED  # no danger
    book = raised(DANGER, seconds=10.0, book=book)
    assert book.get(*COLD).state is AlarmState.UNACKNOWLEDGED
    assert book.get(*FEED).state is AlarmState.SHELVED
    book, _ = alarms.standing(book, SETTINGS, 11.0, *DANGER, False)
    assert book.get(*FEED).state is AlarmState.SHELVED


def test_a_one_shot_shelf_lasts_for_its_condition_and_another_shelf_for_its_time() -> None:
    for one_shot, state in ((True, AlarmState.NORMAL), (False, AlarmState.SHELVED)):
        book, _ = alarms.shelve(raised(COLD), SETTINGS, 0.0, *COLD, 300.0, Origin.CONTROL, one_shot)
        book, _ = alarms.standing(book, SETTINGS, 60.0, *COLD, False)
        assert book.get(*COLD).state is state


def test_unshelving_ends_what_is_meant_and_is_refused_where_nothing_is_shelved() -> None:
    book, _ = alarms.shelve(raised(COLD, WARM), SETTINGS, 0.0, *COLD, 300.0, Origin.CONTROL)
    book, _ = alarms.shelve(book, SETTINGS, 0.0, *WARM, 300.0, Origin.CONTROL)
    one, _ = alarms.unshelve(book, SETTINGS, 5.0, *COLD, Origin.CONTROL)
    assert one.get(*COLD).state is AlarmState.UNACKNOWLEDGED
    assert one.get(*WARM).state is AlarmState.SHELVED
    both, changes = alarms.unshelve(book, SETTINGS, 5.0, "brooder", None, Origin.CONTROL)
    assert len(changes) == 2
    with pytest.raises(CommandError, match="nothing is shelved at brooder for too-cold"):
        alarms.unshelve(both, SETTINGS, 6.0, *COLD, Origin.CONTROL)
    with pytest.raises(CommandError, match=r"nothing is shelved at brooder$"):
        alarms.unshelve(both, SETTINGS, 6.0, "brooder", None, Origin.CONTROL)


def test_what_is_acknowledged_already_is_not_acknowledged_again() -> None:
    with pytest.raises(CommandError, match="no alarm of brooder waits"):
        alarms.acknowledge(acknowledged(COLD), SETTINGS, 5.0, "brooder", None, Origin.BUTTON)
    with pytest.raises(CommandError, match="no alarm of any place waits"):
        alarms.acknowledge(AlarmBook(), SETTINGS, 5.0, None, None, Origin.BUTTON)
    shelved, _ = alarms.shelve(raised(COLD), SETTINGS, 0.0, *COLD, 300.0, Origin.CONTROL)
    with pytest.raises(CommandError, match="waits to be acknowledged"):
        alarms.acknowledge(shelved, SETTINGS, 5.0, "brooder", None, Origin.BUTTON)
    two = raised(FEED, book=acknowledged(COLD))
    _, changes = alarms.acknowledge(two, SETTINGS, 5.0, None, None, Origin.BUTTON)
    assert [change.place for change in changes] == ["dish"]


def test_suppressing_what_is_suppressed_or_out_changes_nothing() -> None:
    key = ("brooder", Condition.PROBE_FAULT)
    book, _ = alarms.suppress(AlarmBook(), SETTINGS, 0.0, *key, True)
    assert alarms.suppress(book, SETTINGS, 1.0, *key, True) == (book, ())
    assert alarms.suppress(AlarmBook(), SETTINGS, 1.0, *key, False) == (AlarmBook(), ())
    out, _ = alarms.out_of_service(AlarmBook(), SETTINGS, 0.0, *key, Origin.CONTROL)
    assert alarms.suppress(out, SETTINGS, 1.0, *key, True) == (out, ())


def test_service_is_left_and_entered_once() -> None:
    out, _ = alarms.out_of_service(AlarmBook(), SETTINGS, 0.0, *COLD, Origin.CONTROL)
    with pytest.raises(CommandError, match="out of service already"):
        alarms.out_of_service(out, SETTINGS, 1.0, *COLD, Origin.CONTROL)
    with pytest.raises(CommandError, match="in service already"):
        alarms.return_to_service(AlarmBook(), SETTINGS, 1.0, *COLD, Origin.CONTROL)


def test_a_latched_alarm_whose_condition_stands_cannot_be_reset() -> None:
    settings = replace(SETTINGS, latching=frozenset({Condition.DANGEROUSLY_COLD}))
    book, _ = alarms.standing(AlarmBook(), settings, 0.0, *DANGER, True)
    with pytest.raises(CommandError, match=r"cannot be reset|no latched alarm"):
        alarms.reset(book, settings, 1.0, *DANGER, Origin.CONTROL)
    plain, _ = alarms.standing(raised(COLD), settings, 1.0, *COLD, False)
    assert plain.get(*COLD).state is AlarmState.RETURNED_UNACKNOWLEDGED


def test_horn_and_lamp_take_the_worst_of_what_is_meant_for_them() -> None:
    for keys in ((COLD, DANGER, FEED), (DANGER, FEED, COLD)):
        alert = alarms.alerting(raised(*keys), SETTINGS, 1.0, None)
        assert (alert.priority, alert.lamp, alert.flashing) == (Priority.HIGH, Priority.HIGH, True)
    book = raised(FEED, book=acknowledged(DANGER))
    alert = alarms.alerting(book, SETTINGS, 1.0, None)
    assert (alert.priority, alert.lamp, alert.flashing) == (Priority.LOW, Priority.HIGH, True)
    alert = alarms.alerting(acknowledged(DANGER, FEED), SETTINGS, 1.0, None)
    assert (alert.priority, alert.lamp, alert.flashing) == (None, Priority.HIGH, False)
    nothing = alarms.alerting(AlarmBook(), SETTINGS, 1.0, None)
    assert (nothing.priority, nothing.lamp, nothing.flashing) == (None, None, False)
    returned, _ = alarms.standing(raised(COLD), SETTINGS, 2.0, *COLD, False)
    alert = alarms.alerting(returned, SETTINGS, 2.0, None)
    assert (alert.priority, alert.lamp, alert.flashing) == (None, Priority.MEDIUM, True)
    shelved, _ = alarms.shelve(raised(COLD), SETTINGS, 0.0, *COLD, 300.0, Origin.CONTROL)
    assert alarms.alerting(shelved, SETTINGS, 1.0, None).lamp is None


def test_a_pause_is_over_at_its_second() -> None:
    book = raised(COLD)
    during, after = (alarms.alerting(book, SETTINGS, seconds, 100.0) for seconds in (99.9, 100.0))
    assert (during.priority, during.paused_until_seconds) == (None, 100.0)
    assert (after.priority, after.paused_until_seconds) == (Priority.MEDIUM, None)


def test_alarms_that_sound_come_first_then_the_worst_then_the_oldest() -> None:
    book = alarms.acknowledge(raised(DANGER), SETTINGS, 0.0, None, None, Origin.BUTTON)[0]
    book = raised(COLD, seconds=20.0, book=book)
    book = raised(WARM, seconds=10.0, book=book)
    book = raised(FEED, seconds=5.0, book=book)
    shown = [view.condition for view in alarms.views(book, SETTINGS, 30.0)]
    assert shown == [WARM[1], COLD[1], FEED[1], DANGER[1]]


def test_a_view_counts_down_its_shelf() -> None:
    book, _ = alarms.shelve(raised(COLD), SETTINGS, 0.0, *COLD, 300.0, Origin.CONTROL)
    for seconds, left in ((100.0, 200.0), (300.0, 0.0), (400.0, 0.0)):
        (shown,) = alarms.views(book, SETTINGS, seconds)
        assert shown.shelved_left_seconds == left
    (plain,) = alarms.views(raised(COLD), SETTINGS, 5.0)
    assert plain.shelved_left_seconds is None


def test_only_a_new_alarm_ends_a_pause() -> None:
    _, new = alarms.standing(AlarmBook(), SETTINGS, 0.0, *COLD, True, 31.0)
    assert alarms.breaks_pause(new)
    book = raised(COLD)
    _, acknowledged_now = alarms.acknowledge(book, SETTINGS, 1.0, *COLD, Origin.BUTTON)
    assert not alarms.breaks_pause(acknowledged_now)
    assert not alarms.breaks_pause((Cued(0.0, Cue.REMINDER),))
    _, same = alarms.standing(book, SETTINGS, 1.0, *COLD, True, 30.0)
    assert same == ()


def kept(book: AlarmBook, at: float, gap: float | None, now: float = 5.0, most: float = 500.0) -> Alarm:
    settings = replace(SETTINGS, shelve_seconds=most)
    return alarms.restore(alarms.dump(book, at), settings, now, gap).get(*COLD)


def test_a_shelf_goes_on_after_a_restart_for_what_is_left_of_it() -> None:
    book, _ = alarms.shelve(raised(COLD), SETTINGS, 100.0, *COLD, 300.0, Origin.CONTROL, one_shot=True)
    alarm = kept(book, at=150.0, gap=40.0, now=1000.0)
    # 250 s were left, 40 s have passed; it began 50 s before the stop.
    assert alarm.shelved_until_seconds == 1210.0
    assert alarm.shelved_from_seconds == 910.0
    assert alarm.one_shot
    assert not alarm.acknowledged
    assert alarm.since_seconds == 1000.0
    assert kept(book, 150.0, 250.0).shelved_until_seconds is None
    assert kept(book, 150.0, 249.0).shelved_until_seconds == 6.0
    assert kept(book, 150.0, None).shelved_until_seconds is None
    # A shorter longest shelf in a changed config is obeyed.
    assert kept(book, 150.0, 40.0, most=100.0).shelved_until_seconds == 105.0


def test_latches_service_and_what_nobody_acknowledged_survive_a_restart() -> None:
    settings = replace(SETTINGS, latching=frozenset({Condition.DANGEROUSLY_COLD}))
    book, _ = alarms.standing(AlarmBook(), settings, 0.0, *DANGER, True)
    book, _ = alarms.standing(book, settings, 1.0, *DANGER, False)
    assert alarms.restore(alarms.dump(book, 2.0), settings, 0.0, 1.0).get(*DANGER).latched
    assert not alarms.restore(alarms.dump(book, 2.0), SETTINGS, 0.0, 1.0).get(*DANGER).latched
    assert alarms.dump(AlarmBook({COLD: Alarm()}), 2.0) == []
    (row,) = alarms.dump(acknowledged(COLD), 2.0)
    assert row["unacknowledged"] is False
    assert row["shelved_for_seconds"] is None
    assert row["shelved_since_seconds"] is None


def test_a_shelf_of_which_nobody_knows_the_beginning_is_dropped_and_the_rest_kept() -> None:
    book, _ = alarms.shelve(raised(COLD), SETTINGS, 100.0, *COLD, 300.0, Origin.CONTROL)
    (row,) = alarms.dump(book, 150.0)
    for missing in ("shelved_since_seconds", "shelved_for_seconds"):
        alarm = alarms.restore([{**row, missing: None}], SETTINGS, 5.0, 10.0).get(*COLD)
        assert alarm.state is AlarmState.RETURNED_UNACKNOWLEDGED


def test_without_a_reminder_yet_the_first_comes_when_an_interval_has_run() -> None:
    early = replace(acknowledged(COLD, seconds=100.0), reminded_seconds=None)
    assert reminders(early, [199.5, 200.0]) == [200.0]
