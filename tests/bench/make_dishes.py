"""More simulated dishes, of the same families as the given ones, from `demo.simulator`: as many as wanted, by seed.

The keeper here stirs by habit and never answers a cue.
"""

import random
from dataclasses import dataclass, field
from typing import Any

from sensord.demo.simulator import BowlMake, ProbeMake, SimulatedBowl
from sensord.readings import Fault, FaultKind, Observation, Reading
from tests.bench.scenarios import Scenario, Stay

__all__ = ["make", "make_many"]

FAMILIES = {
    "plain_stirred": 5, "plain_left": 3, "dilute_once": 4, "overshoot": 2, "cold_hot_water": 2, "cold_bath": 2,
    "bath_hold": 2, "hot_spots": 3, "stays_cold": 1, "dip_in_band": 3, "near_miss": 2, "bus_faults": 3, "frozen": 2,
    "lifted": 2, "warm_probe": 2,
}  # fmt: skip
BAND = (36.0, 38.0)
TICK = 0.2


@dataclass(slots=True)
class _Run:
    """One dish in the making."""

    random: random.Random
    bowl: SimulatedBowl
    family: str
    uncertainty: float
    stir_every: tuple[float, float]
    events: list[dict[str, Any]] = field(default_factory=list)
    observations: list[Observation] = field(default_factory=list)
    truth: list[tuple[float, float, float, str, bool]] = field(default_factory=list)
    faults: list[tuple[float, float, str, float]] = field(default_factory=list)
    frozen: float | None = None
    reading_due: float = 0.0
    stir_due: float = 1e9
    stir_stop: float = 1e9
    crc: float = 0.0

    def note(self, kind: str, **details: Any) -> None:
        self.events.append({"t_s": round(self.bowl.seconds, 1), "kind": kind, **details})

    def tick(self) -> None:
        """One step of the model, one row of truth a second, one reading about every second."""
        bowl = self.bowl
        if bowl.seconds >= self.stir_stop:
            self.stir(False)
        elif bowl.seconds >= self.stir_due:
            self.stir(True, self.random.uniform(5.0, 20.0))
        if bowl.seconds >= len(self.truth) - 1e-6:
            place = "wall" if bowl.on_wall else "paste" if bowl.in_paste else "air"
            self.truth.append((bowl.mean_celsius, bowl.coldest_celsius, bowl.hottest_celsius, place, bowl.stirring))
        if bowl.seconds >= self.reading_due - 1e-6:
            self.reading_due += 0.8 if self.random.random() < 0.05 else 1.0
            self.observe()
        bowl.advance(TICK)

    def stir(self, on: bool, seconds: float = 0.0) -> None:
        self.bowl.stir(on)
        self.note("stir_start" if on else "stir_stop")
        now = self.bowl.seconds
        self.stir_stop = now + seconds if on else 1e9
        self.stir_due = 1e9 if on else now + self.random.uniform(*self.stir_every)

    def observe(self) -> None:
        seconds = round(self.bowl.seconds, 2)
        celsius = self.bowl.read() if self.frozen is None else self.frozen
        for start, end, kind, share in self.faults:
            if start <= seconds <= end and self.random.random() < share:
                if kind == "gap":
                    return
                if kind in ("crc_error", "no_response"):
                    self.observations.append(Fault("dish", seconds, FaultKind(kind)))
                    return
                celsius = 85.0 if kind == "power_on" else 0.0
        if self.random.random() < self.crc:
            self.observations.append(Fault("dish", seconds, FaultKind.CRC_ERROR))
            return
        self.observations.append(Reading("dish", seconds, celsius))

    def wait(self, seconds: float) -> None:
        end = self.bowl.seconds + seconds
        while self.bowl.seconds < end:
            self.tick()

    def until(self, celsius: float, longest: float = 1500.0, below: bool = True) -> None:
        end = self.bowl.seconds + longest
        while self.bowl.seconds < end and (self.bowl.mean_celsius > celsius) == below:
            self.tick()

    def dip(self, stir: bool = True) -> None:
        self.bowl.dip()
        self.note("dip", true_mean_c=round(self.bowl.mean_celsius, 2))
        if stir:
            self.stir(True, self.random.uniform(10.0, 35.0))

    def lift(self) -> None:
        wiped = self.random.random() < 0.4
        self.bowl.lift(wiped)
        self.note("lift", wiped=wiped)

    def water(self, celsius: float, target: float, stir_after: tuple[float, float] = (1.0, 15.0)) -> None:
        bowl = self.bowl
        mean = bowl.mean_celsius
        grams = max(3.0, bowl.grams * 3.75 * (target - mean) / (4.18 * (celsius - target)))
        bowl.add_water(grams, celsius)
        kind = "add_hot" if celsius > mean else "add_cool"
        self.note(kind, grams=round(grams, 1), water_c=celsius, mean_change_c=round(bowl.mean_celsius - mean, 2))
        self.stir_due, self.stir_stop = bowl.seconds + self.random.uniform(*stir_after), 1e9


def make(family: str, seed: int) -> Scenario:
    """One dish of `family`."""
    rng = random.Random(f"{family} {seed}")
    calibrated = rng.random() < 0.45
    uncertainty = 0.1 if calibrated else 0.5
    offset = rng.gauss(0.0, 0.05) if calibrated else max(-0.5, min(0.5, rng.gauss(0.0, 0.2)))
    if calibrated:
        offset = max(-0.1, min(0.1, offset))
    probe = ProbeMake(
        time_constant_seconds=rng.uniform(4.0, 12.0),
        rest_factor=rng.uniform(1.15, 2.0),
        air_seconds=rng.uniform(40.0, 75.0),
        offset_celsius=offset,
        stem_share=rng.uniform(0.02, 0.07),
        stem_loss=rng.uniform(0.02, 0.18),
        stem_seconds=rng.uniform(30.0, 65.0),
        noise_celsius=rng.uniform(0.02, 0.06),
    )
    room = rng.uniform(18.0, 27.0)
    start = {
        "cold_hot_water": (25.0, 28.0), "cold_bath": (27.0, 34.0), "stays_cold": (28.0, 33.0),
        "hot_spots": (41.0, 46.0),
        "dip_in_band": (37.2, 38.2), "near_miss": (35.6, 36.4), "bath_hold": (43.0, 50.0), "lifted": (42.0, 48.0),
        "warm_probe": (38.5, 46.0), "plain_left": (45.0, 52.0),
    }.get(family, (46.0, 55.0))  # fmt: skip
    bowl_kind = rng.choice(["ceramic", "ceramic", "steel", "plastic"])
    grams = {"ceramic": (80, 300), "steel": (30, 120), "plastic": (18, 60)}[bowl_kind]
    preheated = rng.random() < 0.25
    make_ = BowlMake(
        millilitres=rng.uniform(18.0, 180.0),
        celsius=rng.uniform(*start),
        bowl=bowl_kind,
        bowl_grams=rng.uniform(*grams),
        bowl_celsius=rng.uniform(30.0, 41.0) if preheated else room,
        room_celsius=room,
        humidity=rng.uniform(0.35, 0.7),
        draught=rng.uniform(0.6, 1.4),
        hand_held=rng.random() < 0.5,
        probe=probe,
    )
    run = _Run(rng, SimulatedBowl(make_, seed), family, uncertainty, (35.0, 120.0))
    if family == "plain_left":
        run.stir_every = (400.0, 1200.0)
    run.crc = 0.002 if rng.random() < 0.5 else 0.0
    _before(run)
    _DURING.get(family, _cool_down)(run)
    if run.bowl.in_paste:
        run.lift()
    run.wait(rng.uniform(20.0, 50.0))
    return _scenario(run, f"{family}-{seed}")


def _before(run: _Run) -> None:
    rng = run.random
    if run.family in ("dip_in_band", "near_miss"):
        run.bowl.wall = run.bowl.mean_celsius - rng.uniform(0.5, 4.0)
    if run.family == "warm_probe":
        run.bowl.tip = run.bowl.stem = rng.uniform(50.0, 75.0)
        run.note("trap", what="hot rinsed probe cooling in air")
        run.bowl.stir(True)
        run.wait(rng.uniform(60.0, 120.0))
    else:
        run.bowl.stir(run.family not in ("hot_spots",) and rng.random() < 0.8)
        run.wait(rng.uniform(5.0, 60.0) if run.family not in ("dip_in_band", "near_miss") else rng.uniform(5.0, 11.0))
    run.dip(rng.random() < 0.8)


def _finish(run: _Run) -> None:
    """Feed while it lasts: draw paste now and then, and go on until well below the band."""
    rng = run.random
    end = run.bowl.seconds + 900.0
    draw = run.bowl.seconds + rng.uniform(40.0, 120.0) if rng.random() < 0.6 else 1e9
    while run.bowl.mean_celsius > 35.4 and run.bowl.seconds < end:
        if run.bowl.seconds > draw:
            run.bowl.draw(rng.uniform(5.0, 12.0))
            run.note("draw")
            draw = run.bowl.seconds + rng.uniform(40.0, 120.0)
        run.tick()


def _cool_down(run: _Run) -> None:
    run.until(37.9)
    _finish(run)


def _dilute(run: _Run) -> None:
    run.wait(run.random.uniform(70.0, 250.0))
    if run.bowl.mean_celsius > 40.0:
        run.water(run.random.uniform(8.0, 23.0), max(run.random.uniform(37.0, 41.5), run.bowl.mean_celsius - 12.0))
        run.wait(45.0)
    _cool_down(run)


def _overshoot(run: _Run) -> None:
    run.wait(run.random.uniform(70.0, 150.0))
    run.water(run.random.uniform(8.0, 20.0), run.random.uniform(33.0, 35.5))
    run.wait(run.random.uniform(50.0, 100.0))
    run.water(run.random.uniform(60.0, 88.0), run.random.uniform(36.4, 38.4))
    run.wait(60.0)
    _cool_down(run)


def _cold_hot(run: _Run) -> None:
    run.wait(run.random.uniform(60.0, 110.0))
    run.water(run.random.uniform(60.0, 88.0), run.random.uniform(34.5, 40.5))
    run.wait(run.random.uniform(60.0, 90.0))
    if run.bowl.mean_celsius < 36.0:
        run.water(run.random.uniform(60.0, 88.0), run.random.uniform(36.3, 38.0))
        run.wait(60.0)
    _cool_down(run)


def _bath(run: _Run, celsius: float) -> None:
    run.wait(20.0)
    run.bowl.bath(celsius)
    run.note("bath_in", bath_c=celsius)


def _cold_bath(run: _Run) -> None:
    _bath(run, run.random.uniform(40.0, 45.0))
    run.until(36.2, 900.0, below=False)
    run.wait(run.random.uniform(20.0, 250.0))
    run.bowl.bath(None)
    run.note("bath_out")
    _cool_down(run)


def _bath_hold(run: _Run) -> None:
    _bath(run, run.random.uniform(37.0, 40.0))
    run.until(37.8, 900.0)
    run.wait(run.random.uniform(60.0, 400.0))
    run.bowl.bath(None)
    run.note("bath_out")
    _cool_down(run)


def _hot_spots(run: _Run) -> None:
    run.bowl.leave_lump(run.random.uniform(50.0, 65.0), run.random.uniform(0.02, 0.06))
    _cool_down(run)


def _stays_cold(run: _Run) -> None:
    run.wait(run.random.uniform(120.0, 250.0))


def _bus_faults(run: _Run) -> None:
    rng = run.random
    at = run.bowl.seconds
    for _ in range(rng.randint(2, 6)):
        at += rng.uniform(5.0, 200.0)
        kind = rng.choice(["crc_error", "no_response", "gap", "power_on", "zeros"])
        length = rng.uniform(1.5, 3.5) if kind in ("power_on", "zeros") else rng.uniform(8.0, 35.0)
        share = rng.uniform(0.5, 0.85) if kind == "crc_error" else 1.0
        run.faults.append((at, at + length, kind, share))
        run.events.append(
            {"t_s": round(at, 1), "kind": f"fault_{kind}", "until_s": round(at + length, 1), "share": share}
        )
    rng.choice([_cool_down, _dilute, _cold_hot])(run)


def _frozen(run: _Run) -> None:
    run.until(run.random.uniform(37.0, 38.5))
    run.frozen = run.bowl.read()
    run.note("frozen_start", value_c=run.frozen)
    run.wait(run.random.uniform(120.0, 240.0))
    run.frozen = None
    run.note("frozen_stop")
    _finish(run)


def _lifted(run: _Run) -> None:
    rng = run.random
    run.until(rng.uniform(37.3, 39.5))
    for _ in range(rng.randint(1, 2)):
        run.lift()
        run.wait(rng.uniform(15.0, 70.0))
        run.dip(rng.random() < 0.5)
        run.wait(rng.uniform(15.0, 60.0))
    _cool_down(run)


_DURING = {
    "dilute_once": _dilute, "overshoot": _overshoot, "cold_hot_water": _cold_hot, "cold_bath": _cold_bath,
    "bath_hold": _bath_hold, "hot_spots": _hot_spots, "stays_cold": _stays_cold, "bus_faults": _bus_faults,
    "frozen": _frozen, "lifted": _lifted,
}  # fmt: skip


def _scenario(run: _Run, name: str) -> Scenario:
    stays: list[Stay] = []
    inside: tuple[float, str] | None = None
    means = [row[0] for row in run.truth]
    for second, mean in enumerate(means):
        if inside is None and BAND[0] <= mean <= BAND[1]:
            before = "start" if second == 0 else "above" if means[second - 1] > BAND[1] else "below"
            inside = (float(second), before)
        elif inside is not None and not BAND[0] <= mean <= BAND[1]:
            stays.append(Stay(inside[0], inside[1], float(second), "above" if mean > BAND[1] else "below"))
            inside = None
    if inside is not None:
        stays.append(Stay(inside[0], inside[1], None, None))
    events = tuple(sorted(run.events, key=lambda event: float(event["t_s"])))
    return Scenario(
        name, run.family, len(run.truth) - 1.0, run.uncertainty, BAND, tuple(stays), events,
        tuple(run.observations), tuple(run.truth),
    )  # fmt: skip


def make_many(count: int, seed: int) -> list[Scenario]:
    """`count` dishes, the families in the proportions of the given ones."""
    order = [family for family, weight in FAMILIES.items() for _ in range(weight)]
    return [make(order[i % len(order)], seed * 100_000 + i) for i in range(count)]
