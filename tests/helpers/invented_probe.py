"""An invented probe in invented baths, and a keeper who moves it when told: for calibrations without a kitchen."""

import math
from dataclasses import dataclass, field

from sensord.commands.calibration_session import Terminal
from sensord.probes.scratchpad import Converted, Decoded, Refused
from sensord.readings import FaultKind
from tests.helpers.fake_clock import FakeClock

__all__ = ["ICE", "WARM", "InventedKeeper", "World"]

ICE, WARM = 0.0, 37.2


@dataclass
class World:
    """A probe that reads `error` too much and follows its medium with `tau`, on a clock of its own."""

    clock: FakeClock = field(default_factory=FakeClock)
    error: float = 0.31
    tau: float = 6.0
    medium: float = 21.0
    tip: float = 21.0
    fault: FaultKind | None = None
    at: float = 0.0

    def read(self) -> Decoded:
        self.clock.advance(0.75)
        now = self.clock.monotonic_seconds()
        self.tip = self.medium + (self.tip - self.medium) * math.exp(-(now - self.at) / self.tau)
        self.at = now
        if self.fault is not None:
            return Refused(self.fault, "invented")
        return Converted(round((self.tip + self.error) * 16) / 16, 12, "")


@dataclass
class InventedKeeper(Terminal):
    """Answers each question by the first key that is in it, and moves the probe as told; others fail the test."""

    world: World
    answers: dict[str, str | list[str] | type[BaseException]]
    said: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    def say(self, text: str) -> None:
        self.said.append(text)
        if "move it into the warm water" in text:
            self.world.medium = WARM

    def show(self, status: str) -> None:
        pass

    def ask(self, question: str) -> str:
        self.asked.append(question)
        if "water" in question and "ice" not in question:
            self.world.medium = WARM
        if "Put the probe in" in question or "ice" in question:
            self.world.medium = ICE
        for words, answer in self.answers.items():
            if words in question:
                if isinstance(answer, list):
                    return answer.pop(0)
                if isinstance(answer, str):
                    return answer
                raise answer
        if question.endswith("press Enter. "):
            return ""
        raise AssertionError(f"not expected: {question}")

    @property
    def text(self) -> str:
        return "\n".join(self.said)
