"""Which of several probes was just warmed (or cooled) by somebody: the one whose reading moved, alone.

Pure. A hand at about 33 °C cools a probe that hangs in a warm brooder, so a move in either direction counts.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from sensord.readings import Reading

_CLEAR_CELSIUS = 1.5
"""Well above one step (1/16 °C), noise and the drift of a room within two minutes; own choice, no source."""
_ALONE = 3.0
"""How many times further than any other probe it must have moved; own choice, no source."""


@dataclass(frozen=True, slots=True)
class Warming:
    """First and last reading in Celsius of each probe by name, without those in `known`."""

    known: frozenset[str] = frozenset()
    first: Mapping[str, float] = field(default_factory=dict)
    last: Mapping[str, float] = field(default_factory=dict)

    def next_one(self, found: str) -> "Warming":
        """Look for another probe from now on; the one that was found is cooling down and no longer counts."""
        return Warming(known=self.known | {found})


def feel(finding: Warming, reading: Reading) -> Warming:
    """Take in a reading."""
    if reading.probe in finding.known:
        return finding
    return replace(
        finding,
        first={reading.probe: reading.celsius, **finding.first},
        last={**finding.last, reading.probe: reading.celsius},
    )


def _moves(finding: Warming) -> list[tuple[float, str]]:
    return sorted(((abs(now - finding.first[probe]), probe) for probe, now in finding.last.items()), reverse=True)


def moved(finding: Warming) -> str | None:
    """The probe that has clearly moved while the others have not; None where that cannot be said yet."""
    moves = _moves(finding)
    if not moves or moves[0][0] < _CLEAR_CELSIUS:
        return None
    if len(moves) > 1 and moves[0][0] < _ALONE * moves[1][0]:
        return None
    return moves[0][1]


def moved_most(finding: Warming) -> tuple[str, float] | None:
    """The probe that has moved furthest so far, and by how many degrees (signed); for showing progress."""
    moves = _moves(finding)
    if not moves:
        return None
    probe = moves[0][1]
    return probe, finding.last[probe] - finding.first[probe]
