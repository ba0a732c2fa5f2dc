"""The same bowls with other probes: `python -m tests.bench.redraw_probes FOLDER OUT --copies 6 --seed 1`.

Rules that were worked out on forty bowls fit those forty probes. Here the truth of each bowl is kept (mean, coldest,
hottest, what the keeper did, what the bus did), and the probe in it is drawn anew: its offset, time constant, stem and
noise, and at each stir the place where the tip comes to rest. OUT then holds as many dishes as wanted in the layout of
the given ones, for `tests.bench.score_dishes`. Families `wall` and `hot_spots` are left out: their truth does not say
what the tip touches.

The tip rests at `hottest - share (hottest - coldest)`, with one share from a stir to the next. `RESTS` are the deciles
of that share over 105 rests of the given bowls, found by least squares with each probe's own parameters; what was left
was the noise of the probes. While stirred the share is about a tenth.
"""

import argparse
import json
import random
from dataclasses import replace
from pathlib import Path

from sensord.demo.simulator import ProbeMake
from sensord.readings import Fault, Observation, Reading
from tests.bench.make_dishes import write
from tests.bench.scenarios import Scenario, load

__all__ = ["main", "redrawn"]

RESTS = (0.01, 0.05, 0.06, 0.08, 0.095, 0.115, 0.135, 0.165, 0.185, 0.23, 0.55)
STIRRED = 0.1
TICK_SECONDS = 0.2
LEFT_OUT = ("wall", "hot_spots")
CALIBRATED_SHARE = 0.42


class _Probe:
    """A probe, drawn at random, in the paste of a scenario."""

    def __init__(self, scenario: Scenario, room_celsius: float, rng: random.Random) -> None:
        self._scenario, self._room, self._random = scenario, room_celsius, rng
        self.uncertainty = 0.1 if rng.random() < CALIBRATED_SHARE else 0.5
        spread = 0.05 if self.uncertainty < 0.2 else 0.2
        self._make = ProbeMake(
            offset_celsius=max(-self.uncertainty, min(self.uncertainty, rng.gauss(0.0, spread))),
            time_constant_seconds=rng.uniform(4.0, 12.0),
            rest_factor=rng.uniform(1.15, 2.0),
            air_seconds=rng.uniform(40.0, 75.0),
            stem_seconds=rng.uniform(30.0, 65.0),
            stem_share=rng.uniform(0.02, 0.07),
            stem_loss=rng.choice([0.04, rng.uniform(0.02, 0.18)]),
            noise_celsius=rng.uniform(0.02, 0.06),
        )
        self._tip = self._stem = _first_celsius(scenario) - self._make.offset_celsius
        self._wet = self._in_bath = False
        self._below_water: tuple[float, float] | None = None  # since when hot water lies on top; the core under it
        self._share = self._rest()

    def _rest(self) -> float:
        at = self._random.random() * (len(RESTS) - 1)
        first = min(int(at), len(RESTS) - 2)
        return RESTS[first] + (at - first) * (RESTS[first + 1] - RESTS[first])

    def meet(self, kind: str, seconds: float, wiped: bool) -> None:
        """Something was done to the bowl."""
        match kind:
            case "stir_start":
                self._share = max(0.0, self._random.gauss(STIRRED, 0.03))
            case "stir_stop" | "dip":
                self._share = self._rest()
            case "lift":
                self._wet = not wiped
            case "bath_in":
                self._in_bath = True
            case "add_hot":
                self._below_water = seconds, self._scenario.at(seconds - 1.0)[0]
            case _:
                pass

    def advance(self, seconds: float) -> None:
        """Let one tick pass."""
        *_, place, stirring = self._scenario.at(seconds)
        make = self._make
        if place == "air":
            target, lag, stem_lag = self._room - (4.0 if self._wet else 0.0), make.air_seconds, make.air_seconds
            self._wet = self._wet and self._random.random() > TICK_SECONDS / 60.0
        else:
            lag = make.time_constant_seconds * (1.0 if stirring else make.rest_factor)
            target, stem_lag = self._spot(seconds), make.stem_seconds
        self._tip, self._stem = make.followed(self._tip, self._stem, target, lag, stem_lag, self._room, TICK_SECONDS)

    def _spot(self, seconds: float) -> float:
        mean, cold, hot, _, stirring = self._scenario.at(seconds)
        core = hot
        if self._in_bath and hot - mean > 0.4 * (mean - cold):  # the rim is the hottest then
            core = mean - (0.13 * (cold - mean) + 0.1 * (hot - mean)) / 0.77
        if self._below_water is not None:
            since, below = self._below_water
            below += (mean - below) * TICK_SECONDS / (3.0 if stirring else 6.0)
            core = min(core, below + 0.1)
            mixed = seconds > since + 5.0 and abs(mean - below) < 0.15
            self._below_water = None if mixed else (since, below)
        return core - self._share * (core - cold)

    def read(self) -> float:
        """What it says now, in steps of 1/16 °C."""
        return self._make.said(self._tip, self._stem, self._random)


def _first_celsius(scenario: Scenario) -> float:
    return next(o.celsius for o in scenario.observations if isinstance(o, Reading) and o.celsius not in (0.0, 85.0))


def redrawn(scenario: Scenario, room_celsius: float, rng: random.Random, name: str) -> Scenario:
    """`scenario` with another probe in it. Times of the readings and faults of the bus stay as they were."""
    probe = _Probe(scenario, room_celsius, rng)
    events = sorted(scenario.events, key=lambda event: float(event["t_s"]))
    readings: list[Observation] = []
    frozen: float | None = None
    tick = met = 0
    for given in scenario.observations:
        while tick * TICK_SECONDS <= given.seconds + 1e-6:
            seconds = tick * TICK_SECONDS
            while met < len(events) and events[met]["t_s"] <= seconds + 1e-6:
                probe.meet(events[met]["kind"], seconds, bool(events[met].get("wiped", True)))
                if events[met]["kind"].startswith("frozen"):
                    frozen = probe.read() if events[met]["kind"] == "frozen_start" else None
                met += 1
            probe.advance(seconds)
            tick += 1
        artefact = isinstance(given, Fault) or given.celsius in (0.0, 85.0)
        celsius = probe.read() if frozen is None else frozen
        readings.append(given if artefact else Reading(given.probe, given.seconds, celsius))
    return replace(scenario, name=name, uncertainty=probe.uncertainty, observations=tuple(readings))


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.redraw_probes", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--copies", type=int, default=6, help="probes for each bowl (default: %(default)s)")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args(arguments)
    entries = [json.loads(line) for line in (options.folder / "index.jsonl").read_text().splitlines()]
    rooms = {entry["name"]: float(entry["parameters"]["room_c"]) for entry in entries}
    made = []
    for scenario in load(options.folder):
        if scenario.family not in LEFT_OUT:
            for copy in range(options.copies):
                rng = random.Random(f"{scenario.name} {copy} {options.seed}")
                made.append(redrawn(scenario, rooms[scenario.name], rng, f"{scenario.name}-probe{copy}"))
    write(options.out, made)
    print(f"{len(made)} dishes in {options.out}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
