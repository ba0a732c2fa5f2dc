"""What the tests of every key share: which key a test turns, a config with it, and a nursery to see what changes."""

import inspect
import math
from collections.abc import Callable
from typing import TypeVar

from sensord.config.loading import parse
from sensord.config.sections import Config
from sensord.config.settings import nursery_settings
from sensord.readings import Reading
from sensord.watch import nursery as whole
from sensord.watch.conditions import Condition
from sensord.watch.effects import AlarmChanged, AlarmState, Answered, DishChanged, Effect
from sensord.watch.events import Command, Event, Observed, Tick
from sensord.watch.state import first_nursery

__all__ = ["AIR", "PASTE", "ROOM", "TURNED", "Watched", "config", "turns"]

AIR, PASTE, ROOM = "28-00000000000a", "28-00000000000b", "28-00000000000c"
TURNED: dict[str, str] = {}
"""Keys of the config, as `section.key`, with the test that turns each."""

_Test = TypeVar("_Test", bound=Callable[..., object])


def turns(*keys: str) -> Callable[[_Test], _Test]:
    """Marks a test as the one that turns these keys and sees what changes; the test has to name each."""

    def marked(test: _Test) -> _Test:
        for key in keys:
            assert key.rpartition(".")[2] in inspect.getsource(test).partition("def ")[2], f"{test} never says {key}"
            TURNED[key] = test.__name__
        return test

    return marked


def config(more: str = "", *, air: str = "", paste: str = "", nest: str = "", supper: str = "") -> Config:
    """Two places with three probes; `nest` replaces the brooder's band, the others add keys to their tables."""
    nest = nest or "band = { low_celsius = 33.0, high_celsius = 36.0 }"
    text = f"""
        [probes.air]
        rom = "{AIR}"
        place = "brooder"
        {air}
        [probes.spoon]
        rom = "{PASTE}"
        place = "dish"
        {paste}
        [probes.wall]
        rom = "{ROOM}"
        place = "room"
        [brooders.nest]
        {nest if "probes" in nest else 'probes = ["air"]' + chr(10) + nest}
        [dishes.supper]
        probe = "spoon"
        {supper}
        {more}
        """
    return parse(text, "sensord.toml")


class Watched:
    """A nursery that is held to a config: feed it, and look what came of it and when."""

    def __init__(self, held_to: Config, utc_seconds: float | None = None) -> None:
        self.settings = nursery_settings(held_to)
        self.nursery = first_nursery(self.settings, 0.0)
        self.utc_seconds = utc_seconds
        self.seconds = 0.0
        self.effects: list[Effect] = []

    def feed(self, *events: Event) -> list[Effect]:
        made: list[Effect] = []
        for event in events:
            self.nursery, effects = whole.step(self.settings, self.nursery, event)
            made += effects
        self.effects += made
        return made

    def give(self, command: Command) -> Answered:
        (answer,) = [each for each in self.feed(command) if isinstance(each, Answered)]
        return answer

    def tick(self) -> None:
        self.seconds += 1.0
        self.feed(Tick(self.seconds, None if self.utc_seconds is None else self.utc_seconds + self.seconds))

    def read(self, celsius: float, seconds: float, probe: str = "air") -> "Watched":
        """The probe reads this, once a second for so long."""
        for _ in range(int(seconds)):
            self.tick()
            self.feed(Observed(Reading(probe, self.seconds, celsius)))
        return self

    def silence(self, seconds: float) -> "Watched":
        for _ in range(int(seconds)):
            self.tick()
        return self

    def dip(self, hot: float = 41.0, seconds: float = 500.0, tau: float = 1500.0) -> "Watched":
        """A minute in the room, then in paste that cools as it does, read by a probe that lags by seven seconds."""
        tip = 21.0
        for second in range(int(60 + seconds)):
            medium = 21.0 if second < 60 else 21.0 + (hot - 21.0) * math.exp(-(second - 60) / tau)
            tip += (medium - tip) * (1 - math.exp(-1 / 7.0))
            noise = 0.05 * math.sin(second * 1.7)
            self.tick()
            self.feed(Observed(Reading("spoon", self.seconds, round((tip + noise) * 16) / 16)))
        return self

    def stands(self, condition: Condition, place: str = "nest") -> bool:
        return self.nursery.book.get(place, condition).stands

    def alarm(self, condition: Condition, state: AlarmState = AlarmState.UNACKNOWLEDGED) -> list[float]:
        """When the alarm of the condition went into a state."""
        found = [each for each in self.effects if isinstance(each, AlarmChanged)]
        return [each.seconds for each in found if each.condition is condition and each.state is state]

    def dish(self, state: str) -> list[float]:
        """When the dish went into a state."""
        return [each.seconds for each in self.effects if isinstance(each, DishChanged) and each.state.value == state]
