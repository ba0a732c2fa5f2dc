"""`sensord feed`: write a feed down, or see who is due and how much to mix."""

import argparse
import json

from sensord.commands.given import number
from sensord.commands.keeping import add_place_options, chick_name, enter, moment, now_utc, say


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "chick", nargs="?", type=chick_name, metavar="CHICK", help="without it: who is due, and how much to mix"
    )
    parser.add_argument("millilitres", nargs="?", type=number, metavar="ML", help="how much it took")
    parser.add_argument("--crop", metavar="HOW", help="the crop before the feed: empty, nearly or full")
    parser.add_argument("--celsius", type=number, metavar="C", help="of the formula; without it what the dish showed")
    parser.add_argument("--at", metavar="TIME", help="when, if not now: 06:30 or 2024-05-04T06:30")
    parser.add_argument("--note", default="", metavar="TEXT", help="anything worth keeping")
    parser.add_argument("--sure", action="store_true", help="the numbers are right although they look odd")
    parser.add_argument("--undo", action="store_true", help="take the last feed of the chick back")
    add_place_options(parser, socket=True)


def run(options: argparse.Namespace) -> int:
    if options.chick is None:
        return _who_is_due(options)
    fields: dict[str, object] = {
        "chick": options.chick,
        "millilitres": options.millilitres,
        "crop": options.crop,
        "celsius": options.celsius,
        "at_utc_seconds": None if options.at is None else moment(options.at),
        "note": options.note,
        "sure": options.sure,
        "undo": options.undo,
    }
    return say(options, "feed", enter(options, "feed", fields))


def _who_is_due(options: argparse.Namespace) -> int:
    from dataclasses import asdict

    from sensord.commands.history_here import open_history
    from sensord.log.chick_log import chick_views
    from sensord.screens.chick_words import chick_lines, planned_batch_millilitres

    now = now_utc()
    with open_history(options) as reader:
        chicks = chick_views(reader, now)
    if options.json:
        print(json.dumps([asdict(chick) for chick in chicks], ensure_ascii=False))
        return 0
    for line in chick_lines(chicks, now):
        print(line)
    total = planned_batch_millilitres(chicks)
    if total:
        unweighed = sum(chick.grams is None for chick in chicks)
        without = f", without the {unweighed} not weighed yet" if unweighed else ""
        print(f"one feed of all: {total:.1f} ml{without}; `sensord mix --from-log` plans the bowl")
    return 0
