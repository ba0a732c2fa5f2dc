"""One one-wire bus: reads its probes again and again, in the quickest way that proves itself.

Bulk: one conversion for all probes, then quick reads. Where the kernel has no bulk read, or it misbehaves: one thread
per probe if all have their own supply wire (the driver frees the bus while it waits), else one after the other. Every
read has a deadline; what does not answer in time becomes a `late` fault on time, whatever the kernel is doing.
"""

import threading
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum, unique
from functools import partial
from pathlib import Path
from typing import TypeAlias

from sensord.clock import Clock
from sensord.edges.hands import Errand, Hand, block_signals
from sensord.edges.one_wire import (
    BULK_FILE,
    conversion_seconds,
    externally_powered,
    read_bytes,
    refusal_of,
    trigger,
)
from sensord.edges.scratchpad import Converted, Decoded, Refused, decode
from sensord.readings import Fault, FaultKind, Observation, Reading
from sensord.watch.events import Observed

__all__ = ["Bus", "BusHealth", "Method", "Pace"]

_POLL_SECONDS = 0.005
_BULK_AGAIN_SECONDS = 600.0
_QUICK_RETRIES = 2
_EARLY = 0.9
"""A bulk conversion that took less than this share of its time is not believed."""
_NO_BULK_FAMILY = "42"  # DS28EA00 takes no part in bulk reads (kernel driver w1_therm)


@unique
class Method(StrEnum):
    """How a bus is read."""

    BULK = "bulk"
    PARALLEL = "parallel"
    SERIAL = "serial"


@dataclass(frozen=True, slots=True)
class Pace:
    """How often a bus is read, how long one answer may take, and whether bulk conversion may be tried."""

    interval_seconds: float
    deadline_seconds: float
    bulk: bool = True


@dataclass(frozen=True, slots=True)
class BusHealth:
    """What can be seen of a bus: how it is read and `why`, how long the last cycle took, whether its thread turns
    (`alive`), and whether the kernel holds a read beyond the deadline (`hanging`)."""

    bus: str
    method: Method
    why: str
    probes: tuple[str, ...]
    cycle_seconds: float | None
    alive: bool
    hanging: bool


class _Overdue:
    """The outcome of a read that did not come back in time."""


class _Closing(Exception):  # noqa: N818 - a way out, not an error
    """The reader is being closed."""


_OVERDUE = _Overdue()
_Outcome: TypeAlias = bytes | OSError | _Overdue


class Bus:
    """The thread of one bus. `folder` is the bus master's, `root` the tree's; `deliver` must not block."""

    def __init__(self, root: Path, folder: Path, pace: Pace, clock: Clock, deliver: Callable[[Observed], None]) -> None:
        self.name = folder.name
        self._root = root
        self._folder = folder
        self._pace = pace
        self._clock = clock
        self._deliver = deliver
        self._names: Mapping[str, str] = {}
        self._others: tuple[str, ...] = ()
        self._stop = False
        self._wake = threading.Event()
        self._hand = Hand(f"{self.name} reads", self._wake)
        self._hands: dict[str, Hand] = {}
        self._method = Method.SERIAL
        self._why = "not read yet"
        self._cycle_seconds: float | None = None
        self._beat = clock.monotonic_seconds()
        self._overdue = False
        self._bulk_failures = 0
        self._bulk_again_at = float("-inf")
        self._bulk_trouble = "" if pace.bulk else "bulk conversion is switched off in the config"
        self._may_hold_old = True
        self._seen_power_on: set[str] = set()
        self._waits: dict[str, float] = {}
        self._powered: dict[str, bool | None] = {}
        self._thread = threading.Thread(target=self._run, name=self.name, daemon=True)

    def start(self) -> None:
        self._thread.start()

    def assign(self, names: Mapping[str, str], others: Iterable[str] = ()) -> None:
        """Which probes to read from now on: names by ROM id; `others` are on this bus too, but nobody's.

        After a bulk conversion the others are read as well, or they would keep its result for a later reader.
        """
        self._names = dict(names)
        self._others = tuple(others)

    def close(self) -> None:
        """Stop reading; a thread that is stuck in the kernel is left to itself."""
        self._stop = True
        self._wake.set()
        self._thread.join(timeout=2.0)
        for hand in (self._hand, *self._hands.values()):
            hand.close()

    def health(self) -> BusHealth:
        silent = self._clock.monotonic_seconds() - self._beat
        return BusHealth(
            bus=self.name,
            method=self._method,
            why=self._why,
            probes=tuple(self._names.values()),
            cycle_seconds=self._cycle_seconds,
            alive=self._thread.is_alive() and silent <= self._pace.interval_seconds + 2 * self._pace.deadline_seconds,
            hanging=self._overdue,
        )

    def _run(self) -> None:
        block_signals()
        try:
            while True:
                started = self._clock.monotonic_seconds()
                names = dict(self._names)
                if names:
                    self._cycle(names)
                    self._cycle_seconds = self._clock.monotonic_seconds() - started
                self._pause_until(started + self._pace.interval_seconds)
        except _Closing:
            return

    # One cycle

    def _cycle(self, names: Mapping[str, str]) -> None:
        if self._hand.busy:
            self._all_overdue(names)
            return
        self._overdue = any(hand.busy for hand in self._hands.values())
        self._learn_waits(names)
        if self._bulk_is_due():
            trouble = self._convert_in_bulk()
            if trouble is None:
                self._settle(Method.BULK, "one conversion for all probes")
                self._read(names, names, self._one_after_another)
                self._read({}, self._others, self._one_after_another)
                return
            if self._hand.busy:
                self._all_overdue(names)
                return
        powered = self._all_powered(names)
        read_all = self._side_by_side if powered else self._one_after_another
        self._settle(
            Method.PARALLEL if powered else Method.SERIAL,
            f"{self._bulk_trouble}; "
            + ("all probes have a supply wire" if powered else "not every probe has a supply wire of its own"),
        )
        if self._holds_old_results():
            self._read({}, names, read_all)
        self._read(names, names, read_all)

    def _all_overdue(self, names: Mapping[str, str]) -> None:
        for rom in names:
            self._judge(names, rom, _OVERDUE)

    def _read(
        self,
        names: Mapping[str, str],
        roms: Iterable[str],
        read_all: Callable[[Iterable[str]], Iterator[tuple[str, _Outcome]]],
    ) -> None:
        """Read all `roms` and deliver what `names` has a name for. A first power-on value is read once more."""
        again = [rom for rom, outcome in read_all(roms) if not self._judge(names, rom, outcome)]
        for rom, outcome in read_all(again):
            self._judge(names, rom, outcome)

    def _judge(self, names: Mapping[str, str], rom: str, outcome: _Outcome) -> bool:
        """Deliver what a read meant; False, and nothing delivered, where it should be read once more."""
        decoded = self._meaning(rom, outcome)
        name = names.get(rom)
        if name is None:
            return True
        if isinstance(decoded, Refused) and decoded.kind is FaultKind.POWER_ON_VALUE:
            if rom not in self._seen_power_on:
                self._seen_power_on.add(rom)
                return False
        else:
            self._seen_power_on.discard(rom)
        if rom in self._names:
            self._deliver(Observed(_observation(name, self._clock.monotonic_seconds(), decoded)))
        return True

    def _meaning(self, rom: str, outcome: _Outcome) -> Decoded:
        if isinstance(outcome, _Overdue):
            self._overdue = self._may_hold_old = True
            return Refused(FaultKind.LATE, f"no answer within {self._pace.deadline_seconds:g} s")
        if isinstance(outcome, OSError):
            self._forget(rom)
            return refusal_of(outcome)
        return decode(outcome, rom[:2])

    # Ways to read

    def _one_after_another(self, roms: Iterable[str]) -> Iterator[tuple[str, _Outcome]]:
        for rom in roms:
            yield rom, self._ask(partial(self._measure, rom))

    def _side_by_side(self, roms: Iterable[str]) -> Iterator[tuple[str, _Outcome]]:
        errands: dict[str, Errand] = {}
        for rom in roms:
            hand = self._hands.get(rom) or self._hands.setdefault(rom, Hand(f"{self.name} {rom}", self._wake))
            if hand.busy:
                yield rom, _OVERDUE
            else:
                errands[rom] = hand.begin(partial(self._measure, rom))
        give_up = self._clock.monotonic_seconds() + self._pace.deadline_seconds
        while errands and self._clock.monotonic_seconds() < give_up:
            self._wake.clear()
            for rom in [rom for rom, errand in errands.items() if errand.done.is_set()]:
                yield rom, errands.pop(rom).outcome
            if errands:
                self._wait(give_up - self._clock.monotonic_seconds())
        for rom, errand in errands.items():
            yield rom, errand.outcome if errand.done.is_set() else _OVERDUE

    def _measure(self, rom: str) -> bytes:
        return read_bytes(self._root / rom / "w1_slave")

    def _ask(self, job: Callable[[], bytes]) -> _Outcome:
        """Run a blocking job on the bus's hand; overdue after the deadline, when the hand stays busy."""
        if self._hand.busy:
            return _OVERDUE
        errand = self._hand.begin(job)
        give_up = self._clock.monotonic_seconds() + self._pace.deadline_seconds
        while True:
            self._wake.clear()
            if errand.done.is_set():
                return errand.outcome
            left = give_up - self._clock.monotonic_seconds()
            if left <= 0:
                return _OVERDUE
            self._wait(left)

    # Bulk conversion

    def _bulk_is_due(self) -> bool:
        if not self._pace.bulk:
            return False
        if not (self._folder / BULK_FILE).exists():
            self._bulk_trouble = "the kernel offers no bulk conversion on this bus"
            return False
        return self._clock.monotonic_seconds() >= self._bulk_again_at

    def _convert_in_bulk(self) -> str | None:
        """One conversion of all probes; None when fresh results wait, else why bulk conversion is not used."""
        file = self._folder / BULK_FILE
        started = self._clock.monotonic_seconds()
        written = self._ask(lambda: _triggered(file))
        if isinstance(written, OSError):
            return self._bulk_failed(f"{BULK_FILE} cannot be written ({written.strerror})", patient=True)
        give_up = started + self._pace.deadline_seconds
        state: _Outcome = b""
        while not isinstance(written, _Overdue):
            state = self._ask(lambda: read_bytes(file))
            if not isinstance(state, bytes) or state.strip() in (b"1", b"0"):
                break
            if self._clock.monotonic_seconds() >= give_up:
                return self._bulk_failed(f"bulk conversion never ended (state {state.strip()!r})", patient=True)
            self._pause_until(self._clock.monotonic_seconds() + _POLL_SECONDS)
        if not isinstance(state, bytes) or isinstance(written, _Overdue):
            return self._bulk_failed("bulk conversion did not answer", patient=True)
        if state.strip() == b"0":
            return self._bulk_failed("the kernel ignored the bulk conversion", patient=False)
        took = self._clock.monotonic_seconds() - started
        if took < _EARLY * self._longest_wait() and took < _EARLY * self._longest_wait(ask_again=True):
            self._pause_until(started + self._longest_wait())
            return self._bulk_failed(f"bulk conversion ended after {took:.2f} s, too early to be true", patient=False)
        self._bulk_failures = 0
        self._may_hold_old = False
        return None

    def _bulk_failed(self, why: str, *, patient: bool) -> str:
        """Remember why, and when to try again: in the next cycle, or after some minutes."""
        self._bulk_failures += 1
        self._bulk_trouble = why
        self._may_hold_old = True
        if patient or self._bulk_failures > _QUICK_RETRIES:
            self._bulk_again_at = self._clock.monotonic_seconds() + _BULK_AGAIN_SECONDS
        return why

    def _holds_old_results(self) -> bool:
        """Whether probes may still hold the result of an earlier bulk conversion (of a run that crashed, say)."""
        if not self._may_hold_old:
            return False
        self._may_hold_old = False
        state = self._ask(lambda: read_bytes(self._folder / BULK_FILE))
        return isinstance(state, bytes) and state.strip() == b"1"

    # What is known of the probes

    def _learn_waits(self, names: Mapping[str, str]) -> None:
        for rom in names:
            if rom not in self._waits and rom[:2] != _NO_BULK_FAMILY:
                self._waits[rom] = conversion_seconds(self._root / rom)

    def _all_powered(self, roms: Iterable[str]) -> bool:
        for rom in roms:
            if self._powered.get(rom) is None:
                self._ask(partial(self._learn_power, rom))
        return all(self._powered.get(rom) for rom in roms)

    def _learn_power(self, rom: str) -> bytes:
        self._powered[rom] = externally_powered(self._root / rom)
        return b""

    def _forget(self, rom: str) -> None:
        self._waits.pop(rom, None)
        self._powered.pop(rom, None)

    def _longest_wait(self, *, ask_again: bool = False) -> float:
        if ask_again:
            self._waits = {rom: conversion_seconds(self._root / rom) for rom in self._waits}
        return max(self._waits.values(), default=0.0)

    def _settle(self, method: Method, why: str) -> None:
        self._method, self._why = method, why

    # Waiting

    def _wait(self, seconds: float) -> None:
        self._beat = self._clock.monotonic_seconds()
        if self._stop:
            raise _Closing
        self._clock.wait(self._wake, seconds)
        if self._stop:
            raise _Closing

    def _pause_until(self, seconds: float) -> None:
        while (left := seconds - self._clock.monotonic_seconds()) > 0:
            self._wake.clear()
            self._wait(left)
        self._beat = self._clock.monotonic_seconds()


def _triggered(file: Path) -> bytes:
    trigger(file)
    return b""


def _observation(name: str, seconds: float, decoded: Decoded) -> Observation:
    if isinstance(decoded, Converted):
        return Reading(name, seconds, decoded.celsius)
    return Fault(name, seconds, decoded.kind, decoded.detail)
