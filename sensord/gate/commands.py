"""What a person or a program may ask for, read strictly: a verb and its payload become one command event, or a reason.

MQTT and the control socket share this. A payload is a JSON object (`{"place": "brooder", "for_seconds": 300}`) or one
of the bare forms that buttons and selects of a hub send: nothing or `PRESS` (everything, or the only one there is),
`brooder`, `brooder/too-cold`, `brooder/feathered`, or a number of seconds for `pause`.

A command that asks for more quiet than the config allows is refused, not cut down: whoever asked must know that the
quiet will not last as long as they think.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from json import dumps
from typing import Any, TypeAlias

from pydantic import ValidationError

from sensord.config.model_words import wanted
from sensord.errors import CommandError
from sensord.gate.command_fields import (
    AlarmCommand,
    AnywhereCommand,
    Asked,
    BatchCommand,
    ChickCommand,
    EntryCommand,
    FeedCommand,
    Labelled,
    PauseCommand,
    ShelveCommand,
    SomewhereCommand,
    StageCommand,
    WeighCommand,
)
from sensord.watch.conditions import Condition
from sensord.watch.events import (
    Acknowledge,
    Command,
    EnterChick,
    LogFeed,
    Origin,
    OutOfService,
    PauseAudio,
    Reset,
    ReturnToService,
    SetStage,
    Shelve,
    StartBatch,
    TestSounds,
    Unshelve,
    WeighIn,
)

__all__ = ["NETWORK_VERBS", "VERBS", "Limits", "parse", "parse_fields", "request_of", "shown"]

EVERYTHING = ("", "PRESS", "ON", "all")
"""Bare payloads that name nothing: a hub's button sends PRESS by default."""

_MAXIMUM_BYTES = {Origin.MQTT: 256, Origin.CONTROL: 65_536, Origin.BUTTON: 256, Origin.DAEMON: 65_536}


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What the local config allows; no command can raise any of it.

    `places` are the names that alarms can be about (brooders, dishes and whatever else the unit watches);
    `stages` the stages of each brooder's profile.
    """

    brooders: tuple[str, ...] = ()
    dishes: tuple[str, ...] = ()
    other_places: tuple[str, ...] = ()
    stages: Mapping[str, tuple[str, ...]] | None = None
    pause_seconds: float = 120.0
    shelve_seconds: float = 600.0

    @property
    def places(self) -> tuple[str, ...]:
        return (*self.brooders, *self.dishes, *self.other_places)


_Stamp: TypeAlias = dict[str, Any]
"""`seconds`, `origin` and `request`, which every command event takes."""


def _acknowledge(asked: AnywhereCommand, limits: Limits, stamp: _Stamp) -> Command:
    if asked.place is not None:
        _known("place", asked.place, limits.places)
    return Acknowledge(place=asked.place, condition=asked.condition, **stamp)


def _shelve(asked: ShelveCommand, limits: Limits, stamp: _Stamp) -> Command:
    _known("place", asked.place, limits.places)
    seconds = _capped(asked.for_seconds, limits.shelve_seconds, "alarms.shelve_seconds")
    return Shelve(place=asked.place, condition=asked.condition, for_seconds=seconds, **stamp)


def _unshelve(asked: SomewhereCommand, limits: Limits, stamp: _Stamp) -> Command:
    return Unshelve(place=_known("place", asked.place, limits.places), condition=asked.condition, **stamp)


def _reset(asked: AlarmCommand, limits: Limits, stamp: _Stamp) -> Command:
    return Reset(place=_known("place", asked.place, limits.places), condition=asked.condition, **stamp)


def _out_of_service(asked: AlarmCommand, limits: Limits, stamp: _Stamp) -> Command:
    return OutOfService(place=_known("place", asked.place, limits.places), condition=asked.condition, **stamp)


def _return_to_service(asked: AlarmCommand, limits: Limits, stamp: _Stamp) -> Command:
    return ReturnToService(place=_known("place", asked.place, limits.places), condition=asked.condition, **stamp)


def _pause(asked: PauseCommand, limits: Limits, stamp: _Stamp) -> Command:
    return PauseAudio(for_seconds=_capped(asked.for_seconds, limits.pause_seconds, "alarms.pause_seconds"), **stamp)


def _batch(asked: BatchCommand, limits: Limits, stamp: _Stamp) -> Command:
    return StartBatch(dish=_the_one("dish", asked.dish, limits.dishes), **stamp)


def _stage(asked: StageCommand, limits: Limits, stamp: _Stamp) -> Command:
    brooder = _the_one("brooder", asked.brooder, limits.brooders)
    if limits.stages is not None:
        _known("stage", asked.stage, limits.stages.get(brooder, ()))
    return SetStage(brooder=brooder, stage=asked.stage, **stamp)


def _test_sounds(_asked: Asked, _limits: Limits, stamp: _Stamp) -> Command:
    return TestSounds(**stamp)


def _entry(kind: type[LogFeed] | type[WeighIn] | type[EnterChick]) -> Callable[[Any, Limits, _Stamp], Command]:
    def build(asked: EntryCommand, _limits: Limits, stamp: _Stamp) -> Command:
        return kind(**{name: getattr(asked, name) for name in type(asked).model_fields if name != "request"}, **stamp)

    return build


def _chick(asked: ChickCommand, limits: Limits, stamp: _Stamp) -> Command:
    if asked.brooder and limits.brooders:
        _known("brooder", asked.brooder, limits.brooders)
    entered: Command = _entry(EnterChick)(asked, limits, stamp)
    return entered


@dataclass(frozen=True, slots=True)
class _Verb:
    """How one verb is read: its fields, the names of what a bare payload's parts mean, and what it becomes."""

    model: type[Asked]
    bare: tuple[str, ...]
    build: Callable[[Any, Limits, _Stamp], Command]
    network: bool = True


VERBS: dict[str, _Verb] = {
    "acknowledge": _Verb(AnywhereCommand, ("place", "condition"), _acknowledge),
    "shelve": _Verb(ShelveCommand, ("place", "condition"), _shelve),
    "unshelve": _Verb(SomewhereCommand, ("place", "condition"), _unshelve),
    "reset": _Verb(AlarmCommand, ("place", "condition"), _reset),
    "batch": _Verb(BatchCommand, ("dish",), _batch),
    "stage": _Verb(StageCommand, ("brooder", "stage"), _stage),
    "pause": _Verb(PauseCommand, ("for_seconds",), _pause),
    "feed": _Verb(FeedCommand, ("chick", "millilitres"), _entry(LogFeed)),
    "weigh": _Verb(WeighCommand, ("chick", "grams"), _entry(WeighIn)),
    "chick": _Verb(ChickCommand, ("chick",), _chick, network=False),
    # Without end, or loud at night: only for somebody who stands beside the brooder.
    "out-of-service": _Verb(AlarmCommand, ("place", "condition"), _out_of_service, network=False),
    "return-to-service": _Verb(AlarmCommand, ("place", "condition"), _return_to_service, network=False),
    "test-sounds": _Verb(Asked, (), _test_sounds, network=False),
}

NETWORK_VERBS = tuple(name for name, verb in VERBS.items() if verb.network)
"""The verbs that MQTT may use."""


def parse(verb: str, payload: bytes, seconds: float, origin: Origin, limits: Limits) -> Command:
    """The command that `payload` asks for, stamped with `seconds` (monotonic) and `origin`.

    Raises `CommandError` with a reason that can be shown to whoever sent it; then nothing has changed.
    """
    most = _MAXIMUM_BYTES[origin]
    if len(payload) > most:
        raise CommandError(f"the payload has {len(payload)} bytes: at most {most} are read")
    try:
        text = payload.decode("utf-8").strip()
    except UnicodeDecodeError:
        raise CommandError("the payload is not UTF-8 text") from None
    found = _verb(verb, origin)
    document = text if text.startswith("{") else dumps(_from_bare(verb, found, text, limits))
    return _command(verb, found, document, seconds, origin, limits)


def parse_fields(verb: str, fields: Mapping[str, object], seconds: float, origin: Origin, limits: Limits) -> Command:
    """As `parse`, for fields that were JSON already (`params` of the control socket)."""
    found = _verb(verb, origin)
    try:
        document = dumps(dict(fields), allow_nan=False)
    except (TypeError, ValueError, RecursionError):
        raise CommandError(f"{verb}: the fields are not plain JSON values") from None
    return _command(verb, found, document, seconds, origin, limits)


def request_of(payload: bytes) -> str:
    """The request id in a payload, however wrong the rest of it is; empty where there is none to be found."""
    try:
        return Labelled.model_validate_json(payload).request
    except ValidationError:
        return ""


def shown(raw: str | bytes) -> str:
    """Text from outside as it may go into a log or an answer: quoted, cut at 64 characters."""
    text = raw.decode("utf-8", "replace") if isinstance(raw, bytes) else raw
    return repr(text if len(text) <= 64 else text[:63] + "…")


def _verb(name: str, origin: Origin) -> _Verb:
    found = VERBS.get(name)
    if found is None:
        known = NETWORK_VERBS if origin is Origin.MQTT else tuple(VERBS)
        raise CommandError(f"there is no verb {shown(name)}: known are {', '.join(known)}")
    if origin is Origin.MQTT and not found.network:
        raise CommandError(f"{name} is not taken over the network: do it at the unit itself")
    return found


_NUMBERS_OF = {"for_seconds": " of seconds", "millilitres": " of millilitres", "grams": " of grams"}
_NUMBERS = _NUMBERS_OF.keys()


def _from_bare(verb: str, found: _Verb, text: str, limits: Limits) -> dict[str, object]:
    """The fields that a bare payload stands for."""
    if text in EVERYTHING:
        return {}
    parts = text.split("/")
    names = found.bare
    if verb == "stage" and len(parts) == 1:
        names = ("stage",)
    if len(parts) > len(names):
        raise CommandError(f"{verb}: {shown(text)} has too many parts: {_forms(verb, found, limits)}")
    fields: dict[str, object] = dict(zip(names, parts, strict=False))
    for name in _NUMBERS & fields.keys():
        text = str(fields[name])
        try:
            fields[name] = float(text) if text.isascii() else text
        except ValueError:
            raise CommandError(f"{verb}: {shown(text)} is not a number{_NUMBERS_OF[name]}") from None
    return fields


def _forms(verb: str, found: _Verb, limits: Limits) -> str:
    example = {"place": (*limits.places, "brooder")[0], "condition": Condition.TOO_COLD.value}
    return f"send JSON or {'/'.join(example.get(name, name.upper()) for name in found.bare) or 'nothing'} to {verb}"


def _command(verb: str, found: _Verb, document: str, seconds: float, origin: Origin, limits: Limits) -> Command:
    try:
        asked = found.model.model_validate_json(document)
    except ValidationError as error:
        raise CommandError(f"{verb}: {_told(error, found)}") from None
    stamp: _Stamp = {"seconds": seconds, "origin": origin, "request": asked.request}
    try:
        return found.build(asked, limits, stamp)
    except CommandError as error:
        raise CommandError(f"{verb}: {error}") from None


def _told(error: ValidationError, found: _Verb) -> str:
    first = error.errors(include_url=False)[0]
    where = ".".join(str(part) for part in first["loc"])
    match first["type"]:
        case "json_invalid" | "model_type":
            return "the payload is not a JSON object"
        case "extra_forbidden":
            return f"unknown field {shown(where)}: known are {', '.join(found.model.model_fields)}"
        case "missing":
            return f"{where} is missing"
        case "string_pattern_mismatch":
            return f"{where}: {shown(str(first['input']))} has characters that no name here has"
        case _:
            return f"{where}: {wanted(first)}, got {shown(str(first['input']))}"


def _known(what: str, name: str, known: tuple[str, ...]) -> str:
    if name not in known:
        raise CommandError(f"there is no {what} {shown(name)}: known are {', '.join(known) or 'none'}")
    return name


def _the_one(what: str, name: str | None, known: tuple[str, ...]) -> str:
    """`name`, or the only one there is."""
    if name is not None:
        return _known(what, name, known)
    if len(known) == 1:
        return known[0]
    raise CommandError(f"which {what}? known are {', '.join(known) or 'none'}")


def _capped(seconds: float | None, most: float, key: str) -> float:
    if seconds is None:
        return most
    if seconds > most:
        raise CommandError(f"for_seconds: {seconds:g} s is longer than the {most:g} s that {key} allows")
    return seconds
