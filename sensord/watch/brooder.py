"""One brooder: from its probes' observations to conditions that stand, and to what the keeper is shown.

Observations come screened and calibrated. The air is the mean of the probes that answer, each less what it usually
differs by (a warm side and a cool side are wanted). A probe that does not answer never blinds the others, and none
at all is a condition of its own.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TypeAlias

from sensord.care.brooding import Brooding, Plan, brooding_at, follow
from sensord.errors import CommandError, ConfigError
from sensord.readings import Band, Fault, FaultKind, Observation, Reading
from sensord.watch.band import Limit, LimitSettings, judge
from sensord.watch.contact import HOTTEST_CHICK_CELSIUS, jump_share
from sensord.watch.effects import BandMoved, Effect, Forecast, Note, Noted, Verdict
from sensord.watch.events import Condition
from sensord.watch.forecast import Course, CourseRules, failed, look_ahead, returned
from sensord.watch.side import Level, Side, SideRules, advance
from sensord.watch.trend import Trend, add, rate
from sensord.watch.views import BrooderView

__all__ = ["Brooder", "BrooderSettings", "ConditionChanged", "begin", "gap", "observe", "set_stage", "tick", "view"]


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

    `band` holds where it is pinned or there is no `plan`. Danger is `danger_warm_celsius` above the band (or
    `hottest_celsius`, over any published set point, whichever is lower) and `danger_cold_celsius` below it.
    `on_delay_seconds` is longer than a lid's recovery; heat gets `warm_delay_seconds` once it is half a degree over:
    it harms sooner than cold.
    """

    name: str
    probes: tuple[str, ...]
    band: Band
    band_source: str = "your config"
    pinned: bool = True
    plan: Plan | None = None
    deadband_celsius: float = 0.3
    on_delay_seconds: float = 200.0
    warm_delay_seconds: float = 100.0
    off_delay_seconds: float = 120.0
    danger_warm_celsius: float = 1.5
    danger_cold_celsius: float = 3.0
    hottest_celsius: float = 38.5
    late_seconds: float = 30.0
    fault_delay_seconds: float = 60.0
    disagree_celsius: float = 2.0
    disagree_delay_seconds: float = 300.0
    gap_shown_seconds: float = 600.0
    course: CourseRules = CourseRules()


@dataclass(frozen=True, slots=True)
class _Probe:
    """What is remembered of one probe; `usually_celsius` is what it differs by from the others' mean."""

    celsius: float | None = None
    seconds: float | None = None
    failing_since_seconds: float | None = None
    is_late: bool = False
    usually_celsius: float = 0.0
    bad_share: float = 0.0


@dataclass(frozen=True, slots=True)
class _Contact:
    """Something lies against the probe since `since_seconds`: it went from `from_celsius` to `celsius`."""

    since_seconds: float
    from_celsius: float
    celsius: float


@dataclass(frozen=True, slots=True)
class Brooder:
    """The state of one brooder between two events."""

    probes: Mapping[str, _Probe]
    band: Band
    brooding: Brooding | None = None
    stage: str | None = None
    plan_seconds: float | None = None
    told_band: Band | None = None
    seconds: float | None = None
    celsius: float | None = None
    cold: Side = Side()
    warm: Side = Side()
    trend: Trend = Trend()
    course: Course = Course()
    contact: _Contact | None = None
    chick_until_seconds: float | None = None
    displaced: _Contact | None = None
    disagree: Limit = Limit()
    standing: frozenset[Condition] = frozenset()
    begun_seconds: float | None = None
    gap_until_seconds: float | None = None
    losing_since: float | None = None
    pending: tuple[Outcome, ...] = field(default=())


SMOOTHING_SECONDS = 15.0
"""Averages out the last bit's flicker and costs a quarter of a minute."""
CHICK_LONGEST_SECONDS = 2700.0
CHICK_REMEMBERED_SECONDS = 43_200.0
"""A chick that reached the probe once will again: one alarm half a day, until the probe is moved."""
JUMP_SHARE = 0.66
"""1 - exp(-60 s / 55 s): what the slowest usual probe does of a step within its first minute."""
LEARNING_SECONDS = 10_800.0


def begin(settings: BrooderSettings) -> Brooder:
    """A brooder of which nothing is known yet."""
    return Brooder({name: _Probe() for name in settings.probes}, settings.band)


def observe(
    settings: BrooderSettings, brooder: Brooder, observation: Observation
) -> tuple[Brooder, tuple[Outcome, ...]]:
    """Take in one observation of one of its probes."""
    seconds = observation.seconds
    known = brooder.probes[observation.probe]
    bad_share = known.bad_share * 0.97
    if isinstance(observation, Fault):
        since = known.failing_since_seconds
        probe = replace(
            known,
            failing_since_seconds=seconds if since is None else since,
            is_late=observation.kind is FaultKind.LATE,
            bad_share=bad_share + 0.03,
        )
        brooder = replace(brooder, probes={**brooder.probes, observation.probe: probe})
        return _told(settings, brooder, seconds)
    probe = _Probe(observation.celsius, seconds, None, False, known.usually_celsius, bad_share)
    brooder = replace(brooder, probes={**brooder.probes, observation.probe: probe})
    return _told(settings, _breathed(settings, brooder, observation), seconds)


def _breathed(settings: BrooderSettings, brooder: Brooder, reading: Reading) -> Brooder:
    """The air after a reading: smoothed, held against the band, its course looked at."""
    seconds = reading.seconds
    if len(brooder.probes) == 1:
        value = reading.celsius
    else:
        brooder, value = _together(settings, brooder, seconds)
    before, last = brooder.celsius, brooder.seconds
    if before is None or last is None or seconds - last > 60.0:
        air = value
    else:
        share = min(1.0, (seconds - last) / SMOOTHING_SECONDS)
        air = before + share * (value - before)
    trend = add(brooder.trend, brooder.band, seconds, value)
    has_new_bin = bool(trend.bins) and trend.bins is not brooder.trend.bins
    slope = rate(trend, 6) or 0.0
    band = brooder.band
    cold = advance(_cold_rules(settings), brooder.cold, seconds, band.low_celsius - air, -slope)
    warm = advance(_warm_rules(settings, band), brooder.warm, seconds, air - band.high_celsius, slope)
    was = brooder
    brooder = replace(brooder, seconds=seconds, celsius=air, trend=trend, cold=cold)
    brooder = _touched(brooder, warm, air)
    brooder = replace(brooder, course=_blamed(settings, was, brooder, seconds))
    if has_new_bin:
        brooder = _looked_ahead(settings, brooder, seconds)
    return brooder


def _blamed(settings: BrooderSettings, was: Brooder, now: Brooder, seconds: float) -> Course:
    """The course after this reading: an excursion that has just come to stand is held against the heater."""
    for before, after, is_cold in ((was.cold, now.cold, True), (was.warm, now.warm, False)):
        if after.level > before.level is Level.IN_BAND and before.was_in_band:
            return failed(settings.course, now.course, now.trend, is_cold, seconds)
    return now.course


def _cold_rules(settings: BrooderSettings) -> SideRules:
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


def _warm_rules(settings: BrooderSettings, band: Band) -> SideRules:
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


def _together(settings: BrooderSettings, brooder: Brooder, seconds: float) -> tuple[Brooder, float]:
    """The air of several probes: the mean of what each says less what it usually differs by; and who is astray."""
    fresh = {
        name: probe.celsius
        for name, probe in brooder.probes.items()
        if probe.celsius is not None
        and probe.seconds is not None
        and probe.failing_since_seconds is None
        and seconds - probe.seconds <= settings.late_seconds
    }
    levelled = {name: celsius - brooder.probes[name].usually_celsius for name, celsius in fresh.items()}
    ordered = sorted(levelled.values())
    middle = len(ordered) // 2
    air = ordered[middle] if len(ordered) > 2 else sum(ordered) / len(ordered)
    limit = LimitSettings(
        settings.disagree_celsius,
        deadband_celsius=settings.deadband_celsius,
        on_delay_seconds=settings.disagree_delay_seconds,
        off_delay_seconds=settings.off_delay_seconds,
        longest_gap_seconds=settings.late_seconds,
    )
    disagree = judge(limit, brooder.disagree, seconds, ordered[-1] - ordered[0])
    brooder = replace(brooder, disagree=disagree)
    if len(fresh) == len(brooder.probes) and ordered[-1] - ordered[0] < settings.disagree_celsius:
        brooder = replace(brooder, probes=_learned(brooder, fresh, seconds))
    return brooder, air


def _learned(brooder: Brooder, fresh: Mapping[str, float], seconds: float) -> Mapping[str, _Probe]:
    """What each probe usually differs by: quickly in the first minutes, then over hours."""
    mean = sum(fresh.values()) / len(fresh)
    age = seconds - (seconds if brooder.begun_seconds is None else brooder.begun_seconds)
    elapsed = 0.0 if brooder.seconds is None else seconds - brooder.seconds
    share = min(1.0, elapsed / min(LEARNING_SECONDS, max(age, 60.0)))
    return {
        name: replace(
            probe, usually_celsius=probe.usually_celsius + share * (fresh[name] - mean - probe.usually_celsius)
        )
        for name, probe in brooder.probes.items()
    }


def _touched(brooder: Brooder, warm: Side, air: float) -> Brooder:
    """Whether too warm is the air, or a chick on the probe."""
    seconds = brooder.seconds or 0.0
    contact = brooder.contact
    if contact is not None:
        lasts = seconds - contact.since_seconds <= CHICK_LONGEST_SECONDS
        if not lasts or air > min(contact.celsius + 1.0, HOTTEST_CHICK_CELSIUS):
            return replace(brooder, warm=warm, contact=None)
        # The chick has left when most of the jump is undone; until then what is read is the chick.
        has_left = air < contact.from_celsius + 0.4 * (contact.celsius - contact.from_celsius)
        return replace(brooder, warm=Side(was_in_band=True), contact=None if has_left else contact)
    if warm.level > brooder.warm.level is Level.IN_BAND and brooder.warm.was_in_band:
        change, share, lately = jump_share(brooder.trend, 30)
        started = brooder.trend.bins[-1] - change if brooder.trend.bins else air
        swing = brooder.trend.swing
        is_usual = swing is None or started >= swing.low_celsius
        if change > 0 and share >= JUMP_SHARE and abs(lately) <= 0.15 and is_usual and air < HOTTEST_CHICK_CELSIUS:
            return replace(
                brooder,
                contact=_Contact(seconds, started, air),
                chick_until_seconds=seconds + CHICK_REMEMBERED_SECONDS,
            )
    return replace(brooder, warm=warm)


def _looked_ahead(settings: BrooderSettings, brooder: Brooder, seconds: float) -> Brooder:
    course, is_news = look_ahead(settings.course, brooder.course, brooder.trend, brooder.band, seconds)
    if brooder.cold.outside_since is not None or brooder.warm.outside_since is not None:
        return replace(brooder, course=returned(course, seconds))
    outlook = course.outlook
    brooder = replace(brooder, course=course)
    if is_news and outlook is not None:
        condition = Condition.TOO_COLD if outlook.cold else Condition.TOO_WARM
        told = Forecast(
            seconds, settings.name, condition, outlook.in_seconds, outlook.low_seconds, outlook.high_seconds
        )
        brooder = replace(brooder, pending=(*brooder.pending, told))
    return brooder


def _conditions(settings: BrooderSettings, brooder: Brooder, seconds: float) -> frozenset[Condition]:
    standing = set()
    if brooder.cold.level is not Level.IN_BAND:
        standing.add(Condition.TOO_COLD if brooder.cold.level is Level.OUT else Condition.DANGEROUSLY_COLD)
    if brooder.warm.level is not Level.IN_BAND:
        standing.add(Condition.TOO_WARM if brooder.warm.level is Level.OUT else Condition.DANGEROUSLY_WARM)
    if brooder.disagree.is_standing:
        standing.add(Condition.PROBES_DISAGREE)
    if brooder.chick_until_seconds is not None and seconds < brooder.chick_until_seconds:
        standing.add(Condition.CHICK_ON_PROBE)
    for probe in brooder.probes.values():
        since = probe.failing_since_seconds
        if since is None:
            heard = brooder.begun_seconds if probe.seconds is None else probe.seconds
            if heard is not None and seconds - heard > settings.late_seconds + settings.fault_delay_seconds:
                standing.add(Condition.READINGS_LATE)
        elif seconds - since >= settings.fault_delay_seconds:
            standing.add(Condition.READINGS_LATE if probe.is_late else Condition.PROBE_FAULT)
    if brooder.gap_until_seconds is not None and seconds < brooder.gap_until_seconds:
        standing.add(Condition.POWER_GAP)
    return frozenset(standing)


def _told(settings: BrooderSettings, brooder: Brooder, seconds: float) -> tuple[Brooder, tuple[Outcome, ...]]:
    """What has changed since the last event, as outcomes."""
    if brooder.begun_seconds is None:
        brooder = replace(brooder, begun_seconds=seconds)
    standing = _conditions(settings, brooder, seconds)
    if standing == brooder.standing:
        if not brooder.pending:
            return brooder, ()
        return replace(brooder, pending=()), brooder.pending
    # Going first, then coming: a danger that becomes milder is never without its alarm in between.
    changed = sorted(standing ^ brooder.standing, key=lambda each: (each not in standing, each))
    outcomes = tuple(
        ConditionChanged(seconds, settings.name, each, each in standing, brooder.celsius) for each in changed
    )
    return replace(brooder, standing=standing, pending=()), (*brooder.pending, *outcomes)


def tick(
    settings: BrooderSettings, brooder: Brooder, seconds: float, utc_seconds: float | None = None
) -> tuple[Brooder, tuple[Outcome, ...]]:
    """Let time pass: what was not read in time becomes a condition, and the band follows its plan."""
    if settings.plan is not None and not settings.pinned:
        brooder = _planned(settings, settings.plan, brooder, seconds, utc_seconds)
    return _told(settings, brooder, seconds)


PLAN_EVERY_SECONDS = 300.0


def _planned(
    settings: BrooderSettings, plan: Plan, brooder: Brooder, seconds: float, utc_seconds: float | None
) -> Brooder:
    elapsed = None if brooder.plan_seconds is None else seconds - brooder.plan_seconds
    if elapsed is not None and elapsed < PLAN_EVERY_SECONDS:
        return brooder
    if utc_seconds is None and brooder.brooding is not None:
        return brooder  # the clock was lost: what was known goes on
    wanted = brooding_at(plan if brooder.stage is None else replace(plan, stage=brooder.stage), utc_seconds)
    rate_a_day = plan.profile.rate_celsius_per_day
    band = wanted.band if elapsed is None else follow(brooder.band, wanted.band, rate_a_day, elapsed)
    told = brooder.told_band
    is_news = told is None or brooder.brooding is None or brooder.brooding.stage != wanted.stage or _moved(told, band)
    pending = brooder.pending
    if is_news:
        told = band
        pending = (*pending, BandMoved(seconds, settings.name, band, wanted.source, pinned=False))
    return replace(brooder, band=band, brooding=wanted, plan_seconds=seconds, told_band=told, pending=pending)


def _moved(before: Band, after: Band) -> bool:
    return max(abs(before.low_celsius - after.low_celsius), abs(before.high_celsius - after.high_celsius)) >= 0.1


def set_stage(
    settings: BrooderSettings, brooder: Brooder, seconds: float, stage: str, utc_seconds: float | None = None
) -> tuple[Brooder, tuple[Outcome, ...]]:
    """The keeper says which stage the youngest has reached. Raises `CommandError` where that cannot be."""
    if settings.plan is None:
        raise CommandError(f"{settings.name} has a band but no profile: there is no stage to set")
    if settings.pinned:
        raise CommandError(f"{settings.name} is pinned to {settings.band}: remove its band from the config first")
    try:
        settings.plan.profile.row(stage)
    except ConfigError as error:
        raise CommandError(str(error)) from error
    plan_seconds = None if brooder.plan_seconds is None else min(brooder.plan_seconds, seconds - PLAN_EVERY_SECONDS)
    brooder = replace(brooder, stage=stage, plan_seconds=plan_seconds)
    return tick(settings, brooder, seconds, utc_seconds)


def gap(
    settings: BrooderSettings, brooder: Brooder, seconds: float, gap_seconds: float | None
) -> tuple[Brooder, tuple[Outcome, ...]]:
    """The watch was off: delays start anew, what was learned stays, and the keeper is told for a while."""
    probes = {name: _Probe(usually_celsius=probe.usually_celsius) for name, probe in brooder.probes.items()}
    brooder = replace(
        brooder,
        probes=probes,
        seconds=None,
        celsius=None,
        cold=Side(),
        warm=Side(),
        course=Course(beyond_until=seconds),
        contact=None,
        disagree=Limit(),
        begun_seconds=seconds,
        gap_until_seconds=seconds + settings.gap_shown_seconds,
    )
    notes = tuple(Noted(seconds, probe, Note.POWER_GAP, gap_seconds=gap_seconds) for probe in settings.probes)
    brooder, outcomes = _told(settings, brooder, seconds)
    return brooder, (*notes, *outcomes)


def view(settings: BrooderSettings, brooder: Brooder, seconds: float) -> BrooderView:
    """What a screen shows of this brooder."""
    air = brooder.celsius
    if brooder.seconds is None or seconds - brooder.seconds > settings.late_seconds:
        air = None
    verdict = None if air is None else Verdict.IN_BAND if air in brooder.band else Verdict.OUT_OF_BAND
    outlook = brooder.course.outlook
    brooding = brooder.brooding
    return BrooderView(
        settings.name,
        settings.probes,
        brooder.band,
        settings.band_source if brooding is None else brooding.source,
        settings.pinned,
        air,
        verdict,
        stage="" if brooding is None else brooding.stage,
        heading="" if outlook is None else "colder" if outlook.cold else "warmer",
        leaves_band_in_seconds=None if outlook is None else outlook.in_seconds,
        notes=() if brooding is None else brooding.notes,
        humidity="" if brooding is None else brooding.humidity,
    )
