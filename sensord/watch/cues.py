"""What is heard, by name: priorities of alarms, and sounds that are none. Light, for the verbs that must be quick."""

from enum import IntEnum, StrEnum, unique


@unique
class Priority(IntEnum):
    """Of an alarm; higher is more urgent (IEC 62682 priorities, sounded as IEC 60601-1-8 patterns)."""

    LOW = 1
    MEDIUM = 2
    HIGH = 3

    @property
    def word(self) -> str:
        return self.name.lower()


@unique
class Cue(StrEnum):
    """Sounds that are not alarms, each played once."""

    READY = "ready"
    NOT_READY = "not-ready"
    CLOSING = "closing"
    STIR = "stir"
    CONFIRM = "confirm"
    REMINDER = "reminder"
    SELF_TEST = "self-test"
