"""`sensord stage`: say which stage the chicks of a brooder have reached, where no age can tell (pin feathers)."""

import argparse

from sensord.commands.alarm_verbs import add_socket_option, send

__all__ = ["arguments", "run"]


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("stage", metavar="STAGE", help="of the brooder's profile; `sensord brooder` lists them")
    parser.add_argument("--brooder", metavar="NAME", help="which brooder, where there are several")
    add_socket_option(parser)
    parser.add_argument("--json", action="store_true", help="print the answer as JSON")


def run(options: argparse.Namespace) -> int:
    """Send it and print the answer; 1 where the daemon refuses."""
    params: dict[str, object] = {"stage": options.stage} | ({"brooder": options.brooder} if options.brooder else {})
    return send(options, params, f"{options.stage}: the band follows")
