"""What the commands of the log share: how an entry gets into the history, times as people write them.

Light on purpose: who writes a feed down at night should not wait for what only a reader of the history needs.
"""

import argparse
import json
from datetime import datetime, timedelta

from sensord.commands.command_verbs import add_socket_option
from sensord.control.control_client import ControlClient, DaemonAwayError
from sensord.errors import CommandError, DataError

# A time of day still to come was yesterday's, if yesterday's is no longer ago than this.
_YESTERDAY_WITHIN = timedelta(hours=12)
_LATEST_UTC_SECONDS = 9.2e10


def chick_name(text: str) -> str:
    """A chick's name as an argument."""
    if not 1 <= len(text.strip()) <= 32:
        raise argparse.ArgumentTypeError(f"'{text[:40]}' is no name for a chick: use 1 to 32 characters")
    return text.strip()


def add_place_options(parser: argparse.ArgumentParser, socket: bool = False) -> None:
    """`--state`, `--config` and `--json`, and `--socket` for commands that write."""
    parser.add_argument("--state", metavar="DIR", help="the folder of the history")
    parser.add_argument("--config", metavar="FILE", help="default: that of the system, where there is one")
    if socket:
        add_socket_option(parser)
    parser.add_argument("--json", action="store_true", help="for a program to read")


def enter(options: argparse.Namespace, verb: str, fields: dict[str, object]) -> tuple[bool, str]:
    """Have an entry stored: by the daemon where one runs, else directly; whether it is, and the answer."""
    try:
        with ControlClient(options.socket) as client:
            return True, client.call(verb, **fields)
    except DaemonAwayError:
        from sensord.commands.history_here import enter_directly

        return enter_directly(options, verb, fields)
    except CommandError as error:
        return False, str(error)


def say(options: argparse.Namespace, verb: str, answer: tuple[bool, str]) -> int:
    """Print the answer to an entry; the exit code."""
    done, reason = answer
    if options.json:
        print(json.dumps({"verb": verb, "done": done, "reason": reason}, ensure_ascii=False))
    else:
        print(reason if done else f"not written down: {reason}")
    return 0 if done else 1


def now_utc() -> float:
    """The wall clock."""
    from sensord.clock import SystemClock

    return SystemClock().utc_seconds()


def local(utc_seconds: float) -> datetime:
    """As the wall clock of this machine's place shows it."""
    return datetime.fromtimestamp(utc_seconds).astimezone()


def moment(text: str, now: float | None = None) -> float:
    """UTC seconds of `06:30` (today's, or last night's), `2024-05-04`, `2024-05-04T06:30` or RFC 3339; local time.

    Raises `DataError` naming what to write.
    """
    here = local(now_utc() if now is None else now)
    for read in (_time_of_day, _iso):
        try:
            found = read(text.strip(), here).timestamp()
        except (ValueError, OverflowError):
            continue
        if not 0 <= found <= _LATEST_UTC_SECONDS:
            raise DataError(f"'{text}' lies outside of what a log can hold: the years 1970 to 4884")
        return found
    raise DataError(f"'{text}' is no time: write 06:30, or 2024-05-04T06:30 with the day")


def _time_of_day(text: str, here: datetime) -> datetime:
    clock = datetime.strptime(text, "%H:%M")  # noqa: DTZ007
    today = here.replace(hour=clock.hour, minute=clock.minute, second=0, microsecond=0)
    yesterday = today - timedelta(days=1)
    return yesterday if today > here and here - yesterday <= _YESTERDAY_WITHIN else today


def _iso(text: str, _here: datetime) -> datetime:
    return datetime.fromisoformat(text).astimezone()
