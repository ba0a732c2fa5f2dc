"""The daemon: one thread owns all state, everything else carries events to it or effects away from it.

Inputs call `deliver` from their own threads; `run` takes the events one by one through `nursery.step` and hands the
effects to the outlets. Once a second of its clock it ticks, shows a snapshot, and feeds the service watchdog, the last
only while every bus still answers (with readings or with faults).
"""

import threading
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace

from sensord import __version__
from sensord.clock import Clock
from sensord.log.chick_day import overdue
from sensord.log.day import Day
from sensord.run.notify import Notifier
from sensord.run.outlets import Item, Outlet, Output, close_all
from sensord.watch import nursery as whole
from sensord.watch.alarms.alarms import AlarmBook
from sensord.watch.brooder.banding import Banding
from sensord.watch.effects import BandMoved
from sensord.watch.events import Event, FeedsOverdue, Gap, Observed, Tick, Troubled
from sensord.watch.nursery import Nursery, NurserySettings
from sensord.watch.views import OutputView, Snapshot

__all__ = ["Daemon", "ReaderState"]

_INBOX = 10_000
_TICK_SECONDS = 1.0
CLOSING_SECONDS = 20.0
"""So long a slow card may take for what is still to be written; less than the service's TimeoutStopSec."""


@dataclass(frozen=True, slots=True)
class ReaderState:
    """What the daemon needs to know of the probes' reader: is every bus thread alive, and how is each probe read."""

    alive: bool
    methods: Mapping[str, str]


def _nothing() -> None:
    """What a source that needs no start, or no end, does for it."""


class Daemon:
    """Wires sources, the nursery and outputs; `run` blocks until `stop` is called from any thread."""

    def __init__(
        self,
        settings: NurserySettings,
        clock: Clock,
        notifier: Notifier,
        book: AlarmBook | None = None,
        bandings: Mapping[str, Banding] | None = None,
        gap: Gap | None = None,
        reader_state: Callable[[], ReaderState] = lambda: ReaderState(True, {}),
    ) -> None:
        self.settings = settings
        self._clock = clock
        self._notifier = notifier
        self._reader_state = reader_state
        self._gap = gap
        self.day: Callable[[], Day] = Day
        self.feed_reminder = False
        self._overdue: tuple[str, ...] = ()
        self.remember: Callable[[Nursery, float], None] = lambda _nursery, _seconds: None
        self._inbox: deque[Event] = deque()
        self._wake = threading.Event()
        self._stopping = threading.Event()
        self._outlets: list[Outlet] = []
        self._sources: list[tuple[Callable[[], None], Callable[[], None]]] = []
        self.nursery: Nursery = whole.first_nursery(settings, clock.monotonic_seconds(), book, bandings)
        self.dropped_events = 0

    def add_output(self, output: Output) -> None:
        """Outputs end side by side, when every source has been closed."""
        self._outlets.append(Outlet(output, self._trouble))

    def add_source(self, start: Callable[[], None] = _nothing, close: Callable[[], None] = _nothing) -> None:
        """Something with threads that deliver events; started after every output, and closed before them."""
        self._sources.append((start, close))

    def deliver(self, event: Event) -> None:
        """Put an event into the inbox; called from any thread, never blocks.

        A full inbox (a button gone mad, a flood of commands) drops readings first: their silence becomes a fault.
        """
        if len(self._inbox) >= _INBOX and isinstance(event, Observed):
            self.dropped_events += 1
            return
        self._inbox.append(event)
        self._wake.set()

    def stop(self) -> None:
        """Ask `run` to end; safe in a signal handler."""
        self._stopping.set()
        self._wake.set()

    def run(self) -> None:
        """Watch until stopped; whatever happens, outputs are closed and nothing is left sounding."""
        try:
            for outlet in self._outlets:
                outlet.start()
            if self._gap is not None:
                self.deliver(self._gap)
            for start, _ in self._sources:
                start()
            self._notifier.ready(f"watching {len(self.settings.probes)} probes")
            self._loop()
        finally:
            self._notifier.stopping()
            for _, close in reversed(self._sources):
                close()
            close_all(self._outlets[::-1], CLOSING_SECONDS)

    def _loop(self) -> None:
        next_tick = self._clock.monotonic_seconds()
        while not self._stopping.is_set():
            now = self._clock.monotonic_seconds()
            if now >= next_tick:
                self._tick(now)
                next_tick = max(next_tick + _TICK_SECONDS, now)
            self._wake.clear()
            if self._inbox:
                self._take(self._inbox.popleft())
            else:
                self._clock.wait(self._wake, next_tick - self._clock.monotonic_seconds())

    def _tick(self, now: float) -> None:
        trusted = self._clock.wall_clock_trusted()
        utc = self._clock.utc_seconds() if trusted else None
        self._take(Tick(now, utc))
        self._remind(now, utc)
        for outlet in self._outlets:
            outlet.look()
        reader = self._reader_state()
        self.give(self.snapshot(now, reader))
        if reader.alive:
            self._notifier.alive()

    def _remind(self, now: float, utc: float | None) -> None:
        """Tell the rules which feeds are overdue, where the keeper wants to hear of it and the clock can say."""
        late = overdue(self.day().chicks, utc) if self.feed_reminder and utc is not None else ()
        if late != self._overdue:
            self._overdue = late
            self._take(FeedsOverdue(now, late))

    def _take(self, event: Event) -> None:
        before = self.nursery.book
        try:
            self.nursery, effects = whole.step(self.settings, self.nursery, event)
        except Exception as error:  # a fault of ours must be heard, and must not end the watch
            if not isinstance(event, Troubled):
                self._trouble("rules", f"{type(error).__name__}: {error} (at {type(event).__name__})")
            return
        if self.nursery.book is not before or any(isinstance(each, BandMoved) for each in effects):
            self.remember(self.nursery, event.seconds)
        for effect in effects:
            self.give(effect)

    def give(self, item: Item) -> None:
        """Hand an item to every output; safe from any thread."""
        for outlet in self._outlets:
            outlet.put(item)

    def _trouble(self, name: str, words: str) -> None:
        self.deliver(Troubled(self._clock.monotonic_seconds(), name, words))

    def snapshot(self, now: float, reader: ReaderState) -> Snapshot:
        """The nursery's snapshot with what only the daemon knows: how probes are read, how outputs fare."""
        seen = whole.snapshot(self.settings, self.nursery, now, __version__)
        day = self.day()
        return replace(
            seen,
            chicks=day.chicks,
            alarms_today=day.alarms,
            probes=tuple(replace(probe, method=reader.methods.get(probe.name, "")) for probe in seen.probes),
            outputs=tuple(self._output_views(seen.outputs)),
        )

    def _output_views(self, troubled: Iterable[OutputView]) -> Iterable[OutputView]:
        troubles = {view.name: view for view in troubled}
        for outlet in self._outlets:
            well = OutputView(outlet.output.name, outlet.works, outlet.output.words())
            yield troubles.pop(outlet.output.name, well)
        yield from troubles.values()
