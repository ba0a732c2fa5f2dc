"""The one-wire bus: overlay, kernel modules, buses, and what a missing pull-up or supply wire looks like."""

import os
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from sensord.checks.site import CheckFinding, Machine, Site, bad, fine, warn
from sensord.probes.one_wire import BULK_FILE, locate
from sensord.readings import PROBE_FAMILIES

# Since Debian 12 the first, before it the second.
BOOT_CONFIGS = (Path("/boot/firmware/config.txt"), Path("/boot/config.txt"))
_DEFAULT_PIN = 4
_ASK_FOR_IT = "add dtoverlay=w1-gpio to /boot/firmware/config.txt and restart the Pi"
_PULL_UP = "one resistor of 4.7 kΩ between the data wire and 3.3 V (not 5 V), see hardware.md"


@dataclass(frozen=True, slots=True)
class Overlay:
    """One `dtoverlay=` line that is in force: its name and parameters."""

    name: str
    parameters: Mapping[str, str]

    @property
    def is_one_wire(self) -> bool:
        return self.name in ("w1-gpio", "w1-gpio-pullup", "w1-gpio-pi5")

    @property
    def pin(self) -> int:
        """The data pin of a one-wire overlay."""
        text = self.parameters.get("gpiopin", "")
        return int(text) if text.isdigit() else _DEFAULT_PIN


def boot_config(machine: Machine) -> Path | None:
    """The firmware's config file."""
    return next((path for path in BOOT_CONFIGS if machine.at(path).is_file()), None)


def overlays(machine: Machine) -> list[Overlay]:
    """Every overlay that the firmware's config asks for; sections for one model only are taken as in force."""
    path = boot_config(machine)
    found = []
    for line in (machine.text(path) or "").splitlines() if path is not None else ():
        match = re.fullmatch(r"\s*dtoverlay\s*=\s*([\w-]+)\s*(?:[,:]\s*([^#]*?))?\s*(#.*)?", line)
        if match is not None:
            parts = (part.partition("=") for part in (match[2] or "").split(",") if part)
            found.append(Overlay(match[1], {key.strip(): value.strip() for key, _, value in parts}))
    return found


def bus(site: Site) -> Iterator[CheckFinding]:
    """Is the overlay asked for, are the modules loaded, is there a bus, and who is on it?"""
    machine = site.machine
    if machine.board is not None and site.one_wire is None:  # the kernel's own tree is looked at
        yield _overlay(machine)
        yield from _modules(machine)
    try:
        names = sorted(os.listdir(site.one_wire_root))  # noqa: PTH208 - names only
    except OSError:
        yield _no_tree(site)
        return
    masters = [name for name in names if name.startswith("w1_bus_master")]
    if not masters:
        yield bad("one-wire.bus", f"there is no bus in {site.one_wire_root}", _ASK_FOR_IT)
        return
    yield fine("one-wire.bus", f"there {_count(len(masters), 'bus')}: {', '.join(masters)}")
    phantoms = [name for name in names if name.startswith("00-")]
    if phantoms:
        yield bad(
            "one-wire.pull-up",
            f"noise is taken for devices ({', '.join(phantoms[:3])}): the data wire has no pull-up, or is on"
            " another pin",
            _PULL_UP,
        )
    listed = locate(site.one_wire_root)
    if not listed:
        yield bad(
            "one-wire.probes",
            "the bus is there, but no thermometer is on it",
            f"check data, 3.3 V and ground of each probe, and {_PULL_UP}; a new probe shows within ten seconds",
        )
        return
    yield fine("one-wire.probes", f"there {_count(len(listed), 'probe')}: {', '.join(listed)}")
    yield from _configured(site, set(listed))
    yield from _strangers(names)


def _count(number: int, thing: str) -> str:
    plural = "buses" if thing == "bus" else f"{thing}s"
    return f"is one {thing}" if number == 1 else f"are {number} {plural}"


def _overlay(machine: Machine) -> CheckFinding:
    path = boot_config(machine)
    if path is None:
        return warn(
            "one-wire.overlay", "no config.txt of the firmware was found", "check that the boot partition is mounted"
        )
    mine = [overlay for overlay in overlays(machine) if overlay.is_one_wire]
    if not mine:
        return bad(
            "one-wire.overlay",
            f"the one-wire overlay is not asked for in {path}",
            f"add the line dtoverlay=w1-gpio to {path} and restart the Pi",
        )
    pins = ", ".join(f"GPIO {overlay.pin}" for overlay in mine)
    return fine("one-wire.overlay", f"{path} asks for the one-wire overlay ({pins})")


def _modules(machine: Machine) -> Iterator[CheckFinding]:
    loaded = {line.split()[0] for line in (machine.text("/proc/modules") or "").splitlines() if line.strip()}
    missing = [name for name in ("w1_gpio", "w1_therm") if name not in loaded]
    built_in = machine.at("/sys/bus/w1/drivers/w1_slave_driver").exists() or machine.at("/sys/module/w1_therm").exists()
    if missing and not built_in:
        yield bad(
            "one-wire.modules",
            f"kernel modules not loaded: {', '.join(missing)}",
            "restart the Pi after the overlay was added; else sudo modprobe w1-gpio w1-therm",
        )
    else:
        yield fine("one-wire.modules", "the kernel modules of bus and thermometers are loaded")


def _no_tree(site: Site) -> CheckFinding:
    if site.machine.board is None:
        return warn(
            "one-wire.bus",
            f"no one-wire bus here ({site.one_wire_root} does not exist), as on any machine that is no Pi",
            "nothing to mend: the probes hang on the Pi",
        )
    return bad("one-wire.bus", f"there is no one-wire bus: {site.one_wire_root} does not exist", _ASK_FOR_IT)


def _configured(site: Site, listed: set[str]) -> Iterator[CheckFinding]:
    wanted = {probe.rom: name for name, probe in site.config.probes.items()}
    for rom, name in wanted.items():
        if rom not in listed:
            yield bad(
                "one-wire.missing",
                f"probe '{name}' ({rom}) is not on the bus",
                "check its plug and its three wires; if it was replaced, put the new ROM id into the config",
            )
    for rom in sorted(listed - set(wanted)):
        yield warn(
            "one-wire.new",
            f"probe {rom} is on the bus but not in the config",
            f'add it: [probes.name] with rom = "{rom}" and its place',
        )


def _strangers(names: list[str]) -> Iterator[CheckFinding]:
    devices = [name for name in names if re.fullmatch(r"[0-9a-f]{2}-[0-9a-f]{12}", name)]
    others = [name for name in devices if name[:2] not in ("00", *PROBE_FAMILIES)]
    if others:
        yield warn(
            "one-wire.stranger",
            f"{', '.join(others)} is no thermometer: with it on the bus the kernel converts the probes one by one",
            "give it a bus of its own, or live with slower readings",
        )


def bulk_file(site: Site) -> Iterator[CheckFinding]:
    """Is there a bulk-conversion file, and may the daemon write it?"""
    try:
        folders = sorted({spot.bus for spot in locate(site.one_wire_root).values()})
    except OSError:
        return
    if not folders or not site.config.one_wire.bulk_conversion:
        return
    files = [folder / BULK_FILE for folder in folders if (folder / BULK_FILE).exists()]
    if not files:
        yield warn(
            "bulk.file",
            "the kernel offers no bulk conversion: the probes are read side by side or one by one",
            "nothing to mend with few probes; a newer kernel has it",
        )
    for file in files:
        if site.machine.may(site.user, file, os.W_OK):
            yield fine(
                "bulk.file", f"{site.user.name} may start a conversion of all probes of {file.parent.name} at once"
            )
        else:
            yield warn(
                "bulk.file",
                f"{site.user.name} may not write {file}: the probes are read side by side or one by one",
                "run systemd/install again (it adds the udev rule), then sudo systemctl restart sensord",
            )
