"""Text from outside as it may reach a terminal, the journal, a page or a spreadsheet: one line of what can be seen.

Names, marks and notes come from the network, from files and from whoever imports them. Some characters do something
where they are shown: they move the cursor, turn the direction of what stands beside them, begin a new line of a log, or
cannot be seen at all. None of them gets out of here.
"""

import re
from collections.abc import Iterator
from typing import TypeAlias

Where: TypeAlias = tuple[str | int, ...]

_SHOWN_INSTEAD = "\N{REPLACEMENT CHARACTER}"
# What a spreadsheet takes for a formula or a command, however many marks of ours it has in front already.
_FORMULA = re.compile(r"'*\s*[=+\-@|%\uFF1D\uFF0B\uFF0D\uFF20]")


def plain_text(text: str) -> str:
    """`text` on one line: a space for each kind of white space, the replacement character for what cannot be seen.

    Unicode categories Cc, Cf (direction marks), Cs, Co, Cn, Zl and Zp, and of Zs all but the plain space, go.
    """
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else " " if c.isspace() else _SHOWN_INSTEAD for c in text)


def unseen_in(data: object, where: Where = ()) -> Iterator[tuple[Where, str]]:
    """Each text of parsed TOML or JSON that holds what cannot be seen: where it stands, and what is wrong with it."""
    if isinstance(data, dict):
        for key, value in data.items():
            yield from unseen_in(value, (*where, key))
    elif isinstance(data, list):
        for number, value in enumerate(data):
            yield from unseen_in(value, (*where, number))
    elif isinstance(data, str) and not data.isprintable():
        first = next(each for each in data if not each.isprintable())
        yield where, f"holds a character that cannot be seen (U+{ord(first):04X}): write it anew, on one line"


def sheet_text(text: str) -> str:
    """`text` as a field of a CSV that a spreadsheet may open: with `'` before what it would take for a formula."""
    return f"'{text}" if _FORMULA.match(text) else text


def from_sheet(text: str) -> str:
    """What `sheet_text` was given."""
    return text[1:] if text.startswith("'") and _FORMULA.match(text) else text
