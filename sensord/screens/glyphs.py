"""The few characters that the dashboard draws with, and its large letters.

Only characters that a Pi's own text console has too (the old CP437 repertoire), none of them emoji or wider than one
cell; ASCII where the terminal cannot show even those.
"""

from dataclasses import dataclass

__all__ = ["ASCII", "BLOCKS", "Glyphs", "letters", "letters_width"]


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
        shown = "".join(character if character.isprintable() else " " for character in text)
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
    upper="▀",
    lower="▄",
    full="█",
    line="─",
    burn="═",
    wall="│",
    mark="▼",
    estimate="○",
    whisker="─",
    left_end="├",
    right_end="┤",
    beyond_left="◄",
    beyond_right="►",
    band_left="█",
    band_right="█",
    chosen="►",
)
ASCII = Glyphs(
    upper="*",
    lower="*",
    full="*",
    line=".",
    burn="=",
    wall="|",
    mark="V",
    estimate="e",
    whisker="-",
    left_end="<",
    right_end=">",
    beyond_left="<",
    beyond_right=">",
    band_left="[",
    band_right="]",
    chosen=">",
    only_ascii=True,
)

# Five dots high, a dot is '#', rows parted by '/'.
_LETTERS = {
    "A": " ## /#  #/####/#  #/#  #",
    "B": "### /#  #/### /#  #/### ",
    "C": " ###/#   /#   /#   / ###",
    "D": "### /#  #/#  #/#  #/### ",
    "E": "####/#   /### /#   /####",
    "F": "####/#   /### /#   /#   ",
    "G": " ###/#   /# ##/#  #/ ###",
    "H": "#  #/#  #/####/#  #/#  #",
    "I": "#/#/#/#/#",
    "J": "   #/   #/   #/#  #/ ## ",
    "K": "#  #/# # /##  /# # /#  #",
    "L": "#   /#   /#   /#   /####",
    "M": "#   #/## ##/# # #/#   #/#   #",
    "N": "#  #/## #/# ##/#  #/#  #",
    "O": " ## /#  #/#  #/#  #/ ## ",
    "P": "### /#  #/### /#   /#   ",
    "Q": " ## /#  #/#  #/# ##/ ###",
    "R": "### /#  #/### /# # /#  #",
    "S": " ###/#   / ## /   #/### ",
    "T": "#####/  #  /  #  /  #  /  #  ",
    "U": "#  #/#  #/#  #/#  #/ ## ",
    "V": "#   #/#   #/ # # / # # /  #  ",
    "W": "#   #/#   #/# # #/## ##/#   #",
    "X": "#   #/ # # /  #  / # # /#   #",
    "Y": "#   #/ # # /  #  /  #  /  #  ",
    "Z": "####/  # / #  /#   /####",
    "0": " ## /#  #/#  #/#  #/ ## ",
    "1": " # /## / # / # /###",
    "2": "### /   #/ ## /#   /####",
    "3": "### /   #/ ## /   #/### ",
    "4": "#  #/#  #/####/   #/   #",
    "5": "####/#   /### /   #/### ",
    "6": " ## /#   /### /#  #/ ## ",
    "7": "####/   #/  # / #  / #  ",
    "8": " ## /#  #/ ## /#  #/ ## ",
    "9": " ## /#  #/ ###/   #/ ## ",
    ".": " / / / /#",
    ":": " /#/ /#/ ",
    "-": "  /  /##/  /  ",
    "?": "### /   #/ ## /    / #  ",
    " ": "  /  /  /  /  ",
}  # fmt: skip
_DOTS_HIGH = 5


def _dots(text: str) -> list[str]:
    drawn = [_LETTERS.get(character, _LETTERS["?"]).split("/") for character in text.upper()]
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
