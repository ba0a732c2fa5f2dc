"""`sensord weigh`: write a weight down, or see how the chicks grow."""

import argparse

from sensord.commands.given import number
from sensord.commands.keeping import add_place_options, chick_name, enter, moment, say


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "chick", nargs="?", type=chick_name, metavar="CHICK", help="without it: every chick's last weight and gain"
    )
    parser.add_argument("grams", nargs="?", type=number, metavar="GRAMS", help="without it: how the chick has grown")
    parser.add_argument("--at", metavar="TIME", help="when, if not now: 06:30 or 2024-05-04T06:30")
    parser.add_argument("--note", default="", metavar="TEXT", help="anything worth keeping")
    parser.add_argument("--sure", action="store_true", help="the number is right although it looks odd")
    parser.add_argument("--undo", action="store_true", help="take the last weight of the chick back")
    add_place_options(parser, socket=True)


def run(options: argparse.Namespace) -> int:
    if options.grams is not None or options.undo:
        return say(options, "weigh", enter(options, "weigh", _entry(options)))
    from sensord.commands.growing import show_growth  # reading takes more than writing, and more to import

    return show_growth(options)


def _entry(options: argparse.Namespace) -> dict[str, object]:
    return {
        "chick": options.chick,
        "grams": options.grams,
        "at_utc_seconds": None if options.at is None else moment(options.at),
        "note": options.note,
        "sure": options.sure,
        "undo": options.undo,
    }
