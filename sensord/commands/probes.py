"""`sensord probes`: what is on the one-wire bus, what it reads, and which probe is which. Changes nothing."""

import argparse
import dataclasses
import json
import os
import sys
from collections.abc import Iterator
from functools import partial
from pathlib import Path

from sensord.clock import Clock, SystemClock
from sensord.config.loading import DEFAULT_PATH, load
from sensord.config.sections import Config, OneWireSection
from sensord.errors import ConfigError, DataError
from sensord.probes.deadlines import Asker, Outcome, Overdue
from sensord.probes.one_wire import BULK_FILE, FoundProbe, ProbeSpot, describe, fresh_bytes, locate, refusal_of
from sensord.probes.scratchpad import Converted, Decoded, Refused, decode
from sensord.readings import FaultKind
from sensord.screens.tables import BusRow, ProbeRow, nothing_found, probe_lines

__all__ = ["arguments", "run"]

_PATIENCE_SECONDS = 5.0
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
        from sensord.commands import probes_live

        if options.identify:
            return probes_live.identify(root, config, options.duration)
        return probes_live.live(root, config, options.duration)
    rows = list(_rows(root, config, SystemClock()))
    buses = _buses(root)
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


def _rows(root: Path, config: Config, clock: Clock) -> Iterator[ProbeRow]:
    """Every probe listed, then every probe configured but not listed."""
    names = {probe.rom: (name, probe.place.value) for name, probe in config.probes.items()}
    try:
        spots = locate(root)
    except OSError:
        spots = {}
    for rom, described, decoded in _ask_all(root, spots, clock):
        name, place = names.pop(rom, ("", ""))
        row = ProbeRow(rom=rom, name=name, place=place, bus=spots[rom].bus.name)
        if described is not None:
            row = dataclasses.replace(row, chip=described.kind, bits=described.bits, powered=described.powered)
        if isinstance(decoded, Converted):
            yield dataclasses.replace(row, bits=decoded.bits, celsius=decoded.celsius)
        else:
            yield dataclasses.replace(row, fault=decoded.kind, detail=decoded.detail)
    if spots:
        for rom, (name, place) in names.items():
            yield ProbeRow(rom=rom, name=name, place=place, fault=FaultKind.NO_RESPONSE, detail="not on the bus")


def _ask_all(root: Path, spots: dict[str, ProbeSpot], clock: Clock) -> Iterator[tuple[str, FoundProbe | None, Decoded]]:
    """Ask each probe what it is and what it reads, all side by side; a bus that hangs costs the deadline, no more."""
    described: dict[str, FoundProbe | None] = {}

    def ask(rom: str) -> bytes:
        described[rom] = describe(root, rom, spots[rom])
        return fresh_bytes(spots[rom], clock)

    asker = Asker("probes", clock, _PATIENCE_SECONDS + _PARASITE_SECONDS * len(spots))
    try:
        outcomes = dict(asker.ask_all({rom: partial(ask, rom) for rom in spots}))
    finally:
        asker.close()
    for rom in spots:
        yield rom, described.get(rom), _meaning(rom, outcomes[rom])


def _meaning(rom: str, outcome: Outcome) -> Decoded:
    if isinstance(outcome, Overdue):
        return Refused(FaultKind.LATE, "no answer in time")
    if isinstance(outcome, OSError):
        return refusal_of(outcome)
    return decode(outcome, rom[:2])


def _buses(root: Path) -> list[BusRow]:
    try:
        folders = sorted({spot.bus for spot in locate(root).values()})
    except OSError:
        return []
    return [BusRow(folder.name, _bulk_words(folder / BULK_FILE)) for folder in folders]


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
