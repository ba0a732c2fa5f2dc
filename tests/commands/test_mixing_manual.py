"""The manual of mixing: what it prints is what the commands print.

`python -m tests.commands.test_mixing_manual` writes the outputs anew.
"""

import contextlib
import io
import re
import shlex
from pathlib import Path
from unittest import mock

from sensord.cli import main
from sensord.config.loading import parse

PAGE = Path(__file__).parents[2] / "docs" / "mixing.md"
EXAMPLE = re.compile(r"```\n\$ sensord (?P<command>.*?)\n(?P<shown>.*?)```\n", re.DOTALL)


def printed(command: str) -> str:
    """The output of a command on a machine without a config."""
    out = io.StringIO()
    with (
        mock.patch("sensord.commands.kitchen_options.DEFAULT_PATH", Path("/nowhere/sensord.toml")),
        contextlib.redirect_stdout(out),
    ):
        assert main(shlex.split(command)) == 0
    return out.getvalue()


def renewed(page: str) -> str:
    return EXAMPLE.sub(lambda found: f"```\n$ sensord {found['command']}\n{printed(found['command'])}```\n", page)


def test_the_examples_show_what_the_commands_print() -> None:
    page = PAGE.read_text(encoding="utf-8")
    assert len(EXAMPLE.findall(page)) == 4
    assert page == renewed(page), "run `python -m tests.commands.test_mixing_manual`"


def test_the_config_in_the_manual_is_one() -> None:
    toml = PAGE.read_text(encoding="utf-8").split("```toml\n")[1].split("```")[0]
    config = parse(toml, "docs/mixing.md")
    assert config.bowl is not None
    assert config.formula.solids_percent == 25


if __name__ == "__main__":
    PAGE.write_text(renewed(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
