"""What the papers promise: links lead somewhere, verbs exist, the two commands are the ones that CI runs."""

import ast
import importlib.util
import re
import shlex
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel, ValidationError

from sensord.cli import VERBS, main, parser_for
from sensord.config.sections import Config
from sensord.watch.command_table import COMMANDS

TOP = Path(__file__).parent.parent
PAGES = [TOP / "README.md", TOP / "DEVELOPERS.md", TOP / "hardware.md", *sorted((TOP / "docs").glob("*.md"))]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_link_to_a_file_leads_there(page: Path) -> None:
    targets = re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", page.read_text())
    missing = [target for target in targets if "://" not in target and not (page.parent / target).exists()]
    assert not missing


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_verb_that_is_named_exists(page: Path) -> None:
    named = set(re.findall(r"(?<![\w/.-])sensord ([a-z-]+)(?=[ `\n])", "\n".join(_code(page.read_text()))))
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


def _commands(text: str) -> Iterator[str]:
    """Every `sensord VERB …` with something after the verb, in code of either kind."""
    for code in _code(text):
        for line in code.splitlines():
            found = re.search(r"(?:^|[\s/])(sensord [a-z-]+ [^`&|>#]+)", line.strip().removeprefix("$ "))
            if found and not re.search(r"[…\[]", found.group(1)):
                yield found.group(1)


PROMISED = [(page.name, command) for page in PAGES for command in _commands(page.read_text())]


@pytest.mark.parametrize(("page", "command"), PROMISED, ids=[command for _, command in PROMISED])
def test_every_command_in_the_papers_is_taken_as_it_stands(page: str, command: str) -> None:
    words = shlex.split(command)[1:]
    options = parser_for(words).parse_args(words)
    assert options.verb == words[0], page


def _sentences() -> Iterator[tuple[str, str]]:
    """Commands in backticks within the program's own sentences and helps."""
    for path in sorted((TOP / "sensord").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                for command in re.findall(r"`(sensord [a-z-]+(?: [^`…|{]+)?)`", node.value):
                    yield path.name, command


@pytest.mark.parametrize(("module", "command"), sorted(set(_sentences())))
def test_every_command_that_the_program_tells_people_to_type_is_taken(module: str, command: str) -> None:
    words = shlex.split(command)[1:]
    assert words[0] in VERBS, module
    options = set(re.findall(r"--[a-z-]+", command))
    helps = parser_for(words)
    known = {option for action in _children(helps)[words[0]]._actions for option in action.option_strings}
    assert options <= known, (module, options - known)


def _children(parser: Any) -> dict[str, Any]:
    return next(dict(action.choices) for action in parser._actions if action.dest == "verb")


def _field(path: list[str]) -> Any:
    """The model field at a dotted path of the config; None where there is none. Names of things stand for any."""
    model: type[BaseModel] = Config
    field: Any = None
    for number, part in enumerate(path):
        if number == 1 and path[0] in ("probes", "brooders", "dishes"):
            model = field.annotation.__args__[1]
            if part not in model.model_fields:
                continue
        field = model.model_fields.get(part)
        if field is None:
            return None
        for candidate in (field.annotation, *getattr(field.annotation, "__args__", ())):
            if isinstance(candidate, type) and issubclass(candidate, BaseModel):
                model = candidate
    return field


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_key_of_the_config_that_is_named_exists(page: Path) -> None:
    sections = "|".join(Config.model_fields)
    named = set(re.findall(rf"`((?:{sections})(?:\.[a-z_-]+)+)(?: = [^`]*)?`", page.read_text()))
    wrong = {key for key in named if not key.endswith((".db", ".toml")) and _field(key.split(".")) is None}
    assert not wrong


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_default_that_is_named_beside_its_key_holds(page: Path) -> None:
    for key, told in re.findall(r"`([a-z_]+\.[a-z_]+)` \(default `?([^`)]+)`?\)", page.read_text()):
        assert str(_field(key.split(".")).default) == told, key


TABLES = [(page.name, block) for page in PAGES for block in re.findall(r"```toml\n(.*?)```", page.read_text(), re.S)]


@pytest.mark.parametrize(("page", "block"), TABLES, ids=[page for page, _ in TABLES])
def test_every_piece_of_config_in_the_papers_is_right_so_far_as_it_goes(page: str, block: str) -> None:
    try:
        Config.model_validate(tomllib.loads(block))
    except ValidationError as error:
        wrong = [item for item in error.errors() if item["type"] != "missing"]
        assert not wrong, page


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_file_and_module_of_the_project_that_is_named_exists(page: Path) -> None:
    code = "\n".join(_code(page.read_text()))
    folders = "|".join(re.escape(path.name) for path in TOP.iterdir() if path.is_dir() and path.name != ".git")
    files = set(re.findall(rf"(?<![\w/.-])((?:{folders})/[\w./-]*\w)", code))
    topics = {name for name in files if name.startswith("sensord/nursery")}
    assert not {name for name in files - topics if not (TOP / name).exists()}
    modules = set(re.findall(r"python -m (tests[\w.]*)", code))
    assert not {name for name in modules if importlib.util.find_spec(name) is None}


def test_the_page_of_the_socket_names_every_verb_that_it_takes() -> None:
    told = (TOP / "docs" / "watching.md").read_text().split("## The control socket")[1]
    assert not {verb for verb in COMMANDS if f"`{verb}`" not in told}


def test_the_papers_have_commands_keys_and_tables_to_check() -> None:
    assert len(PROMISED) > 30
    assert len(TABLES) > 3


def test_the_contributors_page_stays_short() -> None:
    assert len((TOP / "DEVELOPERS.md").read_text()) <= 8000


def test_everything_that_ci_installs_is_pinned() -> None:
    project = tomllib.loads((TOP / "pyproject.toml").read_text())
    extras = project["project"]["optional-dependencies"]
    needed = [
        *project["project"]["dependencies"],
        *extras["test"],
        *extras["dev"],
        *project["build-system"]["requires"],
    ]
    pinned = {line.split("==")[0].lower() for line in (TOP / "tests" / "constraints.txt").read_text().splitlines()}
    assert not {name for need in needed if (name := re.split(r"[<>=\[;]", need)[0].strip().lower()) not in pinned}


def test_the_licence_is_the_one_that_the_metadata_names() -> None:
    project = tomllib.loads((TOP / "pyproject.toml").read_text())["project"]
    assert project["license"] == "MIT"
    assert (TOP / "LICENSE").read_text().startswith("MIT License")
