"""Lengths of time: as people write them on the command line, `5m` or `1h30m`, and as they are said, `2 h 05 min`."""

import re
from typing import TYPE_CHECKING

from sensord.errors import DataError

if TYPE_CHECKING:
    from sensord.readings import Interval

_PATTERN = re.compile(r"(?:(\d+(?:\.\d+)?)h)?(?:(\d+(?:\.\d+)?)m)?(?:(\d+(?:\.\d+)?)s)?")
_LONGEST_SECONDS = 30 * 86_400.0


def duration_seconds(text: str) -> float:
    """Seconds of a duration above 0. Raises `DataError` naming what was written and what to write."""
    match = _PATTERN.fullmatch(text.strip().lower())
    hours, minutes, seconds = (float(part or 0) for part in match.groups()) if match else (0.0, 0.0, 0.0)
    total = hours * 3600 + minutes * 60 + seconds
    if total <= 0:
        raise DataError(f"'{text}' is not a duration: write a number with h, m or s, such as 90s, 5m or 1h30m")
    if total > _LONGEST_SECONDS:
        raise DataError(f"'{text}' is too long: give at most {_LONGEST_SECONDS / 3600:.0f}h")
    return total


def duration_written(seconds: float) -> str:
    """The same way back, to the second: `5m`, `1h30m`, `90s` as `1m30s`."""
    whole = round(seconds)
    parts = [(whole // 3600, "h"), (whole % 3600 // 60, "m"), (whole % 60, "s")]
    return "".join(f"{number}{unit}" for number, unit in parts if number) or "0s"


def duration(seconds: float) -> str:
    """A length of time for reading: `40 s`, `4 min`, `3 h`, `2 h 05 min`, `3 days`."""
    if seconds < 90:
        return f"{max(0, round(seconds))} s"
    minutes = round(seconds / 60)
    if minutes < 60:
        return f"{minutes} min"
    if minutes < 48 * 60:
        return f"{minutes // 60} h" + (f" {minutes % 60:02d} min" if minutes % 60 else "")
    return f"{round(minutes / 1440)} days"


def foretold(seconds: "Interval") -> str:
    """When something is expected: `in about 12 min`; `within 20 min` where it may as well be any moment."""
    if seconds.low <= 0.0 and seconds.high >= 2 * seconds.middle > 0.0:
        return f"within {duration(seconds.high)}"
    return f"in about {duration(seconds.middle)}"


def countdown(seconds: float) -> str:
    """A length of time that runs: `1:12`, `1:02:00`."""
    whole = max(0, round(seconds))
    hours, minutes = whole // 3600, whole % 3600 // 60
    return f"{hours}:{minutes:02d}:{whole % 60:02d}" if hours else f"{minutes}:{whole % 60:02d}"


def countdown_between(seconds: "Interval") -> str:
    """A forecast with its interval, rounded to what it can know: `4:20 (3:30–5:40)`."""
    told = countdown(round(seconds.middle, -1) if seconds.middle > 60 else seconds.middle)
    return f"{told} ({countdown(round(seconds.low, -1))}–{countdown(round(seconds.high, -1))})"
