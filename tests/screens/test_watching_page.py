"""The page on watching shows what the dashboard draws and names what it and the socket know.

Written anew by `python -m tests.screens.test_watching_page`.
"""

import re
from pathlib import Path

from sensord.control.control_wire import Code
from sensord.screens.dashboard import HELP
from sensord.screens.page import Look
from sensord.watch.command_table import COMMANDS
from tests.screens.invented import SNAPSHOTS
from tests.screens.test_dashboard import shown

PAGE = Path(__file__).parent.parent.parent / "docs" / "watching.md"
SCREEN = re.compile(r"(?<=<!-- screen -->\n```\n).*?(?=```\n<!-- end of screen -->)", re.DOTALL)


def drawn() -> str:
    lines = shown(SNAPSHOTS["hot"], Look(keys=True, chosen="brooder"))
    return "".join(f"{line.rstrip()}\n" for line in lines)


def test_the_screen_is_the_one_that_is_drawn() -> None:
    found = SCREEN.search(PAGE.read_text(encoding="utf-8"))
    assert found is not None
    assert found.group(0) == drawn(), "run `python -m tests.screens.test_watching_page`"


def test_every_key_verb_and_code_is_named() -> None:
    page = PAGE.read_text(encoding="utf-8")
    for key, _ in HELP:
        assert f"`{key}`" in page
    for verb in COMMANDS:
        assert f"`{verb}`" in page
    for code in Code:
        assert f"| {code.value} |" in page


if __name__ == "__main__":
    PAGE.write_text(SCREEN.sub(lambda _: drawn(), PAGE.read_text(encoding="utf-8")), encoding="utf-8")
