"""The dashboard: a pure function from a snapshot to the lines of a screen.

Made for a tired keeper who glances from two metres. The first line answers the question of the moment, large letters
repeat it where there is room; below, each place has a ruler (see `ruler`). Nothing is boxed and nothing is coloured
while all is right; what needs a hand gets a plate. The amount shown follows from the height: of `_LAYOUTS` the first
that fits is taken, so alarms and answers go last and decoration first; the rows that are left become tracks.
"""

from dataclasses import replace

from rich.console import Group
from rich.text import Text

from sensord.screens.chick_words import next_feed_words
from sensord.screens.page import (
    BIG_STYLES,
    PLATE_STYLES,
    Look,
    key_row,
    letters,
    letters_width,
    line,
    plate,
    side_by_side,
    wrapped,
)
from sensord.screens.panels import alarm_rows, chick_rows, probe_rows, trouble_rows
from sensord.screens.places import Layout, place_rows
from sensord.screens.words import Answer, Tone, answer, clock_time
from sensord.watch.effects import DishState
from sensord.watch.views import BrooderView, DishView, Snapshot

_TWO_COLUMNS = 150
_VERY_LARGE = 120
_GAP = 6

# Each with the most tracks that its places may have.
_LAYOUTS = (
    (Layout(letters=2, tracks=3, alarms=9, probes=True), 10),
    (Layout(letters=1, tracks=4, alarms=9, probes=True), 6),
    (Layout(letters=1, tracks=1), 4),
    (Layout(letters=1, tracks=1, words=False), 1),
    (Layout(letters=0, tracks=1, air=False), 1),
    (Layout(letters=0, tracks=0, words=False, air=False), 1),
    (Layout(letters=1, slim=True), 0),
    (Layout(letters=0, slim=True, air=False), 0),
    (Layout(letters=0, slim=True, alarms=1, air=False, chicks=False), 0),
)


def dashboard(snapshot: Snapshot, look: Look) -> Group:
    """What `look.width` × `look.height` cells show of a snapshot."""
    return Group(*screen_lines(snapshot, look))


def waiting(trouble: str, look: Look) -> Group:
    """The screen before the first snapshot, with the reason why there is none where it is known."""
    rows = [plate(look, "NO DATA YET: look at the chicks yourself", "", "", PLATE_STYLES[Tone.STALE]), Text()]
    rows += [line(look, look.width, "  ", row) for row in wrapped(trouble, look.width - 3) if row]
    return Group(*_filled(rows, _foot(look), look))


def screen_lines(snapshot: Snapshot, look: Look) -> list[Text]:
    """The lines of the dashboard, at most `look.height` of them, each at most `look.width` cells wide."""
    said = answer(snapshot, look.stale_seconds, look.zone)
    foot = _foot(look)
    room = look.height - len(foot)
    if look.help:
        return _filled([_banner(said, snapshot, look), *_help(look)], foot, look)
    blocks: list[list[Text]] = []
    for layout, most_tracks in _LAYOUTS:
        blocks = _blocks(snapshot, said, look, layout)
        spare = room - _needed(blocks, layout)
        if spare >= 0:
            more = min(most_tracks - layout.tracks, spare // (_rulers(snapshot, look) or 1))
            if more > 0:
                blocks = _blocks(snapshot, said, look, replace(layout, tracks=layout.tracks + more))
            return _filled(_spaced(blocks, room), foot, look)
    body = [row for block in blocks for row in block]
    left_out = len(body) - room + 1
    told = line(look, look.width, (f"  … {left_out} more lines in a taller window", "bold"))
    return [*body[: room - 1], told, *foot]


def _needed(blocks: list[list[Text]], layout: Layout) -> int:
    return sum(map(len, blocks)) + (len(blocks) - 1 if layout.air else 0)


def _rulers(snapshot: Snapshot, look: Look) -> int:
    """How many rulers stand one below the other: what one more track for each takes."""
    number = len(snapshot.brooders) + sum(dish.state is not DishState.AWAY for dish in snapshot.dishes)
    return -(-number // 2) if look.width >= _TWO_COLUMNS else number


def _filled(body: list[Text], foot: list[Text], look: Look) -> list[Text]:
    """The foot at the bottom of the screen, where a keyboard is in use; right below otherwise."""
    room = look.height - len(foot)
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


def _blocks(snapshot: Snapshot, said: Answer, look: Look, layout: Layout) -> list[list[Text]]:
    blocks = [
        [_banner(said, snapshot, look)],
        _large(said, look, layout),
        alarm_rows(snapshot, look, layout.alarms),
        *_places(snapshot, look, layout),
        trouble_rows(snapshot, look),
        chick_rows(snapshot, look, layout.probes) if layout.chicks else [],
        probe_rows(snapshot, look, layout.probes) if layout.air else [],
    ]
    return [block for block in blocks if block]


def _banner(said: Answer, snapshot: Snapshot, look: Look) -> Text:
    also = said.also or (next_feed_words(snapshot, look.zone) if said.tone is Tone.RIGHT else "")
    time = "" if look.stale_seconds is not None else clock_time(snapshot, look.zone) or "clock not set"
    return plate(look, said.sentence, also, time, PLATE_STYLES[said.tone])


def _large(said: Answer, look: Look, layout: Layout) -> list[Text]:
    """The first of the shouts that fits, in the largest letters."""
    largest = layout.letters if look.width >= _VERY_LARGE else min(layout.letters, 1)
    for scale in range(largest, 0, -1):
        for shout in said.shouts:
            if letters_width(shout, scale) <= look.width - 4:
                rows = letters(shout, look.glyphs, scale)
                return [line(look, look.width, "  ", (row, BIG_STYLES[said.tone])) for row in rows]
    return []


def _places(snapshot: Snapshot, look: Look, layout: Layout) -> list[list[Text]]:
    """A block for each place, or for each pair of them in a wide window; one block where each has but a row."""
    views: list[BrooderView | DishView] = [*snapshot.brooders, *snapshot.dishes]
    two = look.width >= _TWO_COLUMNS and len(views) > 1
    width = (look.width - _GAP) // 2 if two else look.width
    blocks = [place_rows(view, snapshot, look, layout, width) for view in views]
    if two:
        pairs = [(blocks[at], blocks[at + 1] if at + 1 < len(blocks) else []) for at in range(0, len(blocks), 2)]
        blocks = [side_by_side(left, right, width, _GAP) for left, right in pairs]
    return [[row for block in blocks for row in block]] if layout.slim else blocks


def _foot(look: Look) -> list[Text]:
    rows = [line(look, look.width, "  ", (look.remark, "bold"))] if look.remark else []
    if look.keys:
        shelve = f"shelve {look.chosen}".rstrip()
        keys = (("a", "acknowledge"), ("s", shelve), ("p", "pause"), ("b", "new bowl"))
        rows.append(key_row(look, (*keys, ("tab", "next"), ("?", "help"), ("q", "quit"))))
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
    rows = [Text()]
    for key, does in HELP:
        first, *more = wrapped(does, look.width - 9)
        rows.append(line(look, look.width, (f"  {key:<5}", "bold"), first))
        rows += [line(look, look.width, "       ", row) for row in more]
    glyphs = look.glyphs
    for drawn, means in (
        (
            f"{glyphs.left_end}{glyphs.whisker}{glyphs.mark}{glyphs.whisker}{glyphs.right_end}",
            "the reading, with its uncertainty to both sides",
        ),
        (glyphs.estimate, "where the paste is by estimate, ahead of the slow probe"),
        (glyphs.full * 3 if not glyphs.only_ascii else "[=]", "the band: between its ends all is well"),
        (glyphs.upper + glyphs.lower, "the tracks: where it was before, newest first"),
        (glyphs.burn * 3, "burns the crop"),
        ("! !! !!!", "low, medium and high priority"),
    ):
        rows.append(line(look, look.width, (f"  {drawn:<9}", "bold"), means))
    return rows
