"""One brooder: from its probes' observations to conditions that stand, and to what the keeper is shown.

Observations come screened and calibrated. The air is the mean of the probes that answer; danger is judged by the
worst of them. A probe that does not answer never blinds the others, and none at all is a condition of its own.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TypeAlias

from sensord.readings import Band, Fault, Observation
from sensord.watch.band import Limit, LimitSettings, judge
from sensord.watch.effects import Effect, Note, Noted, Verdict
from sensord.watch.events import Condition
from sensord.watch.views import BrooderView

__all__ = ["Brooder", "BrooderSettings", "ConditionChanged", "begin", "gap", "observe", "tick", "view"]


@dataclass(frozen=True, slots=True)
class ConditionChanged:
    """A condition of a place has come to stand, or has gone, delays served; `alarms.standing` takes it."""

    seconds: float
    place: str
    condition: Condition
    standing: bool
    celsius: float | None = None


Outcome: TypeAlias = Effect | ConditionChanged


@dataclass(frozen=True, slots=True)
class BrooderSettings:
    """The rules of one brooder; temperatures in Celsius, times in seconds.

    Danger is `danger_warm_celsius` above the band (or `hottest_celsius`, over any published set point, whichever is
    lower) and `danger_cold_celsius` below it, each for `danger_delay_seconds`.
    """

    name: str
    probes: tuple[str, ...]
    band: Band
    band_source: str = "your config"
    pinned: bool = True
    deadband_celsius: float = 0.3
    on_delay_seconds: float = 120.0
    off_delay_seconds: float = 60.0
    danger_warm_celsius: float = 1.5
    danger_cold_celsius: float = 3.0
    danger_delay_seconds: float = 60.0
    hottest_celsius: float = 38.5
    late_seconds: float = 30.0
    fault_delay_seconds: float = 30.0
    disagree_celsius: float = 2.0
    disagree_delay_seconds: float = 300.0
    gap_shown_seconds: float = 600.0


@dataclass(frozen=True, slots=True)
class _Probe:
    """What is remembered of one probe; `failing_since_seconds` while it gives faults only."""

    celsius: float | None = None
    seconds: float | None = None
    failing_since_seconds: float | None = None


@dataclass(frozen=True, slots=True)
class Brooder:
    """The state of one brooder between two events."""

    probes: Mapping[str, _Probe]
    limits: Mapping[Condition, Limit] = field(default_factory=dict)
    standing: frozenset[Condition] = frozenset()
    begun_seconds: float | None = None
    gap_until_seconds: float | None = None
    celsius: float | None = None


def begin(settings: BrooderSettings) -> Brooder:
    """A brooder of which nothing is known yet."""
    return Brooder({name: _Probe() for name in settings.probes})


def observe(
    settings: BrooderSettings, brooder: Brooder, observation: Observation
) -> tuple[Brooder, tuple[Outcome, ...]]:
    """Take in one observation of one of its probes."""
    seconds = observation.seconds
    probe = brooder.probes[observation.probe]
    if isinstance(observation, Fault):
        since = seconds if probe.failing_since_seconds is None else probe.failing_since_seconds
        probe = replace(probe, failing_since_seconds=since)
    else:
        probe = _Probe(observation.celsius, seconds)
    brooder = replace(brooder, probes={**brooder.probes, observation.probe: probe})
    if isinstance(observation, Fault):
        return tick(settings, brooder, seconds)
    values = _fresh(settings, brooder, seconds)
    air = sum(values) / len(values)
    brooder = replace(brooder, celsius=air)
    limits = dict(brooder.limits)
    for condition, limit_settings, value in _limits(settings, air, min(values), max(values)):
        limits[condition] = judge(limit_settings, limits.get(condition, Limit()), seconds, value)
    return tick(settings, replace(brooder, limits=limits), seconds)


def _fresh(settings: BrooderSettings, brooder: Brooder, seconds: float) -> list[float]:
    return [
        probe.celsius
        for probe in brooder.probes.values()
        if probe.celsius is not None
        and probe.seconds is not None
        and probe.failing_since_seconds is None
        and seconds - probe.seconds <= settings.late_seconds
    ]


def _limits(
    settings: BrooderSettings, air: float, coldest: float, warmest: float
) -> list[tuple[Condition, LimitSettings, float]]:
    """Each limit of the brooder with the value that is held against it."""
    band = settings.band

    def limit(celsius: float, is_low: bool, on_delay: float) -> LimitSettings:
        return LimitSettings(
            celsius, is_low, settings.deadband_celsius, on_delay, settings.off_delay_seconds, settings.late_seconds
        )

    hottest = max(
        band.high_celsius + 0.5, min(band.high_celsius + settings.danger_warm_celsius, settings.hottest_celsius)
    )
    coldest_allowed = band.low_celsius - settings.danger_cold_celsius
    return [
        (Condition.TOO_WARM, limit(band.high_celsius, False, settings.on_delay_seconds), air),
        (Condition.TOO_COLD, limit(band.low_celsius, True, settings.on_delay_seconds), air),
        (Condition.DANGEROUSLY_WARM, limit(hottest, False, settings.danger_delay_seconds), warmest),
        (Condition.DANGEROUSLY_COLD, limit(coldest_allowed, True, settings.danger_delay_seconds), coldest),
        (
            Condition.PROBES_DISAGREE,
            LimitSettings(
                settings.disagree_celsius,
                on_delay_seconds=settings.disagree_delay_seconds,
                off_delay_seconds=settings.off_delay_seconds,
                longest_gap_seconds=settings.late_seconds,
            ),
            warmest - coldest,
        ),
    ]


def tick(
    settings: BrooderSettings,
    brooder: Brooder,
    seconds: float,
    utc_seconds: float | None = None,  # noqa: ARG001 - the plan of bands reads it
) -> tuple[Brooder, tuple[Outcome, ...]]:
    """Let time pass: what was not read in time becomes a condition."""
    if brooder.begun_seconds is None:
        brooder = replace(brooder, begun_seconds=seconds)
    standing = {condition for condition, limit in brooder.limits.items() if limit.is_standing}
    probes = brooder.probes.values()
    if any(_is_failing(settings, probe, seconds) for probe in probes):
        standing.add(Condition.PROBE_FAULT)
    begun = brooder.begun_seconds or 0.0
    if any(
        seconds - (begun if p.seconds is None else p.seconds) > settings.late_seconds
        for p in probes
        if p.failing_since_seconds is None
    ):
        standing.add(Condition.READINGS_LATE)
    if brooder.gap_until_seconds is not None and seconds < brooder.gap_until_seconds:
        standing.add(Condition.POWER_GAP)
    changed = standing ^ brooder.standing
    if not changed:
        return brooder, ()
    outcomes = tuple(
        ConditionChanged(seconds, settings.name, condition, condition in standing, brooder.celsius)
        for condition in Condition
        if condition in changed
    )
    return replace(brooder, standing=frozenset(standing)), outcomes


def _is_failing(settings: BrooderSettings, probe: _Probe, seconds: float) -> bool:
    since = probe.failing_since_seconds
    return since is not None and seconds - since >= settings.fault_delay_seconds


def gap(
    settings: BrooderSettings, brooder: Brooder, seconds: float, gap_seconds: float | None
) -> tuple[Brooder, tuple[Outcome, ...]]:
    """The watch was off: delays start anew, and the keeper is told for `gap_shown_seconds`."""
    fresh = replace(begin(settings), begun_seconds=seconds, standing=brooder.standing)
    brooder, outcomes = tick(settings, replace(fresh, gap_until_seconds=seconds + settings.gap_shown_seconds), seconds)
    notes = tuple(Noted(seconds, probe, Note.POWER_GAP, gap_seconds=gap_seconds) for probe in settings.probes)
    return brooder, (*notes, *outcomes)


def view(settings: BrooderSettings, brooder: Brooder, seconds: float) -> BrooderView:
    """What a screen shows of this brooder."""
    fresh = _fresh(settings, brooder, seconds)
    air = sum(fresh) / len(fresh) if fresh else None
    verdict = None if air is None else Verdict.IN_BAND if air in settings.band else Verdict.OUT_OF_BAND
    return BrooderView(
        settings.name, settings.probes, settings.band, settings.band_source, settings.pinned, air, verdict
    )
