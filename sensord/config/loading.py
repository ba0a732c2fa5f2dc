"""The config: one TOML file to checked settings. Whatever is wrong refuses the start with file, line, key and remedy.

The shape of each table is checked by `config.sections`, what no table can know of another by `config.contradictions`.
The core never sees any of it: `config.settings` turns the sections into its settings.
"""

import logging
import re
import tomllib
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from sensord.config.contradictions import Trouble, contradictions
from sensord.config.sections import Config
from sensord.errors import ConfigError, unreadable
from sensord.texts import unseen_in

_log = logging.getLogger(__name__)


def load(path: Path) -> Config:
    """Read and check a config file.

    Raises `ConfigError` naming the file, the line where known, the key and the remedy for everything found wrong.
    """
    return parse(text_of(path), str(path))


def text_of(path: Path) -> str:
    """What a config file says, without the mark that some editors begin UTF-8 with. Raises `ConfigError`."""
    try:
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError as error:
        raise ConfigError(
            f"{path}: there is no such file; `sensord config --example > {path}` writes a commented one"
        ) from error
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(f"{path}: {unreadable(error)}") from error


def parse(text: str, source: str) -> Config:
    """Check TOML text; `source` stands for the file in messages. Raises `ConfigError` as `load` does."""
    try:
        raw = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # also numbers of thousands of digits, tables nested without end
        raise ConfigError(_not_toml(source, str(error))) from error
    if unseen := [Trouble(where, what) for where, what in unseen_in(raw)]:
        raise ConfigError(_told(text, source, unseen))
    for sentence in outdated(raw, text, source):
        _log.warning("%s", sentence)
    for table, key in _GONE:
        if isinstance(raw.get(table), dict):
            raw[table].pop(key, None)
    try:
        config = Config.model_validate(raw)
    except ValidationError as error:
        raise ConfigError(_told(text, source, _troubles_of(error.errors()))) from error
    folder = Path(source).parent
    if troubles := list(contradictions(config, folder)):
        raise ConfigError(_told(text, source, troubles))
    return _with_profiles_beside(config, folder)


_GONE = {("mqtt", "senml"): "is no longer published: the topics probe/<name> carry the same readings; remove this line"}
"""Keys that earlier versions knew, with what to do. A config that still has one starts all the same."""


def outdated(raw: dict[str, Any], text: str, source: str) -> list[str]:
    """A sentence for each key of a config, `raw` as parsed of `text`, that nothing reads any more: line and remedy."""
    held = [Trouble(key, what) for key, what in _GONE.items() if key[1] in dict(raw.get(key[0]) or {})]
    return [_told(text, source, [trouble]) for trouble in held]


def _with_profiles_beside(config: Config, beside: Path) -> Config:
    """A keeper's own profile file is named relative to the config: from here on by its whole path."""
    brooders = {
        name: one.model_copy(update={"profile": str((beside / one.profile).absolute())})
        if one.profile is not None and one.profile.endswith(".toml")
        else one
        for name, one in config.brooders.items()
    }
    return config.model_copy(update={"brooders": brooders})


def _told(text: str, source: str, troubles: list[Trouble]) -> str:
    lines = []
    for trouble in troubles:
        line = line_of(text, trouble.where)
        place = f"{source}:{line}" if line else source
        lines.append(f"{place}: {'.'.join(str(part) for part in trouble.where)}: {trouble.what}")
    return "\n".join(lines)


def line_of(text: str, where: tuple[str | int, ...]) -> int | None:
    """The line of the deepest part of `where` that the text shows; None where nothing of it is found."""
    names = [str(part) for part in where if isinstance(part, str)]
    best, table = None, ""
    for number, line in enumerate(text.splitlines(), 1):
        stripped = line.strip()
        header = re.fullmatch(r"\[\s*([^\[\]]+?)\s*\]\s*(#.*)?", stripped)
        if header:
            table = header.group(1).replace('"', "").replace(" ", "")
            path = table.split(".")
        else:
            key = re.match(r"([A-Za-z0-9_.\"-]+)\s*=", stripped)
            if not key:
                continue
            path = [*([*table.split(".")] if table else []), *key.group(1).replace('"', "").split(".")]
        if path == names[: len(path)] and (best is None or len(path) > best[1]):
            best = (number, len(path))
    return best[0] if best else None


def _troubles_of(errors: list[Any]) -> list[Trouble]:
    """One trouble a key; `errors` as pydantic's `ValidationError.errors()` has them."""
    found: dict[tuple[str | int, ...], Trouble] = {}
    for item in errors:
        trouble = _trouble(item)
        found.setdefault(trouble.where, trouble)
    return list(found.values())


def _trouble(item: Any) -> Trouble:
    where = tuple(part for part in item["loc"] if part != "[key]")
    if item["type"] == "extra_forbidden":
        return Trouble(where, f"unknown key; known here: {', '.join(_known(where[:-1]))}")
    if item["type"] == "missing":
        return Trouble(where, "is missing: add it")
    if where[0] == "brooders" and where[2:3] == ("hatched",):
        return Trouble(where[:3], f"give a day such as 2026-05-04, or a list of days (yours: {_shown(item['input'])})")
    if item["type"] == "dict_type":
        return Trouble(where, f"this is a table: write [{where[0]}.NAME] and its keys below")
    if item["type"] == "model_type":
        return Trouble(where, f"this is a table: write [{'.'.join(map(str, where))}] and its keys below")
    return Trouble(where, f"{wanted(item)} (yours: {_shown(item['input'])})")


def _known(where: tuple[str | int, ...]) -> list[str]:
    model: type[BaseModel] = Config
    for part in where:
        field = model.model_fields.get(str(part))
        if field is None:
            continue  # the name of a probe, brooder or dish
        for candidate in (field.annotation, *getattr(field.annotation, "__args__", ())):
            if isinstance(candidate, type) and issubclass(candidate, BaseModel):
                model = candidate
    return sorted(model.model_fields)


def _not_toml(source: str, error: str) -> str:
    """`file:line: …` from what the parser says, `… (at line 7, column 15)`."""
    found = re.fullmatch(r"(.*) \(at line (\d+), column \d+\)", error, flags=re.S)
    what, place = (found.group(1), f"{source}:{found.group(2)}") if found else (error, source)
    twice = re.fullmatch(r"Cannot declare \((.*?),?\) twice", what)
    if twice:
        table = twice.group(1).replace("'", "").replace(", ", ".")
        return f"{place}: [{table}] is there already: put its lines together under one heading"
    return f"{place}: not valid TOML: {what[:1].lower()}{what[1:]}"


_WANTED = {
    "bool_parsing": "give true or false, without quotes",
    "bool_type": "give true or false, without quotes",
    "float_parsing": "give a number, without quotes",
    "float_type": "give a number",
    "int_from_float": "give a whole number",
    "int_parsing": "give a whole number, without quotes",
    "int_type": "give a whole number",
    "list_type": "give a list in square brackets",
    "path_type": "give the path of a file in quotes",
    "string_too_short": "it is empty: write something",
    "string_type": "give text in quotes",
    "too_short": "the list is empty: name at least one",
    "tuple_type": "give a list in square brackets",
}
"""What to write, by the kind of mistake that the models report."""


def wanted(item: Any) -> str:
    """What to write instead; `item` is one of pydantic's `ValidationError.errors()`."""
    kind, context = item["type"], item.get("ctx", {})
    match kind:
        case "greater_than_equal":
            return f"give at least {context['ge']:g}"
        case "greater_than":
            return f"give more than {context['gt']:g}"
        case "less_than_equal":
            return f"give at most {context['le']:g}"
        case "less_than":
            return f"give less than {context['lt']:g}"
        case "string_too_long":
            return f"give at most {context['max_length']} characters"
        case "literal_error" | "enum":
            return f"give one of {context['expected']}"
        case _:
            return str(_WANTED.get(kind, item["msg"].removeprefix("Value error, ")))


def _shown(value: object) -> str:
    """A value as TOML would have it, so far as that is short."""
    text = str(value).lower() if isinstance(value, bool) else repr(value)
    return text if len(text) <= 60 else f"{text[:60]}…"
