"""What one reading costs the rules: `python -m tests.bench.estimator`.

Processor time, the best of three. Targets: the estimate of the paste under 1 ms a reading, an hour of a dish at 1 Hz
replayed within 1 s.
"""

import time
from collections.abc import Callable
from pathlib import Path

from sensord.config import settings as assembly
from sensord.physics import cooling
from sensord.readings import Observation, Reading
from sensord.run import replaying as replay
from sensord.watch import nursery as whole
from sensord.watch.events import Observed
from sensord.watch.state import NurserySettings, first_nursery
from tests.bench.table import target

DATA = Path(__file__).parents[1] / "data"
HOUR_SECONDS = 3600.0
READING_TARGET_MILLISECONDS = 1.0
HOUR_TARGET_SECONDS = 1.0


def _settings(probes: set[str]) -> NurserySettings:
    return assembly.nursery_settings(replay.only(replay.config_for(None), probes))


def _steps(settings: NurserySettings, observations: list[Observation]) -> None:
    state = first_nursery(settings, observations[0].seconds)
    for one in observations:
        state, _ = whole.step(settings, state, Observed(one))


def _estimates(readings: list[Reading]) -> None:
    bank = cooling.start(cooling.CoolingSettings(), readings[0].seconds, readings[0].celsius)
    for one in readings[1:]:
        bank = cooling.follow(bank, one.seconds, one.celsius)


def _seconds(act: Callable[[], object]) -> float:
    """Processor seconds, the best of three."""
    taken = []
    for _ in range(3):
        before = time.process_time()
        act()
        taken.append(time.process_time() - before)
    return min(taken)


def main() -> int:
    """Print the rows; 1 where a target is missed."""
    dipped = replay.read(DATA / "dish" / "p002-plain_stirred.readings.csv").observations[60:860]
    paste = [one for one in dipped if isinstance(one, Reading)]
    air = replay.read(DATA / "brooder" / "pb04-heater_open.readings.csv.gz").observations[:2000]
    dish, brooder = _settings({"dish"}), _settings({"brooder"})
    estimate = 1000 * _seconds(lambda: _estimates(paste)) / len(paste)
    dish_step = 1000 * _seconds(lambda: _steps(dish, dipped)) / len(dipped)
    air_step = 1000 * _seconds(lambda: _steps(brooder, air)) / len(air)
    bowls = [replay.read(path).observations for path in sorted((DATA / "dish").glob("*.readings.csv"))]
    replayed = HOUR_SECONDS * _seconds(lambda: [list(replay.run(dish, bowl)) for bowl in bowls]) / sum(map(len, bowls))
    print(
        f"the estimate of the paste alone: {estimate:.3f} ms a reading ({estimate / air_step:.1f} of a brooder's step)"
    )
    print(f"a dish reading through all rules: {dish_step:.3f} ms; a brooder reading: {air_step:.3f} ms")
    print(f"an hour of a dish at 1 Hz replayed: {replayed:.2f} s (from {len(bowls)} bowls)")
    met = [
        target(
            f"the estimate under {READING_TARGET_MILLISECONDS:g} ms a reading", estimate < READING_TARGET_MILLISECONDS
        ),
        target(f"an hour of a dish replayed within {HOUR_TARGET_SECONDS:g} s", replayed < HOUR_TARGET_SECONDS),
    ]
    return 0 if all(met) else 1


if __name__ == "__main__":
    raise SystemExit(main())
