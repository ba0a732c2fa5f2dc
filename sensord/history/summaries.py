"""Readings on their way to the disk: equal ones in a row become one row, and each minute is summed up as it passes.

Times are UTC milliseconds, temperatures thousandths of a degree Celsius (a DS18B20 step is 62.5).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

__all__ = ["MINUTE_MS", "Minute", "MinuteBook", "Run", "RunBook"]

MINUTE_MS = 60_000
# Two equal readings further apart than this are two rows: the time between them was not measured.
_LONGEST_STEP_MS = 5_000


@dataclass(slots=True, kw_only=True)
class Run:
    """`count` equal readings (or equal faults) of one probe, the first at `at_ms`, the last `held_ms` later."""

    at_ms: int
    probe: str
    milli: int | None
    fault: str | None
    sure: bool
    count: int = 1
    held_ms: int = 0


class RunBook:
    """Collects runs until they are taken; a run never reaches over a taking, so that little is lost with the power."""

    def __init__(self) -> None:
        self._open: dict[str, Run] = {}
        self._all: list[Run] = []

    def add(self, at_ms: int, probe: str, milli: int | None, fault: str | None, sure: bool) -> None:
        run = self._open.get(probe)
        if (
            run is not None
            and (run.milli, run.fault, run.sure) == (milli, fault, sure)
            and 0 < at_ms - run.at_ms - run.held_ms <= _LONGEST_STEP_MS
            and at_ms // MINUTE_MS == run.at_ms // MINUTE_MS  # so that minutes can be summed up from the rows again
        ):
            run.count += 1
            run.held_ms = at_ms - run.at_ms
            return
        run = Run(at_ms=at_ms, probe=probe, milli=milli, fault=fault, sure=sure)
        self._open[probe] = run
        self._all.append(run)

    def __len__(self) -> int:
        return len(self._all)

    def runs(self) -> list[Run]:
        return self._all

    def clear(self) -> None:
        """They are on the disk."""
        self._open, self._all = {}, []

    def drop_oldest(self, most: int) -> int:
        """Keep the newest `most` runs; how many readings that cost."""
        lost = sum(run.count for run in self._all[:-most])
        self._all = self._all[-most:]
        return lost


class Minute(NamedTuple):
    """The summary of one probe's minute; low, mean and high are None where every reading was a fault."""

    at_s: int
    probe: str
    low: int | None
    mean: int | None
    high: int | None
    readings: int
    faults: int


@dataclass(slots=True, kw_only=True)
class _Sum:
    at_s: int
    low: int = 0
    high: int = 0
    total: int = 0
    count: int = 0
    faults: int = 0

    def minute(self, probe: str) -> Minute:
        if not self.count:
            return Minute(self.at_s, probe, None, None, None, 0, self.faults)
        return Minute(self.at_s, probe, self.low, round(self.total / self.count), self.high, self.count, self.faults)


class MinuteBook:
    """Sums up the minute that passes, per probe."""

    def __init__(self) -> None:
        self._sums: dict[str, _Sum] = {}

    def add(self, at_ms: int, probe: str, milli: int | None) -> Minute | None:
        """Count one reading (None: a fault); the minute before, if this one begins another."""
        at_s = at_ms // MINUTE_MS * 60
        known = self._sums.get(probe)
        closed = None
        if known is None or known.at_s != at_s:
            closed = known.minute(probe) if known is not None else None
            known = self._sums[probe] = _Sum(at_s=at_s)
        if milli is None:
            known.faults += 1
            return closed
        known.low = milli if not known.count else min(known.low, milli)
        known.high = milli if not known.count else max(known.high, milli)
        known.total += milli
        known.count += 1
        return closed

    def close(self) -> Iterator[Minute]:
        """The minutes under way, cut short; the book is empty afterwards."""
        for probe, known in self._sums.items():
            yield known.minute(probe)
        self._sums = {}
