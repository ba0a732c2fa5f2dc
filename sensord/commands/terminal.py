"""The terminal: single keys without Enter, given back as it was found, and which characters it can show."""

import codecs
import io
import os
import select
import signal
import sys
import termios
import threading
import tty
from collections.abc import Mapping
from contextlib import suppress
from datetime import UTC, datetime, tzinfo
from types import TracebackType
from typing import Any, Self, TextIO

from sensord.clock import Clock
from sensord.screens.page import ASCII, BLOCKS, Glyphs
from sensord.texts import plain_text

_NAMED = {
    "\t": "next",
    "\x1b[B": "next",
    "\x1b[C": "next",
    "\x1bOB": "next",
    "\x1bOC": "next",
    "\x1b[Z": "previous",
    "\x1b[A": "previous",
    "\x1b[D": "previous",
    "\x1bOA": "previous",
    "\x1bOD": "previous",
}
# In these languages terminals may draw line and block characters two cells wide (Unicode UAX 11, "ambiguous").
_WIDE_LANGUAGES = ("ja", "ko", "zh")


def forget_typed(stream: TextIO) -> None:
    """Drop what was typed at a terminal so far: it is no answer to a question that had not been asked."""
    if stream.isatty():
        with suppress(termios.error, OSError):
            termios.tcflush(stream, termios.TCIFLUSH)


class Keyboard:
    """Keys of the terminal on `descriptor` while the `with` block lasts; where that is no terminal there are none.

    The terminal's settings come back however the block ends. Ctrl-C stays an interrupt; Ctrl-Z is off, because a
    suspended dashboard would leave its screen behind.
    """

    def __init__(self, descriptor: int | None = None) -> None:
        if descriptor is None:
            descriptor = -1 if sys.stdin is None else sys.stdin.fileno()  # None where it was closed at the start
        self._descriptor = descriptor
        self._before: list[Any] | None = None
        self._typed = ""

    def __enter__(self) -> Self:
        if os.isatty(self._descriptor):
            self._before = termios.tcgetattr(self._descriptor)
            tty.setcbreak(self._descriptor, termios.TCSANOW)  # a key pressed while this was starting counts
            single = termios.tcgetattr(self._descriptor)
            single[6][termios.VSUSP] = b"\x00"
            termios.tcsetattr(self._descriptor, termios.TCSANOW, single)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._before is not None:
            termios.tcsetattr(self._descriptor, termios.TCSAFLUSH, self._before)

    @property
    def present(self) -> bool:
        """Whether keys can come at all."""
        return self._before is not None

    def read(self, within_seconds: float) -> str:
        """The key pressed within that time of life; `next` or `previous` for tab and arrows, empty for none."""
        typed, self._typed = self._typed, ""
        if not typed:
            watched = [self._descriptor] if self.present else []
            ready, _, _ = select.select(watched, [], [], within_seconds)
            if not ready:
                return ""
            typed = os.read(self._descriptor, 32).decode(errors="replace")
        if not typed:  # the terminal has gone
            return "q"
        if typed not in _NAMED and not typed.startswith("\x1b"):
            self._typed = typed[1:]  # typed faster than the screen is drawn
        return _NAMED.get(typed, typed[:1].lower())


def fitting_glyphs(encoding: str | None, environment: Mapping[str, str]) -> Glyphs:
    """Block characters where the encoding has them and they are one cell wide, ASCII elsewhere."""
    try:
        is_utf8 = codecs.lookup(encoding or "ascii").name == "utf-8"
    except LookupError:
        is_utf8 = False
    names = (environment.get(name, "") for name in ("LC_ALL", "LC_CTYPE", "LANG"))
    language = next((name for name in names if name), "")
    return BLOCKS if is_utf8 and not language.startswith(_WIDE_LANGUAGES) else ASCII


def stop_on_signals() -> threading.Event:
    """An event that SIGTERM, SIGQUIT (Ctrl-\\) and a closed terminal set, so that the screen is given back."""
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGQUIT, signal.SIGHUP):
        signal.signal(number, lambda *_: stop.set())
    return stop


def zone_of(clock: Clock) -> tzinfo:
    """The time zone of whoever looks."""
    return datetime.fromtimestamp(clock.utc_seconds(), UTC).astimezone().tzinfo or UTC


def say_lines(lines: list[str]) -> None:
    """Print lines at once."""
    for line in lines:
        print(plain_text(line), flush=True)


def say_as_utf_8() -> TextIO:
    """Standard output for what is kept as a file, which is UTF-8 wherever it is made."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(encoding="utf-8")
    return sys.stdout
