"""Outputs cannot hold up the watch or each other, and what they lose is counted."""

import json
import sqlite3
import threading
from collections import Counter
from contextlib import AbstractContextManager
from pathlib import Path
from unittest.mock import Mock

import pytest

from sensord.clock import SystemClock
from sensord.config.sections import HistorySection, MqttSection
from sensord.errors import StorageError
from sensord.history import database
from sensord.history.history_file import FILE_NAME, HistoryFile
from sensord.history.history_reader import HistoryReader
from sensord.history.history_writer import History
from sensord.mqtt.outbox import Outbox
from sensord.mqtt.publisher import Publisher
from sensord.readings import Reading
from sensord.run.outlets import Item, Outlet, close_all
from sensord.watch.cues import Cue
from sensord.watch.effects import AlarmChanged, Alerting, Cued, DishEstimated, Measured
from sensord.watch.views import OutputView
from tests.helpers.fake_clock import FakeClock
from tests.mqtt.mosquitto import until
from tests.mqtt.world import alarm_changed, snapshot


class Recorder:
    name = "recorder"

    def __init__(self) -> None:
        self.items: list[Item] = []
        self.closed = False
        self.gate = threading.Event()
        self.gate.set()
        self.broken = False
        self.handled = threading.Event()

    def handle(self, item: Item) -> None:
        self.gate.wait()
        if self.broken:
            self.handled.set()
            raise OSError("no space left on device")
        self.items.append(item)
        self.handled.set()

    def words(self) -> str:
        return ""

    def close(self) -> None:
        self.closed = True


def measured(seconds: float) -> Measured:
    return Measured(Reading("dish", seconds, 37.0), 0.5)


def test_items_arrive_in_order_and_closing_hands_on_what_is_queued() -> None:
    output = Recorder()
    outlet = Outlet(output, lambda *_: None)
    outlet.start()
    items: list[Item] = [measured(float(n)) for n in range(50)]
    for item in items:
        outlet.put(item)
    close_all([outlet], seconds=5)
    assert output.items == items
    assert output.closed


def test_a_hanging_output_never_blocks_put_and_loses_readings_before_alarms() -> None:
    output = Recorder()
    output.gate.clear()
    outlet = Outlet(output, lambda *_: None, capacity=10)
    outlet.start()
    alarm = Alerting(seconds=0.0, priority=None)
    outlet.put(alarm)
    for n in range(40):
        outlet.put(measured(float(n)))
    assert outlet.lost >= 29
    output.gate.set()
    close_all([outlet], seconds=5)
    assert alarm in output.items
    assert output.items[-1] == measured(39.0)


def test_each_loss_is_told_once_in_the_log_and_as_trouble(caplog: pytest.LogCaptureFixture) -> None:
    told: list[tuple[str, str]] = []
    outlet = Outlet(Recorder(), lambda name, words: told.append((name, words)), capacity=10)
    for n in range(15):
        outlet.put(Alerting(seconds=float(n), priority=None))
    outlet.look()
    outlet.look()
    assert told == [("recorder", "5 readings and events are lost: more came than it could take")]
    assert told[0][1] in caplog.text
    outlet.put(Alerting(seconds=99.0, priority=None))
    outlet.look()
    assert [words.split()[0] for _, words in told] == ["5", "6"]
    outlet.start()
    close_all([outlet], seconds=5)
    assert told[-1] == ("recorder", "")


def test_a_failing_output_is_told_as_trouble_and_as_well_again_when_it_works() -> None:
    told: list[tuple[str, str]] = []
    output = Recorder()
    output.broken = True
    outlet = Outlet(output, lambda name, words: told.append((name, words)))
    outlet.start()
    outlet.put(measured(0.0))
    assert output.handled.wait(5)
    output.broken = False
    outlet.put(measured(1.0))
    close_all([outlet], seconds=5)
    assert told == [("recorder", "OSError: no space left on device"), ("recorder", "")]
    assert output.items == [measured(1.0)]


class Quitter(Recorder):
    """Wants to end the program at its first item."""

    def handle(self, item: Item) -> None:
        if not self.handled.is_set():
            self.handled.set()
            raise SystemExit("bye")
        super().handle(item)


def test_a_library_that_wants_to_end_the_program_ends_nothing() -> None:
    told: list[tuple[str, str]] = []
    output = Quitter()
    outlet = Outlet(output, lambda name, words: told.append((name, words)))
    outlet.start()
    for number in (0.0, 1.0):
        outlet.put(measured(number))
    close_all([outlet], seconds=5)
    assert told == [("recorder", "SystemExit: bye"), ("recorder", "")]
    assert output.items == [measured(1.0)]


def test_an_output_that_does_not_come_back_is_told_once_and_when_it_is_back(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sensord.run.outlets.STUCK_SECONDS", 0.05)
    told: list[tuple[str, str]] = []
    output = Recorder()
    output.gate.clear()
    outlet = Outlet(output, lambda name, words: told.append((name, words)))
    outlet.start()
    outlet.put(measured(0.0))

    def looked() -> bool:
        outlet.look()
        return bool(told)

    until(looked, 5, "word of it")
    outlet.look()
    assert [name for name, _ in told] == ["recorder"]
    assert "has not come back for" in told[0][1]
    output.gate.set()
    close_all([outlet], seconds=5)
    assert told[1:] == [("recorder", "")]


def test_at_the_end_a_slow_output_is_waited_for_and_holds_up_no_other() -> None:
    slow, quick = Recorder(), Recorder()
    slow.gate.clear()
    outlets = [Outlet(output, lambda *_: None) for output in (slow, quick)]
    items: list[Item] = [measured(float(n)) for n in range(5)]
    for outlet in outlets:
        outlet.start()
        for item in items:
            outlet.put(item)
    ending = threading.Thread(target=close_all, args=(outlets, 60.0))
    ending.start()
    until(lambda: quick.closed, what="the quick output's end")
    assert not slow.closed
    assert ending.is_alive()
    slow.gate.set()
    ending.join(5)
    assert slow.items == items
    assert slow.closed


def test_an_output_that_never_ends_is_given_up_and_the_log_says_what_is_lost(caplog: pytest.LogCaptureFixture) -> None:
    stuck, well = Recorder(), Recorder()
    stuck.gate.clear()
    outlets = [Outlet(output, lambda *_: None) for output in (stuck, well)]
    for outlet in outlets:
        outlet.start()
    for n in range(3):
        outlets[0].put(measured(float(n)))
    until(lambda: outlets[0].waiting == 2, what="the first item to be taken")
    close_all(outlets, 0.02)
    assert well.closed
    assert "recorder did not end within 0 s: what it had not written is lost (2 items queued)" in caplog.text
    stuck.gate.set()


def test_an_output_that_cannot_even_be_closed_is_told_and_the_others_end(caplog: pytest.LogCaptureFixture) -> None:
    class Clinging(Recorder):
        def close(self) -> None:
            raise OSError("device or resource busy")

    outputs = [Clinging(), Recorder()]
    outlets = [Outlet(output, lambda *_: None) for output in outputs]
    for outlet in outlets:
        outlet.start()
    close_all(outlets, 5.0)
    assert outputs[1].closed
    assert "recorder did not end well: OSError: device or resource busy" in caplog.text


def test_outputs_that_were_never_started_are_closed_too() -> None:
    output = Recorder()
    close_all([Outlet(output, lambda *_: None)], 5.0)
    assert output.closed


def test_what_waits_for_a_slow_card_at_the_end_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    card, telling = threading.Event(), database.telling

    def slow(path: Path) -> AbstractContextManager[None]:
        card.wait()
        return telling(path)

    monkeypatch.setattr(database, "telling", slow)
    clock = FakeClock(0.0, 1_800_000_000.0)
    outlet = Outlet(History(HistoryFile(tmp_path, clock), HistorySection(), clock), lambda *_: None)
    outlet.start()
    outlet.put(alarm_changed(0.0))
    for n in range(100):
        outlet.put(measured(float(n)))
    ending = threading.Thread(target=close_all, args=([outlet], 60.0))
    ending.start()
    assert not (tmp_path / FILE_NAME).exists()
    card.set()
    ending.join(30)
    with HistoryReader(tmp_path / FILE_NAME) as reader:
        counts = reader.counts()
    assert (counts["alarm"], counts["reading"]) == (1, 100)


def flooded(output: Recorder, items: int, capacity: int) -> Outlet:
    """An outlet whose output stands still until more has come than its queue holds."""
    outlet = Outlet(output, lambda *_: None, capacity)
    output.gate.clear()
    outlet.start()
    outlet.put(alarm_changed(0.0))
    until(lambda: outlet.waiting == 0)
    for n in range(1, items):
        outlet.put(alarm_changed(float(n)) if n % 2 else measured(float(n)))
    return outlet


def test_alarms_give_way_last_and_what_is_lost_of_them_is_told_to_the_output() -> None:
    lost: Counter[type[Item]] = Counter()

    class Told(Recorder):
        def take_losses(self, losses: Counter[type[Item]]) -> None:
            lost.update(losses)

    output = Told()
    outlet = flooded(output, 100, 60)
    assert (outlet.lost, set(outlet._losses)) == (39, {Measured})
    for n in range(100, 160):
        outlet.put(alarm_changed(float(n)))
    output.gate.set()
    close_all([outlet], seconds=5)
    arrived = [item for item in output.items if isinstance(item, AlarmChanged)]
    assert len(arrived) + lost[AlarmChanged] == 51 + 60
    assert lost[AlarmChanged] > 0
    assert outlet.lost == lost.total()


def test_a_gap_in_the_numbers_shows_what_the_queue_has_lost_of_the_events(tmp_path: Path) -> None:
    outbox = Outbox(tmp_path / "outbox.db")
    publisher = Publisher(MqttSection(host="192.0.2.1"), "nursery", outbox, SystemClock(), lambda _: None)
    publisher.handle_all([alarm_changed(1.0), measured(2.0)])
    publisher.take_losses(Counter({AlarmChanged: 3, Measured: 40}))
    publisher.handle_all([alarm_changed(5.0)])
    assert [event.number for event in outbox.waiting(0, 10)] == [1, 5]
    assert "3 events had to give way" in publisher.words()
    publisher.close()


def test_events_that_the_disk_refused_are_stored_in_order_once_it_takes_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    outbox = Outbox(tmp_path / "outbox.db")
    publisher = Publisher(MqttSection(host="192.0.2.1"), "nursery", outbox, SystemClock(), lambda _: None)
    monkeypatch.setattr("sensord.mqtt.publisher.MOST_UNSTORED", 3)
    with monkeypatch.context() as full:
        full.setattr(outbox, "_make_room", Mock(side_effect=sqlite3.OperationalError("database or disk is full")))
        for n in range(5):
            with pytest.raises(StorageError, match="disk is full"):
                publisher.handle(alarm_changed(float(n)))
    assert outbox.waiting(0, 10) == []
    publisher.handle(measured(9.0))
    waiting = outbox.waiting(0, 10)
    assert [event.number for event in waiting] == [3, 4, 5], "two were one too many, and the numbers say so"
    assert [json.loads(event.payload)["number"] for event in waiting] == [3, 4, 5]
    publisher.close()


def test_a_state_that_cannot_be_said_takes_no_event_with_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    outbox = Outbox(tmp_path / "outbox.db")
    publisher = Publisher(MqttSection(host="192.0.2.1"), "nursery", outbox, SystemClock(), lambda _: None)
    monkeypatch.setattr("sensord.mqtt.publisher.states_of", Mock(side_effect=ZeroDivisionError))
    with pytest.raises(ZeroDivisionError):
        publisher.handle_all([snapshot(), alarm_changed(1.0)])
    assert [event.number for event in outbox.waiting(0, 10)] == [1]
    publisher.close()


def test_what_an_output_says_of_itself_is_seen_and_whether_a_person_has_to_know() -> None:
    class Failing(Recorder):
        failing = True

        def words(self) -> str:
            return "nobody listens there"

    assert Outlet(Failing(), lambda *_: None).view() == OutputView("recorder", False, "nobody listens there")
    assert Outlet(Recorder(), lambda *_: None).view() == OutputView("recorder", True, "")


def test_the_history_says_what_its_queue_has_lost(tmp_path: Path) -> None:
    clock = FakeClock()
    history = History(HistoryFile(tmp_path, clock), HistorySection(), clock)
    history.take_losses(Counter({AlarmChanged: 3, Measured: 40}))
    with pytest.raises(StorageError, match=r"3 effects \(AlarmChanged\) were lost; 40 readings were lost"):
        history.handle_all([alarm_changed(1.0)])
    history.close()
    with HistoryReader(tmp_path / FILE_NAME) as reader:
        (note,) = reader.notes(0.0, 1e11)
    assert note.what == "lost"
    assert note.detail == "3 effects (AlarmChanged) were lost; 40 readings were lost"


def test_what_gives_way_first_is_what_newer_ones_follow_then_the_oldest_and_alarms_last() -> None:
    output = Recorder()
    output.gate.clear()
    outlet = Outlet(output, lambda *_: None, capacity=4)
    outlet.start()
    outlet.put(measured(0.0))
    until(lambda: outlet.waiting == 0)
    cue = Cued(3.0, Cue.READY, "dish")
    estimate = DishEstimated(seconds=4.0, dish="dish", probe="dish")
    horn = Alerting(seconds=2.0, priority=None)
    newest: list[Item] = [alarm_changed(n) for n in (5.0, 6.0, 7.0)]
    for item in (alarm_changed(1.0), horn, cue, estimate, *newest):
        outlet.put(item)
    output.gate.set()
    close_all([outlet], seconds=5)
    assert output.items == [measured(0.0), horn, *newest], "the estimate, the cue, and then the oldest alarm"
    assert outlet.lost == 3
