"""Durations as people write them on the command line: `90s`, `5m`, `1h`, `1h30m`."""

import re

from sensord.errors import DataError

__all__ = ["duration_seconds", "duration_words"]

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


def duration_words(seconds: float) -> str:
    """The same way back, to the second: `5m`, `1h30m`, `90s` as `1m30s`."""
    whole = round(seconds)
    parts = [(whole // 3600, "h"), (whole % 3600 // 60, "m"), (whole % 60, "s")]
    return "".join(f"{number}{unit}" for number, unit in parts if number) or "0s"
