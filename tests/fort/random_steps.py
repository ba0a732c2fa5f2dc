"""Random steps of the whole: whatever comes in, in whatever order, `nursery.step` keeps what it promises.

Checked after each: every command has exactly one answer, or is handed to the log; `ready` never stands with a fault or
without a fresh reading; a danger sounds for its first ten seconds, whatever is asked meanwhile; nothing raises. Every
thousandth state is drawn as the screen draws it and written as the socket writes it.
"""

import json
import random
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from sensord.config.loading import parse
from sensord.config.settings import nursery_settings
from sensord.control.view_wire import effect_json, snapshot_from, snapshot_json
from sensord.readings import Fault, FaultKind, Reading
from sensord.screens.lines import effect_line, snapshot_lines
from sensord.watch.command_table import (
    Acknowledge,
    Entry,
    OutOfService,
    PauseAudio,
    Reset,
    ReturnToService,
    SetStage,
    Shelve,
    StartBatch,
    Unshelve,
)
from sensord.watch.conditions import Condition
from sensord.watch.cues import Priority
from sensord.watch.effects import Answered, DishState
from sensord.watch.events import Command, Event, Gap, Observed, Origin, Tick, Troubled
from sensord.watch.nursery import snapshot, step
from sensord.watch.state import Nursery, first_nursery
from tests.fort.rows import FortRow

__all__ = ["random_steps"]

_LIFE_STEPS = 4000
_FIRST_SECONDS = 10.0
"""So long every danger sounds at its beginning (README, docs/alarms.md)."""
_SETTINGS = nursery_settings(
    parse(
        """
        [probes.air]
        rom = "28-00000000000a"
        place = "brooder"
        [probes.spoon]
        rom = "28-00000000000b"
        place = "dish"
        [brooders.nest]
        probes = ["air"]
        profile = "finches"
        stage = "hatchling"
        [dishes.supper]
        probe = "spoon"
        """,
        "sensord.toml",
    )
)
_PLACES = ("nest", "supper", "unit", "cellar")


def _command(chance: random.Random, now: float) -> Command:
    origin = chance.choice((Origin.MQTT, Origin.MQTT, Origin.CONTROL, Origin.BUTTON))
    place, condition = chance.choice(_PLACES), chance.choice(list(Condition))
    length = chance.choice((None, 1.0, 60.0, 1e9, 5e-324))
    stage, maybe = chance.choice(("hatchling", "feathered", "x")), chance.choice((None, condition))
    makers: list[Callable[[], Command]] = [
        lambda: Acknowledge(seconds=now, origin=origin, place=chance.choice((None, place))),
        lambda: Shelve(seconds=now, origin=origin, place=place, condition=maybe, for_seconds=length),
        lambda: Unshelve(seconds=now, origin=origin, place=place, condition=maybe),
        lambda: Reset(seconds=now, origin=origin, place=place, condition=condition),
        lambda: OutOfService(seconds=now, origin=origin, place=place, condition=condition),
        lambda: ReturnToService(seconds=now, origin=origin, place=place, condition=condition),
        lambda: PauseAudio(seconds=now, origin=origin, for_seconds=length),
        lambda: StartBatch(seconds=now, origin=origin, dish=chance.choice((None, "supper", "x"))),
        lambda: SetStage(seconds=now, origin=origin, stage=stage),
    ]
    return chance.choice(makers)()


class _Walk:
    """One life of a nursery: bath by bath of temperatures, with everything that can happen to it."""

    def __init__(self, seed: int) -> None:
        self.chance = random.Random(seed)
        self.nursery: Nursery = first_nursery(_SETTINGS, 0.0)
        self.now = 0.0
        self.celsius = {"air": 36.5, "spoon": 21.0}
        self.heard = {"air": 0.0, "spoon": 0.0}
        self.danger_since: dict[tuple[str, Condition], float] = {}

    def event(self) -> Event:
        draw, chance = self.chance.random(), self.chance
        if draw < 0.45:
            probe = chance.choice(("air", "spoon"))
            step_celsius = chance.gauss(0, 0.05) if chance.random() < 0.98 else chance.uniform(-15, 15)
            self.celsius[probe] = min(110.0, max(-50.0, self.celsius[probe] + step_celsius))
            self.heard[probe] = self.now
            return Observed(Reading(probe, self.now, round(self.celsius[probe] * 16) / 16))
        if draw < 0.5:
            return Observed(Fault(chance.choice(("air", "spoon")), self.now, chance.choice(list(FaultKind))))
        if draw < 0.9:
            self.now += chance.choice((0.2, 0.5, 1.0, 1.0, 1.0, 30.0))
            return Tick(self.now, None if chance.random() < 0.1 else 1.8e9 + self.now)
        if draw < 0.98:
            return _command(chance, self.now)
        if draw < 0.99:
            return Troubled(self.now, "history", chance.choice(("", "disk is full")))
        return Gap(self.now, chance.choice((None, 60.0, 1e6)), {"air": 34.0})

    def step(self) -> str:
        """What was broken by one step, in words; empty where nothing was."""
        event = self.event()
        self.nursery, effects = step(_SETTINGS, self.nursery, event)
        if isinstance(event, Command) and not isinstance(event, Entry):
            answers = sum(isinstance(effect, Answered) for effect in effects)
            if answers != 1:
                return f"{answers} answers to {event}"
        for name, dish in self.nursery.dishes.items():
            if dish.state is DishState.READY:
                if dish.fault is not None or not dish.finder.in_paste:
                    return f"{name} is ready with {dish.fault} after {event}"
                if self.now - self.heard["spoon"] > _SETTINGS.dishes[name].late_seconds + 30.0:
                    return f"{name} is ready {self.now - self.heard['spoon']:.0f} s after its last reading"
        if quiet := self._quiet_danger():
            return f"{quiet} is not heard after {event}"
        if self.chance.random() < 0.001:
            seen = snapshot(_SETTINGS, self.nursery, self.now)
            snapshot_lines(seen)
            if snapshot_from(json.loads(snapshot_json(seen))) != seen:
                return "the snapshot does not come back as it was"
            for effect in effects:
                effect_line(effect)
                effect_json(effect)
        return ""

    def _quiet_danger(self) -> str:
        """A danger that has come to stand less than ten seconds ago while the horn does not say so."""
        standing = [key for key, alarm in self.nursery.book.alarms.items() if alarm.stands and key[1].is_danger]
        self.danger_since = {key: self.danger_since.get(key, self.now) for key in standing}
        fresh = [key for key, since in self.danger_since.items() if self.now - since < _FIRST_SECONDS]
        return " ".join(fresh[0]) if fresh and self.nursery.alerting.priority is not Priority.HIGH else ""


def _live(life: int, steps: int) -> str:
    """One life of so many steps: what was broken first, or nothing."""
    walk = _Walk(life)
    for number in range(steps):
        try:
            broken = walk.step()
        except Exception as error:  # a row of the table
            broken = f"{type(error).__name__}: {error}"
        if broken:
            return f"life {life}, step {number}: {broken}"
    return ""


def random_steps(_folder: Path, count: int) -> FortRow:
    """`count` steps, in lives of some thousand, side by side on all processors."""
    lives = -(-count // _LIFE_STEPS)
    steps = [min(_LIFE_STEPS, count - life * _LIFE_STEPS) for life in range(lives)]
    with ProcessPoolExecutor() as pool:
        failures = tuple(filter(None, pool.map(_live, range(lives), steps, chunksize=4)))
    return FortRow(attack="random steps of the whole", count=count, failures=failures)
