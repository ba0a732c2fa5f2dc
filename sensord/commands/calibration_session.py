"""The dialogue of a calibration: prompts, readings until they settle, answers asked again until they make sense.

Nothing is stored from here; leaving at any point (Ctrl-C, Ctrl-D, `stop`) leaves everything as it was.
"""

import re
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from math import inf
from statistics import fmean
from textwrap import fill
from typing import TextIO

from sensord.clock import Clock
from sensord.commands.terminal import forget_typed
from sensord.errors import CommandError, DataError
from sensord.physics.calibrating import (
    ICE_CELSIUS,
    Plateau,
    Point,
    Response,
    Sample,
    check_near,
    comparison_components,
    ice_components,
    settled,
    time_constant,
)
from sensord.probes.scratchpad import Converted, Decoded

_PATIENCE_SECONDS = 900.0
_MOST_FAULTS_IN_A_ROW = 8
_MOST_FAULT_SHARE = 0.2
_COMPARE_LOW_CELSIUS, _COMPARE_HIGH_CELSIUS = 30.0, 45.0
_SURPRISE_CELSIUS = 1.5
_NUMBER = re.compile(r"([+-]?[0-9]{1,6}(?:[.,][0-9]{0,6})?)\s*(?:°?\s*[cC])?")
_BLOCKS = "▁▂▃▄▅▆▇█"
_PLOTTED = 32
_COLUMNS = 96
_SHOWN_EVERY = 10


class Terminal:
    """The keeper at a terminal, or at the end of a pipe: then plain lines, and a status every ten readings."""

    def __init__(self, answers: TextIO, out: TextIO) -> None:
        self._answers = answers
        self._out = out
        self._live = out.isatty()
        self._shown = 0
        self._width = 0

    def say(self, text: str) -> None:
        """Tell something."""
        told = "\n".join(fill(line, _COLUMNS, replace_whitespace=False) for line in text.splitlines())
        print(told, file=self._out, flush=True)

    def ask(self, question: str) -> str:
        """The answer, without blanks around it. Raises `CommandError` where no answer will come."""
        forget_typed(self._answers)
        print(question, end="", file=self._out, flush=True)
        line = self._answers.readline()
        if not line:
            print(file=self._out)
            raise CommandError("stopped, as no answer came: nothing was changed")
        return line.strip()

    def show(self, status: str) -> None:
        """Show a line that the next one replaces; an empty one ends it."""
        if self._live:
            print(f"\r{status:<{self._width}}", end="" if status else "\r", file=self._out, flush=True)
            self._width = len(status)
        elif status:
            if self._shown % _SHOWN_EVERY == 0:
                print(status, file=self._out, flush=True)
            self._shown += 1
        else:
            self._shown = 0


@dataclass(frozen=True, slots=True)
class Session:
    """One calibration: `read` takes one reading of the probe and may block as long as the kernel does."""

    keeper: Terminal
    clock: Clock
    read: Callable[[], Decoded]

    def ice_point(self, repeats: int) -> Point:
        """The probe in melting ice, put in `repeats` times. Raises `CommandError` where it does not settle."""
        self.keeper.say(
            "Ice point. Fill a thermos or a wrapped cup to the bottom with crushed ice of clean water, fill the gaps"
            " with cold water, and pour off what makes the ice float. Lay the whole sheath in the middle of it, clear"
            " of the wall, and leave it alone."
        )
        asked = ["Put the probe in", *["Take it out, stir the ice, and put it back"] * (repeats - 1)]
        plateaus = [self._immersion(what, "in the ice", ICE_CELSIUS) for what in asked]
        return Point(fmean(plateau.celsius for plateau in plateaus), ICE_CELSIUS, ice_components(plateaus))

    def comparison(self, repeats: int, reference_expanded: float) -> Point:
        """The probe beside a reference thermometer near 37 °C. Raises `CommandError` where it does not settle."""
        self.keeper.say(
            "Comparison. Fill a bowl or thermos with a litre or more of water of about 37 °C. Tie the probe and the tip"
            " of the reference together, hold both in the middle, and stir all the while."
        )
        plateaus: list[Plateau] = []
        references: list[float] = []
        step = 0.0
        while len(plateaus) < repeats:
            what = "Take both out, stir, and put them back" if plateaus else "Put both in the water"
            plateau = self._immersion(what, "in the water")
            if (answer := self._reference(plateau)) is not None:
                value, step = answer
                plateaus.append(plateau)
                references.append(value)
        # The bath cools a little from one immersion to the next: what repeats is the difference, not the reading.
        true = fmean(references)
        moved = [replace(p, celsius=p.celsius - value + true) for p, value in zip(plateaus, references, strict=True)]
        reading = fmean(plateau.celsius for plateau in plateaus)
        return Point(reading, true, comparison_components(moved, reference_expanded, step))

    def boil(self) -> Plateau:
        """The probe in boiling water. Raises `CommandError` where it does not settle."""
        self.keeper.say(
            "Boiling point, a gross check only. Keep a pot of water at a rolling boil. Hold the whole sheath in it,"
            " clear of bottom and wall, with tongs: steam and water scald at once. Keep the cable out of the steam."
        )
        return self._immersion("Put the probe in the boiling water", "in the boiling water")

    def response(self, repeats: int) -> list[Response]:
        """The time constant, `repeats` times from ice water into warm water.

        Raises `CommandError` where a plateau does not come, or the rise is no clean step and the keeper gives up.
        """
        self.keeper.say(
            "Time constant. Put ready: ice water, and beside it a litre of water of 35 to 45 °C. The probe goes from"
            " the one into the other in one go, whole sheath in, and the warm water is stirred all the while."
        )
        found: list[Response] = []
        while len(found) < repeats:
            cold = self._immersion("Put the probe in the ice water", "in the ice water")
            self.keeper.say("Now move it into the warm water, in one go, and stir. No key to press: I see it.")
            try:
                samples, warm = self._collected("in the warm water", over=cold.celsius + 5, seconds_between=0.0)
                found.append(time_constant(samples, cold, warm))
            except (CommandError, DataError) as error:
                self._again(error)
        return found

    def confirm(self) -> bool:
        """Whether to keep the result."""
        return self._choose("Keep this? [yes/no] ", ("yes", "no")) == "yes"

    def keep_again(self) -> bool:
        """Whether to try to keep the result once more."""
        return self._choose("Try again to keep it? [yes/no] ", ("yes", "no")) == "yes"

    def ask_number(self, question: str, low: float, high: float, unit: str) -> float:
        """A number between the limits, asked again until it is one."""
        while True:
            answer = self._ask(question)
            value = _number(answer)
            if value is not None and low <= value <= high:
                return value
            self.keeper.say(f"'{answer}' is no number from {low:g} to {high:g} {unit}. Once more, or 'stop' to leave.")

    def _immersion(self, what: str, where: str, true_celsius: float | None = None) -> Plateau:
        """One immersion that settles, in a bath of `true_celsius` where that is known; again as often as wanted."""
        while True:
            self._ask(f"{what}, then press Enter. ")
            try:
                _, plateau = self._collected(where)
                self.keeper.say(f"Settled at {plateau.celsius:.2f} °C ({plateau.readings} readings).")
                if true_celsius is not None:
                    check_near(plateau.celsius, true_celsius)
                return plateau
            except (CommandError, DataError) as error:
                self._again(error)

    def _again(self, error: Exception) -> None:
        """Say why an immersion does not count. Raises `CommandError` where the keeper does not want another."""
        self.keeper.say(f"That one does not count: {error}.")
        if self._choose("Try it again? [yes/no] ", ("yes", "no")) == "no":
            raise CommandError("given up") from error

    def _reference(self, plateau: Plateau) -> tuple[float, float] | None:
        """What the reference reads, and the step of its display; None where the keeper wants this immersion again."""
        doubted: float | None = None
        while True:
            answer = self._ask("What does the reference read now, in °C ('back' to settle again)? ")
            if answer == "back":
                return None
            value = _number(answer)
            if value is None:
                self.keeper.say(f"'{answer}' is no temperature. Type it as shown, such as 36.9.")
            elif not _COMPARE_LOW_CELSIUS <= value <= _COMPARE_HIGH_CELSIUS:
                self.keeper.say(
                    f"{value:g} °C is not near 37 °C. Bring the water to {_COMPARE_LOW_CELSIUS:.0f} to"
                    f" {_COMPARE_HIGH_CELSIUS:.0f} °C and answer 'back', or type the number again."
                )
            elif abs(value - plateau.celsius) > _SURPRISE_CELSIUS and value != doubted:
                doubted = value
                self.keeper.say(
                    f"The probe reads {plateau.celsius:.2f} °C, {abs(value - plateau.celsius):.1f} °C away. If"
                    f" {value:g} is right, type it once more; else type what it really reads."
                )
            else:
                return value, 10.0 ** -_decimals(answer)

    def _collected(self, where: str, over: float = -inf, seconds_between: float = 1.0) -> tuple[list[Sample], Plateau]:
        """Read until it stands still, warmer than `over` Celsius: all readings, and the plateau at their end.

        Raises `CommandError` where the probe fails too often, or it takes too long.
        """
        samples: list[Sample] = []
        started = self.clock.monotonic_seconds()
        faults = in_a_row = 0
        while True:
            stands = settled(samples)
            if isinstance(stands, Plateau) and samples[-1].celsius > over:
                self.keeper.show("")
                return samples, stands
            before = self.clock.monotonic_seconds()
            decoded = self.read()
            now = self.clock.monotonic_seconds()
            if isinstance(decoded, Converted):
                samples.append(Sample(now, decoded.celsius))
                in_a_row = 0
                self.keeper.show(_status(samples))
            else:
                faults, in_a_row = faults + 1, in_a_row + 1
                self.keeper.show(f"no reading: {decoded.kind.value}")
                self._check_faults(faults, in_a_row, len(samples), decoded.kind.value)
            if now - started > _PATIENCE_SECONDS:
                self.keeper.show("")
                raise CommandError(
                    f"it did not settle {where} within {_PATIENCE_SECONDS / 60:.0f} minutes: {settled(samples)}"
                )
            # A read waits for the conversion by itself; on a tree that answers at once the pace is kept here.
            self.clock.wait(threading.Event(), max(seconds_between - (now - before), 0.05))

    def _check_faults(self, faults: int, in_a_row: int, good: int, kind: str) -> None:
        if in_a_row >= _MOST_FAULTS_IN_A_ROW or (faults > 10 and faults > _MOST_FAULT_SHARE * good):
            self.keeper.show("")
            raise CommandError(
                f"the probe failed {faults} times ({kind}), too often to calibrate it: see to its wiring first"
                " (`sensord checkup` says what to look at)"
            )

    def _choose(self, question: str, answers: tuple[str, ...]) -> str:
        while (answer := self._ask(question).lower()) not in answers:
            self.keeper.say(f"'{answer}' is neither {' nor '.join(answers)}: type one of them.")
        return answer

    def _ask(self, question: str) -> str:
        answer = self.keeper.ask(question)
        if answer.lower() in ("stop", "quit"):
            raise CommandError("stopped: nothing was changed")
        return answer


def _number(text: str) -> float | None:
    """A temperature as a display shows it or a person writes it: 36.9, 36,9, 36.9 °C."""
    found = _NUMBER.fullmatch(text)
    return None if found is None else float(found[1].replace(",", "."))


def _decimals(text: str) -> int:
    """How many digits stand behind the point."""
    return sum(sign.isdigit() for sign in text.replace(",", ".").partition(".")[2])


def _status(samples: list[Sample]) -> str:
    """A sparkline of the last readings, the newest one, and what it waits for."""
    shown = [sample.celsius for sample in samples[-_PLOTTED:]]
    low, span = min(shown), max(max(shown) - min(shown), 0.5)
    line = "".join(_BLOCKS[min(int(8 * (value - low) / span), 7)] for value in shown)
    state = settled(samples)
    return f"{line}  {shown[-1]:.2f} °C  {state if isinstance(state, str) else 'settled'}"
