"""Where the air of a brooder is going: a heater that fails or sticks, and a slow drift, told before the band is left.

A failing heater looks like the thermostat's own off phase until the air passes the lowest it usually turns at and
goes on falling. A lid opened looks steeper than any heater: such a fall is left to the band's delay, for it is over
before anybody could act on a forecast. What the air of the room does at night shows as a slow drift.
"""

import math
from dataclasses import dataclass, replace
from enum import Enum, unique
from itertools import pairwise

from sensord.readings import Band, Interval
from sensord.watch.brooder.trend import BIN_SECONDS, BLOCK_SECONDS, LEAST_MARGIN_CELSIUS, Trend, median_slope, rate


@dataclass(frozen=True, slots=True, kw_only=True)
class CourseRules:
    """`probe_lag_seconds`: the time constant of a DS18B20 in air, 20 to 55 s by packaging (common practice, no
    source). `probe_error_celsius`: its error at 90 % (0.5 °C expanded, k = 2: 0.41).
    `fastest_celsius_per_second`: how fast the air itself can go when a heater fails or sticks; a lid is faster.
    `calm_seconds`: how long the thermostat still swings after a lid. `suspect_seconds`: a heater that failed once
    may fail again for so long, and is believed of it sooner, soonest within `loose_seconds` of getting warm again: a
    loose contact.
    """

    horizon_seconds: float = 1800.0
    probe_lag_seconds: float = 35.0
    probe_error_celsius: float = 0.41
    fastest_celsius_per_second: float = 0.030
    slowest_celsius_per_second: float = 0.004
    slowest_steady: float = 0.0017
    switching_celsius_per_second: float = 0.006
    steady_bins: int = 8
    least_bins: int = 2
    long_bins: int = 18
    calm_seconds: float = 900.0
    suspect_seconds: float = 7200.0
    loose_seconds: float = 1500.0
    again_seconds: float = 1200.0
    by_itself_seconds: float = 2400.0
    drift_blocks: int = 24
    drift_least_celsius: float = 0.35


@unique
class TrendPace(Enum):
    """How an outlook was found: a sudden failure, a steady loss for minutes, or a slow drift over an hour."""

    SUDDEN = "sudden"
    STEADY = "steady"
    SLOW = "slow"


@dataclass(frozen=True, slots=True, kw_only=True)
class AirOutlook:
    """The band will be left on the `cold` side or the warm one in `in_seconds`."""

    cold: bool
    in_seconds: Interval
    pace: TrendPace


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """Since when the air is beyond its usual swing and until when it last was; what has been foretold, so that it is
    said once; until when each side's heater fault is suspected; when its heater last obeyed its thermostat."""

    beyond_since: float | None = None
    beyond_until: float | None = None
    told_until: float | None = None
    told_cold: bool = False
    drift_told_until: float | None = None
    failed_seconds: float | None = None
    failed_cold: bool = False
    exited_seconds: float | None = None
    outside_seconds: float | None = None
    obeyed_seconds: float | None = None
    outlook: AirOutlook | None = None
    since_seconds: float | None = None


def course_after(rules: CourseRules, course: Course, trend: Trend, band: Band, seconds: float) -> tuple[Course, bool]:
    """The course after a new bin, and whether its outlook is news."""
    course = _obeyed(_departed(course, trend, seconds), trend, seconds)
    outlook = (
        _fast(rules, course, trend, band, seconds) or _steady(rules, course, trend, band) or _drift(rules, trend, band)
    )
    if outlook is None:
        quiet = course.outlook is None and course.since_seconds is None
        return course if quiet else replace(course, outlook=None, since_seconds=None), False
    same = course.outlook is not None and course.outlook.cold is outlook.cold
    course = replace(course, outlook=outlook, since_seconds=course.since_seconds if same else seconds)
    if outlook.pace is TrendPace.SLOW:
        if course.drift_told_until is not None and seconds < course.drift_told_until:
            return course, False
        return replace(course, drift_told_until=seconds + max(3600.0, outlook.in_seconds.high)), True
    if course.told_until is not None and seconds < course.told_until and course.told_cold is outlook.cold:
        return course, False
    return replace(
        course, told_until=seconds + max(rules.loose_seconds, outlook.in_seconds.high), told_cold=outlook.cold
    ), True


def failed(rules: CourseRules, course: Course, trend: Trend, cold: bool, left_seconds: float, seconds: float) -> Course:
    """An excursion that began at `left_seconds` has come to stand. Where its onset was a heater's (no lid is so slow,
    no drift so fast), the same may well happen again."""
    ago = int((seconds - left_seconds) / BIN_SECONDS)
    onset = trend.bins[-ago - 15 : min(8 - ago, 0) or None]
    sign = -1.0 if cold else 1.0
    steps = (sign * (after - before) / BIN_SECONDS for before, after in pairwise(onset))
    if not rules.switching_celsius_per_second <= max(steps, default=0.0) <= rules.fastest_celsius_per_second:
        return course
    return replace(course, failed_seconds=seconds, failed_cold=cold)


def outside(rules: CourseRules, course: Course, seconds: float) -> Course:
    """The air is out of the band: what was foretold has been settled. A heater that stays off for long and comes back
    was put right by somebody; one that comes back by itself has a loose contact."""
    is_new = course.outside_seconds is None or seconds - course.outside_seconds > 6 * BIN_SECONDS
    exited = seconds if is_new or course.exited_seconds is None else course.exited_seconds
    failed_seconds = course.failed_seconds if seconds - exited <= rules.by_itself_seconds else None
    return replace(
        course,
        outlook=None,
        since_seconds=None,
        told_until=None,
        exited_seconds=exited,
        outside_seconds=seconds,
        failed_seconds=failed_seconds,
    )


def _departed(course: Course, trend: Trend, seconds: float) -> Course:
    swing = trend.swing
    if swing is None:
        return course
    if swing.low_celsius <= trend.bins[-1] <= swing.high_celsius:
        if course.beyond_since is None:
            return course
        return replace(course, beyond_since=None, beyond_until=seconds)
    return course if course.beyond_since is not None else replace(course, beyond_since=seconds)


def _obeyed(course: Course, trend: Trend, seconds: float) -> Course:
    """Whether the heater, since the air is back in the band, has gone off and on again (or on and off) by itself: then
    its contact holds, and the next off phase is the thermostat's."""
    back, swing = course.outside_seconds, trend.swing
    if back is None or swing is None or course.failed_seconds is None or (course.obeyed_seconds or 0.0) > back:
        return course
    since = trend.bins[-max(1, int((seconds - back) / BIN_SECONDS)) :]
    usual = swing.high_celsius - swing.low_celsius - 2 * LEAST_MARGIN_CELSIUS
    sign = 1.0 if course.failed_cold else -1.0
    has_turned = _turned([sign * celsius for celsius in since], max(usual / 2, 2 * LEAST_MARGIN_CELSIUS))
    return replace(course, obeyed_seconds=seconds) if has_turned else course


def _turned(values: list[float], depth: float) -> bool:
    """Whether `values` fell by `depth` and then rose by as much."""
    peak, trough = values[0], None
    for value in values:
        if trough is None:
            peak = max(peak, value)
            trough = value if peak - value >= depth else None
        else:
            trough = min(trough, value)
            if value - trough >= depth:
                return True
    return False


def _fast(rules: CourseRules, course: Course, trend: Trend, band: Band, seconds: float) -> AirOutlook | None:
    """A heater that failed or stuck: beyond the usual turning point and going on, by no means as steep as a lid."""
    bins, began = trend.bins, course.beyond_since
    slope = rate(trend, 2)
    if slope is None or trend.swing is None:
        return None
    cold = slope < 0
    sign, speed = (-1.0 if cold else 1.0), abs(slope)
    steps = _run(bins, sign)
    if speed < rules.slowest_celsius_per_second or len(steps) < rules.least_bins:
        return None
    limit = band.low_celsius if cold else band.high_celsius
    # The air is ahead of the probe by its lag, and of the bin's mean by half a bin.
    distance = sign * (limit - bins[-1]) - speed * (rules.probe_lag_seconds + BIN_SECONDS / 2)
    if distance <= LEAST_MARGIN_CELSIUS:
        return None
    beyond = trend.swing.low_celsius - bins[-1] if cold else bins[-1] - trend.swing.high_celsius
    has_failed = (
        course.failed_seconds is not None
        and course.failed_cold is cold
        and seconds - course.failed_seconds < rules.suspect_seconds
    )
    usual = trend.swing.fall if cold else trend.swing.rise
    back = course.outside_seconds or 0.0
    is_fresh = seconds - back < rules.loose_seconds and (course.obeyed_seconds or 0.0) <= back
    if has_failed and is_fresh:
        told = _outlook(rules, cold, distance, speed, TrendPace.SUDDEN)
        # A loose contact may catch once more before the band is left. When it lets go nobody knows: the middle says no
        # more than the ends.
        until = max(told.in_seconds.high, rules.again_seconds) if told is not None else 0.0
        return told and replace(told, in_seconds=Interval(until / 2, 0.0, until))
    # What is nearer than the probe's own lag may have happened already: that is for the alarm to say.
    if beyond <= 0 or distance < speed * rules.probe_lag_seconds:
        return None
    calm = began is not None and (course.beyond_until is None or began - course.beyond_until >= rules.calm_seconds)
    if has_failed or (calm and _is_heaters(rules, steps, usual)):
        return _outlook(rules, cold, distance, speed, TrendPace.SUDDEN)
    return None


def _steady(rules: CourseRules, course: Course, trend: Trend, band: Band) -> AirOutlook | None:
    """A box that holds its heat well: beyond its usual swing and moving on evenly for three minutes."""
    if course.beyond_since is None or trend.swing is None or len(trend.bins) < rules.long_bins:
        return None
    bins = trend.bins[-rules.long_bins :]
    cold = bins[-1] < trend.swing.low_celsius
    sign = -1.0 if cold else 1.0
    # A lid drops the air and lets it stay or come back; a heater that is off lets it go on and on, all three minutes.
    third = rules.long_bins // 3
    thirds = [sign * (bins[min(k + third, len(bins) - 1)] - bins[k]) for k in range(0, 3 * third, third)]
    usual = trend.swing.fall if cold else trend.swing.rise
    is_calm = course.beyond_until is None or course.beyond_since - course.beyond_until >= rules.calm_seconds
    if not is_calm or min(thirds) < 0.7 * sum(thirds) / 3 or usual >= rules.switching_celsius_per_second:
        return None
    times = tuple(BIN_SECONDS * k for k in range(len(bins)))
    slope, least, most = median_slope(times, bins)
    speed = abs(slope)
    distance = (bins[-1] - band.low_celsius if cold else band.high_celsius - bins[-1]) - speed * rules.probe_lag_seconds
    if least * most <= 0 or distance <= LEAST_MARGIN_CELSIUS or speed < rules.slowest_steady:
        return None
    return _outlook(rules, cold, distance, speed, TrendPace.STEADY)


def _run(bins: tuple[float, ...], sign: float) -> list[float]:
    """The steps in Celsius per second, oldest first, since the air began to go this way without a break."""
    steps: list[float] = []
    for k in range(len(bins) - 1, 0, -1):
        step = sign * (bins[k] - bins[k - 1]) / BIN_SECONDS
        if step < 0.001:
            break
        steps.append(step)
    return steps[::-1]


def _is_heaters(rules: CourseRules, steps: list[float], usual: float) -> bool:
    """Whether only a heater can have done this, by steps in Celsius per second and the box's `usual` fastest.

    Longer than a lid is held open; no faster than the box has shown to go by itself where its thermostat switches on
    and off; elsewhere no faster than a lagging probe shows the fastest heater; and not flagging, as a fall does when
    the lid is closed again.
    """
    pairs = [(before + after) / 2 for before, after in pairwise(steps)]
    if len(steps) < rules.steady_bins or pairs[-1] < 0.7 * max(pairs):
        return False
    if usual >= rules.switching_celsius_per_second:
        return max(pairs) <= 1.25 * usual + 0.001
    return all(
        step
        <= rules.fastest_celsius_per_second * (1 - math.exp(-number * BIN_SECONDS / rules.probe_lag_seconds)) + 0.003
        for number, step in enumerate(steps, 1)
    )


def _outlook(rules: CourseRules, cold: bool, distance: float, speed: float, pace: TrendPace) -> AirOutlook | None:
    slack = 0.0 if pace is TrendPace.SLOW else 20.0
    low = (distance - rules.probe_error_celsius) / (speed * 1.4) - slack
    high = (distance + rules.probe_error_celsius) / (speed * 0.6) + slack
    middle = max(0.0, distance / speed)
    if low > rules.horizon_seconds:
        return None
    return AirOutlook(cold=cold, in_seconds=Interval(middle, max(0.0, low), max(high, middle)), pace=pace)


def _drift(rules: CourseRules, trend: Trend, band: Band) -> AirOutlook | None:
    """A slow, steady change of the mean over an hour and more: a thermostat that slips, a room that cools."""
    blocks = trend.blocks[-rules.drift_blocks :]
    if len(blocks) < rules.drift_blocks or trend.block:
        return None  # looked at when a block has just closed
    means, times = tuple(block[2] for block in blocks), tuple(block[5] for block in blocks)
    if times[-1] - times[0] > 1.2 * BLOCK_SECONDS * len(blocks):
        return None  # something else happened in between
    slope, least, most = median_slope(times, means)
    total, lately = means[-1] - means[0], means[-1] - means[-7]
    if (
        least * most <= 0
        or abs(slope) * (times[-1] - times[0]) < rules.drift_least_celsius
        or lately * slope <= 0.2 * total * slope
    ):
        return None
    cold = slope < 0
    # The air itself, not its mean, leaves the band: the swing goes first.
    lowest, highest = trend.blocks[-1][0], trend.blocks[-1][1]
    distance = lowest - band.low_celsius if cold else band.high_celsius - highest
    return _outlook(rules, cold, distance, abs(slope), TrendPace.SLOW)
