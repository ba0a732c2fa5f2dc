"""What a check finds: how it is, in a sentence, and what to do about it."""

from dataclasses import dataclass
from enum import StrEnum, unique

__all__ = ["Finding", "State", "bad", "fine", "warn"]


@unique
class State(StrEnum):
    """`warn` is worth a look and may stay; `bad` has to be mended before the watch can be relied on."""

    OK = "ok"
    WARN = "warn"
    BAD = "bad"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing looked at. `check` names it for programs and stays the same over versions; `remedy` is empty if ok."""

    check: str
    state: State
    sentence: str
    remedy: str = ""


def fine(check: str, sentence: str) -> Finding:
    """All is well here."""
    return Finding(check, State.OK, sentence)


def warn(check: str, sentence: str, remedy: str) -> Finding:
    """Worth a look."""
    return Finding(check, State.WARN, sentence, remedy)


def bad(check: str, sentence: str, remedy: str) -> Finding:
    """Has to be mended."""
    return Finding(check, State.BAD, sentence, remedy)
