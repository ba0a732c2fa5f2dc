"""The history on this machine: where its file is, opened for reading, or written to where no daemon runs."""

import argparse
from pathlib import Path

from sensord.clock import SystemClock
from sensord.commands.kitchen_options import load_config
from sensord.config.folders import state_beside
from sensord.errors import CommandError, StorageError
from sensord.gate.command_gate import read_fields
from sensord.history.database import DamagedError, leaving_nothing
from sensord.history.history_file import FILE_NAME, HistoryFile
from sensord.history.history_reader import HistoryReader
from sensord.log.chick_log import ChickLog
from sensord.watch.command_table import Entry, Giver
from sensord.watch.effects import EntryMade


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


def enter_directly(options: argparse.Namespace, verb: str, fields: dict[str, object]) -> tuple[bool, str]:
    """Have an entry stored where no daemon runs; whether it is, and the answer."""
    clock = SystemClock()
    seconds = clock.monotonic_seconds()
    try:
        entry = read_fields(verb, fields, seconds, Giver.OWNER)
    except CommandError as error:
        return False, str(error)
    if not isinstance(entry, Entry):
        raise CommandError(f"{verb} is no entry of the log")
    path = history_path(options)
    try:
        with leaving_nothing(path):
            log = ChickLog(HistoryFile(path.parent, clock, daemon=False), clock, lambda _event: None)
            try:
                return True, log.write_down(EntryMade(seconds, entry))
            finally:
                log.close()
    except CommandError as error:
        return False, str(error)
