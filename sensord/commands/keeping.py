"""What the commands of the log share: where the history is, how an entry gets into it, times as people write them."""

import argparse
import json
import os
from datetime import datetime, timedelta
from pathlib import Path

from sensord.clock import SystemClock
from sensord.commands.kitchen_options import load_config
from sensord.config.folders import state_beside
from sensord.config.loading import DEFAULT_PATH
from sensord.control.control_client import ControlClient, DaemonAwayError
from sensord.control.control_wire import client_path
from sensord.errors import CommandError, DataError, StorageError
from sensord.gate.command_reader import read_fields
from sensord.history.database import DamagedError, leaving_nothing
from sensord.history.history_file import FILE_NAME, HistoryFile
from sensord.history.history_reader import HistoryReader
from sensord.log.chick_log import ChickLog
from sensord.watch.command_table import Entry, Giver
from sensord.watch.effects import EntryMade

__all__ = [
    "add_place_options",
    "chick_name",
    "enter",
    "history_path",
    "local",
    "moment",
    "now_utc",
    "open_history",
    "say",
]

# A time of day still to come was yesterday's, if yesterday's is no longer ago than this.
_YESTERDAY_WITHIN = timedelta(hours=12)
_CLOCK = SystemClock()


def chick_name(text: str) -> str:
    """A chick's name as an argument."""
    if not 1 <= len(text.strip()) <= 32:
        raise argparse.ArgumentTypeError(f"'{text[:40]}' is no name for a chick: use 1 to 32 characters")
    return text.strip()


def add_place_options(parser: argparse.ArgumentParser, socket: bool = False) -> None:
    """`--state`, `--config` and `--json`, and `--socket` for commands that write."""
    parser.add_argument("--state", type=Path, metavar="DIR", help="the folder of the history")
    parser.add_argument("--config", type=Path, metavar="FILE", help=f"default: {DEFAULT_PATH} where it exists")
    if socket:
        parser.add_argument(
            "--socket",
            type=Path,
            metavar="PATH",
            default=client_path(os.environ),
            help="the daemon's control socket (default: %(default)s)",
        )
    parser.add_argument("--json", action="store_true", help="for a program to read")


def history_path(options: argparse.Namespace) -> Path:
    """The history's file: `--state`, the config's folder, what systemd hands out, the service's, the user's own."""
    config = load_config(options.config)
    return Path(options.state or state_beside(config, FILE_NAME)) / FILE_NAME


def open_history(options: argparse.Namespace) -> HistoryReader:
    """The reading side. Raises `StorageError` where there is no history yet."""
    try:
        return HistoryReader(history_path(options))
    except DamagedError as error:
        raise StorageError(
            f"{error}: put a copy in its place; without one the daemon's next start sets it aside and begins anew"
        ) from error


def enter(options: argparse.Namespace, verb: str, fields: dict[str, object]) -> tuple[bool, str]:
    """Have an entry stored: by the daemon where one runs, else directly; whether it is, and the answer."""
    try:
        with ControlClient(options.socket) as client:
            return True, client.call(verb, **fields)
    except DaemonAwayError:
        return _enter_directly(options, verb, fields)
    except CommandError as error:
        return False, str(error)


def _enter_directly(options: argparse.Namespace, verb: str, fields: dict[str, object]) -> tuple[bool, str]:
    seconds = _CLOCK.monotonic_seconds()
    try:
        entry = read_fields(verb, fields, seconds, Giver.OWNER)
    except CommandError as error:
        return False, str(error)
    if not isinstance(entry, Entry):
        raise CommandError(f"{verb} is no entry of the log")
    path = history_path(options)
    try:
        with leaving_nothing(path):
            log = ChickLog(HistoryFile(path.parent, _CLOCK, daemon=False), _CLOCK, lambda _event: None)
            try:
                return True, log.write_down(EntryMade(seconds, entry))
            finally:
                log.close()
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
    return _CLOCK.utc_seconds()


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
            return read(text.strip(), here).timestamp()
        except ValueError:
            continue
    raise DataError(f"'{text}' is no time: write 06:30, or 2024-05-04T06:30 with the day")


def _time_of_day(text: str, here: datetime) -> datetime:
    clock = datetime.strptime(text, "%H:%M")  # noqa: DTZ007
    today = here.replace(hour=clock.hour, minute=clock.minute, second=0, microsecond=0)
    yesterday = today - timedelta(days=1)
    return yesterday if today > here and here - yesterday <= _YESTERDAY_WITHIN else today


def _iso(text: str, _here: datetime) -> datetime:
    return datetime.fromisoformat(text).astimezone()
