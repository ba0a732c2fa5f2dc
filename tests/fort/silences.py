"""How long a standing alarm can be kept silent: attacks on the horn, heard on its mock pin in virtual time.

`python -m tests.fort.silences` prints the longest silence and the sum of all silences under each attack over six
hours of the shipped limits. Commands go straight into the watch, past every limit of rate that socket and broker have.
"""

import argparse
import random
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final

from sensord.config.loading import parse
from sensord.config.sections import ChimeSection
from sensord.config.settings import nursery_settings
from sensord.pins.chime import Chime
from sensord.readings import Reading
from sensord.watch.alarms.alarm_book import HEARD_SECONDS, AlarmSettings
from sensord.watch.command_table import (
    Acknowledge,
    OutOfService,
    PauseAudio,
    ReturnToService,
    Shelve,
    TestSounds,
    Unshelve,
)
from sensord.watch.conditions import Condition
from sensord.watch.events import Command, Event, Observed, Origin, Tick
from sensord.watch.nursery import step
from sensord.watch.state import first_nursery
from tests.helpers.fake_clock import FakeClock
from tests.helpers.recorded_pins import beeps, recording_factory

__all__ = ["ATTACKS", "SETTINGS", "Silence", "silence_under"]

_PIN: Final = 18
_USUAL_SECONDS: Final = 9.0
"""Between two bursts of a medium alarm lie eight seconds; a longer gap is a silence."""
_SHORT_SECONDS: Final = 0.05
"""What is shorter is no pulse of any sound."""
_DANGER_CELSIUS, _COLD_CELSIUS = 40.0, 32.0
SETTINGS: Final = nursery_settings(
    parse(
        """
        [probes.air]
        rom = "28-00000000000a"
        place = "brooder"
        [brooders.nest]
        probes = ["air"]
        band = { low_celsius = 33.0, high_celsius = 36.0 }
        """,
        "sensord.toml",
    )
)

_WAYS: Final = {"network": Origin.MQTT, "socket": Origin.CONTROL}

Attack = Callable[[float], list[Command]]
"""What is sent in a second."""


@dataclass(frozen=True, slots=True)
class Silence:
    """What the horn's pin did from the alarm's beginning: longest silence, sum of all silences, and first sounding."""

    longest_seconds: float
    total_seconds: float
    first_sounding_seconds: float


def _each(way: Origin, *makers: Callable[[float, Origin], Command], every: int = 1) -> Attack:
    return lambda now: [make(now, way) for make in makers] if now % every == 0 else []


def _acknowledge(now: float, way: Origin) -> Command:
    return Acknowledge(seconds=now, origin=way)


def _pause(now: float, way: Origin) -> Command:
    return PauseAudio(seconds=now, origin=way)


def _shelve(now: float, way: Origin) -> Command:
    return Shelve(seconds=now, origin=way, place="nest")


def _unshelve(now: float, way: Origin) -> Command:
    return Unshelve(seconds=now, origin=way, place="nest")


def _out(now: float, way: Origin) -> Command:
    return OutOfService(seconds=now, origin=way, place="nest", condition=Condition.DANGEROUSLY_WARM)


def _back(now: float, way: Origin) -> Command:
    return ReturnToService(seconds=now, origin=way, place="nest", condition=Condition.DANGEROUSLY_WARM)


def _test_sounds(now: float, way: Origin) -> Command:
    return TestSounds(seconds=now, origin=way)


def _anything(way: Origin) -> Attack:
    rng = random.Random(11)
    makers = [_acknowledge, _pause, _shelve, _unshelve, _out, _back, _test_sounds]
    return lambda now: [rng.choice(makers)(now, way) for _ in range(3)]


ATTACKS: Final[Mapping[str, tuple[bool, Attack]]] = {
    "network: pause renewed each 5 s": (True, _each(Origin.MQTT, _pause, every=5)),
    "network: acknowledged each second": (True, _each(Origin.MQTT, _acknowledge)),
    "network: acknowledged, paused, shelved each second": (True, _each(Origin.MQTT, _acknowledge, _pause, _shelve)),
    "network: anything, three a second": (True, _anything(Origin.MQTT)),
    "network: unshelved and shelved in turn": (False, _each(Origin.MQTT, _unshelve, _shelve, every=30)),
    "network: pause of a milder alarm each 5 s": (False, _each(Origin.MQTT, _pause, every=5)),
    "socket: acknowledged each second": (True, _each(Origin.CONTROL, _acknowledge)),
    "socket: pause renewed each 5 s": (True, _each(Origin.CONTROL, _pause, every=5)),
    "socket: out of service each second": (True, _each(Origin.CONTROL, _out)),
    "socket: sounds tested each second": (True, _each(Origin.CONTROL, _test_sounds)),
    "socket: sounds tested each second at a milder alarm": (False, _each(Origin.CONTROL, _test_sounds)),
    "socket: anything, three a second": (True, _anything(Origin.CONTROL)),
    "button held down, a press a second": (True, _each(Origin.BUTTON, _acknowledge, _pause)),
}
"""By name: whether a danger stands (else `too-cold`), and what is sent."""


def silence_under(name: str, seconds: float, rules: AlarmSettings = SETTINGS.alarms) -> Silence:
    """Let the air stand outside its band under an attack, until `seconds` after the alarm began."""
    is_danger, attack = ATTACKS[name]
    settings = replace(SETTINGS, alarms=rules)
    clock = _HandClock()
    factory, changes = recording_factory(clock)
    chime = Chime(ChimeSection(kind="active", pin=_PIN, self_test=False), clock, factory)
    nursery, began = first_nursery(settings, 0.0), None
    try:
        while began is None or clock.monotonic_seconds() < began + seconds:
            now = clock.monotonic_seconds()
            celsius = max(_COLD_CELSIUS, min(_DANGER_CELSIUS, 35.0 + (0.02 if is_danger else -0.02) * now))
            events: list[Event] = [Observed(Reading("air", now, celsius + now % 3 / 16)), Tick(now), *attack(now)]
            for event in events:
                nursery, effects = step(settings, nursery, event)
                for effect in effects:
                    chime.handle(effect)
            stands = [key[1].is_danger == is_danger and alarm.stands for key, alarm in nursery.book.alarms.items()]
            if began is None and any(stands):
                began = now
            _play_until(chime, clock, now + 1.0)
    finally:
        chime.close()
        factory.close()
    return _silence([beep[:2] for beep in beeps(changes, _PIN) if beep[1] > _SHORT_SECONDS], began, began + seconds)


class _HandClock(FakeClock):
    """The chime's own thread never sees time pass; we play what is due ourselves."""

    def wait(self, wake: threading.Event, seconds: float) -> bool:
        del seconds
        return wake.wait()


def _play_until(chime: Chime, clock: FakeClock, target: float) -> None:
    while (due := chime._next_seconds) is not None and due <= target:
        clock.advance(max(0.0, due - clock.monotonic_seconds()))
        chime._play()
    clock.advance(max(0.0, target - clock.monotonic_seconds()))


def _silence(heard: list[tuple[float, float]], began: float, end: float) -> Silence:
    """From the (onset, length) of each beep."""
    edges = [began, *(edge for onset, length in heard for edge in (onset, onset + length)), end]
    gaps = [(before, after - before) for before, after in zip(edges[::2], edges[1::2], strict=True)]
    silences = [(start, gap) for start, gap in gaps if gap > _USUAL_SECONDS]
    first = silences[0][0] if silences else end
    return Silence(max(gap for _, gap in gaps), sum(gap for _, gap in silences), first - began)


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.fort.silences", description=__doc__)
    parser.add_argument("--hours", type=float, default=6.0)
    options = parser.parse_args(arguments)
    limits, failures = SETTINGS.alarms.silence_seconds, 0
    print("| attack | longest silence | all silences | first sounding |\n|---|---|---|---|")
    for name, (is_danger, _) in ATTACKS.items():
        found = silence_under(name, 3600 * options.hours)
        most = next((limits[way] for word, way in _WAYS.items() if name.startswith(word)), float("inf"))
        holds = found.total_seconds <= most + _USUAL_SECONDS
        holds &= not is_danger or found.first_sounding_seconds >= HEARD_SECONDS
        failures += not holds
        print(
            f"| {name} | {found.longest_seconds:.0f} s | {found.total_seconds:.0f} s"
            f" | {found.first_sounding_seconds:.1f} s |{'' if holds else ' BEYOND THE LIMIT'}",
            flush=True,
        )
    print(f"{len(ATTACKS)} attacks over {options.hours:g} h, {failures} beyond the limit")
    return 1 if failures else 0


if __name__ == "__main__":
    raise SystemExit(main())
