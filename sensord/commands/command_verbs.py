"""The commands of the daemon as verbs of the command line, one for each row of `watch.command_table` but the log's."""

import argparse
import json
import os

from sensord.control.control_client import ControlClient
from sensord.control.control_wire import client_path
from sensord.durations import duration_seconds, duration_written
from sensord.errors import CommandError

FIELDS = {
    "acknowledge": "[place] [condition]",
    "shelve": "place [condition] [for_seconds]",
    "unshelve": "place [condition]",
    "reset": "place condition",
    "pause": "[for_seconds]",
    "batch": "[dish]",
    "stage": "stage [brooder]",
    "out-of-service": "place condition",
    "return-to-service": "place condition",
    "test-sounds": "",
}
"""The fields of each command, in brackets what may be left out. The rows themselves would cost the verb its quickness;
a test holds the two together, and whether the fields hold what they may, the daemon says."""

_OPTIONS = {"for_seconds": "--for", "brooder": "--brooder"}
_HELP = {
    "place": "a brooder or dish by its name",
    "condition": "which condition, such as too-cold",
    "dish": "which dish, where there are several",
    "brooder": "which brooder, where there are several",
    "stage": "of the brooder's profile; `sensord brooder` lists them",
    "for_seconds": "how long, such as 90s or 5m; without it the longest",
}
_DONE = {
    "acknowledge": "acknowledged: {what}",
    "shelve": "shelved {length}: {what}",
    "unshelve": "back from the shelf: {what}",
    "reset": "let go: {what}",
    "pause": "sound paused {length}",
    "batch": "a new bowl: uptake counts from now (where the dish asked if it is formula: yes)",
    "stage": "{stage}: the band follows",
    "out-of-service": "out of service until `sensord return-to-service {what}`: {what}",
    "return-to-service": "in service again: {what}",
    "test-sounds": "every sound once",
}


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of the verb that `parser` is for (the last word of its program name)."""
    verb = parser.prog.split()[-1]
    for word in FIELDS[verb].split():
        name = word.strip("[]")
        if name in _OPTIONS:
            metavar = "DURATION" if name == "for_seconds" else "NAME"
            parser.add_argument(_OPTIONS[name], dest=name, metavar=metavar, help=_HELP[name])
        else:
            optional = word != name
            extra = "; without it every alarm" if verb == "acknowledge" and name == "place" else ""
            nargs = "?" if optional else None
            parser.add_argument(name, metavar=name.upper(), nargs=nargs, help=_HELP[name] + extra)
    add_socket_option(parser)
    parser.add_argument("--json", action="store_true", help="print the answer as JSON")


def add_socket_option(parser: argparse.ArgumentParser) -> None:
    """`--socket PATH`, for every command that talks to the daemon."""
    parser.add_argument(
        "--socket",
        metavar="PATH",
        default=client_path(os.environ),
        help="the daemon's control socket (default: %(default)s)",
    )


def run(options: argparse.Namespace) -> int:
    """Have the daemon do it and print its answer; 1 where it refuses."""
    verb: str = options.verb
    names = [word.strip("[]") for word in FIELDS[verb].split()]
    params: dict[str, object] = {name: given for name in names if (given := getattr(options, name)) is not None}
    if "for_seconds" in params:
        params["for_seconds"] = duration_seconds(str(params["for_seconds"]))
    done, remark = True, ""
    try:
        with ControlClient(options.socket) as client:
            remark = client.call(verb, **params)
    except CommandError as error:
        done, remark = False, str(error)
    if options.json:
        print(json.dumps({"verb": verb, "done": done, "reason": remark}, ensure_ascii=False))
    elif done:
        print(_said(verb, params) + (f" ({remark})" if remark else ""))
    else:
        print(f"not done: {remark}")
    return 0 if done else 1


def _said(verb: str, params: dict[str, object]) -> str:
    what = " ".join(str(params[key]) for key in ("place", "condition") if key in params) or "every alarm"
    seconds = params.get("for_seconds")
    length = f"for {duration_written(seconds)}" if isinstance(seconds, float) else "for as long as the config allows"
    return _DONE[verb].format(what=what, length=length, stage=params.get("stage"))
