"""Who says when a dish is ready: sensord itself, and the plain rules that it has to beat."""

from collections import deque
from dataclasses import dataclass, field, replace

from sensord.config import settings as assembly
from sensord.config.sections import BandSection
from sensord.readings import Fault, FaultKind, Interval, Reading
from sensord.run import replaying as replay
from sensord.watch.effects import DishChanged, DishEstimated, DishState, Noted
from tests.bench.scenarios import Scenario

__all__ = ["Estimate", "Said", "plain_rule", "sensord_says"]


@dataclass(frozen=True, slots=True)
class Estimate:
    """One forecast: value, low, high; None where none was given."""

    seconds: float
    ready: tuple[float, float, float] | None
    window: tuple[float, float, float] | None
    never: bool = False


@dataclass(slots=True)
class Said:
    """All that a judge said of one dish. `ready` holds [from, until) intervals."""

    ready: list[tuple[float, float]] = field(default_factory=list)
    estimates: list[Estimate] = field(default_factory=list)
    notes: list[tuple[float, str, str]] = field(default_factory=list)
    states: list[tuple[float, str]] = field(default_factory=list)


def sensord_says(scenario: Scenario, uptake_seconds: float = 0.0, probability: float = 0.95) -> Said:
    """The whole of sensord, by replay of the readings."""
    band = BandSection(low_celsius=scenario.band[0], high_celsius=scenario.band[1], source="replay")
    config = replay.config_for(
        None, dish_band=band, uncertainty_celsius=scenario.uncertainty, uptake_seconds=uptake_seconds
    )
    settings = assembly.nursery_settings(replay.only(config, {"dish"}))
    dishes = {name: replace(one, probability=probability) for name, one in settings.dishes.items()}
    said = Said()
    since: float | None = None
    for effect in replay.run(replace(settings, dishes=dishes), list(scenario.observations)):
        match effect:
            case DishChanged():
                said.states.append((effect.seconds, effect.state))
                if since is not None:
                    said.ready.append((since, effect.seconds))
                since = effect.seconds if effect.state is DishState.READY else None
            case DishEstimated():
                said.estimates.append(_estimate(effect))
            case Noted():
                said.notes.append((effect.seconds, effect.what, effect.fault or ""))
            case _:
                pass
    if since is not None:
        said.ready.append((since, scenario.duration))
    return said


def _estimate(effect: DishEstimated) -> Estimate:
    return Estimate(
        effect.seconds,
        _triple(effect.outlook.ready_in_seconds),
        _triple(effect.outlook.open_for_seconds),
        effect.outlook.never,
    )


def _triple(told: Interval | None) -> tuple[float, float, float] | None:
    return None if told is None else (told.middle, told.low, told.high)


def plain_rule(scenario: Scenario, hold_seconds: float) -> Said:
    """Ready once the bare reading has been in the band for `hold_seconds`; forecasts from the last minute's line."""
    said = Said()
    low, high = scenario.band
    entered: float | None = None
    since: float | None = None
    recent: deque[Reading] = deque()
    due = 0.0
    for observation in scenario.observations:
        if isinstance(observation, Fault) or observation.celsius in (0.0, 85.0):
            kind = observation.kind if isinstance(observation, Fault) else FaultKind.POWER_ON_VALUE
            said.notes.append((observation.seconds, "probe_fault", kind))
            continue
        seconds, celsius = observation.seconds, observation.celsius
        recent.append(observation)
        while recent[0].seconds < seconds - 60.0:
            recent.popleft()
        if low <= celsius <= high:
            entered = seconds if entered is None else entered
            if since is None and seconds - entered >= hold_seconds:
                since = seconds
                said.estimates.append(_line(list(recent), low, high))
        else:
            entered = None
            if since is not None:
                said.ready.append((since, seconds))
                since = None
        if seconds >= due:
            due = seconds + 10.0
            said.estimates.append(_line(list(recent), low, high))
    if since is not None:
        said.ready.append((since, scenario.duration))
    return said


def _line(recent: list[Reading], low: float, high: float) -> Estimate:
    """Straight line through the last minute; the interval from the scatter about it."""
    now = recent[-1]
    n = len(recent)
    mean_t = sum(r.seconds for r in recent) / n
    mean_c = sum(r.celsius for r in recent) / n
    square = sum((r.seconds - mean_t) ** 2 for r in recent)
    if n < 5 or square <= 0.0:
        return Estimate(now.seconds, None, None)
    slope = sum((r.seconds - mean_t) * (r.celsius - mean_c) for r in recent) / square
    scatter = (sum((r.celsius - mean_c - slope * (r.seconds - mean_t)) ** 2 for r in recent) / (n - 2)) ** 0.5
    error = 1.645 * scatter / square**0.5
    if slope > -1e-4:
        return Estimate(now.seconds, None, None)
    steep, flat = slope - error, min(slope + error, -1e-4)

    def time_to(target: float) -> tuple[float, float, float]:
        gap = max(now.celsius - target, 0.0)
        return gap / -slope, gap / -steep, gap / -flat

    ready, leave = time_to(high), time_to(low)
    window = (leave[0] - ready[0], leave[1] - ready[1], leave[2] - ready[2])
    return Estimate(now.seconds, ready if ready[0] > 0.0 else None, window)
