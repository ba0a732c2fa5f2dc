"""What is wrong with a key of the config, in plain words, from what the models and the TOML parser report."""

import re
from typing import Any

from pydantic import BaseModel

from sensord.contradictions import Trouble
from sensord.sections import Config

__all__ = ["not_toml", "troubles_of"]


def troubles_of(errors: list[Any]) -> list[Trouble]:
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
    return Trouble(where, f"{_wanted(item)} (yours: {_shown(item['input'])})")


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


def _wanted(item: Any) -> str:
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
        case "literal_error" | "enum":
            return f"give one of {context['expected']}"
        case _:
            return str(_WANTED.get(kind, item["msg"].removeprefix("Value error, ")))


def _shown(value: object) -> str:
    """A value as TOML would have it, so far as that is short."""
    text = str(value).lower() if isinstance(value, bool) else repr(value)
    return text if len(text) <= 60 else f"{text[:60]}…"


def not_toml(source: str, error: str) -> str:
    """`file:line: …` from what the parser says, `… (at line 7, column 15)`."""
    found = re.fullmatch(r"(.*) \(at line (\d+), column \d+\)", error, flags=re.S)
    what, place = (found.group(1), f"{source}:{found.group(2)}") if found else (error, source)
    twice = re.fullmatch(r"Cannot declare \((.*?),?\) twice", what)
    if twice:
        table = twice.group(1).replace("'", "").replace(", ", ".")
        return f"{place}: [{table}] is there already: put its lines together under one heading"
    return f"{place}: not valid TOML: {what[:1].lower()}{what[1:]}"
