"""`sensord probes`: what is on the one-wire bus, what it reads, and which probe is which. Changes nothing."""

import argparse
import dataclasses
import json
import os
import queue
import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from sensord.care.remedies import REMEDIES
from sensord.clock import Clock, SystemClock
from sensord.commands.terminal import forget_typed
from sensord.config import DEFAULT_PATH
from sensord.config.loading import load
from sensord.config.sections import Config, OneWireSection
from sensord.durations import duration_seconds
from sensord.errors import ConfigError, DataError
from sensord.probes.deadlines import Asker
from sensord.probes.one_wire import BULK_FILE, Chip, ProbeSpot, chip_at, fresh_bytes, locate, meaning
from sensord.probes.probe_reader import ProbeReader
from sensord.probes.scratchpad import Converted, Decoded
from sensord.readings import Fault, FaultKind, Observation, Reading
from sensord.screens.tables import BusRow, ProbeRow, how_to_name, indented, nothing_found, probe_lines
from sensord.watch.events import Observed
from sensord.watch.finding import Warming, feel, moved, moved_most

_PATIENCE_SECONDS = 5.0
_IDENTIFY_SECONDS = 120.0
_TURN_SECONDS = 0.5
_PARASITE_SECONDS = 2.0
"""Probes without a supply wire are read one after the other by the kernel, at most about 1.5 s each."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Lists by default; `--live` and `--identify` go on until Ctrl-C."""
    parser.epilog = (
        f"{parser.epilog}\n\nexit code: 0 every probe answers, 1 none found or one of them does not answer, 2 usage or"
        " config error"
    )
    mode = parser.add_mutually_exclusive_group()
    mode.add_argument("--json", action="store_true", help="one JSON object")
    mode.add_argument("--live", action="store_true", help="read again and again, and count faults, until Ctrl-C")
    mode.add_argument("--identify", action="store_true", help="warm one probe in your hand and see which one it is")
    parser.add_argument("--for", dest="duration", metavar="DURATION", help="end --live or --identify after this: 2m")
    parser.add_argument("--one-wire-root", type=Path, metavar="DIR", help="another tree of the kernel's shape")
    parser.add_argument("--config", type=Path, metavar="FILE", help=f"names and places (default: {DEFAULT_PATH})")


def run(options: argparse.Namespace) -> int:
    """Print the list; 1 where none is found or any gives no reading."""
    config = _config(options.config)
    root: Path = options.one_wire_root or config.one_wire.root
    if options.duration is not None and not (options.live or options.identify):
        raise DataError("--for goes with --live or --identify: the list ends by itself")
    if options.live or options.identify:
        seconds = None if options.duration is None else duration_seconds(options.duration)
        return _identify(root, config, seconds) if options.identify else _live(root, config, seconds)
    spots = _spots(root)
    rows = list(_rows(root, spots, config, SystemClock()))
    buses = [BusRow(folder.name, _bulk_words(folder / BULK_FILE)) for folder in sorted({s.bus for s in spots.values()})]
    if options.json:
        print(json.dumps(_as_json(root, rows, buses), indent=2, ensure_ascii=False))
    else:
        shown = probe_lines(rows, buses) if rows else nothing_found(str(root), root.is_dir())
        print("\n".join(shown), file=sys.stdout if rows else sys.stderr)
    found = any(row.bus for row in rows)
    return 0 if found and all(row.fault is None for row in rows) else 1


def _config(path: Path | None) -> Config:
    """The config asked for; else the usual one, where there is a good one: a list must not need it."""
    if path is not None:
        return load(path)
    if not DEFAULT_PATH.exists():
        return Config()
    try:
        return load(DEFAULT_PATH)
    except ConfigError as error:
        print(f"names are not shown, the config has errors:\n{error}", file=sys.stderr)
        return Config(one_wire=OneWireSection())


def _spots(root: Path) -> dict[str, ProbeSpot]:
    """Who is listed where; nobody where there is no tree."""
    try:
        return locate(root)
    except OSError:
        return {}


def _rows(root: Path, spots: dict[str, ProbeSpot], config: Config, clock: Clock) -> Iterator[ProbeRow]:
    """Every probe listed, then every probe configured but not listed."""
    names = {probe.rom: (name, probe.place.value) for name, probe in config.probes.items()}
    for rom, chip, decoded in _ask_all(root, spots, clock):
        name, place = names.pop(rom, ("", ""))
        row = ProbeRow(rom=rom, name=name, place=place, bus=spots[rom].bus.name)
        if chip is not None:
            row = dataclasses.replace(row, chip=chip.kind, bits=chip.bits, powered=chip.powered)
        if isinstance(decoded, Converted):
            yield dataclasses.replace(row, bits=decoded.bits, celsius=decoded.celsius)
        else:
            yield dataclasses.replace(row, fault=decoded.kind, detail=decoded.detail)
    if spots:
        for rom, (name, place) in names.items():
            yield ProbeRow(rom=rom, name=name, place=place, fault=FaultKind.NO_RESPONSE, detail="not on the bus")


def _ask_all(root: Path, spots: dict[str, ProbeSpot], clock: Clock) -> Iterator[tuple[str, Chip | None, Decoded]]:
    """Ask each probe what it is and what it reads, all side by side; a bus that hangs costs the deadline, no more."""
    chips: dict[str, Chip | None] = {}

    def ask(rom: str) -> bytes:
        chips[rom] = chip_at(root, rom, spots[rom])
        return fresh_bytes(spots[rom], clock)

    asker = Asker("probes", clock, _PATIENCE_SECONDS + _PARASITE_SECONDS * len(spots))
    try:
        outcomes = dict(asker.ask_all({rom: partial(ask, rom) for rom in spots}))
    finally:
        asker.close()
    for rom in spots:
        yield rom, chips.get(rom), meaning(rom, outcomes[rom], "no answer in time")


def _bulk_words(file: Path) -> str:
    if not file.exists():
        return "no bulk conversion here; the daemon reads the probes side by side"
    if not os.access(file, os.W_OK):
        return f"bulk conversion is there, but this user may not write {file}"
    return "one bulk conversion for all probes"


def _as_json(root: Path, rows: list[ProbeRow], buses: list[BusRow]) -> dict[str, object]:
    return {
        "root": str(root),
        "buses": [dataclasses.asdict(bus) for bus in buses],
        "probes": [{**dataclasses.asdict(row), "remedy": row.remedy} for row in rows],
    }


# Watching for a while, with the daemon's own reader


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
    listed = list(_spots(root))
    names = {probe.rom: name for name, probe in config.probes.items() if probe.rom in listed or not listed_only}
    roms = {names.get(rom, rom): rom for rom in [*listed, *(rom for rom in names if rom not in listed)]}
    if not listed:
        print("\n".join(nothing_found(str(root), root.is_dir())), file=sys.stderr)
        yield None
        return
    clock, delivered = SystemClock(), queue.SimpleQueue[Observed]()
    one_wire = config.one_wire.model_copy(update={"root": root, "bulk_conversion": False})
    reader = ProbeReader(one_wire, roms, clock, delivered.put)
    reader.start()
    try:
        yield _Session(roms, reader, delivered, clock)
    finally:
        reader.close()


def _live(root: Path, config: Config, seconds: float | None) -> int:
    """Print every reading and fault as it comes, then how often each probe failed how; 1 where any fault came."""
    readings: Counter[str] = Counter()
    faults: Counter[tuple[str, FaultKind]] = Counter()
    with _session(root, config, listed_only=False) as session:
        if session is None:
            return 1
        started = session.clock.monotonic_seconds()
        try:
            for seen in session.observations(seconds):
                if isinstance(seen, Fault):
                    faults[seen.probe, seen.kind] += 1
                elif seen is not None:
                    readings[seen.probe] += 1
                if seen is not None:
                    print(_live_line(seen, seen.seconds - started), flush=True)
        except KeyboardInterrupt:
            print()
        _print_summary(session, readings, faults)
    return 1 if faults else 0


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


def _identify(root: Path, config: Config, seconds: float | None) -> int:
    """Say which probe is being warmed, one after the other on a terminal; 1 where none moved in time."""
    with _session(root, config, listed_only=True) as session:
        if session is None:
            return 1
        if len(session.roms) == 1:
            print(f"There is only one probe: {_introduce(*next(iter(session.roms.items())))}")
            return 0
        finding = Warming()
        while True:
            try:
                found = _wait_for_move(session, finding, seconds or _IDENTIFY_SECONDS)
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
            if left == 0 or not sys.stdin.isatty() or not _goes_on(left):
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


def _goes_on(left: int) -> bool:
    """Whether the keeper wants to find the next one; asked again until that is clear."""
    forget_typed(sys.stdin)
    while True:
        try:
            answer = input(f"Lay it down. {left} more to find: Enter for the next one, q to end: ").strip().lower()
        except EOFError:
            print()
            return False
        if not answer:
            return True
        if answer in ("q", "quit"):
            return False
        print(f"'{answer}' is neither Enter nor q.")
