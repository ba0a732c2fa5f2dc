"""A keeper at a terminal, as the dialogue of a calibration sees them."""

from textwrap import fill
from typing import TextIO

from sensord.commands.terminal import forget_typed
from sensord.errors import CommandError

__all__ = ["Terminal"]

_COLUMNS = 96


class Terminal:
    """A keeper at a terminal, or at the end of a pipe: then plain lines, and a status every ten seconds of readings."""

    _EVERY = 10

    def __init__(self, answers: TextIO, out: TextIO) -> None:
        self._answers = answers
        self._out = out
        self._live = out.isatty()
        self._shown = 0
        self._width = 0

    def say(self, text: str) -> None:
        told = "\n".join(fill(line, _COLUMNS, replace_whitespace=False) for line in text.splitlines())
        print(told, file=self._out, flush=True)

    def ask(self, question: str) -> str:
        forget_typed(self._answers)
        print(question, end="", file=self._out, flush=True)
        line = self._answers.readline()
        if not line:
            print(file=self._out)
            raise CommandError("stopped, as no answer came: nothing was changed")
        return line.strip()

    def show(self, status: str) -> None:
        if self._live:
            print(f"\r{status:<{self._width}}", end="" if status else "\r", file=self._out, flush=True)
            self._width = len(status)
        elif status:
            if self._shown % self._EVERY == 0:
                print(status, file=self._out, flush=True)
            self._shown += 1
        else:
            self._shown = 0
