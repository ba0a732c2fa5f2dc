"""Outputs cannot hold up the watch or each other, and what they lose is counted."""

import threading
from contextlib import AbstractContextManager
from pathlib import Path

import pytest

from sensord.clock import FakeClock
from sensord.config.sections import HistorySection
from sensord.history import database
from sensord.history.history_file import FILE_NAME, HistoryFile
from sensord.history.history_reader import HistoryReader
from sensord.history.history_writer import History
from sensord.readings import Reading
from sensord.run.outlets import Item, Outlet, close_all
from sensord.watch.effects import Alerting, Measured
from tests.mqtt.mosquitto import until
from tests.mqtt.world import alarm_changed


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
