"""`sensord probes --live` and `--identify`: the daemon's own reader, watched by a person for a while."""

import queue
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from sensord.care.remedies import REMEDIES
from sensord.clock import SystemClock
from sensord.commands.terminal import forget_typed
from sensord.config.sections import Config
from sensord.durations import duration_seconds
from sensord.probes.one_wire import locate
from sensord.probes.probe_reader import ProbeReader
from sensord.readings import Fault, FaultKind, Observation, Reading
from sensord.screens.tables import how_to_name, indented, nothing_found
from sensord.watch.events import Observed
from sensord.watch.finding import Warming, feel, moved, moved_most

__all__ = ["identify", "live"]

_IDENTIFY_SECONDS = 120.0
_TURN_SECONDS = 0.5


@dataclass(frozen=True, slots=True)
class _Session:
    """A running reader: `roms` by the names under which it delivers, and what it has delivered in time order."""

    roms: dict[str, str]
    reader: ProbeReader
    delivered: "queue.SimpleQueue[Observed]"
    clock: SystemClock

    def observations(self, seconds: float | None) -> Iterator[Observation | None]:
        """As they come, for `seconds` (None: without end); None when nothing came for a moment."""
        end = float("inf") if seconds is None else self.clock.monotonic_seconds() + seconds
        while self.clock.monotonic_seconds() < end:
            try:
                yield self.delivered.get(timeout=_TURN_SECONDS).observation
            except queue.Empty:
                yield None

    def forget_waiting(self) -> None:
        """Drop what was delivered while nobody looked."""
        while not self.delivered.empty():
            self.delivered.get()


@contextmanager
def _session(root: Path, config: Config, *, listed_only: bool) -> Iterator[_Session | None]:
    """Read every probe on the bus (and, unless `listed_only`, every configured one); None where there is none.

    A probe without a name goes by its ROM id. Without bulk conversion, which would disturb a daemon that is running.
    """
    try:
        listed = list(locate(root))
    except OSError:
        listed = []
    names = {probe.rom: name for name, probe in config.probes.items() if probe.rom in listed or not listed_only}
    roms = {names.get(rom, rom): rom for rom in [*listed, *(rom for rom in names if rom not in listed)]}
    if not listed:
        print("\n".join(nothing_found(str(root), root.is_dir())), file=sys.stderr)
        yield None
        return
    clock, delivered, pace = SystemClock(), queue.SimpleQueue[Observed](), config.one_wire
    reader = ProbeReader(root, roms, pace.interval_seconds, pace.deadline_seconds, clock, delivered.put, bulk=False)
    reader.start()
    try:
        yield _Session(roms, reader, delivered, clock)
    finally:
        reader.close()


def live(root: Path, config: Config, duration: str | None) -> int:
    """Print every reading and fault as it comes, then how often each probe failed how; 1 where any fault came."""
    seconds = None if duration is None else duration_seconds(duration)
    readings: Counter[str] = Counter()
    faults: Counter[tuple[str, FaultKind]] = Counter()
    with _session(root, config, listed_only=False) as session:
        if session is None:
            return 1
        started = session.clock.monotonic_seconds()
        try:
            for seen in session.observations(seconds):
                if seen is not None:
                    _count(seen, readings, faults)
                    print(_live_line(seen, seen.seconds - started), flush=True)
        except KeyboardInterrupt:
            print()
        _print_summary(session, readings, faults)
    return 1 if faults else 0


def _count(seen: Observation, readings: Counter[str], faults: Counter[tuple[str, FaultKind]]) -> None:
    if isinstance(seen, Fault):
        faults[seen.probe, seen.kind] += 1
    else:
        readings[seen.probe] += 1


def _live_line(seen: Observation, seconds: float) -> str:
    told = f"{seen.celsius:.2f} °C" if isinstance(seen, Reading) else f"{seen.kind}: {seen.detail}"
    return f"{seconds:8.1f} s  {seen.probe:16} {told}"


def _print_summary(session: _Session, readings: Counter[str], faults: Counter[tuple[str, FaultKind]]) -> None:
    for bus in session.reader.health().buses:
        took = "" if bus.cycle_seconds is None else f", {bus.cycle_seconds:.2f} s a cycle"
        print(f"{bus.bus}: {bus.method}{took} ({bus.why})")
    for name in session.roms:
        failed = [f"{count} {kind}" for (probe, kind), count in faults.items() if probe == name]
        print(f"{name}: {readings[name]} readings, {', '.join(failed) or 'no faults'}")
    for kind in sorted({kind for _, kind in faults}):
        print("\n".join([f"{kind}:", *indented(REMEDIES[kind], "    → ")]))


def identify(root: Path, config: Config, duration: str | None, ask: Callable[[str], str] = input) -> int:
    """Say which probe is being warmed, one after the other on a terminal; 1 where none moved in time."""
    seconds = _IDENTIFY_SECONDS if duration is None else duration_seconds(duration)
    with _session(root, config, listed_only=True) as session:
        if session is None:
            return 1
        if len(session.roms) == 1:
            print(f"There is only one probe: {_introduce(*next(iter(session.roms.items())))}")
            return 0
        finding = Warming()
        while True:
            try:
                found = _wait_for_move(session, finding, seconds)
            except KeyboardInterrupt:
                print()
                raise
            if found is None:
                print("No probe has moved alone. Warm one longer, or dip its tip into warm water.", file=sys.stderr)
                return 1
            print(f"That is {_introduce(found, session.roms[found])}")
            if found == session.roms[found]:
                print("\n".join(["", *how_to_name(found), ""]))
            finding = finding.next_one(found)
            left = len(session.roms) - len(finding.known)
            if left == 0 or not sys.stdin.isatty() or not _goes_on(ask, left):
                return 0
            session.forget_waiting()


def _wait_for_move(session: _Session, finding: Warming, seconds: float) -> str | None:
    print("Warm one probe in your hand, or dip its tip into warm water (Ctrl-C ends).", flush=True)
    shows, unreadable = sys.stdout.isatty(), set[str]()
    for seen in session.observations(seconds):
        if isinstance(seen, Reading):
            finding = feel(finding, seen)
            most = moved_most(finding)
            if shows and most is not None:
                print(f"\rmoved most so far: {most[0]}, {most[1]:+.1f} °C\x1b[K", end="", flush=True)
        elif isinstance(seen, Fault) and seen.probe not in unreadable:
            unreadable.add(seen.probe)
            if shows:
                print("\r\x1b[K", end="")
            print("\n".join([f"{seen.probe} cannot be read ({seen.kind}).", *indented(REMEDIES[seen.kind], "    → ")]))
        if (found := moved(finding)) is not None:
            if shows:
                print()
            return found
    return None


def _introduce(name: str, rom: str) -> str:
    return f"{rom}, which the config does not know yet." if name == rom else f"{rom}: '{name}' in the config."


def _goes_on(ask: Callable[[str], str], left: int) -> bool:
    """Whether the keeper wants to find the next one; asked again until that is clear."""
    forget_typed(sys.stdin)
    while True:
        try:
            answer = ask(f"Lay it down. {left} more to find: Enter for the next one, q to end: ").strip().lower()
        except EOFError:
            print()
            return False
        if not answer:
            return True
        if answer in ("q", "quit"):
            return False
        print(f"'{answer}' is neither Enter nor q.")
