"""All units of a station on one screen: those that need a person first, each with its one answer; the rest as a crowd.

A pure function from what is known of the units to lines. A unit whose brooders are right is only a name and its
temperatures, so that hundreds fit; whatever needs a hand gets a line of its own, the most urgent on top. A unit that
is offline is watched by nobody and comes right after the dangerous ones.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum, unique
from typing import TypeAlias

from rich.cells import cell_len, set_cell_size
from rich.console import Group
from rich.text import Text

from sensord.mqtt.units import UnitSeen
from sensord.screens.dashboard import screen_lines
from sensord.screens.page import BIG_STYLES, PLATE_STYLES, QUIET, Look, line, plate, wrapped
from sensord.screens.words import Answer, Tone, answer
from sensord.watch.effects import DishState
from sensord.watch.views import Snapshot

__all__ = ["Finder", "Only", "Told", "fleet", "fleet_lines", "fleet_words", "told", "unit_lines"]

_ORDER = (Tone.HIGH, Tone.STALE, Tone.MEDIUM, Tone.READY, Tone.LOW, Tone.WAIT, Tone.RIGHT)
_NEED_A_PERSON = (Tone.HIGH, Tone.STALE, Tone.MEDIUM, Tone.READY, Tone.LOW)
_GAP = 2


@unique
class Only(Enum):
    """Which units are shown; the value is how the screen says it."""

    ALL = "all"
    NEEDING = "those that need you"
    OFFLINE = "offline"
    READY = "with a dish that is ready"


@dataclass(frozen=True, slots=True)
class Finder:
    """What the keeper looks for: a piece of text, a kind of unit, and whether the text is being typed."""

    text: str = ""
    only: Only = Only.ALL
    typing: bool = False


@dataclass(frozen=True, slots=True)
class Told:
    """A unit with the answer to its one question."""

    unit: UnitSeen
    answer: Answer

    @property
    def quiet(self) -> bool:
        """Whether a name and temperatures say it all."""
        return self.answer.tone is Tone.RIGHT or (self.answer.tone is Tone.WAIT and not _in_use(self.unit.snapshot))

    @property
    def needs_a_person(self) -> bool:
        return self.answer.tone in _NEED_A_PERSON


def told(units: Sequence[UnitSeen], look: Look, finder: Finder) -> list[Told]:
    """The units that `finder` lets through, in the order of the screen: the most urgent first."""
    known = [Told(unit, answer(unit.snapshot, unit.stale_seconds, look.zone)) for unit in units]
    known.sort(key=lambda one: (_ORDER.index(one.answer.tone), one.quiet, one.unit.name))
    return [one for one in known if _let_through(one, finder)]


def fleet(units: Sequence[UnitSeen], look: Look, finder: Finder = Finder(), trouble: str = "") -> Group:
    """What `look.width` × `look.height` cells show of the units; `look.chosen` is the name of the chosen one."""
    return Group(*fleet_lines(units, look, finder, trouble))


def fleet_lines(units: Sequence[UnitSeen], look: Look, finder: Finder, trouble: str = "") -> list[Text]:
    """The lines of the screen, at most `look.height`; `trouble` says why nothing comes from the broker."""
    everyone = told(units, look, Finder())
    shown = [one for one in everyone if _let_through(one, finder)]
    head = [_banner(everyone, look, trouble)]
    head += [line(look, look.width, "  ", row) for row in wrapped(trouble, look.width - 3) if row]
    if look.help:
        return [*head, *_help(look)][: look.height]
    if finder.text or finder.typing or finder.only is not Only.ALL:
        head.append(_finding(finder, len(shown), look))
    foot = _foot(look)
    room = max(2, look.height - len(head) - len(foot))
    loud, quiet = [one for one in shown if not one.quiet], [one for one in shown if one.quiet]
    body = _windowed(_loud_rows(loud, look), _crowd(quiet, look), room, look)
    blank = [Text()] * (room - len(body)) if look.keys else []
    return [*head, *body, *blank, *foot][: look.height]


def unit_lines(unit: UnitSeen, look: Look) -> list[Text]:
    """One unit as its own dashboard shows it, below its name; without keys, which would act on another machine."""
    head = [line(look, look.width, "  ", (unit.name, "bold"))]
    foot = [
        line(look, look.width, "  ", ("esc", "bold"), (" back to all", QUIET), "  ", ("tab", "bold"), (" next", QUIET))
    ]
    own = replace(look, height=look.height - 2, stale_seconds=unit.stale_seconds, keys=False, chosen="", help=False)
    body = screen_lines(unit.snapshot, own)
    blank = [Text()] * (look.height - 2 - len(body))
    return [*head, *body, *blank, *foot]


def fleet_words(units: Sequence[UnitSeen], look: Look) -> list[str]:
    """The same as plain lines, one a unit, the most urgent first."""
    known = told(units, look, Finder())
    width = max((cell_len(one.unit.name) for one in known), default=0)
    return [_summary(known), *(f"{one.unit.name:<{width}}  {one.answer.sentence}" for one in known)]


def _let_through(one: Told, finder: Finder) -> bool:
    wanted = finder.text.casefold()
    if wanted and wanted not in one.unit.name.casefold() and wanted not in one.answer.sentence.casefold():
        return False
    match finder.only:
        case Only.ALL:
            return True
        case Only.NEEDING:
            return one.needs_a_person
        case Only.OFFLINE:
            return one.unit.stale_seconds is not None
        case Only.READY:
            return one.unit.stale_seconds is None and any(
                dish.state is DishState.READY for dish in one.unit.snapshot.dishes
            )


def _in_use(snapshot: Snapshot) -> bool:
    return any(dish.state is not DishState.AWAY for dish in snapshot.dishes)


def _banner(everyone: list[Told], look: Look, trouble: str) -> Text:
    if trouble:
        return plate(look, "NO BROKER: look at the chicks yourself", "", "", PLATE_STYLES[Tone.STALE])
    tone = everyone[0].answer.tone if everyone else Tone.WAIT
    offline = sum(one.unit.stale_seconds is not None for one in everyone)
    return plate(look, _summary(everyone), "", f"{offline} offline" if offline else "", PLATE_STYLES[tone])


def _summary(everyone: list[Told]) -> str:
    needing = [one for one in everyone if one.needs_a_person]
    if not everyone:
        return "NO UNIT HAS SPOKEN YET"
    if not needing:
        return f"ALL {len(everyone)} UNITS ARE RIGHT" if len(everyone) > 1 else "THE ONLY UNIT IS RIGHT"
    one = len(needing) == 1
    return f"{len(needing)} OF {len(everyone)} {'NEEDS' if one else 'NEED'} YOU, {needing[0].unit.name} first"


_Row: TypeAlias = tuple[tuple[str, ...], Text]
"""A line, and the units that it shows."""


def _loud_rows(loud: list[Told], look: Look) -> list[_Row]:
    """One line a unit."""
    width = min(24, max((cell_len(one.unit.name) for one in loud), default=0))
    rows: list[_Row] = []
    for one in loud:
        style = BIG_STYLES[one.answer.tone] if one.answer.tone is not Tone.STALE else "bold"
        marked = one.unit.name == look.chosen
        name = set_cell_size(one.unit.name, width)
        also = f" · {one.answer.also}" if one.answer.also else ""
        row = line(
            look,
            look.width,
            (f"{look.glyphs.chosen} " if marked else "  ", "bold"),
            (name, "bold reverse" if marked else "bold"),
            "  ",
            (one.answer.sentence, style),
            (also, QUIET),
        )
        rows.append(((one.unit.name,), row))
    return rows


def _crowd(quiet: list[Told], look: Look) -> list[_Row]:
    """Names with temperatures, as many in a line as fit."""
    if not quiet:
        return []
    cells = [(one.unit.name, _temperatures(one.unit.snapshot)) for one in quiet]
    names = min(20, max(cell_len(name) for name, _ in cells))
    values = min(12, max(cell_len(value) for _, value in cells))
    width = 2 + names + 1 + values + _GAP
    columns = max(1, (look.width - 2) // width)
    rows: list[_Row] = []
    for start in range(0, len(cells), columns):
        parts: list[str | tuple[str, str]] = []
        for name, value in cells[start : start + columns]:
            marked = name == look.chosen
            parts += [
                (f"{look.glyphs.chosen} " if marked else "  ", "bold"),
                (set_cell_size(name, names), "bold reverse" if marked else ""),
                (f" {set_cell_size(value, values)}{' ' * _GAP}", QUIET),
            ]
        rows.append((tuple(name for name, _ in cells[start : start + columns]), line(look, look.width, *parts)))
    return rows


def _temperatures(snapshot: Snapshot) -> str:
    return " ".join("--.-" if one.celsius is None else f"{one.celsius:.1f}" for one in snapshot.brooders)


def _windowed(loud: list[_Row], crowd: list[_Row], room: int, look: Look) -> list[Text]:
    """As many rows as there is room for, always with the chosen one; the units left out are counted."""
    blank: list[_Row] = [((), Text())] if loud and crowd else []
    rows = [*loud, *blank, *crowd]
    if len(rows) <= room:
        return [row for _, row in rows]
    chosen = next((index for index, (names, _) in enumerate(rows) if look.chosen in names), 0)
    room -= 1
    start = 0 if chosen < room else min(chosen - room // 2, len(rows) - room)
    above = sum(len(names) for names, _ in rows[:start])
    below = sum(len(names) for names, _ in rows[start + room :])
    words = " and ".join([*([f"{above} above"] if above else []), *([f"{below} more below"] if below else [])])
    return [*(row for _, row in rows[start : start + room]), line(look, look.width, (f"  … {words}", "bold"))]


def _finding(finder: Finder, count: int, look: Look) -> Text:
    cursor = "_" if finder.typing else ""
    parts: list[str | tuple[str, str]] = ["  "]
    if finder.text or finder.typing:
        parts += [("search ", QUIET), (f"{finder.text}{cursor}", "bold"), "  "]
    if finder.only is not Only.ALL:
        parts += [("only ", QUIET), (finder.only.value, "bold"), "  "]
    return line(look, look.width, *parts, (f"{count} found", QUIET))


def _foot(look: Look) -> list[Text]:
    if not look.keys:
        return []
    keys = (("/", "search"), ("f", "only some"), ("tab", "next"), ("enter", "look in"), ("?", "help"), ("q", "quit"))
    parts: list[str | tuple[str, str]] = []
    for key, does in keys:
        parts += ["  ", (key, "bold"), (f" {does}", QUIET)]
    return [line(look, look.width, *parts)]


_HELP = (
    ("/", "type a part of a name, or of what is wrong (`cold`, `ready`); enter ends it, esc forgets it"),
    ("f", "show only those that need you, only offline ones, only those with a ready dish, or all again"),
    ("tab", "choose the next unit; the arrow keys do it too"),
    ("enter", "look into the chosen unit; esc comes back"),
    ("?", "this page"),
    ("q", "quit; the units do not notice"),
)


def _help(look: Look) -> list[Text]:
    rows = [Text()]
    for key, does in _HELP:
        first, *more = wrapped(does, look.width - 11)
        rows.append(line(look, look.width, (f"  {key:<7}", "bold"), first))
        rows += [line(look, look.width, "         ", row) for row in more]
    return rows
