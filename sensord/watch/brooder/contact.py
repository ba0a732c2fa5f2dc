"""What touches the probe: a chick that lies on it, or litter and cold air when it has fallen out of its place.

Air cannot jump: it follows its heater over minutes. A probe put against something else follows with its own time
constant, well under a minute, and then stays. So most of a change made within one minute, and flat after it, was
made at the probe.
"""

from dataclasses import dataclass, replace
from itertools import pairwise

from sensord.watch.brooder.trend import BIN_SECONDS, Swing, Trend

CHICK_GUESS = "or a chick lies on the probe"

HOTTEST_CHICK_CELSIUS = 40.5
"""No skin of a chick is hotter (body 40-42 °C, Hand-Rearing Birds 2nd ed., ch 1 p 7, less the way to the probe)."""
CHICK_LONGEST_SECONDS = 2700.0
"""Chicks shift and turn; a plateau of three quarters of an hour is rather hot air (common practice, no source)."""
MINUTE_BINS = 6
JUMP_SHARE = 0.6
"""A little under 1 - exp(-60 s / 55 s): what the slowest usual probe does of a step within its first minute."""
LEAST_FALL_CELSIUS = 0.8
STEEPEST_AIR = 0.038
"""Celsius per second: a quarter faster than any heater's failing (`forecast.CourseRules`); a lid, or the probe."""
LID_SECONDS = 900.0
"""A lid is not left open for longer without a reason (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Touch:
    """A chick lies against the probe since `since_seconds`: it went from `from_celsius` to `celsius`."""

    since_seconds: float
    from_celsius: float
    celsius: float


@dataclass(frozen=True, slots=True)
class Fall:
    """The reading fell from the usual, whose lowest was `usual_celsius`, faster than a heater lets it, down to
    `lowest_celsius` so far; `is_displaced` once no lid explains it any more."""

    since_seconds: float
    usual_celsius: float
    lowest_celsius: float
    is_displaced: bool = False


def chick_arrived(trend: Trend, seconds: float, celsius: float) -> Touch | None:
    """A chick, where the last ten minutes hold a jump up from the usual that came at once and stays since.

    A probe put against something warm rises fastest in its first seconds; air that a heater warms takes off slowly,
    for it has to warm the probe too.
    """
    bins = trend.bins
    if len(bins) < 2 * MINUTE_BINS or celsius >= HOTTEST_CHICK_CELSIUS:
        return None
    steps = [after - before for before, after in pairwise(bins)]
    at = max(range(3, len(steps) - MINUTE_BINS + 1), key=steps.__getitem__)
    start, before = bins[at - 1], bins[at - 1] - bins[at - 3]
    change = sum(bins[-3:]) / 3 - start
    in_a_minute = bins[at + MINUTE_BINS] - start
    is_sudden = before <= 0.75 * steps[at] and in_a_minute >= JUMP_SHARE * change
    is_flat = abs(bins[-1] - bins[-5]) <= 0.25 * change
    is_from_usual = trend.swing is None or start >= trend.swing.low_celsius
    if change <= 0.3 or not (is_sudden and is_flat and is_from_usual):
        return None
    return Touch(seconds, start, celsius)


def chick_stays(touch: Touch, seconds: float, celsius: float) -> bool | None:
    """Whether the chick still lies there; None where it is rather the air that is hot."""
    is_hotter = celsius > min(touch.celsius + 1.0, HOTTEST_CHICK_CELSIUS)
    if is_hotter or seconds - touch.since_seconds > CHICK_LONGEST_SECONDS:
        return None
    # It has left when most of the jump is undone; until then what is read is the chick.
    return celsius >= touch.from_celsius + 0.4 * (touch.celsius - touch.from_celsius)


def fall_of(fall: Fall | None, trend: Trend, seconds: float) -> Fall | None:
    """What became of a sudden fall after a new bin: undone (None), still open, or a probe that lies elsewhere."""
    bins = trend.bins
    if not bins or trend.swing is None:
        return None
    if fall is None:
        return _began(bins, trend.swing, seconds)
    if bins[-1] >= fall.usual_celsius:
        return None
    if bins[-1] < fall.lowest_celsius:
        fall = replace(fall, lowest_celsius=bins[-1])
    if bins[-1] - fall.lowest_celsius > max(0.4, 0.4 * (fall.usual_celsius - fall.lowest_celsius)):
        return None  # it comes back, however slowly: a lid was closed again
    half = len(bins) // 2
    if fall.is_displaced or seconds - fall.since_seconds < LID_SECONDS or half < 2 * MINUTE_BINS:
        return fall
    before, after = sum(bins[:half]) / half, sum(bins[half:]) / (len(bins) - half)
    if bins[-1] > fall.usual_celsius - 0.5 * LEAST_FALL_CELSIUS:
        return fall
    # Air with a heater off or a lid open goes on moving as its walls do; a probe in litter has arrived.
    return replace(fall, is_displaced=abs(after - before) <= 0.12)


def _began(bins: tuple[float, ...], swing: Swing, seconds: float) -> Fall | None:
    if len(bins) <= MINUTE_BINS or bins[-1] >= swing.low_celsius:
        return None
    start = bins[-1 - MINUTE_BINS]
    steepest = max(bins[k - 1] - bins[k] for k in range(-MINUTE_BINS, 0)) / BIN_SECONDS
    is_usual = swing.low_celsius <= start <= swing.high_celsius
    if not is_usual or start - bins[-1] < LEAST_FALL_CELSIUS or steepest < STEEPEST_AIR:
        return None
    return Fall(seconds, swing.low_celsius, bins[-1])
