"""The daemon: one thread owns all state, everything else carries events to it or effects away from it.

Inputs put events into the `Inbox` from their own threads; `run` takes them one by one through `nursery.step` and hands
the effects to the outlets. Once a second of its clock it ticks, shows a snapshot, and feeds the service watchdog, the
last only while every bus still answers (with readings or with faults). Whatever raises on the way is a trouble like
that of an output: shown, alarmed and survived, while all else goes on.
"""

import logging
import threading
import traceback
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import NamedTuple, TypeVar

from sensord import __version__
from sensord.clock import Clock
from sensord.errors import SensordError
from sensord.run.journal import Notifier
from sensord.run.outlets import Item, Outlet, Output, close_all
from sensord.watch import nursery as whole
from sensord.watch.alarms import alarms
from sensord.watch.cues import Priority
from sensord.watch.effects import Alerting, BandMoved, DishState
from sensord.watch.events import Event, Observed, Tick, Troubled
from sensord.watch.nursery import snapshot
from sensord.watch.state import Nursery, NurserySettings, first_nursery
from sensord.watch.views import DishView, OutputView, Snapshot

_log = logging.getLogger(__name__)

_INBOX = 10_000
_TICK_SECONDS = 1.0
_BREATH_SECONDS = 0.1
_WELL_AFTER_SECONDS = 60.0
"""A part of the daemon that has raised nothing for so long works again."""
CLOSING_SECONDS = 20.0
"""So long a slow card may take for what is still to be written; less than the service's TimeoutStopSec."""
_Done = TypeVar("_Done")


@dataclass(frozen=True, slots=True)
class ReaderState:
    """What the daemon needs to know of the probes' reader: is every bus thread alive, and how is each probe read."""

    alive: bool = True
    methods: Mapping[str, str] = field(default_factory=dict)


def _nothing() -> None:
    """What a source that needs no start, or no end, does for it."""


class Source(NamedTuple):
    """Something with threads that deliver events; started after every output, and closed before them."""

    start: Callable[[], None] = _nothing
    close: Callable[[], None] = _nothing


class Inbox:
    """What waits for the owner thread; any thread may deliver."""

    def __init__(self) -> None:
        self.wake = threading.Event()
        self.lost = 0
        self._events: deque[Event] = deque()

    def deliver(self, event: Event) -> None:
        """Put an event in; never blocks.

        A full inbox (a button gone mad, a flood of commands) drops readings first: their silence becomes a fault. Every
        loss is told.
        """
        waiting = len(self._events)
        if waiting >= _INBOX and (isinstance(event, Observed) or waiting >= 2 * _INBOX):
            self.lost += 1
            return
        self._events.append(event)
        self.wake.set()

    def take(self) -> Event | None:
        """The oldest event, None where there is none."""
        self.wake.clear()
        return self._events.popleft() if self._events else None


class Daemon:
    """Wires sources, the nursery and outputs; `run` blocks until `stop` is called from any thread.

    `nursery` and `first` are what an earlier run has left behind; `remember` keeps it for the next one, each time the
    alarms or a band change. Outputs end side by side, when every source has been closed.
    """

    def __init__(
        self,
        settings: NurserySettings,
        clock: Clock,
        inbox: Inbox,
        outputs: Sequence[Output] = (),
        sources: Sequence[Source] = (),
        *,
        nursery: Nursery | None = None,
        notifier: Notifier | None = None,
        first: Sequence[Event] = (),
        reader_state: Callable[[], ReaderState] = ReaderState,
        remember: Callable[[Nursery, float], None] | None = None,
    ) -> None:
        self._settings = settings
        self._clock = clock
        self._inbox = inbox
        self._outlets = [Outlet(output, self._trouble) for output in outputs]
        self._sources = sources
        self._notifier = notifier or Notifier()
        self._reader_state = reader_state
        self._remember = remember
        self._faults: dict[str, tuple[str, float]] = {}
        self._seen: Snapshot | None = None
        self._blind = False
        self._told_lost = 0
        self._stopping = threading.Event()
        self._next_tick = clock.monotonic_seconds()
        self._nursery: Nursery = nursery or first_nursery(settings, clock.monotonic_seconds())
        for event in first:
            inbox.deliver(event)

    def stop(self) -> None:
        """Ask `run` to end; safe in a signal handler."""
        self._stopping.set()
        self._inbox.wake.set()

    def run(self) -> None:
        """Watch until stopped; whatever happens, outputs are closed and nothing is left sounding.

        Raises `SensordError` where a source cannot be started and somebody has to act.
        """
        try:
            for outlet in self._outlets:
                outlet.start()
            for source in self._sources:
                self._start(source)
            self._do("service manager", lambda: self._notifier.ready(f"watching {len(self._settings.probes)} probes"))
            while not self._stopping.is_set():
                if not self._do("daemon", self._turn):
                    self._inbox.wake.wait(_BREATH_SECONDS)
        finally:
            self._do("service manager", self._notifier.stopping)
            for source in reversed(self._sources):
                _end(source)
            close_all(self._outlets[::-1], CLOSING_SECONDS)

    def _start(self, source: Source) -> None:
        try:
            source.start()
        except SensordError:
            raise
        except Exception as error:
            self._fail("start", _told(error))

    def _turn(self) -> bool:
        """Tick where it is time to, then take one event or wait for one."""
        now = self._clock.monotonic_seconds()
        if now >= self._next_tick:
            self._next_tick = max(self._next_tick + _TICK_SECONDS, now)
            self._tick(now)
        event = self._inbox.take()
        if event is not None:
            self._take(event)
        elif not self._stopping.is_set():
            self._clock.wait(self._inbox.wake, self._next_tick - self._clock.monotonic_seconds())
        return True

    def _do(self, part: str, act: Callable[[], _Done]) -> _Done | None:
        """Do one part of the work; where that raises, it is a trouble of that part, and None comes back."""
        try:
            return act()
        except Exception as error:  # a fault of ours must be heard, and must not end the watch
            self._fail(part, _told(error))
            return None

    def _fail(self, part: str, words: str) -> None:
        """Tell of a trouble, once for as long as it lasts."""
        before = self._faults.get(part, ("", 0.0))[0]
        self._faults[part] = (words, self._clock.monotonic_seconds())
        if words != before:
            self._trouble(part, words)

    def _recover(self, now: float) -> None:
        for part in [part for part, (_, seconds) in self._faults.items() if now - seconds >= _WELL_AFTER_SECONDS]:
            del self._faults[part]
            self._trouble(part, "")

    def _trouble(self, name: str, words: str) -> None:
        self._inbox.deliver(Troubled(self._clock.monotonic_seconds(), name, words))

    def _tick(self, now: float) -> None:
        utc = self._clock.utc_seconds() if self._clock.wall_clock_trusted() else None
        self._watch_blindly(now, blind=not self._take(Tick(now, utc)))
        if self._inbox.lost > self._told_lost:
            self._told_lost = self._inbox.lost
            self._fail("inbox", f"{self._told_lost} events were lost: more came than could be taken")
        for outlet in self._outlets:
            self._do(outlet.name, outlet.look)
        reader = self._do("probes", self._reader_state) or ReaderState()  # silent probes the rules find by themselves
        snapshot = self._do("view", lambda: self._snapshot(now, reader))
        self._seen = snapshot or self._unseen(now)
        self._give(self._seen)
        self._recover(now)
        if reader.alive:
            self._do("service manager", self._notifier.alive)

    def _watch_blindly(self, now: float, blind: bool) -> None:
        """Rules that raise at every tick watch nothing: then the horn says so, until they work again."""
        if blind != self._blind:
            self._blind = blind
            alarm = Alerting(seconds=now, priority=Priority.HIGH, lamp=Priority.HIGH, flashing=True)
            self._give(alarm if blind else replace(self._nursery.alerting, seconds=now))

    def _take(self, event: Event) -> bool:
        """One step of the rules with what comes of it; whether they could take it."""
        before = self._nursery.book
        try:
            self._nursery, effects = whole.step(self._settings, self._nursery, event)
        except Exception as error:
            if not isinstance(event, Troubled):
                self._fail("rules", f"{_told(error)} at {type(event).__name__}")
            return False
        remember = self._remember
        moved = self._nursery.book is not before or any(isinstance(each, BandMoved) for each in effects)
        if remember is not None and moved:
            self._do("memory", lambda: remember(self._nursery, event.seconds))
        for effect in effects:
            self._give(effect)
        return True

    def _give(self, item: Item) -> None:
        for outlet in self._outlets:
            outlet.put(item)

    def _snapshot(self, now: float, reader: ReaderState) -> Snapshot:
        """The nursery's snapshot with what only the daemon knows: how probes are read, how outputs fare."""
        seen = snapshot(self._settings, self._nursery, now, __version__)
        probes = tuple(replace(probe, method=reader.methods.get(probe.name, "")) for probe in seen.probes)
        return replace(seen, probes=probes, outputs=self._output_views())

    def _unseen(self, now: float) -> Snapshot:
        """Where the rules can show nothing: the alarms, and no reading or state that might be old."""
        seen = self._seen or Snapshot(unit=self._settings.unit, seconds=now, utc_seconds=None, version=__version__)
        standing = self._do("alarms", lambda: alarms.alarm_views(self._nursery.book, now))
        return replace(
            seen,
            seconds=now,
            probes=tuple(replace(probe, celsius=None) for probe in seen.probes),
            dishes=tuple(
                DishView(
                    name=dish.name,
                    probe=dish.probe,
                    state=DishState.UNKNOWN,
                    verdict=None,
                    band=dish.band,
                    band_source=dish.band_source,
                    why="what is known of it cannot be shown",
                )
                for dish in seen.dishes
            ),
            brooders=tuple(replace(brooder, celsius=None, verdict=None) for brooder in seen.brooders),
            alarms=seen.alarms if standing is None else standing,
            sounding=self._nursery.alerting.priority,
            outputs=self._output_views(),
        )

    def _output_views(self) -> tuple[OutputView, ...]:
        """Every output as it says itself, or with its trouble; then whatever else is in trouble."""
        views = [(outlet.name, self._do(outlet.name, outlet.view)) for outlet in self._outlets]
        troubles = {**self._nursery.troubles, **{part: words for part, (words, _) in self._faults.items()}}
        shown = []
        for name, well in views:
            words = troubles.pop(name, "")
            shown.append(OutputView(name, False, words) if words or well is None else well)
        return (*shown, *(OutputView(name, False, words) for name, words in troubles.items()))


def _end(source: Source) -> None:
    try:
        source.close()
    except Exception as error:
        _log.error("a source did not end well: %s", _told(error))


def _told(error: Exception) -> str:
    """An error of ours as a trouble's words, with the place to look at."""
    frame = traceback.extract_tb(error.__traceback__)[-1]
    return f"{type(error).__name__}: {error} ({Path(frame.filename).name}, line {frame.lineno})"
