"""What the stir cue is worth: `python -m tests.bench.stir_when_asked --count 40`.

The same simulated bowls under two keepers: one who leaves the dish alone after dipping, and one who stirs for twelve
seconds, four seconds after each stir cue. Prints how soon after the true entry the tone comes, and how often wrong.
"""

import argparse
import random
import statistics
from dataclasses import dataclass

from sensord.demo.simulator import BowlMake, ProbeMake, SimulatedBowl
from sensord.readings import Reading
from sensord.watch.dish import paste_watch as dish
from sensord.watch.effects import Cue, Cued, DishState

__all__ = ["Course", "course", "main"]


@dataclass(frozen=True, slots=True)
class Course:
    """One dish: seconds from the true entry to the first tone (None: missed), by how much the mean was outside then."""

    delay: float | None
    outside: float
    stirs: int


def course(seed: int, answers: bool) -> Course:
    """One bowl, kept by somebody who answers the stir cue or by somebody who does not."""
    rng = random.Random(seed)
    probe = ProbeMake(
        time_constant_seconds=rng.uniform(4.0, 12.0),
        rest_factor=rng.uniform(1.2, 2.0),
        offset_celsius=rng.gauss(0.0, 0.05),
    )
    room = rng.uniform(18.0, 25.0)
    make = BowlMake(
        millilitres=rng.uniform(25.0, 150.0),
        celsius=rng.uniform(41.0, 46.0),
        bowl=rng.choice(["ceramic", "steel", "plastic"]),
        bowl_grams=90.0,
        bowl_celsius=rng.uniform(28.0, 38.0),
        room_celsius=room,
        probe=probe,
    )
    settings = dish.DishSettings(name="dish", probe="dish", uncertainty_celsius=0.1, uptake_seconds=0.0)
    bowl, state = SimulatedBowl(make, seed), dish.empty_dish(settings)
    entered: float | None = None
    stir_from, stirs = 1e9, 0
    for second in range(2400):
        if second == 20:
            bowl.dip()
        bowl.stir(20 <= second < 40 or stir_from <= second < stir_from + 12)
        bowl.advance(1.0)
        mean = bowl.mean_celsius
        if entered is None and mean <= settings.band.high_celsius:
            entered = bowl.seconds
        if mean < settings.band.low_celsius:
            break
        state, effects = dish.dish_observed(settings, state, Reading("dish", bowl.seconds, bowl.read()))
        if answers and any(isinstance(effect, Cued) and effect.cue is Cue.STIR for effect in effects):
            stir_from, stirs = second + 4.0, stirs + 1
        if state.state is DishState.READY:
            outside = max(0.0, mean - settings.band.high_celsius)
            return Course(bowl.seconds - (bowl.seconds if entered is None else entered), outside, stirs)
    return Course(None, 0.0, stirs)


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.stir_when_asked", description=__doc__)
    parser.add_argument("--count", type=int, default=40)
    options = parser.parse_args(arguments)
    print(
        "| keeper | tones | missed | delay median / p90, s | off by > 0.1 °C | stirs asked |\n|---|---|---|---|---|---|"
    )
    for answers in (False, True):
        courses = [course(seed, answers) for seed in range(options.count)]
        delays = sorted(c.delay for c in courses if c.delay is not None)
        off = sum(c.outside > 0.1 for c in courses)
        name = "stirs when asked" if answers else "leaves it alone"
        p90 = delays[int(0.9 * (len(delays) - 1))]
        stirs = statistics.mean(c.stirs for c in courses)
        missed = options.count - len(delays)
        row = f"{len(delays)} | {missed} | {statistics.median(delays):.0f} / {p90:.0f} | {off} | {stirs:.1f}"
        print(f"| {name} | {row} |")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
