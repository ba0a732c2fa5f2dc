"""`sensord checkup`: is everything in order, from the wires to the broker, and what is to be done where it is not?

Changes nothing. Exit code 0 when all is well (points worth a look may remain), 1 when something has to be mended.
"""

import argparse
import json
import os
import shutil
import sys
import textwrap
from collections.abc import Callable, Iterable
from pathlib import Path

from sensord.checks.checking import SECTIONS, CheckSection, check_all, well
from sensord.checks.pin_check import Person, asked
from sensord.checks.site import CheckFinding, Grade, Machine, Site
from sensord.commands.terminal import fitting_glyphs
from sensord.config import DEFAULT_PATH
from sensord.errors import DataError
from sensord.screens.page import BLOCKS
from sensord.texts import plain_text

_MARKS = {Grade.OK: "✓", Grade.WARN: "!", Grade.BAD: "✗"}
_PLAIN_MARKS = {Grade.OK: "ok  ", Grade.WARN: "look", Grade.BAD: "MEND"}
_COLOURS = {Grade.OK: "32", Grade.WARN: "33", Grade.BAD: "31;1"}


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--config", type=Path, metavar="FILE", help=f"default: {DEFAULT_PATH}")
    parser.add_argument(
        "--ask", action="store_true", help="also ask you to listen to the buzzer and to press the buttons"
    )
    parser.add_argument("--json", action="store_true", help="findings as JSON, for programs")
    parser.add_argument("--one-wire-root", type=Path, metavar="DIR", help="another tree of the kernel's shape")
    parser.add_argument("--root", type=Path, default=Path("/"), metavar="DIR", help="where the Pi's file system begins")


def run(options: argparse.Namespace) -> int:
    if not options.root.is_dir():
        raise DataError(f"--root {options.root}: is no folder: give the one that holds etc, dev and sys")
    if options.ask and (options.json or not sys.stdin.isatty()):
        raise DataError("--ask: needs a terminal to ask at: leave out --json, and do not redirect the input")
    machine = Machine(options.root)
    site = Site(machine=machine, config_path=options.config or machine.at(DEFAULT_PATH), one_wire=options.one_wire_root)
    sections = (*SECTIONS, _questions()) if options.ask else SECTIONS
    if options.json:
        found = list(check_all(site, sections))
        print(json.dumps({"well": well(finding for _, finding in found), "findings": [_row(*one) for one in found]}))
        return 0 if well(finding for _, finding in found) else 1
    return _told(site, sections)


def _questions() -> CheckSection:
    keeper = Person(lambda question: yes_or_no(question, input), lambda sentence: print(f"  {sentence}", flush=True))
    return CheckSection("Buzzer and buttons, by ear and by hand", (lambda site: asked(site, keeper),))


def yes_or_no(question: str, read: Callable[[str], str]) -> bool | None:
    """Yes, no, or None for 'skip'; anything else is met with the three words that are understood."""
    while True:
        try:
            typed = read(f"  {question} [y]es, [n]o, [s]kip: ").strip().lower()
        except EOFError:
            return None
        for words, meaning in ((("y", "yes"), True), (("n", "no"), False), (("s", "skip"), None)):
            if typed in words:
                return meaning
        print("  Type y, n or s, and Enter.")


def _row(title: str, finding: CheckFinding) -> dict[str, str]:
    return {
        "section": title,
        "check": finding.check,
        "state": finding.state.value,
        "sentence": finding.sentence,
        "remedy": finding.remedy,
    }


def _told(site: Site, sections: Iterable[CheckSection]) -> int:
    """Print each finding as soon as it is known: some take seconds."""
    colours = sys.stdout.isatty() and "NO_COLOR" not in os.environ
    marks = _MARKS if fitting_glyphs(sys.stdout.encoding, os.environ) is BLOCKS else _PLAIN_MARKS
    width = max(40, min(shutil.get_terminal_size((100, 24)).columns, 100))
    counts = dict.fromkeys(Grade, 0)
    last = ""
    for title, finding in check_all(site, sections):
        if title != last:
            print(f"\n{title}" if last else title)
            last = title
        counts[finding.state] += 1
        mark = marks[finding.state]
        if colours:
            mark = f"\033[{_COLOURS[finding.state]}m{mark}\033[0m"
        _print_hanging(f"  {mark} ", 3 + len(marks[finding.state]), finding.sentence, width)
        if finding.remedy:
            arrow = "→ " if marks is _MARKS else "-> "
            _print_hanging(
                " " * (3 + len(marks[finding.state])) + arrow, 5 + len(marks[Grade.OK]), finding.remedy, width
            )
        sys.stdout.flush()
    print(f"\n{_sum(counts)}")
    return 1 if counts[Grade.BAD] else 0


def _print_hanging(lead: str, indent: int, text: str, width: int) -> None:
    lines = textwrap.wrap(plain_text(text), width - indent, break_on_hyphens=False, break_long_words=False) or [""]
    print(lead + lines[0])
    for line in lines[1:]:
        print(" " * indent + line)


def _sum(counts: dict[Grade, int]) -> str:
    mend, look, fine = counts[Grade.BAD], counts[Grade.WARN], counts[Grade.OK]
    if mend:
        things = "1 thing has" if mend == 1 else f"{mend} things have"
        return f"{things} to be mended, {look} worth a look, {fine} in order."
    if look:
        return f"Nothing has to be mended; {look} worth a look, {fine} in order."
    return f"All is well: {fine} points in order."
