"""What comes in as text becomes a command, read strictly by its row in `watch.command_table`, or a reason why not.

A payload is a JSON object (`{"place": "brooder", "for_seconds": 300}`) or one of the bare forms that buttons and
selects of a hub send: nothing or `PRESS` (everything, or the only one there is), `brooder`, `brooder/too-cold`,
`brooder/feathered`, or a number of seconds for `pause`. What a unit has and allows, `watch.obeying` knows.
"""

from collections.abc import Mapping
from dataclasses import MISSING, fields
from functools import cache
from json import dumps
from typing import Any, get_type_hints

from pydantic import BaseModel, ConfigDict, Field, ValidationError, create_model
from pydantic_core import PydanticUndefined

from sensord.config.loading import wanted
from sensord.errors import CommandError, quoted
from sensord.texts import plain_text
from sensord.watch.command_table import COMMANDS, Giver, check_giver, verbs_for
from sensord.watch.conditions import Condition
from sensord.watch.events import Command, Origin

_EVERYTHING = ("", "PRESS", "ON", "all")
"""Bare payloads that name nothing: a hub's button sends PRESS by default."""
_MOST_BYTES = 256
_ORIGINS = {Giver.BROKER: Origin.MQTT, Giver.BUTTON: Origin.BUTTON}
_STAMP = ("seconds", "origin")


class _Labelled(BaseModel):
    """What can be found in any payload: the request id that its answer should carry."""

    model_config = ConfigDict(extra="ignore", frozen=True, strict=True)
    request: str = Field("", **Command.__dataclass_fields__["request"].metadata)


@cache
def model_of(verb: str) -> type[BaseModel]:
    """The fields of a command as a strict model, made from the command's value."""
    value = COMMANDS[verb].value
    hints = get_type_hints(value)
    found: dict[str, Any] = {}
    for one in fields(value):
        if one.name not in _STAMP:
            default = PydanticUndefined if one.default is MISSING else one.default
            found[one.name] = (hints[one.name], Field(default, **one.metadata))
    strict = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)
    return create_model(value.__name__, __config__=strict, __doc__=value.__doc__, **found)


def read_payload(verb: str, payload: bytes, seconds: float, giver: Giver) -> Command:
    """The command that `payload` asks for, stamped with `seconds` (monotonic).

    Raises `CommandError` with a reason that can be shown to whoever sent it; then nothing has changed.
    """
    if len(payload) > _MOST_BYTES:
        raise CommandError(f"the payload has {len(payload)} bytes: at most {_MOST_BYTES} are read")
    try:
        text = payload.decode("utf-8").strip()
    except UnicodeDecodeError:
        raise CommandError("the payload is not UTF-8 text") from None
    _check_verb(verb, giver)
    return _command(verb, text if text.startswith("{") else dumps(_from_bare(verb, text)), seconds, giver)


def read_fields(verb: str, given: Mapping[str, object], seconds: float, giver: Giver) -> Command:
    """As `read_payload`, for fields that were JSON already (`params` of the control socket)."""
    _check_verb(verb, giver)
    try:
        document = dumps(dict(given), allow_nan=False)
    except (TypeError, ValueError, RecursionError):
        raise CommandError(f"{verb}: the fields are not plain JSON values") from None
    return _command(verb, document, seconds, giver)


def request_of(payload: bytes) -> str:
    """The request id in a payload, however wrong the rest of it is; empty where there is none to be found."""
    try:
        return _Labelled.model_validate_json(payload).request
    except ValidationError:
        return ""


def _check_verb(verb: str, giver: Giver) -> None:
    if verb not in COMMANDS:
        raise CommandError(f"there is no verb {quoted(verb)}: known are {', '.join(verbs_for(giver))}")
    check_giver(verb, giver)


_NUMBERS_OF = {"for_seconds": " of seconds", "millilitres": " of millilitres", "grams": " of grams"}


def _from_bare(verb: str, text: str) -> dict[str, object]:
    """The fields that a bare payload stands for."""
    if text in _EVERYTHING:
        return {}
    parts = text.split("/")
    # Two names, the first of which says where: alone, the second is meant of the only place there is.
    names = COMMANDS[verb].bare[-1:] if verb == "stage" and len(parts) == 1 else COMMANDS[verb].bare
    if len(parts) > len(names):
        raise CommandError(f"{verb}: {quoted(text)} has too many parts: {_forms(verb)}")
    found: dict[str, object] = dict(zip(names, parts, strict=False))
    for name in _NUMBERS_OF.keys() & found.keys():
        number = str(found[name])
        try:
            found[name] = float(number) if number.isascii() else number
        except ValueError:
            raise CommandError(f"{verb}: {quoted(number)} is not a number{_NUMBERS_OF[name]}") from None
    return found


def _forms(verb: str) -> str:
    example = {"place": "brooder", "condition": Condition.TOO_COLD.value}
    bare = "/".join(example.get(name, name.upper()) for name in COMMANDS[verb].bare)
    return f"send JSON or {bare or 'nothing'} to {verb}"


def _command(verb: str, document: str, seconds: float, giver: Giver) -> Command:
    try:
        asked = model_of(verb).model_validate_json(document)
    except ValidationError as error:
        raise CommandError(f"{verb}: {_told(error, verb)}") from None
    given = {name: plain_text(value) if type(value) is str else value for name, value in asked}
    return COMMANDS[verb].value(seconds=seconds, origin=_ORIGINS.get(giver, Origin.CONTROL), **given)


def _told(error: ValidationError, verb: str) -> str:
    first = error.errors(include_url=False)[0]
    where = ".".join(str(part) for part in first["loc"])
    match first["type"]:
        case "json_invalid" | "model_type":
            return "the payload is not a JSON object"
        case "extra_forbidden":
            return f"unknown field {quoted(where)}: known are {', '.join(model_of(verb).model_fields)}"
        case "missing":
            return f"{where} is missing"
        case "string_pattern_mismatch":
            return f"{where}: {quoted(str(first['input']))} has characters that no name here has"
        case _:
            return f"{where}: {wanted(first)}, got {quoted(str(first['input']))}"
