"""The checkup: every check in the order in which a fault would be looked for, from the board to the broker."""

from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple

from sensord.checks import board_check as pi
from sensord.checks import broker_check as broker
from sensord.checks import bus_check as one_wire
from sensord.checks import pin_check as pins
from sensord.checks import probe_check as probes
from sensord.checks import setup_check as setup
from sensord.checks import storage_check as keeping
from sensord.checks.findings import Finding, State, bad
from sensord.checks.site import Site

__all__ = ["SECTIONS", "Section", "check_all", "well"]


class Section(NamedTuple):
    """A heading and the checks under it."""

    title: str
    checks: tuple[Callable[[Site], Iterator[Finding]], ...]


SECTIONS = (
    Section("Board", (pi.board,)),
    Section("Program and config", (setup.program, setup.settings)),
    Section("One-wire bus", (one_wire.bus, one_wire.bulk_file)),
    Section("Probes", (probes.probes,)),
    Section("Buzzer, lamp, buttons", (pins.chip, pins.wishes)),
    Section("Clock", (pi.clock,)),
    Section("History", (keeping.disk, keeping.history)),
    Section("Broker", (broker.broker,)),
    Section("Daemon", (setup.daemon,)),
)


def check_all(site: Site, sections: Iterable[Section] = SECTIONS) -> Iterator[tuple[str, Finding]]:
    """All findings with the title of their section, as they come. Nothing is raised and nothing is changed."""
    for section in sections:
        for check in section.checks:
            try:
                for finding in check(site):
                    yield section.title, finding
            except Exception as error:  # one check that stumbles must not hide the others
                yield section.title, _stumbled(check, error)


def _stumbled(check: Callable[[Site], Iterator[Finding]], error: Exception) -> Finding:
    name = f"{check.__module__.rsplit('.', 1)[-1]}.{check.__name__}"
    permission = isinstance(error, PermissionError)
    remedy = "sudo sensord checkup" if permission else "a fault in sensord's own check: the others count all the same"
    return bad(name, f"could not be checked: {type(error).__name__}: {error}", remedy)


def well(findings: Iterable[Finding]) -> bool:
    """Whether nothing has to be mended."""
    return all(finding.state is not State.BAD for finding in findings)
