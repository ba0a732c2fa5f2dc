"""The Pi's pins: may the daemon use the chip, and does nothing else want the pins of buzzer, lamp and buttons?"""

import os
import re
from collections.abc import Iterator, Mapping
from pathlib import Path

from sensord.checks.bus_check import boot_config, overlays
from sensord.checks.findings import Finding, bad, fine, warn
from sensord.checks.machine import Machine
from sensord.checks.site import Site
from sensord.config.sections import Config

__all__ = ["chip", "wanted_pins", "wishes"]

_GROUP = "gpio"

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


def chip(site: Site) -> Iterator[Finding]:
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


def wishes(site: Site) -> Iterator[Finding]:
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
