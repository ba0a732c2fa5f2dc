"""What a model finds wrong with a value, in plain words: for the config, and for commands from outside."""

from typing import Any

__all__ = ["shown_value", "wanted"]

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


def shown_value(value: object) -> str:
    """A value as TOML would have it, so far as that is short."""
    text = str(value).lower() if isinstance(value, bool) else repr(value)
    return text if len(text) <= 60 else f"{text[:60]}…"
