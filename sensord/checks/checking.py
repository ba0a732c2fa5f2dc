"""The checkup: every check in the order in which a fault would be looked for, from the board to the broker."""

from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple

from sensord.checks import board_check as pi
from sensord.checks import broker_check as broker
from sensord.checks import bus_check as one_wire
from sensord.checks import pin_check as pins
from sensord.checks import probe_check as probes
from sensord.checks import setup_check as setup
from sensord.checks.site import CheckFinding, Grade, Site, bad


class CheckSection(NamedTuple):
    """A heading and the checks under it."""

    title: str
    checks: tuple[Callable[[Site], Iterator[CheckFinding]], ...]


SECTIONS = (
    CheckSection("Board", (pi.board,)),
    CheckSection("Program and config", (setup.program, setup.settings)),
    CheckSection("One-wire bus", (one_wire.bus, one_wire.bulk_file)),
    CheckSection("Probes", (probes.probes,)),
    CheckSection("Buzzer, lamp, buttons", (pins.chip, pins.wishes)),
    CheckSection("Clock", (pi.wall_clock,)),
    CheckSection("History", (pi.disk, pi.history)),
    CheckSection("Broker", (broker.broker,)),
    CheckSection("Daemon", (setup.daemon,)),
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
