"""What comes in as text becomes a command, read strictly by its row in `watch.command_table`, or a reason why not.

A payload is a JSON object (`{"place": "brooder", "for_seconds": 300}`) or one of the bare forms that buttons and
selects of a hub send: nothing or `PRESS` (everything, or the only one there is), `brooder`, `brooder/too-cold`,
`brooder/feathered`, or a number of seconds for `pause`. What a unit has and allows, `watch.obeying` knows.

`NetworkGate` says who is let in from the network: retained, repeated, too many or not allowed ones are not. What was
sent while we were away is not carried out later, and each command costs its row in the history and its turn of the
rules, so each verb has a budget. Nothing here subscribes or publishes.
"""

import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import MISSING, dataclass, field, fields, replace
from functools import cache
from json import dumps
from typing import Any, get_type_hints

from pydantic import BaseModel, ConfigDict, Field, ValidationError, create_model
from pydantic_core import PydanticUndefined

from sensord.clock import Clock
from sensord.config.loading import wanted
from sensord.errors import CommandError, quoted
from sensord.texts import plain_text
from sensord.watch.command_table import COMMANDS, Giver, check_giver, verbs_for
from sensord.watch.conditions import Condition
from sensord.watch.effects import Answered
from sensord.watch.events import Command, Origin

_EVERYTHING = ("", "PRESS", "ON", "all")
"""Bare payloads that name nothing: a hub's button sends PRESS by default."""
_MOST_BYTES = 256
_ORIGINS = {Giver.BROKER: Origin.MQTT, Giver.BUTTON: Origin.BUTTON}
_STAMP = ("seconds", "origin")
BURST = 10
"""So many of a verb at once: a round of feeds entered in one go."""
PER_MINUTE = 6.0
"""So many of a verb after that: more than hands at a hub ask for, few enough to be kept for a year."""
_REMEMBERED_REQUESTS = 256


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


# --- from the network ---------------------------------------------------------------------------------------------


@dataclass(slots=True)
class TokenBucket:
    """Lets `burst` through at once and then `per_second`."""

    seconds: float
    burst: int = BURST
    per_second: float = PER_MINUTE / 60
    _tokens: float = field(init=False)

    def __post_init__(self) -> None:
        self._tokens = self.burst

    def take(self, seconds: float) -> bool:
        """Whether one more may pass at `seconds` (monotonic)."""
        self._tokens = min(self.burst, self._tokens + (seconds - self.seconds) * self.per_second)
        self.seconds = seconds
        if self._tokens < 1:
            return False
        self._tokens -= 1
        return True


class NetworkGate:
    """Checks commands and hands the good ones to `deliver`, which must not block."""

    def __init__(self, read_only: bool, clock: Clock, deliver: Callable[[Command], None]) -> None:
        self._read_only = read_only
        self._clock = clock
        self._deliver = deliver
        self._lock = threading.Lock()
        now = clock.monotonic_seconds()
        # One bucket for everything that is no verb: a flood of nonsense must not use up the real ones.
        self._buckets = {verb: TokenBucket(now) for verb in ("", *COMMANDS)}
        self._flooded: set[str] = set()
        self._seen: OrderedDict[tuple[str, str], Answered | None] = OrderedDict()
        self._numbered = 0
        self.dropped = 0

    def take(self, verb: str, payload: bytes, retained: bool) -> Answered | None:
        """Let a command in, or the answer to publish instead; None where the answer comes later, or never."""
        if retained and not payload:
            return None  # somebody clears a retained command, as they were told to
        known = verb if verb in COMMANDS else ""
        named = known or quoted(verb)
        now = self._clock.monotonic_seconds()
        with self._lock:
            if not self._buckets[known].take(now):
                self.dropped += 1
                if known in self._flooded:
                    return None  # an answer to each would double the flood
                self._flooded.add(known)
                reason = f"too many commands: {BURST} at once, then {PER_MINUTE:g} a minute; the rest is dropped"
                return _refusal(now, "", named, reason)
            self._flooded.discard(known)
        request = request_of(payload)
        try:
            command = self._read(verb, payload, retained, now)
        except CommandError as error:
            return _refusal(now, request, named, str(error))
        with self._lock:
            if not request:
                self._numbered += 1
                command = replace(command, request=f"unnamed-{self._numbered}")
            elif (verb, request) in self._seen:
                return self._seen[verb, request]
            self._seen[verb, command.request] = None
            while len(self._seen) > _REMEMBERED_REQUESTS:
                self._seen.popitem(last=False)
        self._deliver(command)
        return None

    def _read(self, verb: str, payload: bytes, retained: bool, now: float) -> Command:
        if retained:
            raise CommandError(
                "a retained command is never carried out: clear it with an empty retained message on its topic,"
                " and send it without retain"
            )
        if self._read_only:
            raise CommandError("this unit takes no commands over MQTT (mqtt.read_only)")
        return read_payload(verb, payload, now, Giver.BROKER)

    def answered(self, answer: Answered) -> bool:
        """Take the answer of the nursery; whether it is one to a command that was let in here."""
        if answer.origin is not Origin.MQTT:
            return False
        with self._lock:
            if self._seen.get((answer.verb, answer.request), answer) is None:
                self._seen[answer.verb, answer.request] = answer
        return True


def _refusal(seconds: float, request: str, verb: str, reason: str) -> Answered:
    return Answered(seconds=seconds, request=request, origin=Origin.MQTT, verb=verb, done=False, reason=reason)
