"""How often a probe that is in no paste is called ready: `python -m tests.fort.held_probes --count 300 --seed 1`.

Hands, taps and plates of `tests.helpers.not_paste`, ten minutes each, on the usual dish with a probe good to 0.1 °C.
"""

import argparse

from sensord.watch.dish.paste_watch import dish_observed, empty_dish
from sensord.watch.effects import DishState
from tests.helpers.not_paste import KINDS, not_paste
from tests.helpers.usual import usual_dish

__all__ = ["main"]


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.fort.held_probes", description=__doc__)
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--uptake", type=float, default=120.0, help="uptake seconds (default 120)")
    options = parser.parse_args(arguments)
    settings = usual_dish(name="dish", probe="dish", uncertainty_celsius=0.1, uptake_seconds=options.uptake)
    ready: dict[str, list[int]] = {kind: [] for kind in KINDS}
    for run in not_paste(options.count, options.seed, 600.0):
        dish, seconds = empty_dish(settings), 0
        for reading in run.readings:
            dish, _ = dish_observed(settings, dish, reading)
            seconds += dish.state is DishState.READY
        ready[run.kind].append(seconds)
    print("| held in | runs | called ready | of the time | longest |\n|---|---|---|---|---|")
    for kind, each in ready.items():
        called, share = sum(seconds > 0 for seconds in each), sum(each) / (600.0 * len(each))
        print(f"| {kind} | {len(each)} | {called} | {100.0 * share:.1f} % | {max(each)} s |")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
