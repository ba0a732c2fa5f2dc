"""The sheet that the dashboard is written on: its size, its characters, and how a line is put on it.

Only characters that a Pi's own text console has too (the old CP437 repertoire), none of them emoji or wider than one
cell; ASCII where the terminal cannot show even those.
"""

from dataclasses import dataclass
from datetime import UTC, tzinfo

from rich.cells import cell_len, set_cell_size
from rich.text import Text

from sensord.screens.words import Tone
from sensord.texts import plain_text
from sensord.watch.cues import Priority

QUIET = "dim"
# Nothing is coloured while all is right. A plate (reversed) means that a hand is needed.
PLATE_STYLES = {
    Tone.READY: "bold reverse green",
    Tone.RIGHT: "bold",
    Tone.WAIT: "bold",
    Tone.LOW: "bold cyan",
    Tone.MEDIUM: "bold reverse yellow",
    Tone.HIGH: "bold reverse bright_red",
    Tone.STALE: "bold reverse",
}
BIG_STYLES = {
    Tone.READY: "green",
    Tone.RIGHT: "default",
    Tone.WAIT: "default",
    Tone.LOW: "cyan",
    Tone.MEDIUM: "yellow",
    Tone.HIGH: "bright_red",
    Tone.STALE: "default",
}
PRIORITY_STYLES = {Priority.LOW: "cyan", Priority.MEDIUM: "yellow", Priority.HIGH: "bright_red"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Glyphs:
    """One set of characters, each one cell wide; `upper`, `lower` and `full` fill halves of a cell or all of it."""

    upper: str
    lower: str
    full: str
    line: str
    burn: str
    wall: str
    mark: str
    estimate: str
    whisker: str
    left_end: str
    right_end: str
    beyond_left: str
    beyond_right: str
    band_left: str
    band_right: str
    chosen: str
    only_ascii: bool = False

    def say(self, text: str) -> str:
        """`text` as this set can show it: one line, nothing that would move the cursor."""
        shown = plain_text(text)
        if not self.only_ascii:
            return shown
        for character, instead in _INSTEAD.items():
            shown = shown.replace(character, instead)
        return shown.encode("ascii", "replace").decode()


_INSTEAD = {
    " °C": " C", "°C": " C", "°": " deg", "±": "+/-", "–": "-", "—": "-", "·": "|", "…": "...", "→": "->",
    "×": "x", "≤": "<=", "≥": ">=", "½": ".5", "’": "'", "“": '"', "”": '"', "Ω": "Ohm", "µ": "u",
}  # fmt: skip

BLOCKS = Glyphs(
    upper="▀", lower="▄", full="█", line="─", burn="═", wall="│", mark="▼", estimate="○", whisker="─",
    left_end="├", right_end="┤", beyond_left="◄", beyond_right="►", band_left="█", band_right="█", chosen="►",
)  # fmt: skip
ASCII = Glyphs(
    upper="*", lower="*", full="*", line=".", burn="=", wall="|", mark="V", estimate="e", whisker="-",
    left_end="<", right_end=">", beyond_left="<", beyond_right=">", band_left="[", band_right="]", chosen=">",
    only_ascii=True,
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """How a snapshot is to be shown: the size in cells, the characters, and where the keeper is in it.

    `stale_seconds` is the age of the snapshot where no newer one came; `zone` the keeper's time zone; `chosen` the
    place that keys act on; `remark` what came of the last key; `keys` whether keys are read at all.
    """

    width: int = 80
    height: int = 24
    glyphs: Glyphs = BLOCKS
    zone: tzinfo = UTC
    chosen: str = ""
    stale_seconds: float | None = None
    remark: str = ""
    keys: bool = False
    help: bool = False


def line(look: Look, width: int, *parts: str | tuple[str, str]) -> Text:
    """One line from pieces of text, each plain or with its style; what does not fit is cut off."""
    row = Text(no_wrap=True)
    for part in parts:
        text, style = (part, "") if isinstance(part, str) else part
        row.append(look.glyphs.say(text), style)
    row.truncate(width, overflow="crop" if look.glyphs.only_ascii else "ellipsis")
    return row


def plate(look: Look, left: str, also: str, right: str, style: str) -> Text:
    """A line across the whole width; `also` and `right` at its end are left out where there is no room.

    An `also` that tells of an alarm stays rather than `right`.
    """
    also = look.glyphs.say(f" · {also}") if also else ""
    left, right = f" {look.glyphs.say(left)}", f" {look.glyphs.say(right)} "
    room = look.width - cell_len(right)
    if cell_len(left) + cell_len(also) <= (look.width if "!" in also else room):
        left += also
    text = set_cell_size(left, room) + right if cell_len(left) <= room else left
    return line(look, look.width, (set_cell_size(text, look.width), style))


def wrapped(text: str, width: int) -> list[str]:
    """`text` broken at spaces into lines of `width` cells; a longer word is cut."""
    rows = [""]
    for word in text.split():
        longer = f"{rows[-1]} {word}" if rows[-1] else word
        if cell_len(longer) <= width:
            rows[-1] = longer
        elif rows[-1]:
            rows.append(set_cell_size(word, width) if cell_len(word) > width else word)
        else:
            rows[-1] = set_cell_size(word, width)
    return rows


def side_by_side(left: list[Text], right: list[Text], width: int, gap: int) -> list[Text]:
    """Two columns, the left one `width` cells wide."""
    rows = []
    for index in range(max(len(left), len(right))):
        row = left[index].copy() if index < len(left) else Text(no_wrap=True)
        if index < len(right):
            row.pad_right(max(0, width + gap - row.cell_len))
            row.append_text(right[index])
        rows.append(row)
    return rows


def key_row(look: Look, keys: tuple[tuple[str, str], ...]) -> Text:
    """The last line of a screen: which key does what."""
    return line(look, look.width, *(part for key, does in keys for part in ("  ", (key, "bold"), (f" {does}", QUIET))))


# What is in the row above, drawn below it, each character five dots high.
_DRAWN = """
ABCDEFGHIJKLM
 ## |### | ###|### |####|####| ###|#  #|#|   #|#  #|#   |#   #|
#  #|#  #|#   |#  #|#   |#   |#   |#  #|#|   #|# # |#   |## ##|
####|### |#   |#  #|### |### |# ##|####|#|   #|##  |#   |# # #|
#  #|#  #|#   |#  #|#   |#   |#  #|#  #|#|#  #|# # |#   |#   #|
#  #|### | ###|### |####|#   | ###|#  #|#| ## |#  #|####|#   #|
NOPQRSTUVWXYZ
#  #| ## |### | ## |### | ###|#####|#  #|#   #|#   #|#   #|#   #|####|
## #|#  #|#  #|#  #|#  #|#   |  #  |#  #|#   #|#   #| # # | # # |  # |
# ##|#  #|### |#  #|### | ## |  #  |#  #| # # |# # #|  #  |  #  | #  |
#  #|#  #|#   |# ##|# # |   #|  #  |#  #| # # |## ##| # # |  #  |#   |
#  #| ## |#   | ###|#  #|### |  #  | ## |  #  |#   #|#   #|  #  |####|
0123456789.:-? |
 ## | # |### |### |#  #|####| ## |####| ## | ## | | |  |### |  |
#  #|## |   #|   #|#  #|#   |#   |   #|#  #|#  #| |#|  |   #|  |
#  #| # | ## | ## |####|### |### |  # | ## | ###| | |##| ## |  |
#  #| # |#   |   #|   #|   #|#  #| #  |#  #|   #| |#|  |    |  |
 ## |###|####|### |   #|### | ## | #  | ## | ## |#| |  | #  |  |
"""
_DOTS_HIGH = 5


def _font() -> dict[str, list[str]]:
    rows = [row.removesuffix("|") for row in _DRAWN.strip().splitlines()]
    blocks = [rows[start : start + 1 + _DOTS_HIGH] for start in range(0, len(rows), 1 + _DOTS_HIGH)]
    return {
        character: list(dots)
        for names, *drawn in blocks
        for character, *dots in zip(names, *(row.split("|") for row in drawn), strict=True)
    }


_LETTERS = _font()


def _dots(text: str) -> list[str]:
    drawn = [_LETTERS.get(character, _LETTERS["?"]) for character in text.upper()]
    return [" ".join(letter[row] for letter in drawn) for row in range(_DOTS_HIGH)]


def letters_width(text: str, scale: int) -> int:
    """Cells that `letters` takes at `scale`."""
    return len(_dots(text)[0]) * scale


def letters(text: str, glyphs: Glyphs, scale: int = 1) -> list[str]:
    """`text` in capitals, three lines high at scale 1 (five in ASCII), five lines high and twice as wide at scale 2."""
    rows = _dots(text)
    if scale > 1 or glyphs.only_ascii:
        return ["".join((glyphs.full if dot == "#" else " ") * scale for dot in row) for row in rows]
    pairs = [(rows[row], rows[row + 1] if row + 1 < _DOTS_HIGH else " " * len(rows[0])) for row in range(0, 5, 2)]
    halves = {"##": glyphs.full, "# ": glyphs.upper, " #": glyphs.lower, "  ": " "}
    return ["".join(halves[top + bottom] for top, bottom in zip(*pair, strict=True)) for pair in pairs]
