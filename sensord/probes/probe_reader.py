"""Reads every configured probe at its pace: one thread per bus, and one that watches which probes are there.

    reader = ProbeReader(config.one_wire, {"brooder": "28-000000000001"}, clock, inbox.put)
    reader.start()
    ...
    reader.close()

`deliver` is called from the reader's threads with an `Observed` for each probe and interval; it must not block. A probe
that is not on the bus is a `no_response` fault with the detail 'not on the bus', and is taken up again when the kernel
lists it. A bus that hangs gives `late` faults at the deadline, and stops no other bus.
"""

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from sensord.clock import Clock
from sensord.config.sections import OneWireSection
from sensord.probes.bus import Bus, BusHealth, Share
from sensord.probes.deadlines import block_signals
from sensord.probes.one_wire import ProbeSpot, locate
from sensord.readings import Fault, FaultKind
from sensord.watch.events import Observed


@dataclass(frozen=True, slots=True)
class ReaderHealth:
    """`alive`: every thread of the reader turns (a hanging bus is no reason for False); one entry per bus."""

    alive: bool
    buses: tuple[BusHealth, ...]


class ProbeReader:
    """The reader of a one-wire tree.

    `one_wire` is the config's section, `probes` ROM ids by name. Every interval each probe gives one observation; the
    deadline bounds each read. Nothing is raised after `start`: what goes wrong with a probe or the tree arrives as a
    fault.
    """

    def __init__(
        self, one_wire: OneWireSection, probes: Mapping[str, str], clock: Clock, deliver: Callable[[Observed], None]
    ) -> None:
        self._one_wire = one_wire
        self._names = {rom: name for name, rom in probes.items()}
        self._clock = clock
        self._deliver = deliver
        self._buses: dict[Path, Bus] = {}
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="probes", daemon=True)

    def start(self) -> None:
        """Begin to read; returns at once."""
        self._thread.start()

    def close(self) -> None:
        """Stop reading, within about two seconds even where the kernel holds a read."""
        self._stop.set()
        self._thread.join()
        for bus in self._buses.values():
            bus.close()

    def health(self) -> ReaderHealth:
        """How each bus is read, and whether the threads turn."""
        buses = tuple(bus.health() for bus in list(self._buses.values()))
        return ReaderHealth(self._thread.is_alive() and all(bus.alive for bus in buses), buses)

    def _run(self) -> None:
        block_signals()
        next_look = self._clock.monotonic_seconds()
        while not self._stop.is_set():
            self._look()
            next_look = max(next_look + self._one_wire.interval_seconds, self._clock.monotonic_seconds())
            self._clock.wait(self._stop, next_look - self._clock.monotonic_seconds())

    def _look(self) -> None:
        """See which probes the kernel lists, and tell each bus; those that are nowhere become faults."""
        try:
            listed = locate(self._one_wire.root)
        except OSError as error:
            self._assign({})
            for name in self._names.values():
                self._fault(name, FaultKind.BUS_ERROR, f"no one-wire tree at {self._one_wire.root} ({error.strerror})")
            return
        self._assign(listed)
        for rom, name in self._names.items():
            if rom not in listed:
                self._fault(name, FaultKind.NO_RESPONSE, "not on the bus")

    def _assign(self, listed: Mapping[str, ProbeSpot]) -> None:
        for folder in {listed[rom].bus for rom in self._names if rom in listed} - set(self._buses):
            self._buses[folder] = bus = Bus(folder, self._one_wire, self._clock, self._deliver)
            bus.assign(self._share_of(folder, listed))
            bus.start()
        for folder, bus in self._buses.items():
            bus.assign(self._share_of(folder, listed))

    def _share_of(self, folder: Path, listed: Mapping[str, ProbeSpot]) -> Share:
        here = {rom: spot.probe for rom, spot in listed.items() if spot.bus == folder}
        return Share({rom: name for rom, name in self._names.items() if rom in here}, here)

    def _fault(self, name: str, kind: FaultKind, detail: str) -> None:
        self._deliver(Observed(Fault(name, self._clock.monotonic_seconds(), kind, detail)))
