"""Simulated brooder days with the truth beside them: air and walls as two heat stores, a heater with its thermostat,
a room, lids and a lagging, quantised probe. Written for variety, not for realism to the last degree.

Time constants (air some minutes, walls half an hour) and ranges of power, lag and noise are invented, of the order
that a wooden box of some tens of litres with a heat mat shows; common practice, no source.
"""

import random
from collections.abc import Iterator
from dataclasses import dataclass, field

__all__ = ["FAMILIES", "Day", "Excursion", "Trouble", "simulate"]

FAMILIES = (
    "normal", "door_busy", "heater_open", "heater_stuck", "power_cut", "room_swing", "thermostat_drift",
    "probe_fault", "probe_out", "chick_on_probe", "left_ajar",
)  # fmt: skip
STEP_SECONDS = 5


@dataclass(frozen=True, slots=True)
class Excursion:
    """One stay of the true air outside the allowed range."""

    side: str
    start_s: float
    end_s: float | None
    depth_c: float
    label: str
    due_s: float | None


@dataclass(frozen=True, slots=True)
class Trouble:
    """Something other than the air that a keeper has to be told of."""

    cause: str
    from_s: float
    due_s: float
    until_s: float


@dataclass(slots=True)
class Day:
    """A simulated day: `rows` are (seconds, reading or fault word), `true_c` the air every five seconds."""

    name: str
    family: str
    hours: float
    allowed_c: tuple[float, float]
    rows: list[tuple[float, float | str]] = field(default_factory=list)
    true_c: list[float] = field(default_factory=list)
    excursions: list[Excursion] = field(default_factory=list)
    troubles: list[Trouble] = field(default_factory=list)
    failures_s: list[tuple[str, float, float]] = field(default_factory=list)
    chick_s: list[tuple[float, float]] = field(default_factory=list)


@dataclass(slots=True)
class _Script:
    """What happens when: spans in seconds."""

    doors: list[tuple[float, float]] = field(default_factory=list)
    ajar: list[tuple[float, float]] = field(default_factory=list)
    dead: list[tuple[float, float]] = field(default_factory=list)
    stuck: list[tuple[float, float]] = field(default_factory=list)
    cut: list[tuple[float, float]] = field(default_factory=list)
    chick: list[tuple[float, float, float]] = field(default_factory=list)
    out: list[tuple[float, float, float]] = field(default_factory=list)
    frozen: list[tuple[float, float]] = field(default_factory=list)
    words: list[tuple[float, float, str]] = field(default_factory=list)
    drift_from: float = 1e12
    drift_per_hour: float = 0.0


def _within(spans: list[tuple[float, float]], t: float) -> bool:
    return any(a <= t < b for a, b in spans)


def simulate(family: str, seed: int) -> Day:
    """One day of a family; the same seed gives the same day."""
    rng = random.Random(f"{family}-{seed}")
    hours = rng.choice([24.0, 24.0, 30.0])
    end = hours * 3600
    target = rng.choice([31.0, 32.0, 34.0, 34.5, 35.0, 35.5, 36.0])
    half = rng.choice([1.1, 1.2, 1.3, 1.4, 1.5])
    script = _script(rng, family, end)
    day = Day(f"{family}-{seed}", family, hours, (target - half, target + half))
    _run(rng, family, day, script, target, end)
    _label(day)
    for a, b in script.dead:
        day.failures_s.append(("low", a, b))
    for a, b in script.stuck:
        day.failures_s.append(("high", a, b))
    if script.drift_per_hour:
        day.failures_s.append(("low" if script.drift_per_hour < 0 else "high", script.drift_from, end))
    day.chick_s = [(a, b) for a, b, _ in script.chick]
    day.troubles += [Trouble("probe", a, a + 1200, b) for a, b in script.frozen if b - a > 1200]
    day.troubles += [Trouble("probe", a, a + 120, b) for a, b, _ in script.words if b - a >= 90]
    day.troubles += [Trouble("low_or_probe", a, a + 1200, b) for a, b, _ in script.out]
    day.troubles += [Trouble("gap", b, b + 60, b + 600) for _, b in script.cut]
    return day


def _script(rng: random.Random, family: str, end: float) -> _Script:
    script = _Script()
    busy = 18 if family == "door_busy" else rng.randint(2, 11)
    for _ in range(busy):
        a = rng.uniform(1500, end - 1000)
        script.doors.append((a, a + rng.uniform(8, 90 if rng.random() < 0.85 else 135)))
    at = rng.uniform(0.25, 0.6) * end
    match family:
        case "door_busy":
            script.doors.append((at, at + rng.uniform(500, 1200)))
        case "heater_open":
            if rng.random() < 0.5:
                t = at
                while t < at + 18000:
                    length = rng.uniform(600, 2500)
                    script.dead.append((t, t + length))
                    t += length + rng.uniform(250, 1500)
            else:
                script.dead.append((at, at + rng.uniform(5000, 12000)))
        case "heater_stuck":
            script.stuck.append((at, at + rng.uniform(2000, 6000)))
        case "power_cut":
            script.cut.append((at, at + rng.uniform(1200, 8000)))
        case "thermostat_drift":
            script.drift_from, script.drift_per_hour = at * 0.6, rng.choice([-1, -1, 1]) * rng.uniform(0.15, 0.5)
        case "probe_fault":
            script.frozen += [(at, at + rng.uniform(3000, 12000))]
            a = at + 15000
            script.words.append((a, a + rng.uniform(95, 400), rng.choice(["0.0", "no_response", "crc_error"])))
            script.words.append((a + 4000, a + 4000 + rng.uniform(10, 45), "85.0"))
        case "probe_out":
            script.out.append((at, at + rng.uniform(5000, 14000), rng.choice([0.25, 1.0, rng.uniform(0.2, 0.5)])))
        case "chick_on_probe":
            for _ in range(rng.randint(4, 7)):
                a = rng.uniform(3000, end - 3000)
                script.chick.append((a, a + rng.uniform(600, 1500), rng.uniform(0.3, 0.75)))
        case "left_ajar":
            script.ajar.append((at, at + rng.uniform(2000, 6000)))
        case _:
            pass  # a normal day, or one whose room swings
    return script


def _run(rng: random.Random, family: str, day: Day, script: _Script, target: float, end: float) -> None:
    air_heat = rng.uniform(650, 1100)  # J/K
    air_wall = rng.uniform(4.0, 6.0)  # W/K
    wall_heat = rng.uniform(1800, 3500)
    wall_room = rng.uniform(1.0, 1.7)
    leak = rng.uniform(0.2, 0.5)
    door = rng.uniform(2.5, 5.5)
    ajar = rng.uniform(0.2, 0.6)
    room_mean = rng.uniform(16.5, 24.0)
    swing = rng.uniform(1.0, 2.2) * (1.8 if family == "room_swing" else 1.0)
    conductance = leak + air_wall * wall_room / (air_wall + wall_room)
    power = (
        conductance * (target - room_mean) * (rng.uniform(1.05, 1.3) if family == "room_swing" else rng.uniform(2, 3.2))
    )
    on_off = rng.random() < 0.5
    hysteresis = rng.uniform(0.15, 0.35)
    proportional_band = rng.uniform(1.0, 2.5)
    tau, offset = rng.uniform(20, 53), max(-0.32, min(0.32, rng.gauss(0, 0.16)))
    noise = rng.uniform(0.02, 0.05)
    thermostat_tau = rng.uniform(8, 25)
    room_phase = rng.uniform(0, 86400)
    air = target
    wall = room_mean + (target - room_mean) * air_wall / (air_wall + wall_room)
    probe, sensed, heating = air, air, False
    last_raw: float | None = None
    integral = 0.35
    for step in range(int(end / STEP_SECONDS)):
        t = float(step * STEP_SECONDS)
        room = room_mean + swing * _triangle((t + room_phase) / 86400)
        wanted = target + (script.drift_per_hour * max(0.0, min(t - script.drift_from, 50000)) / 3600)
        door_open = _within(script.doors, t)
        open_w = (door if door_open else 0.0) + (ajar if _within(script.ajar, t) else 0.0) * door
        is_cut = _within(script.cut, t)
        dead, stuck = is_cut or _within(script.dead, t), _within(script.stuck, t)
        for _ in range(STEP_SECONDS):
            sensed += (air - sensed) / thermostat_tau
            if on_off:
                heating = sensed < wanted - hysteresis or (heating and sensed < wanted + hysteresis)
                share = 1.0 if heating else 0.0
            else:
                integral = max(0.0, min(1.0, integral + (wanted - sensed) * 0.0004))
                share = max(0.0, min(1.0, integral + (wanted - sensed) / proportional_band))
            share = 0.0 if dead else 1.0 if stuck else share
            flow = air_wall * (air - wall)
            air += (power * share - flow - (leak + open_w) * (air - room)) / air_heat
            wall += (flow - wall_room * (wall - room)) / wall_heat
            felt = air
            for a, b, share_of_chick in script.chick:
                if a <= t < b:
                    felt = air + share_of_chick * (39.5 - air)
            for a, b, share_of_room in script.out:
                if a <= t < b:
                    felt = air + share_of_room * (room - air)
            probe += (felt - probe) / tau
        day.true_c.append(air)
        if is_cut:
            last_raw = None
            continue
        raw: float | str = round((probe + offset + rng.gauss(0, noise)) * 16) / 16
        if _within(script.frozen, t) and last_raw is not None:
            raw = last_raw
        elif rng.random() < 0.0004:
            raw = "crc_error"
        for a, b, word in script.words:
            if a <= t < b:
                raw = float(word) if word[0].isdigit() else word
        if isinstance(raw, float):
            last_raw = raw
        day.rows.append((t, raw))


def _triangle(turns: float) -> float:
    share = turns % 1.0
    return 4 * share - 1 if share < 0.5 else 3 - 4 * share


def _spans(day: Day) -> Iterator[tuple[str, int, int, bool]]:
    low, high = day.allowed_c
    side, start = "", 0
    for index, celsius in enumerate([*day.true_c, (low + high) / 2]):
        now = "low" if celsius < low else "high" if celsius > high else ""
        if now != side:
            if side:
                yield side, start, index, index >= len(day.true_c)
            side, start = now, index


def _label(day: Day) -> None:
    """Warranted: 10 min outside with 0.5 °C or more; 1 °C too hot for 3 min; 3 °C too cold for 5 min."""
    low, high = day.allowed_c
    for side, start, stop, is_open in _spans(day):
        depths = [low - c if side == "low" else c - high for c in day.true_c[start:stop]]
        rules = [(600, 0.5), (180, 1.0) if side == "high" else (300, 3.0)]
        dues = []
        for least_seconds, least_depth in rules:
            first = next((i for i, depth in enumerate(depths) if depth >= least_depth), None)
            due = None if first is None else max(least_seconds, first * STEP_SECONDS)
            if due is not None and len(depths) * STEP_SECONDS >= due:
                dues.append(due)
        length = len(depths) * STEP_SECONDS
        label = "warranted" if dues else "nuisance" if length < 180 or max(depths) < 0.2 else "tolerated"
        start_s = float(start * STEP_SECONDS)
        due_s = start_s + min(dues) if dues else None
        end_s = None if is_open else float(stop * STEP_SECONDS)
        day.excursions.append(Excursion(side, start_s, end_s, max(depths), label, due_s))
