"""The push buttons on mock pins."""

import threading
from collections.abc import Iterator
from typing import Any

import pytest
from gpiozero.pins.mock import MockFactory

from sensord.clock import SystemClock
from sensord.config.sections import ButtonsSection
from sensord.errors import WiringError
from sensord.pins.buttons import Buttons
from sensord.watch.command_table import Acknowledge, PauseAudio, StartBatch
from sensord.watch.events import Event, Origin
from tests.helpers.fake_clock import FakeClock

ACKNOWLEDGE, BATCH = 23, 24
SECTION = ButtonsSection(acknowledge_pin=ACKNOWLEDGE, batch_pin=BATCH)


@pytest.fixture
def factory() -> Iterator[Any]:
    made = MockFactory()
    yield made
    made.close()


def press(factory: Any, pin: int) -> None:
    factory.pin(f"GPIO{pin}").drive_low()
    factory.pin(f"GPIO{pin}").drive_high()


def test_the_acknowledge_button_acknowledges_everything(factory: Any) -> None:
    inbox: list[Event] = []
    clock = FakeClock(5.0)
    buttons = Buttons(SECTION, clock, inbox.append, factory)
    press(factory, ACKNOWLEDGE)
    assert inbox == [Acknowledge(seconds=5.0, origin=Origin.BUTTON)]
    buttons.close()


def test_the_batch_button_starts_a_batch_in_its_dish(factory: Any) -> None:
    inbox: list[Event] = []
    buttons = Buttons(SECTION, FakeClock(5.0), inbox.append, factory, dish="bowl")
    press(factory, BATCH)
    assert inbox == [StartBatch(seconds=5.0, origin=Origin.BUTTON, dish="bowl")]
    buttons.close()


def test_without_a_dish_the_batch_button_leaves_the_rules_to_say_so(factory: Any) -> None:
    inbox: list[Event] = []
    buttons = Buttons(SECTION, FakeClock(), inbox.append, factory)
    press(factory, BATCH)
    buttons.close()
    assert [event.dish for event in inbox if isinstance(event, StartBatch)] == [None]


def test_holding_the_acknowledge_button_pauses_the_audio_once(factory: Any) -> None:
    inbox: list[Event] = []
    paused = threading.Event()

    def deliver(event: Event) -> None:
        inbox.append(event)
        if isinstance(event, PauseAudio):
            paused.set()

    buttons = Buttons(SECTION, SystemClock(), deliver, factory, hold_seconds=0.02)
    factory.pin(f"GPIO{ACKNOWLEDGE}").drive_low()
    assert paused.wait(30)
    factory.pin(f"GPIO{ACKNOWLEDGE}").drive_high()
    buttons.close()
    assert [type(event) for event in inbox] == [Acknowledge, PauseAudio]
    assert isinstance(inbox[1], PauseAudio)
    assert inbox[1].for_seconds is None, "as long as the config allows"


def test_ten_thousand_bounces_are_one_press(factory: Any) -> None:
    inbox: list[Event] = []
    clock = FakeClock()
    buttons = Buttons(SECTION, clock, inbox.append, factory)
    for _ in range(10_000):
        press(factory, ACKNOWLEDGE)
        clock.advance(0.001)
    assert len(inbox) == 1
    clock.advance(1)
    press(factory, ACKNOWLEDGE)
    assert len(inbox) == 2
    buttons.close()


def test_an_exception_behind_a_button_stops_neither_the_pin_nor_later_presses(factory: Any) -> None:
    seen: list[Event] = []

    def deliver(event: Event) -> None:
        seen.append(event)
        if len(seen) == 1:
            raise RuntimeError("inbox full")

    clock = FakeClock()
    buttons = Buttons(SECTION, clock, deliver, factory)
    press(factory, ACKNOWLEDGE)
    assert buttons.trouble == "RuntimeError: inbox full"
    clock.advance(1)
    press(factory, ACKNOWLEDGE)
    assert len(seen) == 2
    buttons.close()


def test_a_pin_used_twice_is_named(factory: Any) -> None:
    section = ButtonsSection(acknowledge_pin=BATCH, batch_pin=BATCH)
    with pytest.raises(WiringError, match=r"buttons\.batch_pin: GPIO 24 .* each pin can serve one part"):
        Buttons(section, FakeClock(), lambda _: None, factory)
    Buttons(SECTION, FakeClock(), lambda _: None, factory).close()


def test_no_buttons_need_no_pins() -> None:
    Buttons(ButtonsSection(), FakeClock(), lambda _: None).close()
