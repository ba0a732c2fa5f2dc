"""How the air of a brooder has been: ten-second means of the last minutes, and the swing that is usual for this box.

A thermostat makes the air swing on its own. Its usual lowest and highest values are learned from five-minute blocks
that lay wholly in the band, leaving the rare ones aside, so that a lid opened now and then does not count.
"""

from dataclasses import dataclass, replace
from statistics import median

from sensord.readings import Band

BIN_SECONDS = 10.0
BINS_KEPT = 60
BLOCK_SECONDS = 300.0
BLOCKS_KEPT = 24
LEAST_BLOCKS = 3
LONGEST_HOLE_SECONDS = 60.0
LEAST_MARGIN_CELSIUS = 0.1
"""A step and a half of a 12-bit DS18B20 (1/16 °C), the least that is told from its own flicker."""


@dataclass(frozen=True, slots=True)
class Swing:
    """What the air of this box usually does: its lowest and highest in Celsius, and how fast its thermostat lets it
    fall and rise in Celsius per second."""

    low_celsius: float
    high_celsius: float
    fall: float
    rise: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """`bins` are means of `BIN_SECONDS` each, the last one ending at `seconds`; blocks are (low, high, mean, fall,
    rise, seconds at their end)."""

    seconds: float | None = None
    bins: tuple[float, ...] = ()
    begun_seconds: float = 0.0
    total: float = 0.0
    count: int = 0
    block_begun_seconds: float | None = None
    block: tuple[float, ...] = ()
    blocks: tuple[tuple[float, ...], ...] = ()
    swing: Swing | None = None


def add(trend: Trend, band: Band, seconds: float, celsius: float) -> Trend:
    """One reading further. After a hole of more than a minute the last minutes begin anew; what is usual stays."""
    if trend.seconds is not None and seconds - trend.seconds > LONGEST_HOLE_SECONDS + BIN_SECONDS:
        trend = Trend(blocks=trend.blocks, swing=trend.swing)
    if trend.count == 0:
        return replace(trend, begun_seconds=seconds, total=celsius, count=1, seconds=trend.seconds or seconds)
    if seconds - trend.begun_seconds < BIN_SECONDS:
        return replace(trend, total=trend.total + celsius, count=trend.count + 1)
    mean = trend.total / trend.count
    bins = (*trend.bins[1 - BINS_KEPT :], mean)
    begun = trend.block_begun_seconds
    if begun is None:
        begun, block = seconds, tuple[float, ...]()
    else:
        block = (*trend.block, mean)
    blocks, swing = trend.blocks, trend.swing
    if seconds - begun >= BLOCK_SECONDS:
        if min(block) >= band.low_celsius and max(block) <= band.high_celsius:
            blocks = (*blocks[1 - BLOCKS_KEPT :], _summed(block, seconds))
            swing = _usual(blocks)
        begun, block = seconds, ()
    return Trend(
        seconds=seconds,
        bins=bins,
        begun_seconds=seconds,
        total=celsius,
        count=1,
        block_begun_seconds=begun,
        block=block,
        blocks=blocks,
        swing=swing,
    )


def _summed(block: tuple[float, ...], seconds: float) -> tuple[float, ...]:
    rates = [(after - before) / (2 * BIN_SECONDS) for before, after in zip(block, block[2:], strict=False)]
    return min(block), max(block), sum(block) / len(block), -min(rates, default=0.0), max(rates, default=0.0), seconds


def _usual(blocks: tuple[tuple[float, ...], ...]) -> Swing | None:
    if len(blocks) < LEAST_BLOCKS:
        return None
    lows, highs, _, falls, rises, _ = (sorted(column) for column in zip(*blocks, strict=True))
    # Not the very lowest: a lid opened for a moment leaves one low block now and then.
    aside = len(blocks) // 8
    return Swing(
        lows[aside] - LEAST_MARGIN_CELSIUS,
        highs[-1 - aside] + LEAST_MARGIN_CELSIUS,
        falls[-1 - aside],
        rises[-1 - aside],
    )


def rate(trend: Trend, bins: int) -> float | None:
    """Celsius per second over the last `bins` steps from bin to bin; None where there are not so many."""
    if len(trend.bins) <= bins:
        return None
    return (trend.bins[-1] - trend.bins[-1 - bins]) / (bins * BIN_SECONDS)


def median_slope(seconds: tuple[float, ...], celsius: tuple[float, ...]) -> tuple[float, float, float]:
    """The Theil-Sen slope in Celsius per second with the ends of its 90 % interval (Sen 1968, Kendall's variance).

    `seconds` and `celsius` have the same length of at least 3, with different times. Agrees with
    `scipy.stats.theilslopes(celsius, seconds, 0.9)`.
    """
    count = len(seconds)
    slopes = sorted(
        (celsius[j] - celsius[i]) / (seconds[j] - seconds[i]) for i in range(count) for j in range(i + 1, count)
    )
    # Normal quantile for 90 % two-sided; the variance of Kendall's S corrected for ties in neither variable.
    sigma = (count * (count - 1) * (2 * count + 5) / 18) ** 0.5
    reach = 1.6448536269514722 * sigma
    lower = max(0, round((len(slopes) - reach) / 2) - 1)
    upper = min(len(slopes) - 1, round((len(slopes) + reach) / 2))
    return median(slopes), slopes[lower], slopes[upper]
