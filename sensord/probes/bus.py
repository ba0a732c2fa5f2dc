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
from sensord.config.sections import OneWireSection
from sensord.probes.deadlines import Asker, Closing, Outcome, Overdue, block_signals
from sensord.probes.one_wire import (
    BULK_FILE,
    ProbeSpot,
    conversion_seconds,
    externally_powered,
    meaning,
    patient_bytes,
    read_bytes,
    trigger,
)
from sensord.probes.scratchpad import Converted, Decoded, Refused
from sensord.readings import Fault, FaultKind, Observation, Reading
from sensord.watch.events import Observed

_READY, _IDLE = b"1", b"0"
_FIRST_POLL_SECONDS, _LONGEST_POLL_SECONDS = 0.005, 0.1
_EARLY = 0.9
"""A conversion that took less than this share of its time is not believed."""
_QUICK_RETRIES = 2
_AGAIN_SECONDS = 600.0

_ReadAll: TypeAlias = Callable[[Iterable[str]], Iterator[tuple[str, Outcome]]]


@unique
class Method(StrEnum):
    """How a bus is read."""

    BULK = "bulk"
    PARALLEL = "parallel"
    SERIAL = "serial"


@dataclass(frozen=True, slots=True)
class Share:
    """What a bus has to read: names and folders by ROM id. `folders` may hold more probes than have names.

    After a bulk conversion those are read too, or they would keep its result for a later reader.
    """

    names: Mapping[str, str]
    folders: Mapping[str, Path]


@dataclass(frozen=True, slots=True, kw_only=True)
class BusHealth:
    """What can be seen of a bus: how it is read and `why`, how long the last cycle took, and whether its thread
    turns (`alive`)."""

    bus: str
    method: Method
    why: str
    probes: tuple[str, ...]
    cycle_seconds: float | None
    alive: bool


class BulkConversion:
    """One conversion for all probes of a bus, through the kernel's `therm_bulk_read`, as long as it proves itself.

    The kernel reports no errors here, so every conversion is checked: the state must turn to `1`, and not sooner than a
    conversion takes. One that ended early (a signal, a dead bus) leaves old values or 85 °C behind and is not believed.
    `trouble` says in words why it is not used.
    """

    def __init__(self, file: Path, asker: Asker, clock: Clock, pace: OneWireSection) -> None:
        self.trouble = "" if pace.bulk_conversion else "bulk conversion is switched off"
        self._file = file
        self._asker = asker
        self._clock = clock
        self._pace = pace
        self._failures = 0
        self._again_at = float("-inf")
        self._results_may_wait = True

    @property
    def due(self) -> bool:
        """Whether it is worth a try: there, wanted, and not in trouble a short while ago."""
        if not self._pace.bulk_conversion:
            return False
        if not self._file.exists():
            self.trouble = "the kernel offers no bulk conversion on this bus"
            return False
        return self._clock.monotonic_seconds() >= self._again_at

    def convert(self, longest_wait: Callable[[bool], float]) -> bool:
        """Convert once; whether fresh results wait now.

        `longest_wait(ask_again)` gives the seconds that the slowest probe takes, as known or as asked for now.
        Where it fails, `trouble` says why, and the next try is in the next cycle or after ten minutes.
        """
        started = self._clock.monotonic_seconds()
        written = self._asker.ask(self._trigger)
        if isinstance(written, OSError):
            return self._failed(f"{self._file.name} cannot be written ({written.strerror})", patient=True)
        state = self._final_state(started, longest_wait) if isinstance(written, bytes) else b"no answer"
        took = self._clock.monotonic_seconds() - started
        if state == _IDLE:
            return self._failed("the kernel ignored the bulk conversion", patient=False)
        if state != _READY:
            return self._failed(f"bulk conversion never ended (state: {state.decode(errors='replace')})", patient=True)
        if took < _EARLY * longest_wait(False) and took < _EARLY * longest_wait(True):
            self._asker.pause_until(started + longest_wait(False))
            return self._failed(f"bulk conversion ended after {took:.2f} s, too early to be true", patient=False)
        self._failures = 0
        self._results_may_wait = False
        return True

    def doubt(self) -> None:
        """Some probe was not read, so it may still hold an old result."""
        self._results_may_wait = True

    def old_results_wait(self) -> bool:
        """Whether probes may hold results of an earlier conversion (of a run that crashed, say); told once."""
        if not self._results_may_wait:
            return False
        self._results_may_wait = False
        state = self._asker.ask(self._read_state)
        return isinstance(state, bytes) and state == _READY

    def _final_state(self, started: float, longest_wait: Callable[[bool], float]) -> bytes:
        """The state once it has settled, or what it was at the deadline; anything unknown counts as converting.

        On a Pi it has settled when the write returns; a plain folder that plays the kernel needs the waiting.
        """
        pause = _FIRST_POLL_SECONDS
        while True:
            state = self._asker.ask(self._read_state)
            if isinstance(state, Overdue):
                return b"no answer"
            if isinstance(state, OSError):
                return f"{state.strerror}".encode()
            if state in (_READY, _IDLE) or self._clock.monotonic_seconds() >= started + self._pace.deadline_seconds:
                return state
            over = started + longest_wait(False)
            self._asker.pause_until(max(over, self._clock.monotonic_seconds() + pause))
            pause = min(2 * pause, _LONGEST_POLL_SECONDS)

    def _trigger(self) -> bytes:
        trigger(self._file)
        return b""

    def _read_state(self) -> bytes:
        words = read_bytes(self._file).split()
        return words[0] if words else b""

    def _failed(self, why: str, *, patient: bool) -> bool:
        self._failures += 1
        self._results_may_wait = True
        self.trouble = why
        if patient or self._failures > _QUICK_RETRIES:
            self._again_at = self._clock.monotonic_seconds() + _AGAIN_SECONDS
        return False


class Bus:
    """The thread of one bus. `folder` is the bus master's; `deliver` must not block."""

    def __init__(self, folder: Path, pace: OneWireSection, clock: Clock, deliver: Callable[[Observed], None]) -> None:
        self.name = folder.name
        self._folder = folder
        self._pace = pace
        self._clock = clock
        self._deliver = deliver
        self._asker = Asker(self.name, clock, pace.deadline_seconds)
        self._bulk = BulkConversion(folder / BULK_FILE, self._asker, clock, pace)
        self._share = self._reading = Share({}, {})
        self._method, self._why = Method.SERIAL, "not read yet"
        self._cycle_seconds: float | None = None
        self._powered_on: set[str] = set()
        self._waits: dict[str, float] = {}
        self._powered: dict[str, bool | None] = {}
        self._thread = threading.Thread(target=self._run, name=self.name, daemon=True)

    def start(self) -> None:
        self._thread.start()

    def assign(self, share: Share) -> None:
        """What to read from the next cycle on."""
        self._share = share

    def close(self) -> None:
        """Stop reading; a thread that is stuck in the kernel is left to itself."""
        self._asker.close()
        self._thread.join(timeout=2.0)

    def health(self) -> BusHealth:
        patience = self._pace.interval_seconds + 2 * self._pace.deadline_seconds
        return BusHealth(
            bus=self.name,
            method=self._method,
            why=self._why,
            probes=tuple(self._share.names.values()),
            cycle_seconds=self._cycle_seconds,
            alive=self._thread.is_alive() and self._asker.silent_seconds <= patience,
        )

    def _run(self) -> None:
        block_signals()
        try:
            while True:
                started = self._clock.monotonic_seconds()
                self._reading = self._share
                if self._reading.names:
                    self._cycle()
                    self._cycle_seconds = self._clock.monotonic_seconds() - started
                self._asker.pause_until(started + self._pace.interval_seconds)
        except Closing:
            return

    def _cycle(self) -> None:
        names, folders = self._reading.names, self._reading.folders
        if not self._asker.stuck and self._bulk.due and self._bulk.convert(self._longest_wait):
            self._method, self._why = Method.BULK, "one conversion for all probes"
            self._read(names, self._one_after_another)
            self._discard([rom for rom in folders if rom not in names], self._one_after_another)
            return
        if self._asker.stuck:
            for rom in names:
                self._judge(rom, Overdue())
            return
        read_all = self._choose_without_bulk()
        if self._bulk.old_results_wait():
            self._discard(folders, read_all)
        self._read(names, read_all)

    def _choose_without_bulk(self) -> _ReadAll:
        if self._all_powered():
            self._method, self._why = Method.PARALLEL, f"{self._bulk.trouble}; the probes have a supply wire"
            return self._side_by_side
        self._method, self._why = Method.SERIAL, f"{self._bulk.trouble}; not every probe has its own supply wire"
        return self._one_after_another

    # Readings

    def _read(self, roms: Iterable[str], read_all: _ReadAll) -> None:
        """Read and deliver; a first power-on value is not delivered but read once more, after the others."""
        again = [rom for rom, outcome in read_all(roms) if not self._judge(rom, outcome)]
        for rom, outcome in read_all(again):
            self._judge(rom, outcome)

    def _discard(self, roms: Iterable[str], read_all: _ReadAll) -> None:
        for _ in read_all(roms):
            pass

    def _judge(self, rom: str, outcome: Outcome) -> bool:
        """Deliver what a read meant; False, and nothing delivered, where it should be read once more."""
        decoded = self._meaning(rom, outcome)
        if isinstance(decoded, Refused) and decoded.kind is FaultKind.POWER_ON_VALUE:
            if rom not in self._powered_on:
                self._powered_on.add(rom)
                return False
        else:
            self._powered_on.discard(rom)
        name = self._share.names.get(rom)  # not the cycle's: it may have left this bus since
        if name is not None:
            self._deliver(Observed(_observation(name, self._clock.monotonic_seconds(), decoded)))
        return True

    def _meaning(self, rom: str, outcome: Outcome) -> Decoded:
        if isinstance(outcome, Overdue):
            self._bulk.doubt()
        elif isinstance(outcome, OSError):
            self._waits.pop(rom, None)  # what comes back may be another chip, or wired otherwise
            self._powered.pop(rom, None)
        return meaning(rom, outcome, f"no answer within {self._pace.deadline_seconds:g} s")

    def _one_after_another(self, roms: Iterable[str]) -> Iterator[tuple[str, Outcome]]:
        for rom in roms:
            yield rom, self._asker.ask(self._measurement(rom))

    def _side_by_side(self, roms: Iterable[str]) -> Iterator[tuple[str, Outcome]]:
        return self._asker.ask_all({rom: self._measurement(rom) for rom in roms})

    def _measurement(self, rom: str) -> Callable[[], bytes]:
        folder = self._reading.folders[rom]
        if self._method is Method.BULK:
            return partial(read_bytes, folder / "w1_slave")
        return partial(patient_bytes, ProbeSpot(folder, self._folder), self._clock)

    # What is known of the probes

    def _all_powered(self) -> bool:
        """Whether every probe that can say so has a supply wire; one that is unplugged says nothing."""
        for rom in self._reading.names:
            if self._powered.get(rom) is None:
                self._asker.ask(partial(self._learn_power, rom))
        known = {self._powered.get(rom) for rom in self._reading.names}
        return True in known and False not in known

    def _learn_power(self, rom: str) -> bytes:
        self._powered[rom] = externally_powered(self._reading.folders[rom])
        return b""

    def _longest_wait(self, ask_again: bool) -> float:
        """Seconds that the slowest named probe takes to convert; a lowered resolution shows when asked again."""
        for rom in self._reading.names:
            if ask_again or rom not in self._waits:
                self._waits[rom] = conversion_seconds(self._reading.folders[rom])
        return max(self._waits[rom] for rom in self._reading.names)


def _observation(name: str, seconds: float, decoded: Decoded) -> Observation:
    if isinstance(decoded, Converted):
        return Reading(name, seconds, decoded.celsius)
    return Fault(name, seconds, decoded.kind, decoded.detail)
