"""What the keeper says about alarms, sent to the running daemon: acknowledge, shelve, out of service and back."""

import argparse
import json
import os
from pathlib import Path

from sensord.control.control_client import ControlClient
from sensord.control.control_wire import client_path
from sensord.durations import duration_seconds, duration_written
from sensord.errors import CommandError
from sensord.watch.conditions import Condition

__all__ = ["add_socket_option", "arguments", "run", "send"]


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of the verb that `parser` is for (the last word of its program name)."""
    verb = parser.prog.split()[-1]
    shelving, acknowledging = verb == "shelve", verb == "acknowledge"
    parser.add_argument(
        "place",
        metavar="PLACE",
        nargs="?" if acknowledging else None,
        help="a brooder or dish by its name" + ("; without it every alarm" if acknowledging else ""),
    )
    parser.add_argument(
        "condition",
        metavar="CONDITION",
        nargs="?" if acknowledging or shelving else None,
        choices=[condition.value for condition in Condition],
        help="which condition: " + ", ".join(Condition),
    )
    if shelving:
        parser.add_argument(
            "--for", dest="duration", metavar="DURATION", help="how long, such as 90s or 5m; without it the longest"
        )
    add_socket_option(parser)
    parser.add_argument("--json", action="store_true", help="print the answer as JSON")


def add_socket_option(parser: argparse.ArgumentParser) -> None:
    """`--socket PATH`, for every command that talks to the daemon."""
    parser.add_argument(
        "--socket",
        type=Path,
        metavar="PATH",
        default=client_path(os.environ),
        help="the daemon's control socket (default: %(default)s)",
    )


def run(options: argparse.Namespace) -> int:
    """Send it and print the answer; 1 where the daemon refuses."""
    params: dict[str, object] = {
        key: value for key in ("place", "condition") if (value := getattr(options, key)) is not None
    }
    if getattr(options, "duration", None) is not None:
        params["for_seconds"] = duration_seconds(options.duration)
    return send(options, params, _said(options.verb, params))


def send(options: argparse.Namespace, params: dict[str, object], said: str) -> int:
    """Have the daemon do `options.verb` and print `said`, or the reason why not and exit 1; with `--json` as JSON."""
    done, remark = True, ""
    try:
        with ControlClient(options.socket) as client:
            remark = client.call(options.verb, **params)
    except CommandError as error:
        done, remark = False, str(error)
    if options.json:
        print(json.dumps({"verb": options.verb, "done": done, "reason": remark}, ensure_ascii=False))
    elif done:
        print(said + (f" ({remark})" if remark else ""))
    else:
        print(f"not done: {remark}")
    return 0 if done else 1


def _said(verb: str, params: dict[str, object]) -> str:
    what = " ".join(str(params[key]) for key in ("place", "condition") if key in params) or "every alarm"
    if verb == "acknowledge":
        return f"acknowledged: {what}"
    if verb == "out-of-service":
        return f"out of service until `sensord return-to-service {what}`: {what}"
    if verb == "return-to-service":
        return f"in service again: {what}"
    seconds = params.get("for_seconds")
    length = f"for {duration_written(seconds)}" if isinstance(seconds, float) else "for as long as the config allows"
    return f"shelved {length}: {what}"
