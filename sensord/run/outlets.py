"""Outputs, each behind a bounded queue and a thread of its own, so that none can hold up the rules or another output.

What gives way when a queue is full, by a fixed rule: first what newer ones follow (snapshots, readings, estimates),
then the oldest of the rest, alarms last. Every loss is counted and told, to the output too.
"""

import logging
import threading
from collections import Counter, deque
from collections.abc import Callable, Sequence
from typing import Protocol, TypeAlias

from sensord.clock import SystemClock
from sensord.watch.effects import AlarmChanged, Alerting, DishEstimated, Effect, Measured
from sensord.watch.views import OutputView, Snapshot

_log = logging.getLogger(__name__)

Item: TypeAlias = Effect | Snapshot

STUCK_SECONDS = 10.0
"""An item that an output keeps for longer (of life, however fast the daemon's clock runs) is told as trouble."""


class Output(Protocol):
    """What every output offers: a name, a way to take an item, what it has to say of itself, an orderly end."""

    @property
    def name(self) -> str:
        """A short word for screens and logs."""

    def handle(self, item: Item) -> None:
        """Take one item, in order, on the outlet's thread. An exception is shown as trouble; the output stays.

        An output that has a `handle_all` is given everything that waits at once instead. One that has a `take_losses`
        hears, before the next item, how many of which kind its queue has lost, to leave a mark where they would be.
        """

    def words(self) -> str:
        """One line for the screen, empty where there is nothing to say; called from the owner's thread."""

    def close(self) -> None:
        """Let go of everything, leave nothing sounding and nothing unwritten; called after the last item."""


class Outlet:
    """The queue and the thread of one output. `told(name, words)` hears of trouble, and of its end with no words."""

    def __init__(self, output: Output, told: Callable[[str, str], None], capacity: int = 2000) -> None:
        self.name = output.name
        self._output = output
        self._takes_all: Callable[[Sequence[Item]], None] | None = getattr(output, "handle_all", None)
        self._takes_losses: Callable[[Counter[type[Item]]], None] | None = getattr(output, "take_losses", None)
        self._losses: Counter[type[Item]] = Counter()
        self._told = told
        self._capacity = capacity
        self._items: deque[Item] = deque()
        self._wake = threading.Condition()
        self._closing = False
        self._words = ""
        self._failed_at: type[object] = object
        self._clock = SystemClock()
        self._taken_seconds: float | None = None
        self.lost = 0
        self._told_lost = 0
        self._thread = threading.Thread(target=self._work, name=f"output-{output.name}", daemon=True)

    def view(self) -> OutputView:
        """What the output says of itself, where it has a `failing`; no exception of it is counted in here."""
        return OutputView(self.name, not getattr(self._output, "failing", False), self._output.words())

    def start(self) -> None:
        self._thread.start()

    def put(self, item: Item) -> None:
        """Queue an item; never blocks for longer than a list operation."""
        with self._wake:
            if len(self._items) >= self._capacity:
                self._make_room()
            self._items.append(item)
            self._wake.notify()

    def _make_room(self) -> None:
        index = min(range(len(self._items)), key=lambda index: (_rank(self._items[index]), index))
        kind = type(self._items[index])
        del self._items[index]
        if kind is not Snapshot:
            self.lost += 1
            self._losses[kind] += 1

    def _work(self) -> None:
        while True:
            with self._wake:
                while not self._items and not self._closing:
                    self._wake.wait()
                if not self._items:
                    break
                items = list(self._items) if self._takes_all else [self._items[0]]
                for _ in items:
                    self._items.popleft()
                self._taken_seconds = self._clock.monotonic_seconds()
                losses, self._losses = self._losses, Counter()
            try:
                if losses and self._takes_losses:
                    self._takes_losses(losses)
                if self._takes_all:
                    self._takes_all(items)
                else:
                    self._output.handle(items[0])
            # Whatever an output does wrong must not end the watch; SystemExit would end this thread unheard.
            except BaseException as error:
                self._failed_at = object if self._takes_all else type(items[0])
                self._say(f"{type(error).__name__}: {error}")
            else:
                if isinstance(items[0], self._failed_at):  # one that fails at some kind of item only is not well yet
                    self._say("")
            finally:
                self._taken_seconds = None
        self._close_output()

    def _say(self, words: str) -> None:
        if words != self._words:
            self._words = words
            self._told(self.name, words)

    def _close_output(self) -> None:
        try:
            self._output.close()
        except BaseException as error:
            _log.error("%s did not end well: %s: %s", self.name, type(error).__name__, error)

    def look(self) -> None:
        """Tell it where the output does not come back, and each new loss; called now and then."""
        taken, lost = self._taken_seconds, ""
        if self.lost > self._told_lost:
            self._told_lost = self.lost
            lost = f"{self.lost} readings and events are lost: more came than it could take"
        silent = 0.0 if taken is None else self._clock.monotonic_seconds() - taken
        if silent >= STUCK_SECONDS and (lost or not self._words):
            words = f"has not come back for {silent:.0f} s: what it should do waits"
            lost = f"{words}, {self.lost} items are lost" if self.lost else words
        if lost:
            _log.error("%s %s", self.name, lost)  # the trouble may be over before a screen has shown it
            self._failed_at = object
            self._say(lost)

    def finish(self) -> None:
        """Ask for the end: what is queued is handed on, then the output is closed, all on the outlet's thread."""
        with self._wake:
            self._closing = True
            self._wake.notify()
        if not self._thread.is_alive():
            self._close_output()

    def ended(self, seconds: float) -> bool:
        """Wait for the end for up to `seconds` of real time; whether it has come."""
        if self._thread.is_alive():
            self._thread.join(seconds)
        return not self._thread.is_alive()

    @property
    def waiting(self) -> int:
        """How many items are queued."""
        return len(self._items)


def _rank(item: Item) -> int:
    """What gives way first has the lowest."""
    if isinstance(item, Measured | Snapshot | DishEstimated):
        return 0
    return 2 if isinstance(item, AlarmChanged | Alerting) else 1


def close_all(outlets: Sequence[Outlet], seconds: float) -> None:
    """End all outlets side by side, for up to `seconds` of real time together; the log names one that took longer."""
    clock = SystemClock()
    deadline = clock.monotonic_seconds() + seconds
    for outlet in outlets:
        outlet.finish()
    for outlet in outlets:
        if not outlet.ended(max(0.0, deadline - clock.monotonic_seconds())):
            _log.error(
                "%s did not end within %.0f s: what it had not written is lost (%d items queued)",
                outlet.name,
                seconds,
                outlet.waiting,
            )
