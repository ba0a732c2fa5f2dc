"""What has happened to the dish, found from the readings: dip, lift, water added, something disturbed, a hot spot.

Out of the paste the rules look at slopes; in it, at how badly the cooling model was surprised. A surprise opens an
episode: from that reading on nothing is ready, and within half a minute the shape of what follows gives it a name.
A lifted probe cools slowly and steadily (air: time constant 35 to 85 s), water that was poured in shows fast and
levels out (paste: 4 to 20 s).
"""

import math
from dataclasses import dataclass, replace

from sensord.physics.cooling import Cooling
from sensord.physics.heat import ROOM_CELSIUS
from sensord.readings import Reading
from sensord.watch.effects import Note

MEMORY_SECONDS = 40.0
DIP_SLOPE = 0.16
"""Celsius a second, over 3 s: faster than air warms a probe, slower than the gentlest dip worth a name (3 °C)."""
SURPRISE_AT_ONCE = 4.5
SURPRISE_SUM = 5.0
SURPRISE_ALLOWED = 1.6
EPISODE_SECONDS = 32.0
LEAVING_SECONDS = 12.0
LEAVING_READINGS = 5
LEAVING_CELSIUS = 0.9
LEAVING_SCATTER_CELSIUS = 0.085
BEND_NOISE = 0.001
"""Standard deviation of the fitted half curvature, Celsius a second squared, of 14 readings a second apart with a noise
of 0.055: sqrt(180 / n^5) times the noise (least squares of a parabola)."""
WATER_CELSIUS = 0.8
AIR_SECONDS = 20.0, 110.0
"""Time constants of a small capsule in still or moving air, dry or wet; maker's table: 6 mm in air t50 46.8 s."""
WET_CELSIUS = 2.0
"""How much colder than the room a probe with paste on it is drawn by evaporation, roughly."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Episode:
    """Something is going on since `seconds`; the reading and the estimated mean were these before it.

    `latest_seconds` is when the readings last surprised the model: water that is stirred in by and by does so again.
    """

    seconds: float
    latest_seconds: float
    reading_celsius: float
    mean_celsius: float
    upward: bool
    named: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PasteFinder:
    """Recent readings, whether the probe is in paste, and the running surprise."""

    recent: tuple[Reading, ...] = ()
    in_paste: bool = False
    since_seconds: float = 0.0
    room_celsius: float | None = None
    surprise: float = 0.0
    surprise_celsius: float = 0.0
    episode: Episode | None = None
    leaving: int = 0

    @property
    def room_or_usual_celsius(self) -> float:
        """The room, as the probe read it in air; a usual one where it was never there."""
        return ROOM_CELSIUS if self.room_celsius is None else self.room_celsius


def reading_remembered(finder: PasteFinder, reading: Reading) -> PasteFinder:
    """Keep the last 40 s of readings."""
    kept = tuple(r for r in finder.recent if r.seconds > reading.seconds - MEMORY_SECONDS)
    return replace(finder, recent=(*kept, reading))


def find_in_air(finder: PasteFinder) -> tuple[PasteFinder, bool]:
    """Whether the newest reading shows a dip."""
    recent = finder.recent
    now = recent[-1].seconds
    fast = slope(recent, now - 3.3, now)
    before = slope(recent, now - 9.3, now - 3.0)
    if fast is None:
        return finder, False
    if fast > DIP_SLOPE and (before is None or fast - before > DIP_SLOPE):
        return finder, True
    level = slope(recent, now - 14.0, now)
    long_enough = recent[0].seconds <= now - 13.0
    if level is not None and long_enough and abs(level) < 0.025:
        room = finder.room_celsius
        warm = recent[-1].celsius > (30.0 if room is None else max(30.0, room + 6.0))
        if warm:
            return finder, True
        return replace(finder, room_celsius=sum(r.celsius for r in recent[-8:]) / len(recent[-8:])), False
    return finder, False


def find_in_paste(finder: PasteFinder, before: Cooling, after: Cooling) -> tuple[PasteFinder, Note | None, bool]:
    """Name what is going on, if anything: the note where there is one, and whether the estimate has to start anew."""
    reading = finder.recent[-1]
    episode = finder.episode
    leaving = finder.leaving + 1 if _leaving(finder) else 0
    if leaving != finder.leaving:
        finder = replace(finder, leaving=leaving)
    if leaving >= LEAVING_READINGS:
        gone = replace(finder, in_paste=False, episode=None, leaving=0, since_seconds=reading.seconds)
        return gone, Note.LIFT, False
    finder, surprised = _surprised(finder, after)
    if episode is None and surprised:
        miss = after.surprise_celsius
        episode = Episode(
            seconds=reading.seconds,
            latest_seconds=reading.seconds,
            reading_celsius=reading.celsius - miss,
            mean_celsius=before.celsius,
            upward=miss > 0.0,
        )
        return replace(finder, episode=episode), None, True
    if episode is None:
        return finder, None, False
    finder, note = _in_episode(finder, episode, after)
    if surprised and finder.episode is not None:
        return replace(finder, episode=replace(finder.episode, latest_seconds=reading.seconds)), note, True
    return finder, note, False


def _surprised(finder: PasteFinder, after: Cooling) -> tuple[PasteFinder, bool]:
    """Sum up surprises of one sign; whether the newest reading has made them too many."""
    z, miss = after.surprise, after.surprise_celsius
    same = finder.surprise * z > 0.0
    total = (finder.surprise if same else 0.0) + (
        0.0 if abs(z) < SURPRISE_ALLOWED else z - SURPRISE_ALLOWED * (1 if z > 0 else -1)
    )
    if not same or abs(z) < SURPRISE_ALLOWED:
        total *= 0.6
    miss_sum = (finder.surprise_celsius if same else 0.0) + miss
    if (abs(z) > SURPRISE_AT_ONCE and abs(miss) > 0.2) or (abs(total) > SURPRISE_SUM and abs(miss_sum) > 0.25):
        return replace(finder, surprise=0.0, surprise_celsius=0.0), True
    return replace(finder, surprise=total, surprise_celsius=miss_sum), False


def _in_episode(finder: PasteFinder, episode: Episode, now: Cooling) -> tuple[PasteFinder, Note | None]:
    seconds = finder.recent[-1].seconds
    age, calm = seconds - episode.seconds, seconds - episode.latest_seconds
    change = now.celsius - episode.mean_celsius
    if calm > EPISODE_SECONDS:
        closed = replace(finder, episode=None)
        if not episode.named and abs(change) > WATER_CELSIUS:
            return closed, Note.HOT_WATER if change > 0.0 else Note.COOL_WATER
        return closed, None if episode.named else Note.DISTURBED
    if episode.named or age < 8.0:
        return finder, None
    if age > 12.0 and change > WATER_CELSIUS and now.spread_celsius < 0.6 * change:
        return replace(finder, episode=replace(episode, named=True)), Note.HOT_WATER
    if age > 20.0 and change < -WATER_CELSIUS and now.spread_celsius < -0.6 * change and _levelling(finder, episode):
        return replace(finder, episode=replace(episode, named=True)), Note.COOL_WATER
    return finder, None


def _leaving(finder: PasteFinder) -> bool:
    """Whether the readings fall as those of a probe in air: in step with its distance from the room, and as slowly.

    A parabola through the last seconds: its slope gives the time constant, its bend must be the one that belongs to
    it. Paste that water was poured into falls faster, and levels out above the room, so it bends far more.
    """
    recent, now = finder.recent, finder.recent[-1].seconds
    if recent[-1].celsius > recent[max(0, len(recent) - 9)].celsius - 0.4:
        return False  # the common case, told cheaply
    chosen = [r for r in recent if r.seconds >= now - LEAVING_SECONDS]
    if chosen[0].seconds > now - LEAVING_SECONDS + 1.5 or len(chosen) < 9:
        return False
    if chosen[-1].celsius > chosen[0].celsius - LEAVING_CELSIUS:
        return False
    level, fall, bend = parabola(chosen)
    sink = finder.room_or_usual_celsius - WET_CELSIUS
    pace = -fall / max(0.5, level - sink)
    if not 1.0 / AIR_SECONDS[1] < pace < 1.0 / AIR_SECONDS[0]:
        return False
    expected = -fall * pace / 2.0
    doubt = BEND_NOISE * math.pow(14.0 / len(chosen), 2.5)
    offset = (chosen[0].seconds + chosen[-1].seconds) / 2.0
    misses = (r.celsius - level - fall * (r.seconds - offset) - bend * (r.seconds - offset) ** 2 for r in chosen)
    if math.fsum(miss * miss for miss in misses) > len(chosen) * LEAVING_SCATTER_CELSIUS**2:
        return False
    return abs(bend - expected) < 2.5 * doubt + 0.3 * expected


def _levelling(finder: PasteFinder, episode: Episode) -> bool:
    now = finder.recent[-1].seconds
    late = slope(finder.recent, now - 6.0, now)
    early = slope(finder.recent, episode.seconds + 1.0, episode.seconds + 11.0)
    return late is not None and early is not None and late > 0.6 * early


def unexplained(finder: PasteFinder, seconds: float) -> bool:
    """Whether something is going on that may yet turn out to be anything, the probe leaving the paste included."""
    episode = finder.episode
    if episode is None:
        return False
    if seconds - episode.latest_seconds < 12.0:
        return True
    late = slope(finder.recent, seconds - 6.3, seconds)
    return late is not None and late < -0.09


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
