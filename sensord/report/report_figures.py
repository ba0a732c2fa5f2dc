"""The figures of a report, pure: what the air did against its band, where a lid was lifted, how the alarms went.

Points are one minute each (or one hour where the span is long); times UTC seconds, temperatures Celsius.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from statistics import median

from sensord.history.history_reader import AlarmRow, BandRow, ProbePoint

# A lid lifted for a feed drops the air by a degree or more within two minutes and lets it recover within a few.
_LID_DROP_CELSIUS = 1.0
_LID_WITHIN_SECONDS = 150.0
_LID_RECOVERED_CELSIUS = 0.7
_LID_RECOVERED_WITHIN_SECONDS = 600.0
# The same alarm again this soon after its end is the same trouble (chattering; common practice, no source).
_AGAIN_SECONDS = 900.0
# ISA-18.2's words, from public copies: stale is standing for more than a day, chattering three changes in a minute.
_STALE_SECONDS = 86_400.0
_CHATTER_SECONDS = 60.0
_CHATTER_CHANGES = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class AirFigures:
    """The air of a brooder over a span; None where nothing was read. Minutes are of time, not of readings."""

    low_celsius: float | None
    mean_celsius: float | None
    high_celsius: float | None
    share_in_band: float | None
    minutes_under: float
    minutes_over: float
    minutes_unread: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmEpisode:
    """One alarm from its raising to the end of its condition; None where that did not happen in the span.

    `times` counts how often the condition came within it, before anybody had answered.
    """

    place: str
    condition: str
    priority: str
    raised: float
    acknowledged: float | None = None
    over: float | None = None
    celsius: float | None = None
    seen: str = ""
    times: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmFigures:
    """How the alarms went; seconds are medians and maxima over the episodes that have them."""

    raised: int
    high: int
    acknowledged: int
    median_to_acknowledge: float | None
    longest: AlarmEpisode | None
    came_again: int
    standing: int
    stale: int = 0
    chattering: tuple[str, ...] = ()


def together(series: Iterable[Sequence[ProbePoint]]) -> list[ProbePoint]:
    """Several probes of one brooder as one: lowest low, highest high, mean of all readings."""
    by_time: dict[float, list[ProbePoint]] = defaultdict(list)
    for points in series:
        for point in points:
            by_time[point.utc_seconds].append(point)
    return [_joined(at, by_time[at]) for at in sorted(by_time)]


def _joined(at: float, points: Sequence[ProbePoint]) -> ProbePoint:
    lows = [p.low_celsius for p in points if p.low_celsius is not None]
    highs = [p.high_celsius for p in points if p.high_celsius is not None]
    weighed = [(p.mean_celsius, p.readings) for p in points if p.mean_celsius is not None]
    readings = sum(count for _, count in weighed)
    mean = sum(celsius * count for celsius, count in weighed) / readings if readings else None
    return ProbePoint(
        at, min(lows, default=None), mean, max(highs, default=None), readings, sum(p.faults for p in points)
    )


def binned(points: Sequence[ProbePoint], bin_seconds: float) -> list[ProbePoint]:
    """The same points, coarser: for a plot that has fewer pixels than the night has minutes."""
    bins: dict[float, list[ProbePoint]] = defaultdict(list)
    for point in points:
        bins[point.utc_seconds // bin_seconds * bin_seconds].append(point)
    return [_joined(at, bins[at]) for at in sorted(bins)]


def band_at(bands: Sequence[BandRow], utc_seconds: float) -> BandRow | None:
    """The band in force (rows of one place in order of time); before the first one, the first."""
    before = [row for row in bands if row.utc_seconds <= utc_seconds]
    return before[-1] if before else (bands[0] if bands else None)


def air_figures(
    points: Sequence[ProbePoint], bands: Sequence[BandRow], start: float, end: float, step_seconds: float
) -> AirFigures:
    """Over `start`..`end`; `step_seconds` is what one point stands for."""
    read = [p for p in points if p.mean_celsius is not None]
    under = over = inside = 0
    for point in read:
        band = band_at(bands, point.utc_seconds)
        if band is None or point.mean_celsius is None:
            continue
        under += point.mean_celsius < band.low_celsius
        over += point.mean_celsius > band.high_celsius
        inside += band.low_celsius <= point.mean_celsius <= band.high_celsius
    joined = _joined(start, read)
    minutes = step_seconds / 60
    judged = under + over + inside
    unread = max(0.0, (end - start) / 60 - len(read) * minutes)
    share = inside / judged if judged else None
    return AirFigures(
        low_celsius=joined.low_celsius,
        mean_celsius=joined.mean_celsius,
        high_celsius=joined.high_celsius,
        share_in_band=share,
        minutes_under=under * minutes,
        minutes_over=over * minutes,
        minutes_unread=unread,
    )


def lids(points: Sequence[ProbePoint]) -> list[float]:
    """When a lid was probably lifted: the air dropped at once and was back within minutes (from minutes only)."""
    found: list[float] = []
    read = [p for p in points if p.mean_celsius is not None and p.low_celsius is not None]
    for number, point in enumerate(read[1:], 1):
        before = read[number - 1]
        if found and point.utc_seconds - found[-1] < _LID_RECOVERED_WITHIN_SECONDS:
            continue
        if point.utc_seconds - before.utc_seconds > _LID_WITHIN_SECONDS:
            continue
        if before.mean_celsius is None or point.low_celsius is None:
            continue
        if before.mean_celsius - point.low_celsius < _LID_DROP_CELSIUS:
            continue
        level = before.mean_celsius - _LID_RECOVERED_CELSIUS
        later = (p for p in read[number:] if p.utc_seconds - point.utc_seconds <= _LID_RECOVERED_WITHIN_SECONDS)
        if any(p.mean_celsius is not None and p.mean_celsius >= level and p is not point for p in later):
            found.append(point.utc_seconds)
    return found


def episodes(rows: Sequence[AlarmRow]) -> list[AlarmEpisode]:
    """The transitions put together, in the order of their raising."""
    done: list[AlarmEpisode] = []
    running: dict[tuple[str, str], AlarmEpisode] = {}
    for row in rows:
        key = (row.place, row.condition)
        known = running.get(key)
        if row.previous == "normal" and row.state != "normal" and known is None:
            running[key] = AlarmEpisode(
                place=row.place,
                condition=row.condition,
                priority=row.priority,
                raised=row.utc_seconds,
                celsius=row.celsius,
                seen=row.seen,
            )
            continue
        if known is None:
            continue
        if row.state == "unacknowledged" and row.previous.startswith(("returned", "latched")):
            known = replace(known, over=None, times=known.times + 1)
        noticed = row.state in ("acknowledged", "latched-acknowledged", "shelved") or (
            row.state == "normal" and row.previous == "returned-unacknowledged" and row.origin != "daemon"
        )
        if noticed and known.acknowledged is None:
            known = replace(known, acknowledged=row.utc_seconds)
        if row.state in ("normal", "returned-unacknowledged", "latched-unacknowledged") and known.over is None:
            known = replace(known, over=row.utc_seconds)
        running[key] = known
        if row.state == "normal":
            done.append(running.pop(key))
    return sorted([*done, *running.values()], key=lambda one: one.raised)


def alarm_figures(found: Sequence[AlarmEpisode], until: float | None = None) -> AlarmFigures:
    """How quickly alarms were noticed, which stood longest, how many came again at once, were stale or chattered.

    `until` is the end of the span, for the age of what still stands then (None: nothing that stands is stale).
    """
    waits = [one.acknowledged - one.raised for one in found if one.acknowledged is not None]
    ended = [one for one in found if one.over is not None]
    longest = max(ended, key=lambda one: (one.over or 0.0) - one.raised, default=None)
    last_over: dict[tuple[str, str], float] = {}
    again = 0
    for one in found:
        key = (one.place, one.condition)
        again += one.times - 1
        again += one.raised - last_over.get(key, -1e12) < _AGAIN_SECONDS
        if one.over is not None:
            last_over[key] = one.over
    return AlarmFigures(
        raised=len(found),
        high=sum(one.priority == "high" for one in found),
        acknowledged=len(waits),
        median_to_acknowledge=median(waits) if waits else None,
        longest=longest,
        came_again=again,
        standing=sum(one.over is None for one in found),
        stale=sum((one.over or until or one.raised) - one.raised > _STALE_SECONDS for one in found),
        chattering=tuple(sorted({f"{one.place} {one.condition}" for one in found if _chatters(one, found)})),
    )


def _chatters(one: AlarmEpisode, found: Sequence[AlarmEpisode]) -> bool:
    """Three changes and more within a minute of the raising of `one`."""
    mine = (each for each in found if (each.place, each.condition) == (one.place, one.condition))
    changes = [at for each in mine for at in (each.raised, each.over) if at is not None]
    return sum(0 <= at - one.raised <= _CHATTER_SECONDS for at in changes) >= _CHATTER_CHANGES
