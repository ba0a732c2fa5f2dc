"""What is wrong with a key of the config, in plain words, from what the models and the TOML parser report."""

import re
from typing import Any

from pydantic import BaseModel

from sensord.config.contradictions import Trouble
from sensord.config.model_words import shown_value, wanted
from sensord.config.sections import Config

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
        return Trouble(
            where[:3], f"give a day such as 2026-05-04, or a list of days (yours: {shown_value(item['input'])})"
        )
    if item["type"] == "dict_type":
        return Trouble(where, f"this is a table: write [{where[0]}.NAME] and its keys below")
    if item["type"] == "model_type":
        return Trouble(where, f"this is a table: write [{'.'.join(map(str, where))}] and its keys below")
    return Trouble(where, f"{wanted(item)} (yours: {shown_value(item['input'])})")


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


def not_toml(source: str, error: str) -> str:
    """`file:line: …` from what the parser says, `… (at line 7, column 15)`."""
    found = re.fullmatch(r"(.*) \(at line (\d+), column \d+\)", error, flags=re.S)
    what, place = (found.group(1), f"{source}:{found.group(2)}") if found else (error, source)
    twice = re.fullmatch(r"Cannot declare \((.*?),?\) twice", what)
    if twice:
        table = twice.group(1).replace("'", "").replace(", ", ".")
        return f"{place}: [{table}] is there already: put its lines together under one heading"
    return f"{place}: not valid TOML: {what[:1].lower()}{what[1:]}"
