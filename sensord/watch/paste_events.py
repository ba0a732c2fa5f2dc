"""What has happened to the dish, found from its readings: dip, lift, water added, stirred."""

from dataclasses import dataclass, replace

from sensord.readings import Reading
from sensord.watch.effects import Note

__all__ = ["Finder", "Found", "find"]

MEMORY_SECONDS = 40.0


@dataclass(frozen=True, slots=True)
class Finder:
    """Recent readings, and what they were last taken for."""

    recent: tuple[Reading, ...] = ()
    in_paste: bool = False
    moving_since: float | None = None
    classified: bool = False


@dataclass(frozen=True, slots=True)
class Found:
    notes: tuple[Note, ...] = ()
    restarted: bool = False
    disturbed: bool = False


def slope(recent: tuple[Reading, ...], seconds: float, back: float = 0.0) -> float | None:
    """Celsius per second over `seconds`, ending `back` seconds before the newest reading."""
    end = recent[-1].seconds - back
    last = next((r for r in reversed(recent) if r.seconds <= end), None)
    if last is None:
        return None
    first = next((r for r in reversed(recent) if r.seconds <= last.seconds - seconds), None)
    if first is None:
        return None
    return (last.celsius - first.celsius) / (last.seconds - first.seconds)


def find(finder: Finder, reading: Reading) -> tuple[Finder, Found]:
    kept = tuple(r for r in finder.recent if r.seconds > reading.seconds - MEMORY_SECONDS)
    finder = replace(finder, recent=(*kept, reading))
    recent = finder.recent
    now = slope(recent, 3.0)
    if now is None:
        return finder, Found()
    if not finder.in_paste:
        if now > 0.25:
            return replace(
                finder, in_paste=True, moving_since=reading.seconds, classified=True, recent=(reading,)
            ), Found((Note.DIP,), True)
        long = slope(recent, 25.0)
        if reading.celsius > 32.0 and long is not None and abs(long) < 0.03:
            return replace(finder, in_paste=True, recent=(reading,)), Found((Note.DIP,), True)
        return finder, Found()
    moving = abs(now) > 0.12
    if not moving:
        return replace(finder, moving_since=None, classified=False), Found()
    since = finder.moving_since
    if since is None:
        return replace(finder, moving_since=reading.seconds, classified=False), Found(disturbed=True)
    if not finder.classified and reading.seconds - since >= 9.0:
        before = slope(recent, 3.0, 6.0)
        if before is not None and now < 0 and now / before > 0.6 and now > -0.7:
            return replace(finder, in_paste=False, moving_since=None, recent=(reading,)), Found((Note.LIFT,))
        what = Note.HOT_WATER if now > 0 else Note.COOL_WATER
        return replace(finder, classified=True), Found((what,), True, True)
    return finder, Found(disturbed=not finder.classified)
