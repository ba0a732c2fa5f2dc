"""Buzzer and buttons: only a person can say whether they work, so a person is asked to listen and to press.

The buzzer plays the sound for 'ready'; each button has to be pressed within half a minute. While the daemon runs it
holds the pins, and nobody is asked.
"""

import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from sensord.checks.findings import Finding, bad, fine, warn
from sensord.checks.site import Site
from sensord.errors import WiringError
from sensord.pins import factory as pins
from sensord.pins.buttons import Buttons
from sensord.pins.chime import Chime
from sensord.watch.command_table import Acknowledge
from sensord.watch.effects import Alerting, Cue, Cued
from sensord.watch.events import Event
from sensord.watch.sound.patterns import CUES

__all__ = ["Keeper", "asked"]

_PRESS_SECONDS = 30.0


@dataclass(frozen=True, slots=True)
class Keeper:
    """Whoever sits at the terminal. `ask` puts a question and returns yes, no, or None for 'leave me alone';
    `tell` says a sentence."""

    ask: Callable[[str], bool | None]
    tell: Callable[[str], None]


@dataclass(frozen=True, slots=True)
class _OneButton:
    acknowledge_pin: int | None = None
    batch_pin: int | None = None


def asked(site: Site, keeper: Keeper, factory: pins.Factory | None = None) -> Iterator[Finding]:
    """Play and listen, press and see. The pins are given back however it ends."""
    chime, buttons = site.config.chime, site.config.buttons
    if chime.kind == "none" and buttons.acknowledge_pin is None and buttons.batch_pin is None:
        yield warn("ask.nothing", "neither a buzzer nor a button is configured", "see [chime] and [buttons]")
        return
    if site.snapshot is not None:
        yield warn(
            "ask.busy",
            "the daemon holds buzzer and buttons: nobody was asked",
            "sudo systemctl stop sensord, this check once more, and sudo systemctl start sensord",
        )
        return
    try:
        if chime.kind != "none":
            yield _heard(site, keeper, factory)
        for name, pin in (("acknowledge", buttons.acknowledge_pin), ("batch", buttons.batch_pin)):
            if pin is not None:
                yield _pressed(site, keeper, name, pin, factory)
    except WiringError as error:
        yield bad("ask.pins", str(error), "see the pins above")


def _heard(site: Site, keeper: Keeper, factory: pins.Factory | None) -> Finding:
    section = site.config.chime.model_copy(update={"self_test": False})
    keeper.tell(f"Listen: the buzzer on GPIO {section.pin} plays the sound for 'the formula is ready'.")
    chime, never = Chime(section, site.clock, factory), threading.Event()
    try:
        chime.handle(Cued(site.clock.monotonic_seconds(), Cue.READY))
        site.clock.wait(never, CUES[Cue.READY].length_seconds + 0.2)
        chime.handle(Alerting(seconds=site.clock.monotonic_seconds(), priority=None))
        answer = keeper.ask("Did you hear it?")
    finally:
        chime.close()
    match answer:
        case True:
            return fine("ask.buzzer", f"the buzzer on GPIO {section.pin} was heard")
        case False:
            return bad(
                "ask.buzzer",
                f"the buzzer on GPIO {section.pin} was not heard",
                'check its plus and minus and its transistor (hardware.md), and kind: a passive one needs "passive"',
            )
        case None:
            return warn("ask.buzzer", "nobody said whether the buzzer was heard", "sensord checkup --ask once more")


def _pressed(site: Site, keeper: Keeper, name: str, pin: int, factory: pins.Factory | None) -> Finding:
    came = threading.Event()

    def deliver(event: Event) -> None:
        if isinstance(event, Acknowledge):
            came.set()

    # Whichever button it is, it is listened to as an acknowledge button: that needs no dish.
    buttons = Buttons(_OneButton(pin), site.clock, deliver, factory, factory_name=site.config.chime.factory)
    try:
        if buttons.any_down:
            return bad(
                f"ask.{name}",
                f"the {name} button on GPIO {pin} is down all the time",
                "it is wired to ground: check it",
            )
        keeper.tell(f"Press the {name} button now (GPIO {pin}; within {_PRESS_SECONDS:.0f} s).")
        seen = site.clock.wait(came, _PRESS_SECONDS)
    finally:
        buttons.close()
    if seen:
        return fine(f"ask.{name}", f"the {name} button on GPIO {pin} was pressed and seen")
    return bad(
        f"ask.{name}",
        f"no press of the {name} button was seen on GPIO {pin}",
        "it belongs between that pin and ground (hardware.md); check both wires, and the number in the config",
    )
