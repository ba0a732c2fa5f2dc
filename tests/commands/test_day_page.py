"""The page on the day: every command that it names does what a keeper expects, in the order of the page."""

import re
import shlex
from pathlib import Path

import pytest

from sensord.cli import main

PAGE = Path(__file__).parents[2] / "docs" / "day.md"
COMMANDS = re.findall(r"`sensord ([^`]+)`", PAGE.read_text(encoding="utf-8"))
CONFIG = """
[unit]
state_folder = "{state}"
[probes.air]
rom = "28-00000000000a"
place = "brooder"
[brooders.brooder]
probes = ["air"]
band = {{ low_celsius = 33.0, high_celsius = 36.0 }}
"""


@pytest.fixture
def alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A machine of one's own: a config, no daemon, no history."""
    config = tmp_path / "sensord.toml"
    config.write_text(CONFIG.format(state=tmp_path / "state"))
    monkeypatch.setattr("sensord.commands.kitchen_options.DEFAULT_PATH", config)
    for name in ("XDG_RUNTIME_DIR", "HOME"):
        monkeypatch.setenv(name, str(tmp_path / name))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_every_command_of_the_page_is_taken(alone: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert len(COMMANDS) > 20
    for command in COMMANDS:
        if command.startswith("import"):  # into an empty history, says the page
            for kept in (alone / "state").glob("history.db*"):
                kept.unlink()
        if command.startswith("mix"):
            assert main(["weigh", "pip", "45.2"]) == 0  # the page has just taken it back
        for name in ("night.html", "copy.db", "feeds.csv"):
            (alone / name).unlink(missing_ok=True)
        code = main(shlex.split(command))
        said = capsys.readouterr()
        assert code == 0, f"sensord {command}: {said.out}{said.err}"
