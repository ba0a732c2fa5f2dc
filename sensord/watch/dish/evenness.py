"""Hot spots, and a probe that lay in a cool spot, found from what stirring does to the readings.

Even paste that cools shows a stir as a fall, or not at all: the core is warmer than the mean. When a reading that was
falling climbs by itself and stays, or leaps up and comes down again, the tip has met paste that is much hotter: a
lump, or water that is not stirred in. Poured-in hot water climbs too, but further and steadily; a tip that had lain
at the wall, near the rim or half out climbs back to the mean of the paste and no further.
"""

from dataclasses import dataclass, replace
from enum import Enum, auto, unique
from typing import NamedTuple

from sensord.readings import Reading
from sensord.watch.dish.paste_events import slope

WINDOW_SECONDS = 18.0
CLIMB_LEAST, CLIMB_SHARE, CLIMB_CELSIUS = 0.28, 0.016, 0.85
"""A climb between these that has come to rest: more than noise makes (the share is of the warmth over the room), and
less than water that somebody added."""
LEAP_CELSIUS, DROP_CELSIUS = 0.7, 0.5
BEYOND_SPREADS, BEYOND_CELSIUS = 2.0, 0.2
"""How far beyond the mean of the paste, as it was believed before the climb, the reading has to come."""
AFTER_DIP_SECONDS = 45.0
CLEARS_SECONDS, LONGEST_SECONDS = 45.0, 300.0


@unique
class Shown(Enum):
    """What a climb of the readings shows."""

    HOT_SPOT = auto()
    COOL_REST = auto()
    """The tip had lain in a cool spot and is now in the paste."""


class Believed(NamedTuple):
    """The mean of the paste and its standard deviation, Celsius, as believed at `seconds`."""

    seconds: float
    celsius: float
    spread: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Evenness:
    """When the paste last showed a hot spot, and whether it has been stirred since; when a cool rest ended."""

    uneven_since: float | None = None
    evidence_seconds: float = 0.0
    stirred_since: bool = False
    cool_rest_seconds: float | None = None
    believed: tuple[Believed, ...] = ()


def evenness_of(before: Evenness, seconds: float, sign: Shown | None, stirring: float) -> Evenness:
    """Carry the judgement on: a new sign renews it, a stir without a new sign clears it.

    `stirring` is the probability that the paste is being stirred now.
    """
    if sign is Shown.COOL_REST:
        before = replace(before, cool_rest_seconds=seconds)
    if sign is Shown.HOT_SPOT:
        since = seconds if before.uneven_since is None else before.uneven_since
        return replace(before, uneven_since=since, evidence_seconds=seconds, stirred_since=False)
    if before.uneven_since is None:
        return before
    age = seconds - before.evidence_seconds
    stirred = before.stirred_since or (age > 10.0 and stirring > 0.6)
    if (stirred and age > CLEARS_SECONDS) or age > LONGEST_SECONDS:
        return Evenness(believed=before.believed, cool_rest_seconds=before.cool_rest_seconds)
    return replace(before, stirred_since=stirred)


def mean_remembered(evenness: Evenness, now: Believed) -> Evenness:
    """Keep what was believed of the mean over the window in which a climb is looked for."""
    kept = tuple(one for one in evenness.believed if one.seconds > now.seconds - WINDOW_SECONDS - 4.0)
    return replace(evenness, believed=(*kept, now))


def sign_of(
    recent: tuple[Reading, ...], believed: tuple[Believed, ...], since_dip_seconds: float, room_celsius: float
) -> Shown | None:
    """What the newest reading shows, if it completes a climb or a leap that even paste at rest does not make."""
    if since_dip_seconds < AFTER_DIP_SECONDS or len(recent) < 24:
        return None
    now = recent[-1].seconds
    window = [r for r in recent if r.seconds >= now - WINDOW_SECONDS]
    if len(window) < 12:
        return None
    # Nothing has risen: the common case, told cheaply.
    if window[-1].celsius - min(r.celsius for r in window) < 0.3 and (
        max(r.celsius for r in window) - window[0].celsius < 0.5
    ):
        return None
    smooth = [
        (a.celsius + b.celsius + c.celsius) / 3.0 for a, b, c in zip(window, window[1:], window[2:], strict=False)
    ]
    lowest = min(smooth[:-2])
    highest = max(smooth)
    last = smooth[-1]
    climb = max(CLIMB_LEAST, CLIMB_SHARE * (last - room_celsius))
    if last - lowest < climb and highest - lowest < LEAP_CELSIUS:
        return None
    before = slope(recent, now - 38.0, now - WINDOW_SECONDS)
    if before is None or before > 0.006:
        return None
    late = slope(recent, now - 6.3, now)
    at_rest = late is not None and abs(late) < 0.02
    if not _beyond_mean(highest, believed, window[smooth.index(lowest) + 1].seconds):
        return Shown.COOL_REST if at_rest and last - lowest > climb else None
    peak = smooth.index(highest)
    leapt = highest - min(smooth[: peak + 1]) > LEAP_CELSIUS and highest - last > DROP_CELSIUS
    return Shown.HOT_SPOT if leapt or (at_rest and climb < last - lowest < CLIMB_CELSIUS) else None


def _beyond_mean(highest: float, believed: tuple[Believed, ...], seconds: float) -> bool:
    """Whether a reading lies beyond what was believed of the mean before the climb that began at `seconds`."""
    known = next((one for one in reversed(believed) if one.seconds <= seconds), None)
    return known is None or highest > known.celsius + max(BEYOND_CELSIUS, BEYOND_SPREADS * known.spread)
