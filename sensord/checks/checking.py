"""The checkup: every check in the order in which a fault would be looked for, from the board to the broker.

The checks of sensord itself stand here too: is what it needs installed, is its config in order, does its daemon run?
"""

import importlib.metadata
import importlib.util
import sys
from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple

from sensord import __version__
from sensord.checks import board_check as pi
from sensord.checks import broker_check as broker
from sensord.checks import bus_check as one_wire
from sensord.checks import pin_check as pins
from sensord.checks import probe_check as probes
from sensord.checks.site import CheckFinding, Grade, Site, bad, fine, warn
from sensord.watch.effects import AlarmState

_LIBRARIES = ("gpiozero", "w1thermsensor", "paho-mqtt", "pydantic", "rich")
_OLDEST_PYTHON = (3, 11)


def program(site: Site) -> Iterator[CheckFinding]:
    """Versions of sensord, Python and the libraries."""
    python = ".".join(str(part) for part in sys.version_info[:3])
    if sys.version_info < _OLDEST_PYTHON:
        yield bad("program.python", f"Python {python} is too old", "install Raspberry Pi OS with Debian 12 or newer")
    else:
        yield fine("program.version", f"sensord {__version__} on Python {python}")
    missing = []
    for name in _LIBRARIES:
        try:
            importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            missing.append(name)
    if missing:
        yield bad(
            "program.libraries", f"not installed: {', '.join(missing)}", "run systemd/install again, it can do no harm"
        )
    else:
        versions = ", ".join(f"{name} {importlib.metadata.version(name)}" for name in _LIBRARIES)
        yield fine("program.libraries", versions)
    if site.machine.board is not None:
        yield _pin_library(site)


def _pin_library(site: Site) -> CheckFinding:
    wanted = site.config.chime.factory or "lgpio"
    module = {"lgpio": "lgpio", "rpigpio": "RPi", "pigpio": "pigpio"}.get(wanted)
    if module is None or importlib.util.find_spec(module) is not None:
        return fine("program.pins", f"the pin driver {wanted} is installed")
    return bad(
        "program.pins",
        f"the pin driver {wanted} is not installed: buzzer, lamp and buttons cannot work",
        f"sudo apt install python3-{wanted if wanted != 'rpigpio' else 'rpi.gpio'}, then run systemd/install again",
    )


def settings(site: Site) -> Iterator[CheckFinding]:
    """The config file, and what it lets the daemon do."""
    trouble = site.config_trouble
    if trouble is not None:
        there = site.config_path.exists()
        remedy = "mend what it names" if there else "write it, put in your probes, and look again"
        for line in str(trouble).splitlines():
            yield bad("config.file", line, remedy)
        return
    config = site.config
    yield fine("config.file", f"{site.config_path} is in order")
    places = len(config.brooders) + len(config.dishes)
    if places == 0:
        yield bad(
            "config.places",
            "no brooder and no dish is configured: nothing is watched",
            "name your probes (`sensord probes` lists them) and add [brooders.…] or [dishes.…]",
        )
    else:
        names = ", ".join([*config.brooders, *config.dishes])
        yield fine("config.places", f"watched: {names}, by {', '.join(config.probes)}")
    if config.chime.kind == "none":
        yield warn(
            "config.buzzer",
            "no buzzer is configured: nobody is woken by this Pi",
            "wire one (hardware.md) and set [chime] kind and pin, or be sure that your hub wakes you",
        )
    used = {name for brooder in config.brooders.values() for name in brooder.probes}
    used |= {dish.probe for dish in config.dishes.values()}
    for name, probe in config.probes.items():
        if name not in used and probe.place.value != "room":
            yield warn(
                "config.unused",
                f"probe '{name}' (place {probe.place}) belongs to no brooder and no dish",
                f"add it to one, or remove [probes.{name}]",
            )


def daemon(site: Site) -> Iterator[CheckFinding]:
    """Is it running, does it say the same version, and what does it complain about?"""
    seen = site.snapshot
    if seen is None:
        yield warn("daemon.running", f"not running, or not to be asked: {site.running}", _start(site))
        return
    if seen.version != __version__:
        yield warn(
            "daemon.version",
            f"the daemon is version {seen.version}, this command {__version__}",
            "sudo systemctl restart sensord",
        )
    else:
        yield fine("daemon.running", f"the daemon is watching (unit {seen.unit})")
    for output in seen.outputs:
        if not output.working:
            yield bad(
                f"daemon.{output.name}", f"its {output.name} is in trouble: {output.words}", "see above and below"
            )
    for alarm in seen.alarms:
        if alarm.standing and alarm.state is not AlarmState.NORMAL:
            yield warn(
                "daemon.alarm", f"an alarm stands: {alarm.place} {alarm.condition}: {alarm.seen}", alarm.do_first
            )


def _start(site: Site) -> str:
    if site.machine.at("/etc/systemd/system/sensord.service").exists():
        return "sudo systemctl start sensord; what it says: journalctl -u sensord -e"
    return "install it with systemd/install, or start it by hand with `sensord run`"


class CheckSection(NamedTuple):
    """A heading and the checks under it."""

    title: str
    checks: tuple[Callable[[Site], Iterator[CheckFinding]], ...]


SECTIONS = (
    CheckSection("Board", (pi.board,)),
    CheckSection("Program and config", (program, settings)),
    CheckSection("One-wire bus", (one_wire.bus, one_wire.bulk_file)),
    CheckSection("Probes", (probes.probes,)),
    CheckSection("Buzzer, lamp, buttons", (pins.chip, pins.wishes)),
    CheckSection("Clock", (pi.wall_clock,)),
    CheckSection("History", (pi.disk, pi.history)),
    CheckSection("Broker", (broker.broker,)),
    CheckSection("Daemon", (daemon,)),
)


def check_all(site: Site, sections: Iterable[CheckSection] = SECTIONS) -> Iterator[tuple[str, CheckFinding]]:
    """All findings with the title of their section, as they come. Nothing is raised and nothing is changed."""
    for section in sections:
        for check in section.checks:
            try:
                for finding in check(site):
                    yield section.title, finding
            except Exception as error:  # one check that stumbles must not hide the others
                yield section.title, _stumbled(check, error)


def _stumbled(check: Callable[[Site], Iterator[CheckFinding]], error: Exception) -> CheckFinding:
    name = f"{check.__module__.rsplit('.', 1)[-1]}.{check.__name__}"
    permission = isinstance(error, PermissionError)
    remedy = "sudo sensord checkup" if permission else "a fault in sensord's own check: the others count all the same"
    return bad(name, f"could not be checked: {type(error).__name__}: {error}", remedy)


def well(findings: Iterable[CheckFinding]) -> bool:
    """Whether nothing has to be mended."""
    return all(finding.state is not Grade.BAD for finding in findings)
