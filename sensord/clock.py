"""The only module that reads time. Everything else is handed a `Clock`, or seconds.

Durations and delays use `monotonic_seconds`; `utc_seconds` is for records and screens. A Pi has no battery clock:
until the time service has set it, wall times are marked as not trusted.
"""

import contextlib
import os
import threading
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol

# systemd-timesyncd touches this file once the clock was set (systemd-timesyncd.service(8)); for another time service
# the environment says it.
_SYNCHRONISED = Path("/run/systemd/timesync/synchronized")
# One for each start of the kernel, random(4).
_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")

_LONGEST_STEP_SECONDS = 3.0


class Clock(Protocol):
    """What the rest of sensord knows about time.

    `boot` names the start that `monotonic_seconds` counts from: only where it is the same can they be compared. Empty
    where they never can.
    """

    @property
    def boot(self) -> str: ...

    def monotonic_seconds(self) -> float:
        """Seconds since an arbitrary start; never jumps, counts through clock changes."""

    def utc_seconds(self) -> float:
        """Seconds since 1970-01-01T00:00:00Z by the wall clock; may jump."""

    def wall_clock_trusted(self) -> bool:
        """Whether the wall clock was set by a time service or a battery clock."""

    def wait(self, wake: threading.Event, seconds: float) -> bool:
        """Block for `seconds` of this clock's time or until `wake` is set; whether it was set."""


class SystemClock:
    """The machine's own clock."""

    @property
    def boot(self) -> str:
        with contextlib.suppress(OSError):
            return _BOOT_ID.read_text().strip()
        return ""

    def monotonic_seconds(self) -> float:
        return time.monotonic()

    def utc_seconds(self) -> float:
        return time.time()

    def wall_clock_trusted(self) -> bool:
        return _SYNCHRONISED.exists() or Path("/dev/rtc0").exists() or "SENSORD_CLOCK_TRUSTED" in os.environ

    def wait(self, wake: threading.Event, seconds: float) -> bool:
        return wake.wait(max(0.0, seconds))


class FastClock:
    """A clock that runs `speed` times as fast as life from the moment it is made; for the demo.

    `speed` is a number above 0; at 60 a minute passes in a second. On a busy machine it slows down rather than jump:
    between two looks at it no more than `longest_step_seconds` of its own pass, so that a stall of the machine is no
    silent probe.
    """

    boot = ""

    def __init__(self, speed: float = 1.0, longest_step_seconds: float = _LONGEST_STEP_SECONDS) -> None:
        self._speed = speed
        self._longest_step_seconds = longest_step_seconds
        self._lock = threading.Lock()
        self._looked = time.monotonic()
        self._passed = 0.0
        self._monotonic_start = self._looked
        self._utc_start = time.time()

    def monotonic_seconds(self) -> float:
        return self._monotonic_start + self._look()

    def utc_seconds(self) -> float:
        return self._utc_start + self._look()

    def wall_clock_trusted(self) -> bool:
        return True

    def wait(self, wake: threading.Event, seconds: float) -> bool:
        return wake.wait(max(0.0, seconds) / self._speed)

    def _look(self) -> float:
        with self._lock:
            now = time.monotonic()
            self._passed += min((now - self._looked) * self._speed, self._longest_step_seconds)
            self._looked = now
            return self._passed


def rfc3339(utc_seconds: float) -> str:
    """The instant as RFC 3339 text in UTC with milliseconds, e.g. `2010-06-08T18:01:16.001Z`."""
    moment = datetime.fromtimestamp(round(utc_seconds, 3), tz=UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")
