"""What touches the probe: a chick that lies on it, or litter and cold air when it has fallen out of its place.

Air cannot jump: it follows its heater over minutes. A probe put against something else follows with its own time
constant, well under a minute, and then stays. So most of a change made within one minute, and flat after it, was
made at the probe.
"""

from dataclasses import dataclass, replace

from sensord.watch.trend import BIN_SECONDS, Swing, Trend

__all__ = ["Fall", "Touch", "chick_arrived", "chick_stays", "fall_of"]

HOTTEST_CHICK_CELSIUS = 40.5
"""No skin of a chick is hotter (body 40-42 °C, Hand-Rearing Birds 2nd ed., ch 1 p 7, less the way to the probe)."""
CHICK_LONGEST_SECONDS = 2700.0
"""Chicks shift and turn; a plateau of three quarters of an hour is rather hot air (common practice, no source)."""
MINUTE_BINS = 6
JUMP_SHARE = 0.66
"""1 - exp(-60 s / 55 s): what the slowest usual probe does of a step within its first minute."""
LOOKING_BACK_BINS = 30
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
    """The reading fell from the usual, whose lowest was `usual_celsius`, faster than a heater lets it;
    `is_displaced` once no lid explains it any more."""

    since_seconds: float
    usual_celsius: float
    is_displaced: bool = False


def chick_arrived(trend: Trend, seconds: float, celsius: float) -> Touch | None:
    """A chick, where the last minutes jumped up from the usual and stay flat since."""
    window = trend.bins[-LOOKING_BACK_BINS:]
    if len(window) < 2 * MINUTE_BINS or celsius >= HOTTEST_CHICK_CELSIUS:
        return None
    now, lowest = sum(window[-3:]) / 3, min(window)
    change = now - lowest
    fastest = max(window[k] - window[k - MINUTE_BINS] for k in range(MINUTE_BINS, len(window)))
    lately = abs(window[-1] - window[-5])
    is_from_usual = trend.swing is None or lowest >= trend.swing.low_celsius
    if change <= 0.3 or fastest < JUMP_SHARE * change or lately > 0.15 * change or not is_from_usual:
        return None
    return Touch(seconds, lowest, celsius)


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
    return Fall(seconds, swing.low_celsius)
