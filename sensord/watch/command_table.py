"""The commands: what a keeper or a program may ask of a unit, one row each in `COMMANDS`.

The value says which fields a command carries and what they may hold; its row what it is called, who may give it, and
which key of the config caps it. MQTT, the control socket and the command line offer it from the row, `watch.obeying`
has its rule. Each is answered with exactly one `effects.Answered`.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Flag, auto
from types import MappingProxyType
from typing import Final, TypeAlias

from sensord.care.chicks import Crop
from sensord.errors import CommandError
from sensord.watch.conditions import Condition
from sensord.watch.events import Command

# What a field may hold, in the words of JSON Schema that `gate` reads it by.
_NAME: Final = {"pattern": r"^[a-z0-9][a-z0-9_-]{0,31}$"}
_SECONDS: Final = {"ge": 1}
_CHICK: Final = {"min_length": 1, "max_length": 32}
_INSTANT: Final = {"ge": 0, "le": 1e11}
_NOTE: Final = {"max_length": 200}
_DAY: Final = {"max_length": 10}


@dataclass(frozen=True, slots=True, kw_only=True)
class Acknowledge(Command):
    """The keeper has noticed. None stands for every place, or every condition."""

    place: str | None = field(default=None, metadata=_NAME)
    condition: Condition | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Shelve(Command):
    """Hide the alarms of a place (or one condition of it) for a limited time, e.g. while the lid is open.

    `for_seconds` None means as long as the config allows.
    """

    place: str = field(metadata=_NAME)
    condition: Condition | None = None
    for_seconds: float | None = field(default=None, metadata=_SECONDS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Unshelve(Command):
    """End a shelf early."""

    place: str = field(metadata=_NAME)
    condition: Condition | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _OneAlarm(Command):
    place: str = field(metadata=_NAME)
    condition: Condition


@dataclass(frozen=True, slots=True, kw_only=True)
class Reset(_OneAlarm):
    """Let go of a latched alarm whose condition has gone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OutOfService(_OneAlarm):
    """Take an alarm out until somebody puts it back."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReturnToService(_OneAlarm):
    """Put an alarm back."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PauseAudio(Command):
    """Silence the horn for a limited time; a new or worse alarm breaks the pause. None as in `Shelve`."""

    for_seconds: float | None = field(default=None, metadata=_SECONDS)


@dataclass(frozen=True, slots=True, kw_only=True)
class StartBatch(Command):
    """A bowl of formula was just mixed; uptake and age count from here. None means the only dish there is."""

    dish: str | None = field(default=None, metadata=_NAME)


@dataclass(frozen=True, slots=True, kw_only=True)
class SetStage(Command):
    """The youngest chick of a brooder (None: the only one) has reached a stage of its profile."""

    brooder: str | None = field(default=None, metadata=_NAME)
    stage: str = field(metadata=_NAME)


@dataclass(frozen=True, slots=True, kw_only=True)
class TestSounds(Command):
    """Play every sound once, so that the keeper knows them and knows that they work."""

    __test__ = False  # not a test case, whatever its name


@dataclass(frozen=True, slots=True, kw_only=True)
class _OfChick(Command):
    """`at_utc_seconds` None means now; `sure` overrules the check for slips of the pen.

    `undo` takes back the chick's last entry of the kind instead, if it was written down within a day.
    """

    chick: str = field(metadata=_CHICK)
    at_utc_seconds: float | None = field(default=None, metadata=_INSTANT)
    note: str = field(default="", metadata=_NOTE)
    sure: bool = False
    undo: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class LogFeed(_OfChick):
    """The keeper has fed a chick."""

    millilitres: float | None = None
    crop: Crop | None = None
    celsius: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WeighIn(_OfChick):
    """The keeper has weighed a chick; no `grams` only with `undo`."""

    grams: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class EnterChick(Command):
    """Add a chick, or change what is written about it; None leaves a field as it was. Dates are ISO 8601 days.

    `every_hours` is the feed interval chosen for it; 0 goes back to the tables.
    """

    chick: str = field(metadata=_CHICK)
    kind: str | None = field(default=None, metadata={"max_length": 64})
    hatched: str | None = field(default=None, metadata=_DAY)
    mark: str | None = field(default=None, metadata={"max_length": 64})
    brooder: str | None = field(default=None, metadata={"max_length": 32})
    left: str | None = field(default=None, metadata=_DAY)
    every_hours: float | None = field(default=None, metadata={"ge": 0, "le": 24})


Entry: TypeAlias = LogFeed | WeighIn | EnterChick
"""What the keeper writes down; the log answers these, once they are on the disk."""


class Giver(Flag):
    """Who gives a command: somebody at the unit's buttons, its owner, anybody at its socket, or the network."""

    BUTTON = auto()
    OWNER = auto()
    """Root, or the user that the daemon runs as, at the control socket."""
    SOCKET = auto()
    """Anybody else who may open the control socket."""
    BROKER = auto()


_OWNER = Giver.OWNER
_LOCAL = _OWNER | Giver.SOCKET
_PROGRAMS = _LOCAL | Giver.BROKER
_ALL = _PROGRAMS | Giver.BUTTON


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandRow:
    """One command: its value, who may give it, the key that caps its `for_seconds`, and its bare form.

    `bare` are the fields that the parts of a bare payload (`brooder/too-cold`) and the words of a command line mean.
    """

    value: type[Command]
    givers: Giver
    bare: tuple[str, ...] = ()
    cap: str = ""


COMMANDS: Mapping[str, CommandRow] = MappingProxyType(
    {
        "acknowledge": CommandRow(value=Acknowledge, givers=_ALL, bare=("place", "condition")),
        "shelve": CommandRow(value=Shelve, givers=_PROGRAMS, bare=("place", "condition"), cap="alarms.shelve_seconds"),
        "unshelve": CommandRow(value=Unshelve, givers=_PROGRAMS, bare=("place", "condition")),
        "reset": CommandRow(value=Reset, givers=_PROGRAMS, bare=("place", "condition")),
        "batch": CommandRow(value=StartBatch, givers=_ALL, bare=("dish",)),
        # What is right for the chicks is the owner's to say; a hub may, as far as `watch.brooder` lets the band move.
        "stage": CommandRow(value=SetStage, givers=_OWNER | Giver.BROKER, bare=("brooder", "stage")),
        "pause": CommandRow(value=PauseAudio, givers=_ALL, bare=("for_seconds",), cap="alarms.pause_seconds"),
        "feed": CommandRow(value=LogFeed, givers=_PROGRAMS, bare=("chick", "millilitres")),
        "weigh": CommandRow(value=WeighIn, givers=_PROGRAMS, bare=("chick", "grams")),
        "chick": CommandRow(value=EnterChick, givers=_LOCAL, bare=("chick",)),
        # Without end, or loud at night: only for somebody who stands beside the brooder.
        "out-of-service": CommandRow(value=OutOfService, givers=_OWNER, bare=("place", "condition")),
        "return-to-service": CommandRow(value=ReturnToService, givers=_LOCAL, bare=("place", "condition")),
        "test-sounds": CommandRow(value=TestSounds, givers=_LOCAL),
    }
)

_VERBS = {row.value: verb for verb, row in COMMANDS.items()}


def verb_of(command: Command) -> str:
    """What a command is called, in messages and in its answer."""
    return _VERBS[type(command)]


def verbs_for(giver: Giver) -> tuple[str, ...]:
    """The commands that `giver` may give."""
    return tuple(verb for verb, row in COMMANDS.items() if giver in row.givers)


def check_giver(verb: str, giver: Giver) -> None:
    """Raise `CommandError` where `giver` may not give the command `verb`."""
    if giver in COMMANDS[verb].givers:
        return
    if giver is Giver.SOCKET:
        raise CommandError(f"{verb} changes the rules: only root or the user that runs sensord may do it")
    if giver is Giver.BROKER:
        raise CommandError(f"{verb} is not taken over the network: do it at the unit itself")
    raise CommandError(f"{verb} cannot be given with a button")
