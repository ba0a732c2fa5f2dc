"""The alarm state table, whole: what each happening does to an alarm in each of its nine states.

Follows the pattern of ISA-18.2 / IEC 62682 and OPC 10000-9 (public second-hand copies; conformity is not claimed).
Cells marked `PROPOSED` are ours where no readable source fills them. `docs/alarms.md` is printed from here.
"""

from enum import StrEnum, unique
from typing import Final

from sensord.watch.effects import AlarmState

__all__ = ["HORN", "LETTERS", "TABLE", "Happening", "Move", "cell"]


@unique
class Happening(StrEnum):
    """What can befall an alarm. OFF has two columns: with and without latching."""

    ON = "on"
    OFF = "off"
    OFF_LATCHING = "off, latching"
    OFF_ONE_SHOT = "off, one-shot shelf"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    SHELVE = "shelve"
    SUPPRESS = "suppress"
    REMOVE = "out of service"
    REARM = "re-alarm timer"
    UNSHELVE = "unshelve or time-out"
    UNSUPPRESS = "unsuppress"
    RETURN = "return to service"


@unique
class Move(StrEnum):
    """What a cell says: go to a state (letters A to I), stay, refuse, or go to B or A by the condition."""

    A = "A"
    B = "B"
    C = "C"
    D = "D"
    E = "E"
    F = "F"
    G = "G"
    H = "H"
    I = "I"  # noqa: E741 - the letter is the standard's
    STAY = "="
    REFUSE = "refused"
    RECOMPUTE = "B or A"


LETTERS: Final[dict[AlarmState, Move]] = {
    AlarmState.NORMAL: Move.A,
    AlarmState.UNACKNOWLEDGED: Move.B,
    AlarmState.ACKNOWLEDGED: Move.C,
    AlarmState.RETURNED_UNACKNOWLEDGED: Move.D,
    AlarmState.LATCHED_UNACKNOWLEDGED: Move.E,
    AlarmState.LATCHED_ACKNOWLEDGED: Move.F,
    AlarmState.SHELVED: Move.G,
    AlarmState.SUPPRESSED: Move.H,
    AlarmState.OUT_OF_SERVICE: Move.I,
}
"""The standard's letters; the table is written in them."""

HORN: Final = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED})
"""The only states in which the horn may sound."""

_ROWS: Final = """
state | on | off | off, latching | off, one-shot shelf | acknowledge | reset | shelve | suppress | out of service | re-alarm timer | unshelve or time-out | unsuppress | return to service
A     | B  | =   | =             | =                   | =           | =     | G      | H        | I              | =              | =                    | =          | =
B     | =  | D   | E             | D                   | C           | refused | G    | H        | I              | B              | =                    | =          | =
C     | =  | A   | F             | A                   | =           | refused | G    | H        | I              | B              | =                    | =          | =
D     | B  | =   | =             | =                   | A           | =     | G      | H        | I              | =              | =                    | =          | =
E     | B  | =   | =             | =                   | F           | refused | G    | H        | I              | =              | =                    | =          | =
F     | B  | =   | =             | =                   | =           | A     | G      | H        | I              | =              | =                    | =          | =
G     | =  | =   | =             | A                   | =           | =     | =      | H        | I              | =              | B or A               | =          | =
H     | =  | =   | =             | =                   | =           | =     | =      | =        | I              | =              | =                    | B or A     | =
I     | =  | =   | =             | =                   | =           | =     | refused | =       | =              | =              | =                    | =          | B or A
"""  # noqa: E501 - a table is read as a table


def _parsed() -> dict[tuple[Move, Happening], Move]:
    header, *rows = [[part.strip() for part in line.split("|")] for line in _ROWS.strip().splitlines()]
    return {
        (Move(row[0]), Happening(name)): Move(said)
        for row in rows
        for name, said in zip(header[1:], row[1:], strict=True)
    }


TABLE: Final[dict[tuple[Move, Happening], Move]] = _parsed()
"""Every pair of a letter and a happening; a missing pair cannot be: the test walks the full product."""


def cell(state: AlarmState, happening: Happening) -> Move:
    """What the table says for an alarm in `state`."""
    return TABLE[LETTERS[state], happening]
