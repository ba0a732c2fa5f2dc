"""What touches the probe: a chick that lies on it, or litter and cold air when it has fallen out of its place.

Air cannot jump: it follows its heater over minutes. A probe put against something else follows with its own time
constant, well under a minute, and then stays. So most of a change made within one minute, and flat after it, was
made at the probe.
"""

from sensord.watch.trend import Trend

__all__ = ["HOTTEST_CHICK_CELSIUS", "jump_share"]

HOTTEST_CHICK_CELSIUS = 40.5
"""No skin of a chick is hotter (body 40-42 °C, Hand-Rearing Birds 2nd ed., ch 1 p 7, less the way to the probe)."""
MINUTE_BINS = 6


def jump_share(trend: Trend, bins: int) -> tuple[float, float, float]:
    """Of the change over the last `bins` bins: its size in Celsius, the share made in the fastest minute, and how
    much the last 40 s added (as a share of the change). Zeros where there are too few bins."""
    window = trend.bins[-bins:]
    if len(window) < 2 * MINUTE_BINS:
        return 0.0, 0.0, 0.0
    now = sum(window[-3:]) / 3
    lowest, highest = min(window), max(window)
    rises = now - lowest > highest - now
    start = lowest if rises else highest
    change = now - start
    if abs(change) < 0.3:
        return 0.0, 0.0, 0.0
    steps = [window[k] - window[k - MINUTE_BINS] for k in range(MINUTE_BINS, len(window))]
    fastest = max(steps) if rises else min(steps)
    return change, fastest / change, (window[-1] - window[-5]) / change
