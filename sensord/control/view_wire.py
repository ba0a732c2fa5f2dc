"""Snapshots and effects as JSON on the control socket, and back unchanged: both ways are derived from the values."""

from collections.abc import Mapping
from functools import cache
from typing import Any, cast, get_args

from pydantic import TypeAdapter, ValidationError

from sensord.errors import DataError
from sensord.watch.effects import Effect
from sensord.watch.views import Snapshot


@cache
def _snapshots() -> TypeAdapter[Snapshot]:
    return TypeAdapter(Snapshot)


@cache
def _effects(kind: str) -> TypeAdapter[Any] | None:
    found = next((candidate for candidate in get_args(Effect) if candidate.__name__ == kind), None)
    return TypeAdapter(found) if found else None


def snapshot_json(snapshot: Snapshot) -> bytes:
    """A snapshot as a JSON object."""
    return _snapshots().dump_json(snapshot)


def snapshot_from(params: object) -> Snapshot:
    """The snapshot that parsed JSON stands for. Raises `DataError` where it stands for none."""
    try:
        return _snapshots().validate_python(params)
    except ValidationError as error:
        raise DataError(f"the daemon's snapshot cannot be read: {_short(error)}") from error


def effect_json(effect: Effect) -> bytes:
    """An effect as a JSON object, its class name under `kind`."""
    kind = type(effect).__name__
    adapter = _effects(kind)
    assert adapter is not None, kind
    return f'{{"kind":"{kind}",'.encode() + adapter.dump_json(effect)[1:]


def effect_from(params: object) -> Effect:
    """The effect that parsed JSON stands for. Raises `DataError` where it stands for none."""
    kind = str(params.get("kind")) if isinstance(params, Mapping) else "?"
    adapter = _effects(kind)
    if adapter is None or not isinstance(params, Mapping):
        raise DataError(f"the daemon sent a '{kind}', which is not known here: update the older of the two")
    try:
        return cast("Effect", adapter.validate_python({key: params[key] for key in params if key != "kind"}))
    except ValidationError as error:
        raise DataError(f"the daemon's {kind} cannot be read: {_short(error)}") from error


def _short(error: ValidationError) -> str:
    first = error.errors()[0]
    where = ".".join(str(part) for part in first["loc"])
    return f"{where}: {first['msg']}; daemon and client should be of one version"
