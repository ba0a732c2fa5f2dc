"""The sheet that the dashboard is written on: its size, its characters, and how a line is put on it."""

from dataclasses import dataclass
from datetime import UTC, tzinfo

from rich.cells import cell_len, set_cell_size
from rich.text import Text

from sensord.screens.glyphs import BLOCKS, Glyphs
from sensord.screens.words import Tone
from sensord.watch.effects import Priority

__all__ = ["BIG_STYLES", "PLATE_STYLES", "PRIORITY_STYLES", "Look", "line", "plate", "side_by_side", "wrapped"]

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
