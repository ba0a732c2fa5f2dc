"""How long from an effect to the pin: `python -m tests.bench.pin_latency`.

The real chime on mock pins and the machine's clock: handed over directly, through the queue and the thread that the
daemon puts before it, and the same beside a thread that never rests. The target is a 99th percentile under 10 ms; it
is asked of the first two, as no thread of the daemon is busy for long.
"""

import statistics
import sys
import threading
import time
from typing import Any, NamedTuple

from gpiozero.pins.mock import MockFactory, MockPWMPin

from sensord.clock import SystemClock
from sensord.config.sections import ChimeSection
from sensord.pins.chime import Chime
from sensord.run.outlets import Outlet, close_all
from sensord.watch.conditions import Priority
from sensord.watch.effects import Alerting, Cue, Cued, Effect
from tests.bench.table import target

__all__ = ["TARGET_MILLISECONDS", "Latency", "main", "measure"]

TARGET_MILLISECONDS = 10.0
_ROUNDS = 200


class Latency(NamedTuple):
    """Milliseconds from effect to pin change."""

    what: str
    rounds: int
    p50_milliseconds: float
    p99_milliseconds: float
    worst_milliseconds: float


def measure(rounds: int = _ROUNDS) -> list[Latency]:
    """Latencies of an alarm that begins, one that is silenced, and a cue: direct, queued, and queued while busy."""
    found = [_measured(what, *pair, rounds, queued=False) for what, pair in _CASES.items()]
    found += [_measured(f"{what}, queued", *pair, rounds, queued=True) for what, pair in _CASES.items()]
    stop = threading.Event()
    busy = threading.Thread(target=_never_rests, args=(stop,), daemon=True)
    busy.start()
    try:
        found += [_measured(f"{what}, queued, busy", *pair, rounds, queued=True) for what, pair in _CASES.items()]
    finally:
        stop.set()
        busy.join()
    return found


_QUIET = Alerting(seconds=0.0, priority=None)
_HIGH = Alerting(seconds=0.0, priority=Priority.HIGH)
# What is measured: the effect before, and the one that is timed.
_CASES: dict[str, tuple[Effect, Effect]] = {
    "alarm begins": (_QUIET, _HIGH),
    "alarm is silenced": (_HIGH, _QUIET),
    "cue begins": (_QUIET, Cued(0.0, Cue.NOT_READY)),
}


def _measured(what: str, before: Effect, timed: Effect, rounds: int, *, queued: bool) -> Latency:
    changed: list[float] = []
    seen = threading.Event()

    class TimedPin(MockPWMPin):  # type: ignore[misc]  # gpiozero ships no types
        def _change_state(self, value: float) -> bool:
            done: bool = super()._change_state(value)
            if done:
                changed.append(time.perf_counter())
                seen.set()
            return done

    section = ChimeSection(kind="active", pin=17, self_test=False)
    milliseconds = []
    for _ in range(rounds):
        factory: Any = MockFactory(pin_class=TimedPin)
        chime = Chime(section, SystemClock(), factory)
        outlet = Outlet(chime, lambda *_: None)
        outlet.start()
        chime.handle(before)
        changed.clear()
        seen.clear()
        start = time.perf_counter()
        if queued:
            outlet.put(timed)
        else:
            chime.handle(timed)
        if not seen.wait(10):
            raise RuntimeError(f"{what}: the pin did not change within ten seconds")
        milliseconds.append((changed[0] - start) * 1000)
        close_all([outlet], 1.0)
        factory.close()
    ranks = statistics.quantiles(milliseconds, n=100)
    return Latency(what, rounds, ranks[49], ranks[98], max(milliseconds))


def _never_rests(stop: threading.Event) -> None:
    count = 0
    while not stop.is_set():
        count += 1


def main() -> int:
    """Print the table; 1 where the target is missed, the busy rows left out."""
    rows = measure()
    print(f"{'effect to pin, milliseconds':<34}{'rounds':>8}{'p50':>9}{'p99':>9}{'worst':>9}")
    for row in rows:
        figures = (row.p50_milliseconds, row.p99_milliseconds, row.worst_milliseconds)
        print(f"{row.what:<34}{row.rounds:>8}" + "".join(f"{figure:>9.3f}" for figure in figures))
    quick = all(row.p99_milliseconds < TARGET_MILLISECONDS for row in rows if not row.what.endswith("busy"))
    return 0 if target(f"effect to pin, p99 under {TARGET_MILLISECONDS:g} ms", quick) else 1


if __name__ == "__main__":
    sys.exit(main())
