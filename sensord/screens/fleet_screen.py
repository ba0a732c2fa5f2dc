"""All units of a station on one screen: those that need a person first, each with its one answer; the rest as a crowd.

A pure function from what is known of the units to lines. A unit whose brooders are right is only a name and its
temperatures, so that hundreds fit; whatever needs a hand gets a line of its own, the most urgent on top. A unit that
is offline is watched by nobody and comes right after the dangerous ones.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from typing import TypeAlias

from rich.cells import cell_len, set_cell_size
from rich.text import Text

from sensord.mqtt.units import UnitSeen
from sensord.screens.dashboard import screen_lines
from sensord.screens.page import BIG_STYLES, PLATE_STYLES, QUIET, Look, key_row, line, plate, wrapped
from sensord.screens.words import Answer, Tone, answer
from sensord.watch.effects import DishState

_ORDER = (Tone.HIGH, Tone.STALE, Tone.MEDIUM, Tone.READY, Tone.LOW, Tone.WAIT, Tone.RIGHT)
_NEED_A_PERSON = _ORDER[:5]
_GAP = 2
_KEYS = (("/", "search"), ("f", "only some"), ("tab", "next"), ("enter", "look in"), ("esc", "all"), ("q", "quit"))
_KEYS_INSIDE = (("esc", "back to all"), ("tab", "next"))


@dataclass(frozen=True, slots=True)
class Told:
    """A unit with the answer to its one question."""

    unit: UnitSeen
    answer: Answer

    @property
    def name(self) -> str:
        return self.unit.name

    @property
    def offline(self) -> bool:
        return self.unit.stale_seconds is not None

    @property
    def quiet(self) -> bool:
        """Whether a name and temperatures say it all."""
        in_use = any(dish.state is not DishState.AWAY for dish in self.unit.snapshot.dishes)
        return self.answer.tone is Tone.RIGHT or (self.answer.tone is Tone.WAIT and not in_use)

    @property
    def needs_a_person(self) -> bool:
        return self.answer.tone in _NEED_A_PERSON


def told(units: Sequence[UnitSeen], zone: tzinfo) -> list[Told]:
    """The units in the order of the screen: the most urgent first."""
    known = [Told(unit, answer(unit.snapshot, unit.stale_seconds, zone)) for unit in units]
    return sorted(known, key=lambda one: (_ORDER.index(one.answer.tone), one.quiet, one.name))


@dataclass(frozen=True, slots=True)
class Finder:
    """What the keeper looks for: a piece of a name or of an answer, and whether it is being typed; `needing` leaves out
    those that need nobody."""

    text: str = ""
    needing: bool = False
    typing: bool = False

    def found(self, known: Sequence[Told]) -> list[Told]:
        """Those of `known` that are looked for."""
        return [one for one in known if self._lets_through(one)]

    def _lets_through(self, one: Told) -> bool:
        said = f"{one.name} {one.answer.sentence}".casefold()
        return self.text.casefold() in said and (one.needs_a_person or not self.needing)

    def words(self, look: Look, count: int) -> list[Text]:
        """The line that says what is looked for; none while all are shown."""
        if self == Finder():
            return []
        parts: list[str | tuple[str, str]] = ["  "]
        if self.text or self.typing:
            parts += [("search ", QUIET), (f"{self.text}{'_' if self.typing else ''}", "bold"), "  "]
        if self.needing:
            parts += [("only ", QUIET), ("those that need you", "bold"), "  "]
        return [line(look, look.width, *parts, (f"{count} found", QUIET))]


def fleet_lines(known: Sequence[Told], look: Look, finder: Finder, trouble: str = "") -> list[Text]:
    """What `look.width` × `look.height` cells show of the units; `look.chosen` is the name of the chosen one.

    `trouble` says why nothing comes from the broker.
    """
    shown = finder.found(known)
    head = [_banner(known, look, trouble)]
    head += [line(look, look.width, "  ", row) for row in wrapped(trouble, look.width - 3) if row]
    head += finder.words(look, len(shown))
    foot = [key_row(look, _KEYS)] if look.keys else []
    room = max(2, look.height - len(head) - len(foot))
    loud, quiet = [one for one in shown if not one.quiet], [one for one in shown if one.quiet]
    body = _windowed(_loud_rows(loud, look), _crowd(quiet, look), room, look)
    blank = [Text()] * (room - len(body)) if look.keys else []
    return [*head, *body, *blank, *foot][: look.height]


def unit_lines(unit: UnitSeen, look: Look) -> list[Text]:
    """One unit as its own dashboard shows it, below its name; without keys, which would act on another machine."""
    own = replace(look, height=look.height - 2, stale_seconds=unit.stale_seconds, keys=False, chosen="")
    body = screen_lines(unit.snapshot, own)
    blank = [Text()] * (look.height - 2 - len(body))
    return [line(look, look.width, "  ", (unit.name, "bold")), *body, *blank, key_row(look, _KEYS_INSIDE)]


def fleet_words(known: Sequence[Told]) -> list[str]:
    """The same as plain lines, one a unit."""
    width = max((cell_len(one.name) for one in known), default=0)
    return [f"{one.name:<{width}}  {one.answer.sentence}" for one in known]


def _banner(known: Sequence[Told], look: Look, trouble: str) -> Text:
    if trouble:
        return plate(look, "NO BROKER: look at the chicks yourself", "", "", PLATE_STYLES[Tone.STALE])
    needing = [one for one in known if one.needs_a_person]
    if not known:
        says = "NO UNIT HAS SPOKEN YET"
    elif needing:
        need = "NEEDS" if len(needing) == 1 else "NEED"
        says = f"{len(needing)} OF {len(known)} {need} YOU, {needing[0].name} first"
    else:
        says = f"ALL {len(known)} UNITS ARE RIGHT" if len(known) > 1 else "THE ONLY UNIT IS RIGHT"
    offline = sum(one.offline for one in known)
    style = PLATE_STYLES[known[0].answer.tone if known else Tone.WAIT]
    return plate(look, says, "", f"{offline} offline" if offline else "", style)


_Row: TypeAlias = tuple[tuple[str, ...], Text]
"""The units that a line shows, and the line."""


def _marked(name: str, width: int, style: str, look: Look) -> list[tuple[str, str]]:
    """A name in `width` cells, with its mark where it is the chosen one."""
    if name != look.chosen:
        return [("  ", ""), (set_cell_size(name, width), style)]
    return [(f"{look.glyphs.chosen} ", "bold"), (set_cell_size(name, width), "bold reverse")]


def _loud_rows(loud: list[Told], look: Look) -> list[_Row]:
    """One line a unit."""
    width = min(24, max((cell_len(one.name) for one in loud), default=0))
    rows: list[_Row] = []
    for one in loud:
        style = "bold" if one.offline else BIG_STYLES[one.answer.tone]
        also = f" · {one.answer.also}" if one.answer.also else ""
        said = ("  ", (one.answer.sentence, style), (also, QUIET))
        rows.append(((one.name,), line(look, look.width, *_marked(one.name, width, "bold", look), *said)))
    return rows


def _crowd(quiet: list[Told], look: Look) -> list[_Row]:
    """Names with temperatures, as many in a line as fit."""
    values = {one.name: _temperatures(one) for one in quiet}
    names = min(20, max(map(cell_len, values), default=0))
    wide = min(12, max(map(cell_len, values.values()), default=0))
    columns = max(1, (look.width - 2) // (2 + names + 1 + wide + _GAP))
    rows: list[_Row] = []
    for start in range(0, len(quiet), columns):
        parts: list[tuple[str, str]] = []
        some = tuple(values)[start : start + columns]
        for name in some:
            value = set_cell_size(values[name], wide)
            parts += [*_marked(name, names, "", look), (f" {value}{' ' * _GAP}", QUIET)]
        rows.append((some, line(look, look.width, *parts)))
    return rows


def _temperatures(one: Told) -> str:
    celsius = (brooder.celsius for brooder in one.unit.snapshot.brooders)
    return " ".join("--.-" if each is None else f"{each:.1f}" for each in celsius)


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
