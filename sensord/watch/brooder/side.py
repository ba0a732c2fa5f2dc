"""One side of a brooder's band, cold or warm: from in the band to out of it to danger, with the delays of each.

A lid lifted for a feed lets the air drop and lets it recover within about three minutes; a failing heater does not
recover. So being outside counts only after the box has had the time it needs to recover, and which of the two
alarms is due then is decided by where the air is going: one excursion is one alarm, at the priority it deserves.
"""

from dataclasses import dataclass, replace
from enum import IntEnum, unique

FLICKER_CELSIUS = 0.0625
"""One step of a 12-bit DS18B20: so far back inside does not yet break the delay of air that hovers at its limit."""


@unique
class Level(IntEnum):
    """How bad it is on this side."""

    IN_BAND = 0
    OUT = 1
    DANGER = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class SideRules:
    """The rules of one side. Depths are Celsius beyond the limit, so that both sides read the same.

    Out of the band stands after `shallow_seconds` of any depth, or after `deep_seconds` where `deep_celsius` is
    reached by then. Danger is `danger_celsius` beyond the limit, reached or within `ahead_seconds` on the present
    course. After a stop nobody knows how long it has been so: then `unknown_seconds` are enough.
    """

    deep_celsius: float
    deep_seconds: float
    shallow_seconds: float
    danger_celsius: float
    danger_seconds: float
    ahead_seconds: float = 300.0
    deadband_celsius: float = 0.3
    off_seconds: float = 120.0
    danger_off_seconds: float = 600.0
    unknown_seconds: float = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """Where one side stands, and since when what has been turning; `was_in_band` since the last stop."""

    level: Level = Level.IN_BAND
    outside_since: float | None = None
    danger_since: float | None = None
    back_since: float | None = None
    milder_since: float | None = None
    was_in_band: bool = False


def side_after(rules: SideRules, side: Side, seconds: float, depth: float, deepening: float) -> Side:
    """One reading further: `depth` Celsius beyond the limit (negative inside), deepening by `deepening` per second."""
    if depth < -FLICKER_CELSIUS and side.level is Level.IN_BAND:
        # The common case by far: nothing outside, nothing pending.
        return side if side.was_in_band and side.outside_since is None else Side(was_in_band=True)
    side = _timed(rules, side, seconds, depth)
    if side.level is Level.IN_BAND:
        return _raised(rules, side, seconds, depth, deepening)
    if side.back_since is not None and seconds - side.back_since >= rules.off_seconds:
        return Side(was_in_band=True)
    if side.level is Level.OUT:
        if side.danger_since is not None and seconds - side.danger_since >= rules.danger_seconds:
            return replace(side, level=Level.DANGER)
    elif side.milder_since is not None and seconds - side.milder_since >= rules.danger_off_seconds:
        return replace(side, level=Level.OUT)
    return side


def _timed(rules: SideRules, side: Side, seconds: float, depth: float) -> Side:
    def since(is_true: bool, before: float | None) -> float | None:
        return (seconds if before is None else before) if is_true else None

    return replace(
        side,
        outside_since=since(
            depth >= 0 or (depth >= -FLICKER_CELSIUS and side.outside_since is not None), side.outside_since
        ),
        danger_since=since(depth >= rules.danger_celsius, side.danger_since),
        back_since=since(depth < -rules.deadband_celsius, side.back_since),
        milder_since=since(0 < depth < rules.danger_celsius - rules.deadband_celsius, side.milder_since),
    )


def _raised(rules: SideRules, side: Side, seconds: float, depth: float, deepening: float) -> Side:
    outside = seconds - (seconds if side.outside_since is None else side.outside_since)
    # A minute ahead: what is deep but on its way back gets the longer delay.
    is_deep = depth + deepening * 60.0 >= rules.deep_celsius
    due = rules.deep_seconds if is_deep else rules.shallow_seconds
    if not side.was_in_band:
        due = min(due, rules.unknown_seconds)
    if outside < due:
        return side
    is_danger = depth + max(0.0, deepening) * rules.ahead_seconds >= rules.danger_celsius
    return replace(side, level=Level.DANGER if is_danger else Level.OUT)
