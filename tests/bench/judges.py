"""Who says when a dish is ready: sensord itself, and the plain rules that it has to beat."""

from dataclasses import dataclass, field, replace

from sensord.config import settings as assembly
from sensord.config.sections import BandSection
from sensord.readings import Fault, FaultKind, Interval
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
    """Ready once the bare reading has been in the band for `hold_seconds`; it foretells nothing."""
    said = Said()
    low, high = scenario.band
    entered: float | None = None
    since: float | None = None
    for one in scenario.observations:
        if isinstance(one, Fault) or one.celsius in (0.0, 85.0):
            kind = one.kind if isinstance(one, Fault) else FaultKind.POWER_ON_VALUE
            said.notes.append((one.seconds, "probe_fault", kind))
        elif low <= one.celsius <= high:
            entered = one.seconds if entered is None else entered
            if since is None and one.seconds - entered >= hold_seconds:
                since = one.seconds
        else:
            entered = None
            if since is not None:
                said.ready.append((since, one.seconds))
                since = None
    if since is not None:
        said.ready.append((since, scenario.duration))
    return said
