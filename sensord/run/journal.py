"""What systemd hears of the daemon: lines for the journal, and whether it is ready, alive or on its way out.

One line per event, with its level; nothing for single readings, no secrets. Under systemd each line carries the
`<N>` prefix of sd-daemon(3); elsewhere plain text goes to the given stream.
"""

import logging
import os
import socket
import sys
import threading
import traceback
from collections.abc import Mapping
from types import TracebackType
from typing import TextIO

from sensord.durations import duration, foretold
from sensord.texts import plain_text
from sensord.watch.cues import Priority
from sensord.watch.effects import (
    AlarmChanged,
    AlarmState,
    Alerting,
    Answered,
    BandMoved,
    BatchStarted,
    Cued,
    DishChanged,
    Effect,
    Forecast,
    GapFound,
    Noted,
)
from sensord.watch.views import Snapshot

_CRITICAL, _ERROR, _WARNING, INFO = 2, 3, 4, 6  # syslog(3) levels
_LEVELS = {Priority.HIGH: _CRITICAL, Priority.MEDIUM: _ERROR, Priority.LOW: _WARNING}


def under_systemd(stream: TextIO) -> bool:
    """Whether `stream` goes straight to the journal (systemd.exec(5), `$JOURNAL_STREAM`)."""
    try:
        status = os.fstat(stream.fileno())
    except (OSError, ValueError):
        return False
    return os.environ.get("JOURNAL_STREAM") == f"{status.st_dev}:{status.st_ino}"


class Journal:
    """An output of the daemon that writes lines."""

    name = "journal"

    def __init__(self, stream: TextIO = sys.stderr) -> None:
        self._stream = stream
        self._prefixed = under_systemd(stream)
        self._in_trouble: frozenset[str] = frozenset()

    def handle(self, item: Effect | Snapshot) -> None:
        if isinstance(item, Snapshot):
            self._outputs(item)
            return
        told = _told(item)
        if told is not None:
            level, text = told
            self.write(level, plain_text(text))

    def _outputs(self, snapshot: Snapshot) -> None:
        """An output that has just failed, or works again: once each, however long it lasts."""
        failed = {output.name: output.words for output in snapshot.outputs if not output.working}
        for name in failed.keys() - self._in_trouble:
            self.write(_ERROR, f"output {name} is in trouble: {failed[name]}")
        for name in self._in_trouble - failed.keys():
            self.write(INFO, f"output {name} works again")
        self._in_trouble = frozenset(failed)

    def write(self, level: int, text: str) -> None:
        """Write `text` at a syslog level; every line of it gets the prefix, and all but the first a margin.

        So a line end in what somebody else has said begins no line that looks like one of ours.
        """
        for number, each in enumerate(text.splitlines()):
            line = f"{'  | ' if number else ''}{plain_text(each)}"
            print(f"<{level}>{line}" if self._prefixed else line, file=self._stream, flush=True)

    def adopt(self) -> None:
        """From now on also take what the modules log, and what ends a thread or the process: each line with its level.

        journald would file all lines of a traceback but the first under the level of plain output.
        """
        logging.basicConfig(
            handlers=[_Handler(self)], format="%(name)s: %(message)s", level=logging.WARNING, force=True
        )
        sys.excepthook = self._ended
        threading.excepthook = lambda hook: self._ended(
            hook.exc_type, hook.exc_value, hook.exc_traceback, hook.thread.name if hook.thread else ""
        )

    def _ended(
        self,
        kind: type[BaseException],
        error: BaseException | None,
        trace: TracebackType | None,
        thread: str = "",
    ) -> None:
        where = f"thread {thread}: " if thread else ""
        self.write(_ERROR, where + "".join(traceback.format_exception(kind, error, trace)))

    def words(self) -> str:
        return ""

    def close(self) -> None:
        self._stream.flush()


class _Handler(logging.Handler):
    """From the modules' loggers to the journal."""

    def __init__(self, journal: Journal) -> None:
        super().__init__()
        self._journal = journal

    def emit(self, record: logging.LogRecord) -> None:
        serious = record.levelno >= logging.ERROR
        self._journal.write(_ERROR if serious else _WARNING, self.format(record))


def _told(item: Effect) -> tuple[int, str] | None:
    match item:
        case AlarmChanged():
            level = _LEVELS[item.priority] if item.state is AlarmState.UNACKNOWLEDGED else INFO
            air = "" if item.celsius is None else f" at {item.celsius:.1f} °C"
            return (
                level,
                f"alarm {item.place} {item.condition}: {item.state}{air} ({item.priority.word}, {item.origin})",
            )
        case DishChanged():
            paste = f", paste about {item.estimate_celsius.middle:.1f} °C" if item.estimate_celsius else ""
            return INFO, f"dish {item.dish}: {item.state}{paste}" + (f": {item.why}" if item.why else "")
        case Noted():
            fault = f" {item.fault}" if item.fault else ""
            gap = f" of {item.gap_seconds:.0f} s" if item.gap_seconds is not None else ""
            return (_WARNING if item.fault else INFO), f"probe {item.probe}: {item.what}{fault}{gap}"
        case Forecast():
            when = foretold(item.in_seconds)
            return _WARNING, f"forecast {item.place} {item.condition}: {when}"
        case BandMoved():
            return INFO, f"brooder {item.place}: band is now {item.band} ({item.band_source})"
        case BatchStarted():
            return INFO, f"dish {item.dish}: batch started ({item.origin})"
        case GapFound():
            length = "for an unknown time" if item.gap_seconds is None else f"for {duration(item.gap_seconds)}"
            return _WARNING, f"nobody watched {length}: {_air(item)}"
        case Answered(done=False):
            return _WARNING, f"command {item.verb} ({item.origin}) refused: {item.reason}"
        case Answered():
            return INFO, f"command {item.verb} ({item.origin}) done"
        case Cued():
            return INFO, f"sound {item.cue}" + (f" for {item.dish}" if item.dish else "")
        case Alerting(priority=priority) if priority is not None:
            return _WARNING, f"horn on: {priority.word}"
        case _:
            return None


def _air(gap: GapFound) -> str:
    moved = [
        f"{probe} went from {before:.1f} to {gap.after_celsius[probe]:.1f} °C"
        for probe, before in gap.before_celsius.items()
        if probe in gap.after_celsius
    ]
    return ", ".join(moved) or "no reading to compare"


class Notifier:
    """Tells systemd: ready, alive, stopping (sd_notify(3)); does nothing where `$NOTIFY_SOCKET` is not set."""

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        address = environment.get("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        microseconds = environment.get("WATCHDOG_USEC", "")
        self.watchdog_seconds = int(microseconds) / 1e6 if microseconds.isdigit() else None

    def ready(self, status: str) -> None:
        """The daemon watches."""
        self._send(f"READY=1\nSTATUS={status}")

    def alive(self) -> None:
        """Feed the watchdog; called by the owner thread only."""
        self._send("WATCHDOG=1")

    def status(self, status: str) -> None:
        """One line for `systemctl status`."""
        self._send(f"STATUS={status}")

    def stopping(self) -> None:
        """The daemon is on its way out, on purpose."""
        self._send("STOPPING=1")

    def _send(self, text: str) -> None:
        if not self._address:
            return
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
            try:
                out.connect(self._address)
                out.sendall(text.encode())
            except OSError:
                return  # nobody listens: the watch goes on all the same
