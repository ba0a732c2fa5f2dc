"""The sounds that are no alarms, by name: a word that `sensord sounds` must not wait for."""

from enum import StrEnum, unique

__all__ = ["Cue"]


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
