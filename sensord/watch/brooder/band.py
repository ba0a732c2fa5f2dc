"""A limit with deadband, on-delay and off-delay: when a condition stands, and when it has gone (IEC 62682 terms).

Comparisons are made in whole milli-degrees, so that 37.7 against 38.0 minus 0.3 does not depend on binary fractions.
"""

import math
from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitSettings:
    """A limit in Celsius; `is_low` for one that must not be undercut.

    The raw condition is true at the limit and beyond; it is false again only when the reading is farther inside than
    `deadband_celsius`. `on_delay_seconds` and `off_delay_seconds` are how long either must hold, without a break and
    without a hole of more than `longest_gap_seconds` between two readings: time without data proves nothing.
    """

    limit_celsius: float
    is_low: bool = False
    deadband_celsius: float = 0.3
    on_delay_seconds: float = 120.0
    off_delay_seconds: float = 60.0
    longest_gap_seconds: float = math.inf


@dataclass(frozen=True, slots=True)
class Limit:
    """Where one limit stands: `is_standing` after the delays; `turning_since_seconds` while a delay runs."""

    is_standing: bool = False
    turning_since_seconds: float | None = None
    last_seconds: float | None = None


def limit_judged(settings: LimitSettings, limit: Limit, seconds: float, celsius: float) -> Limit:
    """One reading further. Not a number changes nothing."""
    if math.isnan(celsius):
        return limit
    beyond = _beyond_millidegrees(settings, celsius)
    deadband = round(settings.deadband_celsius * 1000)
    turns = beyond < -deadband if limit.is_standing else beyond >= 0
    if not turns:
        if limit.turning_since_seconds is None and not limit.is_standing:
            return limit if limit.last_seconds is None else Limit()
        return Limit(limit.is_standing, None, seconds)
    since = limit.turning_since_seconds
    has_hole = limit.last_seconds is not None and seconds - limit.last_seconds > settings.longest_gap_seconds
    if since is None or has_hole:
        since = seconds
    delay = settings.off_delay_seconds if limit.is_standing else settings.on_delay_seconds
    if seconds - since >= delay:
        return Limit(not limit.is_standing, None, seconds)
    return replace(limit, turning_since_seconds=since, last_seconds=seconds)


def _beyond_millidegrees(settings: LimitSettings, celsius: float) -> int:
    over = round(celsius * 1000) - round(settings.limit_celsius * 1000)
    return -over if settings.is_low else over
