"""What goes over the control socket: one JSON object a line, with the fields of JSON-RPC 2.0.

    request   {"jsonrpc": "2.0", "id": 7, "method": "shelve", "params": {"place": "brooder", "for_seconds": 300}}
    answer    {"jsonrpc": "2.0", "id": 7, "result": {...}}   or   {..., "error": {"code": -32000, "message": "..."}}
    push      {"jsonrpc": "2.0", "method": "snapshot" | "effect" | "dropped", "params": {...}}

The codes from -32700 to -32600 are those of the JSON-RPC 2.0 specification, section 5.1; the others lie in the range
that it leaves to servers. `view_wire` has the snapshots and effects.
"""

import json
import os
from collections.abc import Mapping
from enum import IntEnum, unique
from typing import NamedTuple

LINE_LIMIT_BYTES = 64 * 1024
SYSTEM_FOLDER, _FILE = "/run/sensord", "control.sock"


@unique
class Code(IntEnum):
    """Why a request was not done."""

    NOT_JSON = -32700
    NOT_A_REQUEST = -32600
    UNKNOWN_METHOD = -32601
    BAD_PARAMS = -32602
    REFUSED = -32000
    NO_ANSWER = -32001
    BUSY = -32002


class Request(NamedTuple):
    """One request as it came in."""

    request_id: int | str
    method: str
    params: dict[str, object]


def json_bytes(value: object) -> bytes:
    """A value as JSON in ASCII: a lone surrogate that a client sent has no UTF-8, but an escape that it can read."""
    return json.dumps(value).encode()


def push_line(method: str, params_json: bytes) -> bytes:
    """A line that nobody asked for one by one."""
    return b'{"jsonrpc":"2.0","method":"%b","params":%b}\n' % (method.encode(), params_json)


def result_line(request_id: object, result_json: bytes) -> bytes:
    """The answer to a request that was done."""
    return b'{"jsonrpc":"2.0","id":%b,"result":%b}\n' % (json_bytes(request_id), result_json)


def error_line(request_id: object, code: Code, message: str) -> bytes:
    """The answer to a request that was not done; `request_id` is None where it could not be read."""
    answer = {"jsonrpc": "2.0", "id": request_id, "error": {"code": int(code), "message": message}}
    return json_bytes(answer) + b"\n"


def read_request(line: bytes) -> Request | bytes:
    """The request that a line holds, or the error line to send back."""
    try:
        message = json.loads(line)
    except (ValueError, RecursionError):  # ValueError: also a number of more digits than Python reads
        return error_line(None, Code.NOT_JSON, "not JSON: send one object a line")
    request_id = message.get("id") if isinstance(message, dict) else None
    if not isinstance(request_id, int | str) or isinstance(request_id, bool):
        return error_line(None, Code.NOT_A_REQUEST, "needs an id: a number or text")
    method, params = message.get("method"), message.get("params", {})
    if not isinstance(method, str) or not isinstance(params, dict):
        reason = "needs method, a text, and params, an object (or none)"
        return error_line(request_id, Code.NOT_A_REQUEST, reason)
    return Request(request_id, method, params)


def daemon_path(environment: Mapping[str, str]) -> str:
    """Where a daemon opens its socket when neither config nor option names one.

    systemd tells the service its folder in RUNTIME_DIRECTORY (systemd.exec(5)); a daemon started by hand uses the
    user's runtime folder, or the state folder where there is none (XDG Base Directory Specification 0.8).
    """
    given = environment.get("RUNTIME_DIRECTORY", "").split(":")[0]
    if given:
        return f"{given}/{_FILE}"
    if os.access(SYSTEM_FOLDER, os.W_OK):
        return f"{SYSTEM_FOLDER}/{_FILE}"
    state = environment.get("XDG_STATE_HOME") or os.path.expanduser("~/.local/state")  # noqa: PTH111 - quick to import
    return f"{environment.get('XDG_RUNTIME_DIR') or state}/sensord/{_FILE}"


def client_path(environment: Mapping[str, str]) -> str:
    """Where a client looks first: the service's socket, and where there is none, that of a daemon run by hand."""
    system = f"{SYSTEM_FOLDER}/{_FILE}"
    return system if os.access(system, os.F_OK) else daemon_path(environment)
