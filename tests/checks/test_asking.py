"""Listening and pressing: on mock pins, with a keeper who answers well, badly or not at all."""

import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from gpiozero.pins.mock import MockFactory, MockPWMPin

from sensord.checks.pin_check import Person, asked
from sensord.checks.site import CheckFinding, Grade, Machine, Site
from sensord.clock import FastClock
from sensord.commands.checkup import yes_or_no
from sensord.pins import factory as pins
from tests.checks.fake_pi import CONFIG

BUZZER, BUTTON = "GPIO18", "GPIO23"


@pytest.fixture
def factory() -> Iterator[Any]:
    made = MockFactory(pin_class=MockPWMPin)
    yield made
    made.close()


@pytest.fixture
def site(tmp_path: Path) -> Site:
    (tmp_path / "sensord.toml").write_text(CONFIG)
    environment = {"XDG_RUNTIME_DIR": str(tmp_path)}
    return Site(
        machine=Machine(tmp_path), config_path=tmp_path / "sensord.toml", clock=FastClock(30), environment=environment
    )


def findings_of(site: Site, factory: Any, heard: bool | None, press: bool) -> dict[str, CheckFinding]:
    presses: list[threading.Timer] = []

    def tell(sentence: str) -> None:
        if press and sentence.startswith("Press"):
            presses.append(threading.Timer(0.05, factory.pin(BUTTON).drive_low))
            presses[0].start()

    found = {one.check: one for one in asked(site, Person(lambda _: heard, tell), factory)}
    for timer in presses:
        timer.join()
    return found


def test_what_is_heard_and_pressed_is_well_and_the_pins_are_given_back(site: Site, factory: Any) -> None:
    found = findings_of(site, factory, heard=True, press=True)
    assert {name: one.state for name, one in found.items()} == {"ask.buzzer": Grade.OK, "ask.acknowledge": Grade.OK}
    assert factory.pin(BUZZER).state == 0
    for pin in (18, 23):
        pins.switch(factory, pin, "another part").close()


def test_what_is_not_heard_and_not_seen_has_a_remedy(site: Site, factory: Any) -> None:
    found = findings_of(site, factory, heard=False, press=False)
    assert {one.state for one in found.values()} == {Grade.BAD}
    assert "transistor" in found["ask.buzzer"].remedy
    assert "between that pin and ground" in found["ask.acknowledge"].remedy


def test_no_answer_is_no_verdict(site: Site, factory: Any) -> None:
    assert findings_of(site, factory, heard=None, press=True)["ask.buzzer"].state is Grade.WARN


class Grounded(MockPWMPin):  # type: ignore[misc]  # gpiozero ships no types
    """A pin that is low whatever pulls it up."""

    def _set_pull(self, value: str) -> None:
        self._pull = value


def test_a_button_that_is_down_all_the_time_is_told_from_one_that_is_never_pressed(site: Site) -> None:
    factory = MockFactory(pin_class=Grounded)
    assert "down all the time" in findings_of(site, factory, heard=True, press=False)["ask.acknowledge"].sentence
    factory.close()


def test_an_interrupt_while_listening_leaves_the_buzzer_silent(site: Site, factory: Any) -> None:
    def interrupted(_question: str) -> bool:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        list(asked(site, Person(interrupted, lambda _: None), factory))
    assert factory.pin(BUZZER).state == 0
    pins.switch(factory, 18, "another part").close()


def test_any_other_word_is_asked_again_and_the_end_of_input_skips(capsys: pytest.CaptureFixture[str]) -> None:
    words = iter(["maybe", "", "Yes"])
    assert yes_or_no("Did you hear it?", lambda _prompt: next(words)) is True
    assert capsys.readouterr().out.count("Type y, n or s") == 2

    def nobody(_prompt: str) -> str:
        raise EOFError

    assert yes_or_no("Did you hear it?", nobody) is None
