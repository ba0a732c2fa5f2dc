"""The demo's invented night: one brooder, one bowl, one keeper, told as a table of acts on the simulator.

Two bowls are mixed. The first is cooled with water and stirred, and becomes ready; the second is left alone. The lid
is opened for a feed, which is no alarm. Then the heater fails, which is one; it is mended before long.
"""

import threading
from collections.abc import Callable
from typing import Any

from sensord.demo.fake_tree import FakeProbe, FakeTree, crc_fails
from sensord.demo.simulator import Air, AirMake, BowlMake, ProbeMake, SimulatedBowl

_ROMS = {"nest-warm": "28-00000d5e0001", "nest-cool": "28-00000d5e0002", "bowl": "28-00000d5e0003"}

CONFIG: dict[str, Any] = {
    "unit": {"name": "demo"},
    "probes": {
        "nest-warm": {"rom": _ROMS["nest-warm"], "place": "brooder", "uncertainty_celsius": 0.2},
        "nest-cool": {"rom": _ROMS["nest-cool"], "place": "brooder", "uncertainty_celsius": 0.2},
        "bowl": {"rom": _ROMS["bowl"], "place": "dish", "uncertainty_celsius": 0.15, "time_constant_seconds": 7},
    },
    "brooders": {
        "nest": {
            "probes": ["nest-warm", "nest-cool"],
            "band": {"low_celsius": 33.5, "high_celsius": 36.0, "source": "invented for the demo"},
        }
    },
    "dishes": {"supper": {"probe": "bowl"}},
}


class Scene:
    """The night as a function of the seconds since it began; `probes` answer for any later moment."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._air = {
            "nest-warm": Air(AirMake(target_celsius=35.0, heater_watts=34.0), seed=1),
            "nest-cool": Air(AirMake(target_celsius=34.4, heater_watts=32.0), seed=2),
        }
        self._bowl = self._fresh_bowl(seed=3)
        self._tree: FakeTree | None = None
        self._begun: float | None = None
        self._passed = 0.0
        self._acts = sorted(self._script(), key=lambda act: act[0])

    @property
    def probes(self) -> list[FakeProbe]:
        """The probes of the fake tree, with their temperatures over the tree's clock."""
        return [
            FakeProbe(rom=rom, celsius=lambda seconds, name=name: self._read(name, seconds))  # type: ignore[misc]
            for name, rom in _ROMS.items()
        ]

    def play_on(self, tree: FakeTree) -> None:
        """Let the script unplug and plug probes of `tree` too."""
        self._tree = tree

    def _read(self, name: str, seconds: float) -> float:
        with self._lock:
            self._advance(seconds)
            return self._bowl.read() if name == "bowl" else self._air[name].read()

    def _advance(self, seconds: float) -> None:
        if self._begun is None:
            self._begun = seconds
        until = seconds - self._begun
        while self._acts and self._acts[0][0] <= until:
            at, act = self._acts.pop(0)
            self._pass(at)
            act()
        self._pass(until)

    def _pass(self, until: float) -> None:
        if until <= self._passed:
            return
        for air in self._air.values():
            air.advance(until - self._passed)
        self._bowl.advance(until - self._passed)
        self._passed = until

    def _script(self) -> list[tuple[float, Callable[[], None]]]:
        """When, in seconds, and what."""
        stirs = [stir for at in (70, 150, 255, 345, 435, 545, 650) for stir in self._stir(at, 14)]
        second = [stir for at in (1510, 1620, 1900) for stir in self._stir(at, 10)]
        return [
            (40, lambda: self._bowl.dip()),
            (250, lambda: self._bowl.add_water(5.0, 22.0)),
            *stirs,
            (780, lambda: self._bowl.lift(wiped=True)),
            (800, lambda: self._lid(True)),
            (845, lambda: self._lid(False)),
            (1440, self._mix_again),
            (1480, lambda: self._bowl.dip()),
            *second,
            (1200, lambda: self._heater(False)),
            (1500, lambda: self._spoil(crc_fails)),
            (1530, lambda: self._spoil(None)),
            (2040, lambda: self._heater(True)),
            (2200, lambda: self._bowl.lift()),
        ]

    def _stir(self, at: float, seconds: float) -> list[tuple[float, Callable[[], None]]]:
        return [(at, lambda: self._bowl.stir(True)), (at + seconds, lambda: self._bowl.stir(False))]

    def _fresh_bowl(self, seed: int) -> SimulatedBowl:
        make = BowlMake(millilitres=50, celsius=50, bowl_grams=120, probe=ProbeMake(noise_celsius=0.03))
        return SimulatedBowl(make, seed)

    def _mix_again(self) -> None:
        self._bowl = self._fresh_bowl(seed=4)

    def _lid(self, is_open: bool) -> None:
        for air in self._air.values():
            air.lid_open = is_open

    def _heater(self, works: bool) -> None:
        for air in self._air.values():
            air.heater_works = works

    def _spoil(self, how: Callable[[bytes], bytes] | None) -> None:
        if self._tree is not None:
            # The tree asks for temperatures while it holds its lock: change it from a thread of its own.
            threading.Thread(target=self._tree.spoil, args=(_ROMS["nest-cool"], how), daemon=True).start()
