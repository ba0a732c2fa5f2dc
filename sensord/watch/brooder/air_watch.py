"""One brooder: from its probes' observations to conditions that stand, and to what the keeper is shown.

Observations come screened and calibrated. `company` makes one air of them, `side` holds it against the band,
`forecast` looks where it goes, `contact` asks whether it is air at all. Whatever changes is reported as an outcome.
"""

from dataclasses import dataclass, field, replace

from sensord.physics.conformity import Verdict
from sensord.readings import Observation, Reading
from sensord.watch.brooder.banding import Banding, band_notes, confirmed, followed, staged
from sensord.watch.brooder.brooder_rules import (
    BrooderSettings,
    Outcome,
    warm_rules,
)
from sensord.watch.brooder.company import Company, air_of, company_of, heard, silent, without_probe
from sensord.watch.brooder.contact import CHICK_GUESS, Fall, Touch, chick_arrived, chick_stays, fall_of
from sensord.watch.brooder.forecast import Course, TrendPace, course_after, failed, outside
from sensord.watch.brooder.side import Level, Side, SideRules, side_after
from sensord.watch.brooder.trend import Trend, add, rate
from sensord.watch.conditions import Condition, ConditionChanged
from sensord.watch.effects import BandMoved, Forecast, Note, Noted
from sensord.watch.views import BrooderView

SMOOTHING_SECONDS = 15.0
"""Averages out the last bit's flicker and costs a quarter of a minute."""
CHICK_REMEMBERED_SECONDS = 43_200.0
"""A chick that reached the probe once will again: the alarm stands for half a day, until the probe is moved."""
HOLE_SECONDS = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Brooder:
    """The state of one brooder between two events. `celsius` is the smoothed air at `seconds`."""

    company: Company
    banding: Banding
    seconds: float | None = None
    celsius: float | None = None
    cold: Side = field(default_factory=Side)
    warm: Side = field(default_factory=Side)
    trend: Trend = field(default_factory=Trend)
    course: Course = field(default_factory=Course)
    heading: Condition | None = None
    touch: Touch | None = None
    chick_until_seconds: float | None = None
    fall: Fall | None = None
    gap_until_seconds: float | None = None
    standing: frozenset[Condition] = frozenset()


def first_brooder(settings: BrooderSettings, banding: Banding | None = None) -> Brooder:
    """A brooder of which nothing is known yet, but for the `banding` that an earlier run may have left."""
    return Brooder(company=company_of(settings.probes), banding=banding or Banding(band=settings.band))


def air_observed(
    settings: BrooderSettings, brooder: Brooder, observation: Observation
) -> tuple[Brooder, tuple[Outcome, ...]]:
    """Take in one observation of one of its probes."""
    seconds = observation.seconds
    company = heard(brooder.company, observation)
    if isinstance(observation, Reading):
        company, value = air_of(settings.company, company, seconds)
        if value is not None:
            was = brooder
            brooder, outcomes = _breathed(settings, brooder, company, seconds, value)
            # A new jump is a new alarm, also where the one before is still remembered.
            anew = _CHICK if brooder.touch is not None and was.touch is None else _NOTHING
            return _told(settings, brooder, seconds, outcomes, anew)
    return _told(settings, replace(brooder, company=company), seconds, ())


def _breathed(
    settings: BrooderSettings, brooder: Brooder, company: Company, seconds: float, value: float
) -> tuple[Brooder, tuple[Outcome, ...]]:
    """The air after a reading: smoothed, held against the band, its course looked at."""
    before, last = brooder.celsius, brooder.seconds
    if before is None or last is None or seconds - last > HOLE_SECONDS:
        air = value
    else:
        air = before + min(1.0, (seconds - last) / SMOOTHING_SECONDS) * (value - before)
    band = brooder.banding.band
    trend = add(brooder.trend, band, seconds, value)
    slope = rate(trend, 6) or 0.0
    cold = side_after(settings.cold, brooder.cold, seconds, band.low_celsius - air, -slope)
    rules = warm_rules(settings, band)
    warm = side_after(rules, brooder.warm, seconds, air - band.high_celsius, slope)
    warm, touch = _touched(rules, brooder, trend, seconds, warm, air)
    was = brooder
    has_come = touch is not None and was.touch is None
    brooder = replace(
        brooder,
        company=company,
        seconds=seconds,
        celsius=air,
        cold=cold,
        warm=warm,
        trend=trend,
        touch=touch,
        chick_until_seconds=seconds + CHICK_REMEMBERED_SECONDS if has_come else was.chick_until_seconds,
    )
    if touch is None and (cold.level is not was.cold.level or warm.level is not was.warm.level):
        brooder = _blamed(settings, was, brooder, seconds)
    if trend.bins is was.trend.bins or not trend.bins:
        return brooder, ()
    return _looked_ahead(settings, brooder, seconds)


def _touched(
    rules: SideRules, brooder: Brooder, trend: Trend, seconds: float, warm: Side, air: float
) -> tuple[Side, Touch | None]:
    """Whether being too warm is a chick on the probe: the warm side, and the touch.

    A chick excuses being out of the band. It is no excuse for a danger: that comes at its own delay.
    """
    touch = brooder.touch
    if touch is not None:
        stays = chick_stays(touch, seconds, air)
        if stays is None:
            return warm, None
        touch = touch if stays else None
    elif warm.level > brooder.warm.level is Level.IN_BAND and brooder.warm.was_in_band:
        touch = chick_arrived(trend, seconds, air)
        if touch is None:
            return warm, None
    else:
        return warm, None
    if warm.danger_since is not None and seconds - warm.danger_since >= rules.danger_seconds:
        return replace(warm, level=Level.DANGER), touch
    if warm.level is brooder.warm.level is Level.DANGER:
        return warm, touch
    return Side(was_in_band=True, danger_since=warm.danger_since), touch


def _blamed(settings: BrooderSettings, was: Brooder, now: Brooder, seconds: float) -> Brooder:
    """Hold an excursion that has just come to stand against the heater, where it looks like one."""
    for before, after, is_cold in ((was.cold, now.cold, True), (was.warm, now.warm, False)):
        if after.level > before.level is Level.IN_BAND and before.was_in_band:
            left = seconds if after.outside_since is None else after.outside_since
            return replace(now, course=failed(settings.course, now.course, now.trend, is_cold, left, seconds))
    return now


def _looked_ahead(settings: BrooderSettings, brooder: Brooder, seconds: float) -> tuple[Brooder, tuple[Outcome, ...]]:
    """Where the air goes, after a new bin; once it is outside, the band's own conditions say so."""
    fall = fall_of(brooder.fall, brooder.trend, seconds)
    course, is_news = course_after(settings.course, brooder.course, brooder.trend, brooder.banding.band, seconds)
    if brooder.cold.outside_since is not None or brooder.warm.outside_since is not None:
        return replace(brooder, course=outside(settings.course, course, seconds), fall=fall), ()
    outlook = course.outlook
    heading = _heading(settings, brooder, course, seconds)
    if course is not brooder.course or heading is not brooder.heading or fall is not brooder.fall:
        brooder = replace(brooder, course=course, heading=heading, fall=fall)
    if not is_news or outlook is None:
        return brooder, ()
    condition = Condition.TOO_COLD if outlook.cold else Condition.TOO_WARM
    told = Forecast(
        seconds=seconds,
        place=settings.name,
        condition=condition,
        in_seconds=outlook.in_seconds,
    )
    return brooder, (told,)


def _heading(settings: BrooderSettings, brooder: Brooder, course: Course, seconds: float) -> Condition | None:
    """Losing or gaining heat: once the outlook has lasted; until the air is back in its usual swing."""
    outlook = course.outlook
    if outlook is not None and outlook.pace is TrendPace.STEADY and course.since_seconds is not None:
        if seconds - course.since_seconds >= settings.heading_delay_seconds:
            return Condition.LOSING_HEAT if outlook.cold else Condition.GAINING_HEAT
    elif course.beyond_since is None:
        return None
    return brooder.heading


_NOTHING: frozenset[Condition] = frozenset()
_CHICK = frozenset({Condition.CHICK_ON_PROBE})
_COLD = {Level.OUT: Condition.TOO_COLD, Level.DANGER: Condition.DANGEROUSLY_COLD}
_WARM = {Level.OUT: Condition.TOO_WARM, Level.DANGER: Condition.DANGEROUSLY_WARM}


def _conditions(settings: BrooderSettings, brooder: Brooder, seconds: float) -> frozenset[Condition]:
    standing = []
    if brooder.cold.level:
        standing.append(_COLD[brooder.cold.level])
    if brooder.warm.level:
        standing.append(_WARM[brooder.warm.level])
    if brooder.heading is not None and not standing:
        standing.append(brooder.heading)
    if brooder.company.disagree.is_standing:
        standing.append(Condition.PROBES_DISAGREE)
    if brooder.chick_until_seconds is not None and seconds < brooder.chick_until_seconds:
        standing.append(Condition.CHICK_ON_PROBE)
    if brooder.fall is not None and brooder.fall.is_displaced:
        standing.append(Condition.PROBE_DISPLACED)
    faulty, late = silent(brooder.company, seconds, settings.fault_delay_seconds, settings.late_seconds)
    if faulty:
        standing.append(Condition.PROBE_FAULT)
    if late:
        standing.append(Condition.READINGS_LATE)
    if brooder.gap_until_seconds is not None and seconds < brooder.gap_until_seconds:
        standing.append(Condition.POWER_GAP)
    if not brooder.banding.confirmed:
        standing.append(Condition.STAGE_UNCONFIRMED)
    return frozenset(standing) if standing else _NOTHING


def _told(
    settings: BrooderSettings,
    brooder: Brooder,
    seconds: float,
    outcomes: tuple[Outcome, ...],
    anew: frozenset[Condition] = _NOTHING,
) -> tuple[Brooder, tuple[Outcome, ...]]:
    """What has changed since the last event, after `outcomes`; `anew` are conditions that come again if they stand."""
    standing, was = _conditions(settings, brooder, seconds), brooder.standing
    anew &= was & standing
    if standing == was and not anew:
        return brooder, outcomes
    # Going first, then coming: the alarm that takes over is the last word.
    changed = [(each, False) for each in sorted(was - standing | anew)]
    changed += [(each, True) for each in sorted(standing - was | anew)]
    changes = tuple(
        ConditionChanged(
            seconds=seconds,
            place=settings.name,
            condition=each,
            standing=stands,
            celsius=brooder.celsius,
            guess=CHICK_GUESS if each is Condition.DANGEROUSLY_WARM and brooder.touch is not None else "",
        )
        for each, stands in changed
    )
    return replace(brooder, standing=standing), (*outcomes, *changes)


def air_ticked(
    settings: BrooderSettings, brooder: Brooder, seconds: float, utc_seconds: float | None = None
) -> tuple[Brooder, tuple[Outcome, ...]]:
    """Let time pass: what was not read in time becomes a condition, and the band follows its plan."""
    return _passed(settings, brooder, seconds, followed(settings, brooder.banding, seconds, utc_seconds))


def _passed(
    settings: BrooderSettings, brooder: Brooder, seconds: float, change: tuple[Banding, tuple[BandMoved, ...]]
) -> tuple[Brooder, tuple[Outcome, ...]]:
    banding, moved = change
    if banding is not brooder.banding:
        brooder = replace(brooder, banding=banding)
    if brooder.company.begun_seconds is None:
        brooder = replace(brooder, company=replace(brooder.company, begun_seconds=seconds))
    return _told(settings, brooder, seconds, moved)


def set_stage(
    settings: BrooderSettings,
    brooder: Brooder,
    seconds: float,
    stage: str,
    utc_seconds: float | None = None,
    *,
    by_network: bool = False,
) -> tuple[Brooder, tuple[Outcome, ...]]:
    """Somebody says which stage the youngest has reached. Raises `CommandError` where that cannot be."""
    banding = staged(settings, brooder.banding, stage, by_network=by_network)
    return _passed(settings, brooder, seconds, followed(settings, banding, seconds, utc_seconds, at_once=True))


def confirm_stage(settings: BrooderSettings, brooder: Brooder, seconds: float) -> tuple[Brooder, tuple[Outcome, ...]]:
    """A person at the unit has answered the stage that came over the network."""
    return _told(settings, replace(brooder, banding=confirmed(brooder.banding)), seconds, ())


def gap(
    settings: BrooderSettings, brooder: Brooder, seconds: float, gap_seconds: float | None
) -> tuple[Brooder, tuple[Outcome, ...]]:
    """The watch was off: delays start anew, what was learned stays, and the keeper is told for a while."""
    brooder = replace(
        first_brooder(settings),
        company=without_probe(brooder.company, seconds),
        banding=brooder.banding,
        trend=brooder.trend,
        course=Course(beyond_until=seconds),
        chick_until_seconds=brooder.chick_until_seconds,
        gap_until_seconds=seconds + settings.gap_shown_seconds,
        standing=brooder.standing,
    )
    notes = tuple(
        Noted(seconds=seconds, probe=probe, what=Note.POWER_GAP, gap_seconds=gap_seconds) for probe in settings.probes
    )
    return _told(settings, brooder, seconds, notes)


def brooder_seen(settings: BrooderSettings, brooder: Brooder, seconds: float) -> BrooderView:
    """What a screen shows of this brooder."""
    banding = brooder.banding
    is_fresh = brooder.seconds is not None and seconds - brooder.seconds <= settings.late_seconds
    air = brooder.celsius if is_fresh else None
    verdict = None if air is None else Verdict.IN_BAND if air in banding.band else Verdict.OUT_OF_BAND
    outlook, brooding = brooder.course.outlook, banding.brooding
    return BrooderView(
        name=settings.name,
        probes=settings.probes,
        band=banding.band,
        band_source=settings.band_source if brooding is None else brooding.source,
        pinned=settings.pinned,
        celsius=air,
        verdict=verdict,
        stage="" if brooding is None else brooding.stage,
        heading="" if outlook is None else "colder" if outlook.cold else "warmer",
        leaves_band_in_seconds=None if outlook is None else outlook.in_seconds.middle,
        notes=(*band_notes(settings, banding), *_remarks(brooder)),
        humidity="" if brooding is None else brooding.humidity,
    )


def _remarks(brooder: Brooder) -> tuple[str, ...]:
    remarks = []
    if brooder.touch is not None:
        remarks.append("a chick seems to lie on the probe: what it reads is not the air")
    if brooder.fall is not None and brooder.fall.is_displaced:
        remarks.append("the reading fell at once and stays: has the probe fallen out, or into litter?")
    members = brooder.company.members.values()
    answering = sum(1 for each in members if each.failing_since_seconds is None and each.celsius is not None)
    if answering < len(members):
        remarks.append(f"{answering} of {len(members)} probes answer")
    return tuple(remarks)
