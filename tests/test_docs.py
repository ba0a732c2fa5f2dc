"""What the papers promise: links lead somewhere, verbs exist, the two commands are the ones that CI runs."""

import re
import shlex
from pathlib import Path

import pytest

from sensord.cli import VERBS, main

TOP = Path(__file__).parent.parent
PAGES = [TOP / "README.md", TOP / "DEVELOPERS.md", TOP / "hardware.md", *sorted((TOP / "docs").glob("*.md"))]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_link_to_a_file_leads_there(page: Path) -> None:
    targets = re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", page.read_text())
    missing = [target for target in targets if "://" not in target and not (page.parent / target).exists()]
    assert not missing


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_verb_that_is_named_exists(page: Path) -> None:
    named = set(re.findall(r"(?<![\w/.-])sensord ([a-z]+)(?=[ `\n])", "\n".join(_code(page.read_text()))))
    assert named <= set(VERBS), named - set(VERBS)


def _code(text: str) -> list[str]:
    return [*re.findall(r"```[a-z]*\n(.*?)```", text, flags=re.S), *re.findall(r"`([^`\n]+)`", text)]


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_has_help_with_an_example_that_parses(verb: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main([verb, "--help"])
    assert ended.value.code == 0
    assert VERBS[verb].example in capsys.readouterr().out
    assert shlex.split(VERBS[verb].example)[:2] == ["sensord", verb]


def test_the_readme_opens_with_the_job_and_has_the_two_commands() -> None:
    readme = (TOP / "README.md").read_text()
    first = readme.split("\n\n")[1]
    assert "chicks" in first
    assert "brooder" in first
    for name, last in (("the demo", "sensord demo"), ("the tests", "pytest")):
        block = re.search(rf"<!-- {name} -->\n```\n(.+)\n```", readme)
        assert block is not None, f"{name} must be one line"
        assert "\n" not in block.group(1)
        assert last in block.group(1)
