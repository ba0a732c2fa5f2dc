"""`sensord config`: check a config file, show what is in force and where each setting comes from, print an example."""

import argparse
import json
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

from pydantic import BaseModel

from sensord.clock import SystemClock
from sensord.commands.terminal import say_as_utf_8
from sensord.config import DEFAULT_PATH
from sensord.config.folders import shipped
from sensord.config.loading import line_of, load, outdated, text_of
from sensord.config.sections import Config
from sensord.config.settings import check_hatch_dates, nursery_settings
from sensord.errors import ConfigError


class Setting(NamedTuple):
    """One key in force: its path, its value as JSON would have it, and its line in the file (None: the default)."""

    path: tuple[str, ...]
    value: Any
    line: int | None


def arguments(parser: argparse.ArgumentParser) -> None:
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument("--check", action="store_true", help="say whether the file is right; exit code 2 where not")
    what.add_argument("--show", action="store_true", help="all settings in force, and where each comes from")
    what.add_argument("--example", action="store_true", help="print a commented example to start from")
    parser.add_argument("--config", type=Path, default=DEFAULT_PATH, metavar="FILE", help="default: %(default)s")
    parser.add_argument("--json", action="store_true", help="print the answer as JSON")


def run(options: argparse.Namespace) -> int:
    if options.example:
        print(shipped("sensord.toml").read_text(encoding="utf-8"), end="", file=say_as_utf_8())
        return 0
    try:
        config = load(options.config)
        clock = SystemClock()
        if clock.wall_clock_trusted():
            check_hatch_dates(nursery_settings(config), clock.utc_seconds())
    except ConfigError as error:
        if not options.json:
            raise
        print(json.dumps({"file": str(options.config), "good": False, "troubles": str(error).splitlines()}))
        return 2
    text = text_of(options.config)
    settings = settings_of(config, text)
    if options.json:
        told = {".".join(one.path): {"value": one.value, "line": one.line} for one in settings if options.show}
        print(json.dumps({"file": str(options.config), "good": True} | ({"settings": told} if options.show else {})))
    elif options.show:
        _show(settings, options.config)
    else:
        counted = ((len(config.probes), "probe"), (len(config.brooders), "brooder"), (len(config.dishes), "dish"))
        print(f"{options.config}: good: {', '.join(_counted(number, thing) for number, thing in counted)}")
        for sentence in outdated(tomllib.loads(text), text, str(options.config)):
            print(sentence, file=sys.stderr)
    if not config.brooders and not config.dishes:
        print(f"{options.config}: nothing would be watched: add a brooder or a dish", file=sys.stderr)
        return 1
    return 0


def _counted(number: int, thing: str) -> str:
    return f"{number} {thing if number == 1 else 'dishes' if thing == 'dish' else f'{thing}s'}"


def settings_of(config: Config, text: str) -> list[Setting]:
    """Every setting of `config`, in the order of the model; `text` is the file that it was read from."""
    return list(_walk((), config.model_dump(mode="json"), config, tomllib.loads(text), text))


def _walk(path: tuple[str, ...], values: dict[str, Any], model: Any, raw: Any, text: str) -> Iterator[Setting]:
    for key, value in values.items():
        here = (*path, key)
        written = isinstance(raw, dict) and key in raw
        part = getattr(model, key) if isinstance(model, BaseModel) else model[key]
        if isinstance(part, BaseModel | dict) and value:
            yield from _walk(here, value, part, raw[key] if written else None, text)
        else:
            yield Setting(here, value, line_of(text, here) if written else None)


def _show(settings: list[Setting], file: Path) -> None:
    section: tuple[str, ...] = ()
    for setting in settings:
        *parents, key = setting.path
        if tuple(parents) != section:
            section = tuple(parents)
            print(f"\n[{'.'.join(section)}]")
        value = "not set" if setting.value is None else json.dumps(setting.value, ensure_ascii=False)
        source = "default" if setting.line is None else f"{file}:{setting.line}"
        print(f"{f'{key} = {value}':<50} # {source}")
