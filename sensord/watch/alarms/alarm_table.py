"""The alarm state table, whole: what each happening does to an alarm in each of its states.

Follows the pattern of ISA-18.2 / IEC 62682 and OPC 10000-9 (public second-hand copies; conformity is not claimed). Of
the standard's nine states there is no H, suppressed by design: nothing here hides an alarm by itself. The re-alarm of
an acknowledged alarm is ours, where no readable source says more. `docs/alarms.md` is printed from here.
"""

from enum import StrEnum, unique
from typing import Final

from sensord.watch.effects import AlarmState


@unique
class Happening(StrEnum):
    """What can befall an alarm. OFF has two columns: with and without latching."""

    ON = "on"
    OFF = "off"
    OFF_LATCHING = "off, latching"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    SHELVE = "shelve"
    REMOVE = "out of service"
    REARM = "re-alarm timer"
    UNSHELVE = "unshelve or time-out"
    RETURN = "return to service"


@unique
class Said(StrEnum):
    """What a cell can say other than the next state: nothing changes, no, or B where the condition stands, else A."""

    NOTHING = "="
    REFUSED = "refused"
    BY_CONDITION = "B or A"


LETTERS: Final[dict[AlarmState, str]] = {
    AlarmState.NORMAL: "A",
    AlarmState.UNACKNOWLEDGED: "B",
    AlarmState.ACKNOWLEDGED: "C",
    AlarmState.RETURNED_UNACKNOWLEDGED: "D",
    AlarmState.LATCHED_UNACKNOWLEDGED: "E",
    AlarmState.LATCHED_ACKNOWLEDGED: "F",
    AlarmState.SHELVED: "G",
    AlarmState.OUT_OF_SERVICE: "I",
}
"""The standard's letters; the table is written in them."""

HORN: Final = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED})
"""The only states in which the horn may sound, but for the first seconds of a danger."""

OPEN: Final = frozenset(LETTERS) - {AlarmState.NORMAL, AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE}
"""The states that light the lamp."""

_ROWS: Final = """
state | on | off | off, latching | acknowledge | reset   | shelve  | out of service | re-alarm timer | unshelve or time-out | return to service
A     | B  | =   | =             | =           | =       | G       | I              | =              | =                    | =
B     | =  | D   | E             | C           | refused | G       | I              | =              | =                    | =
C     | =  | A   | F             | =           | refused | G       | I              | B              | =                    | =
D     | B  | =   | =             | A           | =       | G       | I              | =              | =                    | =
E     | B  | =   | =             | F           | refused | refused | I              | =              | =                    | =
F     | B  | =   | =             | =           | A       | refused | I              | =              | =                    | =
G     | =  | =   | =             | =           | =       | G       | I              | =              | B or A               | =
I     | =  | =   | =             | =           | =       | refused | =              | =              | =                    | B or A
"""  # noqa: E501 - a table is read as a table


def _parsed() -> dict[tuple[AlarmState, Happening], AlarmState | Said]:
    states = {letter: state for state, letter in LETTERS.items()}
    header, *rows = [[part.strip() for part in line.split("|")] for line in _ROWS.strip().splitlines()]
    return {
        (states[row[0]], Happening(name)): states[said] if said in states else Said(said)
        for row in rows
        for name, said in zip(header[1:], row[1:], strict=True)
    }


TABLE: Final = _parsed()
"""Every pair of a state and a happening; a missing pair cannot be: the test walks the full product."""
