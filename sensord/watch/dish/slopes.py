"""Straight lines and parabolas through a handful of readings, by least squares."""

import math

from sensord.readings import Reading


def slope(recent: tuple[Reading, ...], start: float, end: float) -> float | None:
    """Least-squares slope, Celsius a second, of the readings from `start` to `end`.

    None with fewer than three, or where all are of one instant.
    """
    chosen = [r for r in recent if start <= r.seconds <= end]
    if len(chosen) < 3:
        return None
    t = sum(r.seconds for r in chosen) / len(chosen)
    square = sum((r.seconds - t) ** 2 for r in chosen)
    return sum((r.seconds - t) * r.celsius for r in chosen) / square if square else None


def parabola(readings: list[Reading]) -> tuple[float, float, float]:
    """Level, slope and half the curvature at the middle of the readings, by least squares (they are evenly spread)."""
    middle = (readings[0].seconds + readings[-1].seconds) / 2.0
    times = [r.seconds - middle for r in readings]
    n = len(times)
    s1, s2, s3, s4 = (math.fsum(math.pow(t, p) for t in times) for p in (1, 2, 3, 4))
    y0 = sum(r.celsius for r in readings)
    y1 = sum(t * r.celsius for t, r in zip(times, readings, strict=True))
    y2 = sum(t * t * r.celsius for t, r in zip(times, readings, strict=True))
    # Normal equations of a + b t + c t^2, by Cramer's rule.
    whole = n * (s2 * s4 - s3 * s3) - s1 * (s1 * s4 - s3 * s2) + s2 * (s1 * s3 - s2 * s2)
    a = y0 * (s2 * s4 - s3 * s3) - s1 * (y1 * s4 - s3 * y2) + s2 * (y1 * s3 - s2 * y2)
    b = n * (y1 * s4 - s3 * y2) - y0 * (s1 * s4 - s3 * s2) + s2 * (s1 * y2 - y1 * s2)
    c = n * (s2 * y2 - y1 * s3) - s1 * (s1 * y2 - y1 * s2) + y0 * (s1 * s3 - s2 * s2)
    return a / whole, b / whole, c / whole
