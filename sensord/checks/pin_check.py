"""Buzzer, lamp and buttons: may the daemon use the chip, does nothing else want their pins, and do they work?

Only a person can say whether a buzzer is heard, so a person is asked to listen and to press: the buzzer plays the sound
for 'ready', each button has to be pressed within half a minute. While the daemon runs it holds the pins, and nobody is
asked.
"""

import os
import re
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from sensord.checks.bus_check import boot_config, overlays
from sensord.checks.site import CheckFinding, Machine, Site, bad, fine, warn
from sensord.config.sections import ButtonsSection, Config
from sensord.errors import WiringError
from sensord.pins import factory as pins
from sensord.pins.buttons import Buttons
from sensord.pins.chime import Chime
from sensord.watch.command_table import Acknowledge
from sensord.watch.cues import Cue
from sensord.watch.effects import Alerting, Cued
from sensord.watch.events import Event
from sensord.watch.sound.patterns import CUES

_GROUP = "gpio"
_PRESS_SECONDS = 30.0

# Which header pins the firmware's own settings take (the boards' documentation, from memory).
_PARAMETERS = {
    "i2c_arm": (2, 3),
    "i2c": (2, 3),
    "spi": (7, 8, 9, 10, 11),
    "i2s": (18, 19, 20, 21),
    "uart0": (14, 15),
}
_OVERLAYS = {"pwm": (18,), "pwm-2chan": (18, 19), "audremap": (18, 19), "gpio-poweroff": (26,), "gpio-shutdown": (3,)}

# `gpio-530 (GPIO18              |lg                  ) out lo` in /sys/kernel/debug/gpio, which only root may read.
_LINE = re.compile(r"gpio-\d+\s+\((?:GPIO)?(\d+)\s*\|\s*([^)]*?)\s*\)")


def wanted_pins(config: Config) -> dict[int, str]:
    """The pins of buzzer, lamp and buttons, each with its config key."""
    chime, buttons = config.chime, config.buttons
    wanted = [
        (chime.pin, "chime.pin"),
        (chime.lamp_pin, "chime.lamp_pin"),
        *[(pin, "chime.lamp_pins") for pin in chime.lamp_pins or ()],
        (buttons.acknowledge_pin, "buttons.acknowledge_pin"),
        (buttons.batch_pin, "buttons.batch_pin"),
    ]
    return {pin: key for pin, key in wanted if pin is not None}


def chip(site: Site) -> Iterator[CheckFinding]:
    """The GPIO chip: there, and open to the daemon's user."""
    wanted = wanted_pins(site.config)
    if not wanted or site.config.chime.factory == "mock":
        return
    chips = sorted(site.machine.at("/dev").glob("gpiochip*"))
    if not chips:
        if site.machine.board is None:
            yield warn("pins.chip", "no GPIO chip here, so no buzzer and no button", 'set [chime] factory = "mock"')
        else:
            yield bad("pins.chip", "there is no /dev/gpiochip*", "update Raspberry Pi OS, or set another chime.factory")
        return
    user = site.user
    if all(site.machine.may(user, one, os.R_OK | os.W_OK) for one in chips[:1]):
        yield fine("pins.chip", f"{user.name} may use the pins ({chips[0].name})")
        return
    group = site.machine.group(_GROUP)
    if group is None or group not in user.groups:
        remedy = f"sudo usermod -aG {_GROUP} {user.name}, then restart the daemon (or log in again)"
    else:
        remedy = f"sudo chgrp {_GROUP} /dev/{chips[0].name}; sudo chmod g+rw /dev/{chips[0].name}"
    yield bad("pins.chip", f"{user.name} may not open /dev/{chips[0].name}", remedy)


def wishes(site: Site) -> Iterator[CheckFinding]:
    """Does another program, or the firmware's config, want one of our pins?"""
    wanted = wanted_pins(site.config)
    if not wanted:
        return
    taken = _taken(site.machine)
    clashes = [(pin, key) for pin, key in sorted(wanted.items()) if pin in taken]
    for pin, key in clashes:
        yield bad(
            "pins.conflict",
            f"{key} is GPIO {pin}, which {taken[pin]} wants too",
            f"choose another pin for {key}, or take it out of {boot_config(site.machine)}",
        )
    holders = _holders(site.machine)
    for pin, key in sorted(wanted.items()):
        if pin in holders and site.snapshot is None:
            clashes.append((pin, key))
            yield bad(
                "pins.held",
                f"{key} is GPIO {pin}, which another program holds now ({holders[pin]})",
                "end that program (gpioinfo names it), or choose another pin",
            )
    if not clashes:
        listed = ", ".join(f"GPIO {pin} ({key})" for pin, key in sorted(wanted.items()))
        yield fine("pins.free", f"nothing else wants our pins: {listed}")


def _taken(machine: Machine) -> Mapping[int, str]:
    taken: dict[int, str] = {}
    for overlay in overlays(machine):
        pins = (overlay.pin,) if overlay.is_one_wire else _OVERLAYS.get(overlay.name, ())
        for pin in pins:
            taken.setdefault(pin, f"dtoverlay={overlay.name}")
    path: Path | None = boot_config(machine)
    for line in (machine.text(path) or "").splitlines() if path is not None else ():
        setting = line.split("#")[0].replace(" ", "")
        name, _, value = setting.removeprefix("dtparam=").partition("=")
        if setting.startswith("dtparam=") and value.lower() not in ("off", "false", "0"):
            for pin in _PARAMETERS.get(name, ()):
                taken.setdefault(pin, f"dtparam={name}")
        if setting == "enable_uart=1":
            for pin in _PARAMETERS["uart0"]:
                taken.setdefault(pin, "enable_uart")
    return taken


def _holders(machine: Machine) -> Mapping[int, str]:
    """Who holds which pin now; empty where the kernel does not let us look."""
    found = _LINE.finditer(machine.text("/sys/kernel/debug/gpio") or "")
    return {int(match[1]): match[2] for match in found if match[2]}


@dataclass(frozen=True, slots=True)
class Person:
    """Whoever sits at the terminal. `ask` puts a question and returns yes, no, or None for 'leave me alone';
    `tell` says a sentence."""

    ask: Callable[[str], bool | None]
    tell: Callable[[str], None]


def asked(site: Site, keeper: Person, factory: pins.Factory | None = None) -> Iterator[CheckFinding]:
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


def _heard(site: Site, keeper: Person, factory: pins.Factory | None) -> CheckFinding:
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


def _pressed(site: Site, keeper: Person, name: str, pin: int, factory: pins.Factory | None) -> CheckFinding:
    came = threading.Event()

    def deliver(event: Event) -> None:
        if isinstance(event, Acknowledge):
            came.set()

    # Whichever button it is, it is listened to as an acknowledge button: that needs no dish.
    buttons = Buttons(
        ButtonsSection(acknowledge_pin=pin), site.clock, deliver, factory, factory_name=site.config.chime.factory
    )
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
