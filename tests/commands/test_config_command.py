"""`sensord config`, and that the shipped example is complete, right, and shows what really holds."""

import json
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from types import UnionType
from typing import Any, Union, get_args, get_origin

import pytest
from pydantic import BaseModel
from pydantic_core import PydanticUndefined

from sensord.cli import main
from sensord.config.folders import shipped
from sensord.config.loading import parse
from sensord.config.sections import Config

EXAMPLE = shipped("sensord.toml").read_text(encoding="utf-8")
SWITCHED_OFF = re.compile(r"^#(?=(\[[a-z_.]+\]|[a-z_]+ = ))", re.MULTILINE)


def models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    elif get_origin(annotation) in (Union, UnionType, dict, list):
        for part in get_args(annotation):
            yield from models_in(part)


def keys_of(model: type[BaseModel], path: str) -> Iterator[tuple[str, str, Any]]:
    """Section pattern, key and default of every setting below `model`."""
    for key, field in model.model_fields.items():
        inner = next(models_in(field.annotation), None)
        if inner is not None and key != "band":
            named = r"\.[a-z0-9_-]+" if get_origin(field.annotation) is dict else ""
            yield from keys_of(inner, (rf"{path}\." if path else "") + key + named)
        else:
            yield path, key, field.default


def shown_settings() -> list[tuple[str, str, str]]:
    """Section, key and TOML value of every setting that the example has, switched on or off."""
    section, found = "", []
    for line in SWITCHED_OFF.sub("", EXAMPLE).splitlines():
        if header := re.fullmatch(r"\[([a-z0-9_.-]+)\]", line):
            section = header.group(1)
        elif setting := re.fullmatch(r"([a-z_]+) = (.+)", line):
            found.append((section, setting.group(1), setting.group(2)))
    return found


def test_the_example_is_a_good_config() -> None:
    config = parse(EXAMPLE, "sensord.toml")
    assert (len(config.brooders), len(config.dishes)) == (1, 1)


@pytest.mark.parametrize(("section", "key", "default"), list(keys_of(Config, "")), ids=str)
def test_the_example_mentions_every_key_with_what_holds_without_it(section: str, key: str, default: object) -> None:
    values = [value for where, name, value in shown_settings() if name == key and re.fullmatch(section, where)]
    assert values, f"config/sensord.toml says nothing of [{section}] {key}"
    switched_on = re.search(rf"^{key} = ", EXAMPLE, re.MULTILINE) is not None
    if default is None or default is PydanticUndefined or switched_on:
        return
    plain = default.model_dump() if isinstance(default, BaseModel) else default
    shown = [tomllib.loads(f"x = {value}")["x"] for value in values]
    assert (str(plain) if isinstance(plain, Path) else plain) in shown


def test_each_switched_off_setting_is_right_when_switched_on() -> None:
    lines = EXAMPLE.splitlines()
    tried, whole_section_off = 0, False
    for number, line in enumerate(lines):
        if line.startswith(("[", "#[")):
            whole_section_off = line.startswith("#[")
        elif SWITCHED_OFF.match(line) and not whole_section_off:
            parse("\n".join([*lines[:number], line[1:], *lines[number + 1 :]]), f"line {number + 1} switched on")
            tried += 1
    assert tried > 40


@pytest.mark.parametrize(("header", "end"), [("#[mqtt]", "# --- History"), ("#[bowl]", "[kitchen]")])
def test_each_switched_off_section_is_right_when_switched_on(header: str, end: str) -> None:
    first, last = EXAMPLE.index(header), EXAMPLE.index(end)
    config = parse(EXAMPLE[:first] + SWITCHED_OFF.sub("", EXAMPLE[first:last]) + EXAMPLE[last:], "sensord.toml")
    assert getattr(config, header.strip("#[]")) is not None


def test_example_prints_the_shipped_file(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["config", "--example"]) == 0
    assert capsys.readouterr().out == EXAMPLE


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "sensord.toml"
    path.write_text(EXAMPLE, encoding="utf-8")
    return path


def test_check_counts_what_is_watched(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["config", "--check", "--config", str(file)]) == 0
    assert capsys.readouterr().out == f"{file}: good: 2 probes, 1 brooder, 1 dish\n"


def test_check_names_file_line_key_and_remedy(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file.write_text(EXAMPLE.replace("pin = 18", "pin = 4", 1), encoding="utf-8")
    line = EXAMPLE[: EXAMPLE.index("pin = 18")].count("\n") + 1
    assert main(["config", "--check", "--config", str(file)]) == 2
    error = capsys.readouterr().err
    assert f"{file}:{line}: chime.pin: GPIO 4 is already used by the one-wire bus" in error
    assert "choose another pin" in error
    assert main(["config", "--check", "--json", "--config", str(file)]) == 2
    assert json.loads(capsys.readouterr().out)["good"] is False


def test_show_tells_where_each_setting_comes_from(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["config", "--show", "--config", str(file)]) == 0
    out = capsys.readouterr().out
    line = EXAMPLE[: EXAMPLE.index('profile = "parrots"')].count("\n") + 1
    assert re.search(rf'^profile = "parrots" +# {re.escape(str(file))}:{line}$', out, re.MULTILINE)
    assert re.search(r"^uptake_seconds = 120\.0 +# default$", out, re.MULTILINE)
    assert re.search(r"^\[dishes\.dish\.band\]$", out, re.MULTILINE)


def test_show_as_json_has_value_and_line(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["config", "--show", "--json", "--config", str(file)]) == 0
    settings = json.loads(capsys.readouterr().out)["settings"]
    line = EXAMPLE[: EXAMPLE.index("acknowledge_pin")].count("\n") + 1
    assert settings["buttons.acknowledge_pin"] == {"value": 23, "line": line}
    assert settings["alarms.pause_seconds"] == {"value": 120.0, "line": None}


def test_a_missing_file_says_how_to_make_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["config", "--check", "--config", str(tmp_path / "none.toml")]) == 2
    assert "sensord config --example" in capsys.readouterr().err
