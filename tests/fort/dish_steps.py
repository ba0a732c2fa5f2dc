"""Random and adversarial sequences against the watch of a dish.

Each sequence starts from one of a few prepared dishes (one of them ready) and must never show `ready` while the last
observation is a fault, while no reading has come for longer than allowed, or while the probe is not in the paste.
"""

import random
from collections.abc import Sequence
from functools import cache
from pathlib import Path

from sensord.demo.simulator import BowlMake, SimulatedBowl
from sensord.readings import Fault, FaultKind, Reading
from sensord.watch.dish import paste_watch as dish
from sensord.watch.dish.dish_state import Dish
from sensord.watch.effects import DishState
from tests.fort.rows import FortRow
from tests.helpers.usual import usual_dish

__all__ = ["broken_promises", "dish_steps"]

SETTINGS = usual_dish(name="dish", probe="dish", uncertainty_celsius=0.1, uptake_seconds=0.0)
KINDS = list(FaultKind)


@cache
def _ready() -> tuple[Dish, float]:
    """A dish that has just been called ready, and when."""
    bowl, state = SimulatedBowl(BowlMake(celsius=39.0, bowl_celsius=37.0), 3), dish.empty_dish(SETTINGS)
    for second in range(900):
        if second == 20:
            bowl.dip()
        bowl.stir(second >= 20 and second % 40 < 12)
        bowl.advance(1.0)
        state, _ = dish.dish_observed(SETTINGS, state, Reading("dish", bowl.seconds, bowl.read()))
        if state.state is DishState.READY:
            return state, bowl.seconds
    raise AssertionError("the prepared dish never became ready")


def broken_promises(acts: Sequence[tuple[str, float | FaultKind]], from_ready: bool = True) -> list[str]:
    """What went wrong, in words; empty where every promise held."""
    state, now = _ready() if from_ready else (dish.empty_dish(SETTINGS), 0.0)
    last = now
    celsius = 37.0
    broken: list[str] = []

    def check(doing: str) -> None:
        if state.state is not DishState.READY:
            return
        if state.fault is not None:
            broken.append(f"ready with {state.fault} standing after {doing}")
        if now - last > SETTINGS.late_seconds:
            broken.append(f"ready with a reading {now - last:.1f} s late after {doing}")
        if not state.finder.in_paste or state.estimate is None:
            broken.append(f"ready with the probe out of the paste after {doing}")

    for kind, value in acts:
        if isinstance(value, FaultKind):
            now += 1.0
            state, _ = dish.dish_observed(SETTINGS, state, Fault("dish", now, value))
            if state.state is DishState.READY:
                broken.append(f"ready with the reading that was a fault ({value})")
        elif kind == "silence":
            now += float(value)
            state, _ = dish.dish_ticked(SETTINGS, state, now)
        else:
            repeats = int(float(value)) if kind == "hold" else 1
            celsius = celsius if kind == "hold" else float(value)
            for _ in range(repeats):
                now += 1.0
                state, _ = dish.dish_observed(SETTINGS, state, Reading("dish", now, round(celsius * 16.0) / 16.0))
                last = now
        check(kind)
    return broken


def _acts(rng: random.Random) -> list[tuple[str, float | FaultKind]]:
    acts: list[tuple[str, float | FaultKind]] = []
    celsius = 37.0
    for _ in range(rng.randint(1, 12)):
        draw = rng.random()
        if draw < 0.2:
            acts.append(("fault", rng.choice(KINDS)))
        elif draw < 0.35:
            acts.append(("silence", rng.choice([0.5, 5.0, 5.5, 60.0, 200.0])))
        elif draw < 0.5:
            acts.append(("hold", rng.randint(1, 12)))
        else:
            celsius = rng.choice([celsius - 0.3, celsius + 0.3, rng.uniform(35.5, 38.5), rng.uniform(-10.0, 105.0)])
            acts.append(("reading", celsius))
    return acts


def dish_steps(_folder: Path, count: int) -> FortRow:
    """Some `count` steps of a dish, in sequences of a dozen acts; one in eight starts before any dip."""
    chance, failures, number, steps = random.Random(1), list[str](), 0, 0
    while steps < count:
        acts = _acts(chance)
        steps += sum(int(value) if kind == "hold" else 1 for kind, value in acts if not isinstance(value, FaultKind))
        steps += sum(isinstance(value, FaultKind) for _, value in acts)
        broken = broken_promises(acts, from_ready=number % 8 != 0)
        number += 1
        if broken:
            failures.append(f"sequence {number}: {broken[0]}: {acts}")
    return FortRow(attack="random steps of a dish", count=steps, failures=tuple(failures), seen=f"{number} sequences")
