"""The dashboard: a pure function from a snapshot to the lines of a screen.

Made for a tired keeper who glances from two metres. The first line answers the question of the moment, large letters
repeat it where there is room; below, each place has a ruler (see `ruler`). Nothing is boxed and nothing is coloured
while all is right; what needs a hand gets a plate. The amount shown follows from the height: of the plans in `_PLANS`
the first that fits is taken, so alarms and answers go last and decoration first.
"""

from dataclasses import dataclass

from rich.console import Group
from rich.text import Text

from sensord.screens.chick_rows import chick_rows, next_feed_words
from sensord.screens.glyphs import letters, letters_width
from sensord.screens.page import BIG_STYLES, PLATE_STYLES, Look, line, plate, side_by_side, wrapped
from sensord.screens.places import PlacePlan, place_rows
from sensord.screens.ruler import QUIET
from sensord.screens.troubles import alarm_rows, probe_rows, trouble_rows
from sensord.screens.words import (
    Answer,
    Tone,
    answer,
    clock_time,
)
from sensord.watch.effects import DishState
from sensord.watch.views import BrooderView, DishView, Snapshot

__all__ = ["HELP", "dashboard", "screen_lines", "waiting"]

_TWO_COLUMNS = 150
_VERY_LARGE = 120
_GAP = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plan:
    """How much is shown: scale of the large letters (0 none), places, alarms in full, probes one by one, chicks."""

    letters: int
    place: PlacePlan
    alarms: int = 3
    probes: bool = False
    air: bool = True
    chicks: bool = True


_PLANS = (
    _Plan(letters=2, place=PlacePlan(10, figures=2), alarms=9, probes=True),
    _Plan(letters=2, place=PlacePlan(8, figures=2), alarms=9, probes=True),
    _Plan(letters=2, place=PlacePlan(6, figures=2), alarms=9, probes=True),
    _Plan(letters=2, place=PlacePlan(4, figures=2), alarms=9, probes=True),
    _Plan(letters=2, place=PlacePlan(3, figures=2), alarms=9),
    _Plan(letters=1, place=PlacePlan(6), alarms=9, probes=True),
    _Plan(letters=1, place=PlacePlan(4), alarms=9, probes=True),
    _Plan(letters=1, place=PlacePlan(4), alarms=9),
    _Plan(letters=1, place=PlacePlan(3)),
    _Plan(letters=1, place=PlacePlan(2)),
    _Plan(letters=1, place=PlacePlan(1)),
    _Plan(letters=1, place=PlacePlan(1, words=False)),
    _Plan(letters=0, place=PlacePlan(1)),
    _Plan(letters=0, place=PlacePlan(1), air=False),
    _Plan(letters=0, place=PlacePlan(1, words=False), air=False),
    _Plan(letters=0, place=PlacePlan(0, words=False), air=False),
    _Plan(letters=1, place=PlacePlan(slim=True)),
    _Plan(letters=0, place=PlacePlan(slim=True)),
    _Plan(letters=0, place=PlacePlan(slim=True), air=False),
    _Plan(letters=0, place=PlacePlan(slim=True), alarms=1, air=False),
    _Plan(letters=0, place=PlacePlan(slim=True), alarms=1, air=False, chicks=False),
)


def dashboard(snapshot: Snapshot, look: Look) -> Group:
    """What `look.width` × `look.height` cells show of a snapshot."""
    return Group(*screen_lines(snapshot, look))


def waiting(trouble: str, look: Look) -> Group:
    """The screen before the first snapshot, with the reason why there is none where it is known."""
    rows = [plate(look, "NO DATA YET: look at the chicks yourself", "", "", PLATE_STYLES[Tone.STALE]), Text()]
    rows += [line(look, look.width, "  ", row) for row in wrapped(trouble, look.width - 3) if row]
    return Group(*_filled(rows, _foot(look), look.height - len(_foot(look)), look))


def screen_lines(snapshot: Snapshot, look: Look) -> list[Text]:
    """The lines of the dashboard, at most `look.height` of them, each at most `look.width` cells wide."""
    said = answer(snapshot, look.stale_seconds, look.zone)
    foot = _foot(look)
    room = look.height - len(foot)
    if look.help:
        return _filled([_banner(said, snapshot, look), *_help(look)], foot, room, look)
    body: list[Text] = []
    for plan in _PLANS:
        if _rows_at_least(snapshot, look, plan) > room:
            continue  # not worth the drawing
        blocks = [block for block in _blocks(snapshot, said, look, plan) if block]
        needed = sum(map(len, blocks)) + (len(blocks) - 1 if plan.air else 0)
        if needed <= room:
            return _filled(_spaced(blocks, room), foot, room, look)
        body = [row for block in blocks for row in block]
    left_out = len(body) - room + 1
    told = line(look, look.width, (f"  … {left_out} more lines in a taller window", "bold"))
    return [*body[: room - 1], told, *foot]


def _rows_at_least(snapshot: Snapshot, look: Look, plan: _Plan) -> int:
    """A lower bound of what a plan takes: the first line and, for each ruler, what hangs on it."""
    if plan.place.slim:
        return 0
    rulers = len(snapshot.brooders) + sum(dish.state is not DishState.AWAY for dish in snapshot.dishes)
    columns = 2 if look.width >= _TWO_COLUMNS else 1
    words = plan.place.words and look.stale_seconds is None
    return 1 + -(-rulers // columns) * (3 + plan.place.tracks + words + plan.air)


def _filled(body: list[Text], foot: list[Text], room: int, look: Look) -> list[Text]:
    """The foot at the bottom of the screen, where a keyboard is in use; right below otherwise."""
    blank = [Text()] * (room - len(body)) if look.keys else []
    return [*body[:room], *blank, *foot]


def _spaced(blocks: list[list[Text]], room: int) -> list[Text]:
    """The blocks with an empty line between them, as far as there is room."""
    spare = room - sum(map(len, blocks))
    rows = list(blocks[0])
    for number, block in enumerate(blocks[1:]):
        rows += [Text()] if number < spare else []
        rows += block
    return rows


def _blocks(snapshot: Snapshot, said: Answer, look: Look, plan: _Plan) -> list[list[Text]]:
    return [
        [_banner(said, snapshot, look)],
        _large(said, look, plan),
        alarm_rows(snapshot, look, plan.alarms),
        *_places(snapshot, look, plan),
        trouble_rows(snapshot, look),
        chick_rows(snapshot, look, plan.probes) if plan.chicks else [],
        probe_rows(snapshot, look, plan.probes) if plan.air else [],
    ]


def _banner(said: Answer, snapshot: Snapshot, look: Look) -> Text:
    also = said.also or (next_feed_words(snapshot, look.zone) if said.tone is Tone.RIGHT else "")
    time = "" if look.stale_seconds is not None else clock_time(snapshot, look.zone) or "clock not set"
    return plate(look, said.sentence, also, time, PLATE_STYLES[said.tone])


def _large(said: Answer, look: Look, plan: _Plan) -> list[Text]:
    if not plan.letters:
        return []
    largest = plan.letters if look.width >= _VERY_LARGE else 1
    choices = [(shout, scale) for scale in range(largest, 0, -1) for shout in said.shouts]
    fitting = [(shout, scale) for shout, scale in choices if letters_width(shout, scale) <= look.width - 4]
    if not fitting:
        return []
    shout, scale = fitting[0]
    rows = letters(shout, look.glyphs, scale)
    return [line(look, look.width, "  ", (row, BIG_STYLES[said.tone])) for row in rows]


def _places(snapshot: Snapshot, look: Look, plan: _Plan) -> list[list[Text]]:
    """A block for each place, or for each pair of them in a wide window; one block where each has but a row."""
    views: list[BrooderView | DishView] = [*snapshot.brooders, *snapshot.dishes]
    two = look.width >= _TWO_COLUMNS and len(views) > 1
    width = (look.width - _GAP) // 2 if two else look.width
    blocks = [place_rows(view, snapshot, look, plan.place, width) for view in views]
    if two:
        pairs = [(blocks[at], blocks[at + 1] if at + 1 < len(blocks) else []) for at in range(0, len(blocks), 2)]
        blocks = [side_by_side(left, right, width, _GAP) for left, right in pairs]
    return [[row for block in blocks for row in block]] if plan.place.slim else blocks


def _foot(look: Look) -> list[Text]:
    rows = [line(look, look.width, "  ", (look.remark, "bold"))] if look.remark else []
    if look.keys:
        where = f" {look.chosen}" if look.chosen else ""
        keys = (("a", "acknowledge"), ("s", f"shelve{where}"), ("p", "pause"), ("b", "new bowl"))
        more = (("tab", "next"), ("?", "help"), ("q", "quit"))
        parts: list[str | tuple[str, str]] = []
        for key, does in (*keys, *more):
            parts += ["  ", (key, "bold"), (f" {does}", QUIET)]
        rows.append(line(look, look.width, *parts))
    return rows


HELP = (
    ("a", "acknowledge every alarm: the sound stops, the alarm stays on the screen until its cause is gone"),
    ("s", "shelve the alarms of the chosen place for a few minutes, for example while the lid is open"),
    ("r", "let go of an alarm that is held until reset, once its cause is gone"),
    ("p", "pause the sound; a new or worse alarm ends the pause"),
    ("b", "a new bowl was mixed: uptake and age count from now"),
    ("tab", "choose the next place; the arrow keys do it too"),
    ("?", "this page"),
    ("q", "quit; the watch goes on without the dashboard"),
)


def _help(look: Look) -> list[Text]:
    glyphs = look.glyphs
    rows = [Text()]
    for key, does in HELP:
        first, *more = wrapped(does, look.width - 9)
        rows.append(line(look, look.width, (f"  {key:<5}", "bold"), first))
        rows += [line(look, look.width, "       ", row) for row in more]
    whiskers = f"{glyphs.left_end}{glyphs.whisker}{glyphs.mark}{glyphs.whisker}{glyphs.right_end}"
    for drawn, means in (
        (whiskers, "the reading, with its uncertainty to both sides"),
        (glyphs.estimate, "where the paste is by estimate, ahead of the slow probe"),
        (glyphs.full * 3 if not glyphs.only_ascii else "[=]", "the band: between its ends all is well"),
        (glyphs.upper + glyphs.lower, "the tracks: where it was before, newest first"),
        (glyphs.burn * 3, "burns the crop"),
        ("! !! !!!", "low, medium and high priority"),
    ):
        rows.append(line(look, look.width, (f"  {drawn:<9}", "bold"), means))
    return rows
