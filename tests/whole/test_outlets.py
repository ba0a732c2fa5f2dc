"""Outputs cannot hold up the watch or each other, and what they lose is counted."""

import threading

import pytest

from sensord.outlets import Item, Outlet
from sensord.readings import Reading
from sensord.watch.effects import Alerting, Measured
from tests.mqtt.mosquitto import until


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
    outlet.close(seconds=5)
    assert output.items == items
    assert output.closed


def test_a_hanging_output_never_blocks_put_and_loses_readings_before_alarms() -> None:
    output = Recorder()
    output.gate.clear()
    outlet = Outlet(output, lambda *_: None, capacity=10)
    outlet.start()
    alarm = Alerting(0.0, None)
    outlet.put(alarm)
    for n in range(40):
        outlet.put(measured(float(n)))
    assert outlet.lost >= 29
    output.gate.set()
    outlet.close(seconds=5)
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
    outlet.close(seconds=5)
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
    outlet.close(seconds=5)
    assert told == [("recorder", "SystemExit: bye"), ("recorder", "")]
    assert output.items == [measured(1.0)]


def test_an_output_that_does_not_come_back_is_told_once_and_when_it_is_back(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sensord.outlets.STUCK_SECONDS", 0.05)
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
    outlet.close(seconds=5)
    assert told[1:] == [("recorder", "")]
