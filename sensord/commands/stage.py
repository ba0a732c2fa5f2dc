"""`sensord stage`: say which stage the chicks of a brooder have reached, where no age can tell (pin feathers)."""

import argparse
import json

from sensord.commands.alarms import add_socket_option
from sensord.edges.control_client import ControlClient
from sensord.errors import CommandError

__all__ = ["arguments", "run"]


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("stage", metavar="STAGE", help="of the brooder's profile; `sensord brooder` lists them")
    parser.add_argument("--brooder", metavar="NAME", help="which brooder, where there are several")
    add_socket_option(parser)
    parser.add_argument("--json", action="store_true", help="print the answer as JSON")


def run(options: argparse.Namespace) -> int:
    """Send it and print the answer; 1 where the daemon refuses."""
    params = {"stage": options.stage} | ({"brooder": options.brooder} if options.brooder else {})
    done, reason = True, ""
    try:
        with ControlClient(options.socket) as client:
            reason = client.call("stage", **params)
    except CommandError as error:
        done, reason = False, str(error)
    if options.json:
        print(json.dumps({"verb": "stage", "done": done, "reason": reason}, ensure_ascii=False))
    else:
        print(f"{options.stage}: the band follows" if done else f"not done: {reason}")
    return 0 if done else 1
