"""What a brooder is held to: its settings, the rules of either side of its band, and the word for what it reports."""

from dataclasses import dataclass, field
from typing import TypeAlias

from sensord.care.brooding import BandPlan
from sensord.readings import Band
from sensord.watch.brooder.band import LimitSettings
from sensord.watch.brooder.company import CompanyRules
from sensord.watch.brooder.forecast import CourseRules
from sensord.watch.brooder.side import SideRules
from sensord.watch.conditions import ConditionChanged
from sensord.watch.effects import Effect

Outcome: TypeAlias = Effect | ConditionChanged


@dataclass(frozen=True, slots=True, kw_only=True)
class BrooderSettings:
    """The rules of one brooder; temperatures in Celsius, times in seconds.

    `band` holds where it is pinned or there is no `plan`. Danger is `danger_warm_celsius` above the band (or
    `hottest_celsius`, over any published set point, whichever is lower) and `danger_cold_celsius` below it.
    `on_delay_seconds` is longer than a lid's recovery; heat gets `warm_delay_seconds` once it is half a degree over:
    it harms sooner than cold.
    """

    name: str
    probes: tuple[str, ...]
    band: Band
    band_source: str
    pinned: bool
    plan: BandPlan | None
    deadband_celsius: float
    on_delay_seconds: float
    warm_delay_seconds: float = 100.0
    off_delay_seconds: float
    danger_warm_celsius: float = 1.5
    danger_cold_celsius: float = 3.0
    hottest_celsius: float = 38.5
    late_seconds: float
    fault_delay_seconds: float = 60.0
    disagree_celsius: float = 2.0
    disagree_delay_seconds: float = 300.0
    gap_shown_seconds: float = 600.0
    heading_delay_seconds: float = 60.0
    course: CourseRules = field(default_factory=CourseRules)
    cold: SideRules = field(init=False)
    company: CompanyRules = field(init=False)

    def __post_init__(self) -> None:
        # Derived once, for they are asked for at every reading.
        object.__setattr__(self, "cold", _cold_rules(self))
        object.__setattr__(self, "company", _company_rules(self))


def _cold_rules(settings: BrooderSettings) -> SideRules:
    """Too cold: after a lid's recovery at any depth."""
    delay = settings.on_delay_seconds
    return SideRules(
        deep_celsius=0.0,
        deep_seconds=delay,
        shallow_seconds=delay,
        danger_celsius=settings.danger_cold_celsius,
        danger_seconds=delay,
        deadband_celsius=settings.deadband_celsius,
        off_seconds=settings.off_delay_seconds,
    )


def warm_rules(settings: BrooderSettings, band: Band) -> SideRules:
    """Too warm: sooner where it is half a degree and more; a small overshoot after a lid gets the longer delay."""
    hottest = min(settings.danger_warm_celsius, settings.hottest_celsius - band.high_celsius)
    return SideRules(
        deep_celsius=0.5,
        deep_seconds=settings.warm_delay_seconds,
        shallow_seconds=settings.on_delay_seconds,
        danger_celsius=max(0.5, hottest),
        danger_seconds=settings.warm_delay_seconds,
        deadband_celsius=settings.deadband_celsius,
        off_seconds=settings.off_delay_seconds,
    )


def _company_rules(settings: BrooderSettings) -> CompanyRules:
    """How the probes of this brooder are taken together."""
    return CompanyRules(
        settings.late_seconds,
        LimitSettings(
            limit_celsius=settings.disagree_celsius,
            deadband_celsius=settings.deadband_celsius,
            on_delay_seconds=settings.disagree_delay_seconds,
            off_delay_seconds=settings.off_delay_seconds,
            longest_gap_seconds=settings.late_seconds,
        ),
    )
