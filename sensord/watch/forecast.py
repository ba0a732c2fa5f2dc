"""Where the air of a brooder is going: a heater that fails or sticks, and a slow drift, told before the band is left.

A failing heater looks like the thermostat's own off phase until the air passes the lowest it usually turns at and
goes on falling. A lid opened looks steeper than any heater: such a fall is left to the band's delay, for it is over
before anybody could act on a forecast. What the air of the room does at night shows as a slow drift.
"""

from dataclasses import dataclass, replace

from sensord.readings import Band
from sensord.watch.trend import BIN_SECONDS, BLOCK_SECONDS, Trend, median_slope, rate

__all__ = ["Course", "CourseRules", "Outlook", "look_ahead", "suspect"]


@dataclass(frozen=True, slots=True)
class CourseRules:
    """`probe_lag_seconds`: the time constant of a DS18B20 in air, 20 to 55 s by packaging (common practice, no
    source). `probe_error_celsius`: its error limit at 90 % (the data sheet's 0.5 °C is three sigma: 0.27).
    `steepest_celsius_per_second`: no heater's failing lets air fall faster; what is steeper is a lid.
    `calm_seconds`: how long the thermostat still swings after a lid. `suspect_seconds`: a heater that failed once
    may fail again for so long, and is believed of it sooner.
    """

    horizon_seconds: float = 1800.0
    probe_lag_seconds: float = 35.0
    probe_error_celsius: float = 0.27
    steepest_celsius_per_second: float = 0.028
    slowest_celsius_per_second: float = 0.004
    steady_bins: int = 5
    calm_seconds: float = 900.0
    suspect_seconds: float = 7200.0
    drift_blocks: int = 18
    drift_least_celsius: float = 0.2


@dataclass(frozen=True, slots=True)
class Outlook:
    """The band will be left on the `cold` side or the warm one in `in_seconds` (90 % interval low..high)."""

    cold: bool
    in_seconds: float
    low_seconds: float
    high_seconds: float
    is_fast: bool


@dataclass(frozen=True, slots=True)
class Course:
    """Since when the air is beyond its usual swing and until when it last was; what has been foretold, so that it is
    said once; until when each side's heater fault is suspected."""

    beyond_since: float | None = None
    beyond_until: float | None = None
    told_until: float | None = None
    told_cold: bool = False
    suspect_until: float | None = None
    outlook: Outlook | None = None
    since_seconds: float | None = None


def look_ahead(rules: CourseRules, course: Course, trend: Trend, band: Band, seconds: float) -> tuple[Course, bool]:
    """The course after a new bin, and whether its outlook is news."""
    course = _departed(course, trend, seconds)
    outlook = _fast(rules, course, trend, band, seconds) or _drift(rules, trend, band)
    if outlook is None:
        return replace(course, outlook=None, since_seconds=None), False
    same = course.outlook is not None and course.outlook.cold is outlook.cold
    course = replace(course, outlook=outlook, since_seconds=course.since_seconds if same else seconds)
    if course.told_until is not None and seconds < course.told_until and course.told_cold is outlook.cold:
        return course, False
    quiet = max(outlook.high_seconds, 300.0 if outlook.is_fast else 3600.0)
    return replace(course, told_until=seconds + quiet, told_cold=outlook.cold), True


def suspect(rules: CourseRules, course: Course, seconds: float) -> Course:
    """An excursion that no lid explains was found: its heater may well fail again."""
    return replace(course, suspect_until=seconds + rules.suspect_seconds)


def _departed(course: Course, trend: Trend, seconds: float) -> Course:
    swing = trend.swing
    if swing is None:
        return course
    if swing.low_celsius <= trend.bins[-1] <= swing.high_celsius:
        if course.beyond_since is None:
            return course
        return replace(course, beyond_since=None, beyond_until=seconds)
    return course if course.beyond_since is not None else replace(course, beyond_since=seconds)


def _fast(rules: CourseRules, course: Course, trend: Trend, band: Band, seconds: float) -> Outlook | None:
    """A heater that failed or stuck: beyond the usual turning point and going on, by no means as steep as a lid."""
    bins, began = trend.bins, course.beyond_since
    slope = rate(trend, 3)
    if began is None or slope is None or trend.swing is None or len(bins) < 2 * rules.steady_bins:
        return None
    cold = slope < 0
    sign, speed = (-1.0 if cold else 1.0), abs(slope)
    beyond = trend.swing.low_celsius - bins[-1] if cold else bins[-1] - trend.swing.high_celsius
    if beyond <= 0 or speed < rules.slowest_celsius_per_second:
        return None
    steps = [sign * (bins[k] - bins[k - 1]) / BIN_SECONDS for k in range(-rules.steady_bins - 2, 0)]
    is_suspect = course.suspect_until is not None and seconds < course.suspect_until
    if not is_suspect:
        calm = course.beyond_until is None or began - course.beyond_until >= rules.calm_seconds
        if not calm or max(steps) > rules.steepest_celsius_per_second:
            return None
        if min(steps[-rules.steady_bins :]) < -0.001 or steps[-1] + steps[-2] < 0.6 * (steps[-3] + steps[-4]):
            return None
    elif min(steps[-3:]) <= 0:
        return None
    limit = band.low_celsius if cold else band.high_celsius
    # The air is ahead of the probe by its lag, and of the bin's mean by half a bin.
    distance = sign * (limit - bins[-1]) - speed * (rules.probe_lag_seconds + BIN_SECONDS / 2)
    return _outlook(rules, cold, distance, speed, is_fast=True)


def _outlook(rules: CourseRules, cold: bool, distance: float, speed: float, is_fast: bool) -> Outlook | None:
    low = (distance - rules.probe_error_celsius) / (speed * 1.4)
    high = (distance + rules.probe_error_celsius) / (speed * 0.6) + (20.0 if is_fast else 0.0)
    middle = max(0.0, distance / speed)
    if high <= 0 or low > rules.horizon_seconds:
        return None
    return Outlook(cold, middle, max(0.0, low), max(high, middle), is_fast)


def _drift(rules: CourseRules, trend: Trend, band: Band) -> Outlook | None:
    """A slow, steady change of the mean over an hour and more: a thermostat that slips, a room that cools."""
    means = tuple(block[2] for block in trend.blocks[-rules.drift_blocks :])
    if len(means) < rules.drift_blocks or trend.block:
        return None  # looked at when a block has just closed
    times = tuple(BLOCK_SECONDS * k for k in range(len(means)))
    slope, least, most = median_slope(times, means)
    if least * most <= 0 or abs(slope) * times[-1] < rules.drift_least_celsius:
        return None
    cold = slope < 0
    # The air itself, not its mean, leaves the band: the swing goes first.
    lowest, highest = trend.blocks[-1][0], trend.blocks[-1][1]
    distance = lowest - band.low_celsius if cold else band.high_celsius - highest
    return _outlook(rules, cold, distance, abs(slope), is_fast=False)
