"""`sensord chick`: add a chick, change what is written about it, or list them."""

import argparse
import json
from dataclasses import asdict

from sensord.care.chicks import Chick, age_days
from sensord.commands.history_here import open_history
from sensord.commands.keeping import add_place_options, chick_name, enter, now_utc, say
from sensord.commands.kitchen_options import load_config
from sensord.durations import duration_seconds
from sensord.errors import DataError
from sensord.screens.chick_words import NO_CHICKS


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("name", nargs="?", type=chick_name, metavar="NAME", help="without it: all chicks")
    parser.add_argument("--hatched", metavar="DATE", help="the day it hatched, such as 2024-05-04")
    parser.add_argument("--kind", metavar="KIND", help="its kind, such as 'rock pigeon': picks the feed table")
    parser.add_argument("--mark", metavar="TEXT", help="ring number or colour mark")
    parser.add_argument("--brooder", metavar="NAME", help="where it lives")
    parser.add_argument(
        "--every", metavar="TIME", help="its own feed interval, such as 2h30m; 0 goes back to the tables"
    )
    parser.add_argument("--left", metavar="DATE", help="the day it was weaned, handed on or died")
    add_place_options(parser, socket=True)


def run(options: argparse.Namespace) -> int:
    if options.name is None:
        return _list(options)
    _check_brooder(options)
    hours = None
    if options.every is not None:
        hours = 0.0 if options.every.strip() == "0" else _hours(options.every)
    fields: dict[str, object] = {
        "chick": options.name, "kind": options.kind, "hatched": options.hatched, "mark": options.mark,
        "brooder": options.brooder, "left": options.left, "every_hours": hours,
    }  # fmt: skip
    return say(options, "chick", enter(options, "chick", fields))


def _check_brooder(options: argparse.Namespace) -> None:
    brooders = load_config(options.config).brooders
    if options.brooder and brooders and options.brooder not in brooders:
        raise DataError(f"--brooder {options.brooder}: the config has no such brooder: known are {', '.join(brooders)}")


def _hours(text: str) -> float:
    try:
        return duration_seconds(text) / 3600
    except DataError as error:
        raise DataError(f"--every: {error}") from error


def _list(options: argparse.Namespace) -> int:
    with open_history(options) as reader:
        chicks = reader.chicks()
    if options.json:
        print(json.dumps([asdict(chick) for chick in chicks], default=str, ensure_ascii=False))
        return 0
    print("\n".join(map(_line, chicks)) or NO_CHICKS)
    return 0


def _line(chick: Chick) -> str:
    parts = [chick.name, chick.kind, chick.mark]
    if chick.hatched is not None:
        parts.append(f"hatched {chick.hatched} (day {int(age_days(chick.hatched, now_utc()))})")
    if chick.brooder:
        parts.append(f"in {chick.brooder}")
    if chick.every_hours is not None:
        parts.append(f"every {chick.every_hours:g} h")
    if chick.left is not None:
        parts.append(f"left {chick.left}")
    return ", ".join(part for part in parts if part)
