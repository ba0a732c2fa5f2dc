"""The alarm book: commands, shelves, silence that ends, and what survives a restart."""

import json

import pytest

from sensord.errors import CommandError
from sensord.watch.alarms import alarms
from sensord.watch.alarms.alarm_book import AlarmBook, AlarmSettings
from sensord.watch.conditions import Condition, Priority
from sensord.watch.effects import AlarmState, Cue, Cued
from sensord.watch.events import Origin

COLD = ("brooder", Condition.TOO_COLD)
DANGER = ("brooder", Condition.DANGEROUSLY_COLD)
SETTINGS = AlarmSettings()


def raised(*keys: tuple[str, Condition], seconds: float = 0.0) -> AlarmBook:
    book = AlarmBook()
    for key in keys:
        book, _ = alarms.standing(book, SETTINGS, seconds, *key, True, 31.0)
    return book


def test_every_condition_says_what_is_seen_and_what_to_do_first() -> None:
    for row in (condition.row for condition in Condition):
        assert "avian vet" in row.do_first
        assert "\n" not in row.seen + row.do_first
        assert row.places


def test_acknowledging_silences_and_the_view_keeps_it() -> None:
    book, changes = alarms.acknowledge(raised(COLD), SETTINGS, 5.0, "brooder", None, Origin.BUTTON)
    assert [change.state for change in changes] == [AlarmState.ACKNOWLEDGED]
    assert alarms.alerting(book, SETTINGS, 5.0, None).priority is None
    (shown,) = alarms.views(book, SETTINGS, 5.0)
    assert shown.standing
    assert shown.seen.endswith("(31.0 °C).")
    assert (shown.began_seconds, shown.since_seconds) == (0.0, 5.0)


def test_acknowledging_what_does_not_stand_is_refused() -> None:
    with pytest.raises(CommandError, match="too-cold of brooder"):
        alarms.acknowledge(AlarmBook(), SETTINGS, 0.0, *COLD, Origin.MQTT)


def test_an_acknowledged_alarm_that_stands_is_recalled_and_then_sounds_again() -> None:
    book, _ = alarms.acknowledge(raised(COLD), SETTINGS, 0.0, None, None, Origin.BUTTON)
    cues = []
    for seconds in range(0, 1860, 60):
        book, effects = alarms.tick(book, SETTINGS, float(seconds))
        cues += [effect for effect in effects if isinstance(effect, Cued)]
    assert cues == [Cued(600.0, Cue.REMINDER), Cued(1200.0, Cue.REMINDER)]
    assert book.get(*COLD).state is AlarmState.UNACKNOWLEDGED


def test_a_shelf_hides_a_place_but_not_its_dangers_and_ends_by_itself() -> None:
    book, _ = alarms.shelve(raised(COLD), SETTINGS, 0.0, "brooder", None, 300.0, Origin.CONTROL)
    assert book.get(*COLD).state is AlarmState.SHELVED
    assert alarms.alerting(book, SETTINGS, 0.0, None).priority is None
    book, _ = alarms.tick(book, SETTINGS, 299.0)
    assert book.get(*COLD).state is AlarmState.SHELVED
    book, _ = alarms.tick(book, SETTINGS, 300.0)
    assert book.get(*COLD).state is AlarmState.UNACKNOWLEDGED
    assert book.get("brooder", Condition.TOO_WARM).state is AlarmState.NORMAL


def test_danger_ends_every_shelf_of_its_place() -> None:
    book, _ = alarms.shelve(raised(COLD), SETTINGS, 0.0, "brooder", None, 300.0, Origin.CONTROL)
    book, changes = alarms.standing(book, SETTINGS, 60.0, *DANGER, True, 29.0)
    assert book.get(*COLD).state is AlarmState.UNACKNOWLEDGED
    assert alarms.alerting(book, SETTINGS, 60.0, None).priority is Priority.HIGH
    assert alarms.breaks_pause(changes)
    with pytest.raises(CommandError, match="danger stands"):
        alarms.shelve(book, SETTINGS, 61.0, "brooder", None, 60.0, Origin.CONTROL)


@pytest.mark.parametrize("for_seconds", [0.0, -5.0, 600.1, float("nan"), float("inf")])
def test_a_shelf_beyond_the_longest_is_refused(for_seconds: float) -> None:
    with pytest.raises(CommandError, match="at most 600 s"):
        alarms.shelve(AlarmBook(), SETTINGS, 0.0, "brooder", None, for_seconds, Origin.MQTT)


def test_shelving_again_cannot_pass_the_longest_shelf() -> None:
    book, _ = alarms.shelve(raised(COLD), SETTINGS, 0.0, *COLD, 300.0, Origin.CONTROL)
    book, changes = alarms.shelve(book, SETTINGS, 200.0, *COLD, 400.0, Origin.CONTROL)
    assert changes == ()
    with pytest.raises(CommandError, match="350 s more at most"):
        alarms.shelve(book, SETTINGS, 250.0, *COLD, 400.0, Origin.CONTROL)


def test_danger_itself_cannot_be_shelved() -> None:
    with pytest.raises(CommandError, match="danger"):
        alarms.shelve(AlarmBook(), SETTINGS, 0.0, *DANGER, 60.0, Origin.CONTROL)


def test_a_one_shot_shelf_ends_with_its_condition() -> None:
    book, _ = alarms.shelve(raised(COLD), SETTINGS, 0.0, *COLD, 300.0, Origin.CONTROL, one_shot=True)
    book, _ = alarms.standing(book, SETTINGS, 60.0, *COLD, False)
    assert book.get(*COLD).state is AlarmState.NORMAL


def test_out_of_service_is_local_only_and_lasts_until_put_back() -> None:
    with pytest.raises(CommandError, match="at the Pi itself"):
        alarms.out_of_service(AlarmBook(), SETTINGS, 0.0, *COLD, Origin.MQTT)
    book, _ = alarms.out_of_service(raised(COLD), SETTINGS, 0.0, *COLD, Origin.CONTROL)
    book, _ = alarms.tick(book, SETTINGS, 1e6)
    assert book.get(*COLD).state is AlarmState.OUT_OF_SERVICE
    with pytest.raises(CommandError, match="out of service"):
        alarms.shelve(book, SETTINGS, 1e6, *COLD, 60.0, Origin.CONTROL)
    book, changes = alarms.return_to_service(book, SETTINGS, 1e6, *COLD, Origin.CONTROL)
    assert [change.state for change in changes] == [AlarmState.UNACKNOWLEDGED]


def test_a_suppressed_alarm_is_silent_until_the_reason_has_gone() -> None:
    key = ("brooder", Condition.PROBE_FAULT)
    book, _ = alarms.suppress(AlarmBook(), SETTINGS, 0.0, *key, True)
    book, changes = alarms.standing(book, SETTINGS, 1.0, *key, True)
    assert changes == ()
    book, changes = alarms.suppress(book, SETTINGS, 2.0, *key, False)
    assert [change.state for change in changes] == [AlarmState.UNACKNOWLEDGED]


def test_a_latched_danger_stays_until_it_is_reset() -> None:
    settings = AlarmSettings(latching=frozenset({Condition.DANGEROUSLY_COLD}))
    book, _ = alarms.standing(AlarmBook(), settings, 0.0, *DANGER, True)
    book, _ = alarms.standing(book, settings, 1.0, *DANGER, False)
    assert alarms.alerting(book, settings, 1.0, None).priority is Priority.HIGH
    with pytest.raises(CommandError, match="acknowledge it first"):
        alarms.reset(book, settings, 2.0, *DANGER, Origin.CONTROL)
    book, _ = alarms.acknowledge(book, settings, 2.0, *DANGER, Origin.CONTROL)
    book, _ = alarms.reset(book, settings, 3.0, *DANGER, Origin.CONTROL)
    assert book.get(*DANGER).state is AlarmState.NORMAL
    with pytest.raises(CommandError, match="no latched alarm"):
        alarms.reset(book, settings, 4.0, *DANGER, Origin.CONTROL)


def test_a_restart_keeps_the_rest_of_a_shelf_and_what_is_out_of_service() -> None:
    book, _ = alarms.shelve(raised(COLD), SETTINGS, 100.0, *COLD, 300.0, Origin.CONTROL)
    book, _ = alarms.out_of_service(book, SETTINGS, 100.0, "brooder", Condition.TOO_WARM, Origin.CONTROL)
    book, _ = alarms.standing(book, SETTINGS, 120.0, "dish", Condition.SCALDING, True)
    data = json.loads(json.dumps(alarms.dump(book, 150.0)))
    back = alarms.restore(data, SETTINGS, 5.0, 50.0)
    assert back.get(*COLD).state is AlarmState.SHELVED
    assert back.get(*COLD).shelved_until_seconds == 205.0
    assert back.get("brooder", Condition.TOO_WARM).state is AlarmState.OUT_OF_SERVICE
    assert back.get("dish", Condition.SCALDING).state is AlarmState.RETURNED_UNACKNOWLEDGED
    assert alarms.restore(data, SETTINGS, 5.0, 251.0).get(*COLD).state is not AlarmState.SHELVED
    assert alarms.restore(data, SETTINGS, 5.0, None).get(*COLD).state is not AlarmState.SHELVED


def test_what_cannot_be_read_after_a_restart_is_dropped() -> None:
    assert alarms.restore([{"place": "brooder"}, 7, None], SETTINGS, 0.0, 1.0).alarms == {}
    assert alarms.restore(None, SETTINGS, 0.0, None).alarms == {}


def test_the_worst_alarm_comes_first_and_gives_the_horn_its_pattern() -> None:
    book = raised(COLD, DANGER, ("dish", Condition.FEED_OVERDUE))
    assert [view.priority for view in alarms.views(book, SETTINGS, 1.0)] == [
        Priority.HIGH,
        Priority.MEDIUM,
        Priority.LOW,
    ]
    alert = alarms.alerting(book, SETTINGS, 1.0, 100.0)
    assert (alert.priority, alert.lamp, alert.flashing) == (None, Priority.HIGH, True)
    assert alert.paused_until_seconds == 100.0
