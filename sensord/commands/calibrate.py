"""`sensord calibrate`: prove a probe in ice, beside a better thermometer or in boiling water; time how it follows."""

import argparse
import json
import os
import sys
from datetime import UTC, datetime, timedelta
from math import hypot
from pathlib import Path

from sensord.clock import Clock, SystemClock
from sensord.commands.calibration_session import Session, Terminal
from sensord.commands.given import in_range, number
from sensord.commands.kitchen_options import add_boiling, boiling_here, load_config
from sensord.commands.terminal import say_lines
from sensord.config.folders import state_beside
from sensord.config.sections import Config, DishSection, ProbeSection
from sensord.errors import CommandError, DataError, StorageError, WiringError
from sensord.physics.calibrating import Point, boil_limit_celsius, calibrate
from sensord.physics.conformity import acceptance_interval
from sensord.physics.heat import ROOM_CELSIUS
from sensord.probes.calibrations import BudgetLine, Kind, PointTaken, Record, keep_record, past_records
from sensord.probes.one_wire import locate, probe_at
from sensord.readings import Band, Place

_USED_AT_CELSIUS = {Place.DISH: 37.0, Place.BROODER: 34.0, Place.ROOM: ROOM_CELSIUS}
_REFERENCE_CELSIUS = (0.01, 0.5)
_DUE = timedelta(days=182)
"""Half a year, the time that the budget's drift is for; common practice, no source."""
_BOIL_EXPANDED_CELSIUS = 0.3
"""Boiling water at a known station pressure: bubbles, depth and salts; an allowance, no source."""


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("probe", metavar="PROBE", help="its name in the config, or its ROM id")
    what = parser.add_argument_group("what to do (ice and compare together give two points)")
    what.add_argument("--ice", action="store_true", help="the ice point")
    what.add_argument("--compare", action="store_true", help="beside a reference thermometer near 37 °C")
    what.add_argument("--boil", action="store_true", help="boiling water, as a gross check only")
    what.add_argument("--time-constant", action="store_true", help="how fast it follows, from ice into warm water")
    what.add_argument("--history", action="store_true", help="past calibrations of this probe")
    parser.add_argument("--repeats", type=int, default=2, metavar="N", help="immersions of each point (default 2)")
    parser.add_argument(
        "--reference-uncertainty", type=number, metavar="C", help="expanded uncertainty (k = 2) of the reference, °C"
    )
    add_boiling(parser.add_argument_group("where water boils"))
    parser.add_argument("--config", type=Path, metavar="FILE")
    parser.add_argument("--one-wire-root", type=Path, metavar="DIR", help="another tree of the kernel's shape")
    parser.add_argument("--state", type=Path, metavar="DIR", help="where calibrations are kept")
    parser.add_argument("--json", action="store_true", help="the result for a program; prompts go to standard error")


def run(options: argparse.Namespace) -> int:
    terminal = Terminal(sys.stdin, sys.stderr if options.json else sys.stdout)
    return calibrate_probe(options, terminal, SystemClock())


def calibrate_probe(options: argparse.Namespace, keeper: Terminal, clock: Clock) -> int:
    """The command with the person and the clock handed in."""
    config = load_config(options.config)
    folder = options.state or state_beside(config)
    name, rom = _which(options.probe, config)
    if options.history:
        return _history(rom, folder, options.json)
    if not (options.ice or options.compare or options.boil or options.time_constant):
        raise DataError("say what to do: --ice, --compare, --boil, --time-constant or --history")
    if options.boil + options.time_constant + bool(options.ice or options.compare) > 1:
        raise DataError("one at a time: --ice and --compare go together, --boil and --time-constant each alone")
    in_range("--repeats", options.repeats, 1, 5, "immersions")
    root = options.one_wire_root or config.one_wire.root
    _check_is_there(root, rom)
    # Better found now than after half an hour of ice: a damaged file, a folder of somebody else.
    past_records(folder)
    _check_may_write(folder)
    session = Session(keeper, clock, lambda: probe_at(root, rom, clock))
    try:
        taken = datetime.fromtimestamp(round(clock.utc_seconds()), tz=UTC)
        begun = {"rom": rom, "probe": name, "kind": _kind(options), "taken": taken}
        record = Record.model_validate({**begun, **_found(options, session, config, name, taken)})
        keeper.say("\n".join(_result_lines(record, config)))
        if not session.confirm() or (file := _kept(folder, record, session)) is None:
            keeper.say("Not kept: nothing was changed.")
            return 1
    except KeyboardInterrupt:
        keeper.say("\nStopped: nothing was changed.")
        raise
    except CommandError as error:
        stopped = str(error).startswith("stopped")
        keeper.say(f"S{str(error)[1:]}." if stopped else f"No calibration: {error}. Nothing was changed.")
        return 1
    keeper.say(f"Kept in {file}." + (" Restart the daemon to use it." if record.passed is None else ""))
    if options.json:
        print(record.model_dump_json(exclude_none=True))
    return 1 if record.passed is False else 0


def _kept(folder: Path, record: Record, session: Session) -> Path | None:
    """Where the result of half an hour is on the disk; a full one can be made room on, and asked again."""
    while True:
        try:
            return keep_record(folder, record)
        except StorageError as error:
            session.keeper.say(f"{error}.")
            if not session.keep_again():
                return None


def _check_may_write(folder: Path) -> None:
    there = next(parent for parent in (folder, *folder.absolute().parents) if parent.exists())
    if not os.access(there, os.W_OK | os.X_OK):
        raise StorageError(f"{there}: you may not write there: put sudo before the command, or give --state DIR")


def _which(asked: str, config: Config) -> tuple[str, str]:
    if asked in config.probes:
        return asked, config.probes[asked].rom
    for name, section in config.probes.items():
        if section.rom == asked:
            return name, asked
    if asked[2:3] == "-" and len(asked) == 15:
        return asked, asked
    raise DataError(f"there is no probe '{asked}': known are {', '.join(config.probes) or 'none'}; or give a ROM id")


def _check_is_there(root: Path, rom: str) -> None:
    try:
        listed = locate(root)
    except OSError as error:
        raise WiringError(f"no one-wire tree at {root}: enable one-wire, or give --one-wire-root") from error
    if rom not in listed:
        raise WiringError(f"{rom} is not on the bus (there: {', '.join(listed) or 'no probe'}): see to its wiring")


def _found(
    options: argparse.Namespace, session: Session, config: Config, name: str, taken: datetime
) -> dict[str, object]:
    """What came of the dialogue, as fields of a `Record`."""
    if options.time_constant:
        responses = session.response(options.repeats)
        mean = sum(response.seconds for response in responses) / len(responses)
        spread = max(abs(response.seconds - mean) for response in responses)
        u_seconds = max(spread, *(response.u_seconds for response in responses))
        return {"time_constant_seconds": mean, "u_seconds": u_seconds}
    if options.boil:
        true, _, slack = boiling_here(options, config)
        reading = session.boil().celsius
        limit = boil_limit_celsius(hypot(_BOIL_EXPANDED_CELSIUS, slack))
        point = PointTaken(reading_celsius=reading, true_celsius=true, u_celsius=limit / 2)
        return {"passed": abs(reading - true) <= limit, "points": (point,)}
    place = config.probes[name].place if name in config.probes else Place.DISH
    if options.compare and options.reference_uncertainty is not None:
        in_range("--reference-uncertainty", options.reference_uncertainty, *_REFERENCE_CELSIUS, "°C")
    try:
        points = _points(options, session)
        result = calibrate(points, _USED_AT_CELSIUS[place])
    except DataError as error:
        raise CommandError(str(error)) from error
    warnings = result.warnings
    if not session.clock.wall_clock_trusted():
        warnings = (*warnings, "the clock has not been set by a time service: check the date of this record")
    return {
        "due": (taken + _DUE).date(),
        "offset_celsius": result.offset,
        "gain": result.gain,
        "expanded_uncertainty_celsius": result.expanded_uncertainty,
        "at_celsius": result.at_celsius,
        "points": tuple(PointTaken(reading_celsius=p.reading, true_celsius=p.true, u_celsius=p.u) for p in points),
        "budget": tuple(BudgetLine(name=c.name, u_celsius=c.u, basis=c.basis) for c in result.components),
        "warnings": warnings,
    }


def _points(options: argparse.Namespace, session: Session) -> list[Point]:
    """The points asked for, ice first. Raises `DataError` where readings do not repeat."""
    points = []
    reference = options.reference_uncertainty
    if options.compare and reference is None:
        reference = session.ask_number(
            "How good is the reference, ± °C by its certificate or data sheet? ", *_REFERENCE_CELSIUS, "°C"
        )
    if options.ice:
        points.append(session.ice_point(options.repeats))
    if options.compare:
        points.append(session.comparison(options.repeats, reference))
    return points


def _kind(options: argparse.Namespace) -> Kind:
    if options.time_constant or options.boil:
        return Kind.TIME_CONSTANT if options.time_constant else Kind.BOIL
    return Kind.TWO_POINT if options.ice and options.compare else Kind.ICE if options.ice else Kind.COMPARISON


def _history(rom: str, folder: Path, as_json: bool) -> int:
    records = [record for record in past_records(folder) if record.rom == rom]
    if as_json:
        print(json.dumps([record.model_dump(mode="json", exclude_none=True) for record in records], ensure_ascii=False))
    elif not records:
        print(f"{rom}: never calibrated (nothing in {folder})")
    else:
        say_lines([_history_line(record) for record in records])
    return 0 if records else 1


def _result_lines(record: Record, config: Config) -> list[str]:
    """The result in a keeper's words."""
    lines = [""]
    if record.kind is Kind.TIME_CONSTANT:
        lines += [
            f"Time constant of {record.probe}: {record.time_constant_seconds:.1f} s ± {record.u_seconds:.1f} s.",
            "In stirred water, that is; resting in thick paste it is somewhat longer.",
        ]
    elif record.kind is Kind.BOIL:
        point = record.points[0]
        found = f"reads {point.reading_celsius:.2f} °C where water boils at {point.true_celsius:.2f} °C"
        limit = 2 * point.u_celsius
        if record.passed:
            lines += [f"Passed: {record.probe} {found}, within the {limit:.1f} °C that may be. It is no correction."]
        else:
            lines += [f"Failed: {record.probe} {found}, more than the {limit:.1f} °C that may be off. Don't trust it."]
    else:
        lines += [
            f"{record.probe} reads {_error_words(p.reading_celsius - p.true_celsius)} at {p.true_celsius:.1f} °C."
            for p in record.points
        ]
        lines += [f"Correction: {_formula(record)}.", "", *_budget(record), "", *_gained(record, config)]
        lines.append(f"Due again: {record.due}.")
    return [*lines, *(f"Caution: {warning}." for warning in record.warnings)]


def _error_words(error: float) -> str:
    return f"{abs(error):.2f} °C too {'much' if error > 0 else 'little'}"


def _formula(record: Record) -> str:
    offset = record.offset_celsius or 0.0
    gain = "reading" if record.gain == 1 else f"{record.gain:.4f} × reading"
    return f"{gain} {'−' if offset < 0 else '+'} {abs(offset):.2f} °C"


def _budget(record: Record) -> list[str]:
    expanded = record.expanded_uncertainty_celsius or 0.0
    return [
        *(f"  {line.name:<24}{line.u_celsius:.3f} °C  {line.basis}" for line in record.budget),
        f"  {'together, k = 2':<24}{expanded:.2f} °C   at {record.at_celsius:.0f} °C",
    ]


def _gained(record: Record, config: Config) -> list[str]:
    """How much wider the usable part of the feeding band is than with this probe as bought."""
    name = record.probe
    if name in config.probes and config.probes[name].place is not Place.DISH:
        return []
    dish = next((dish for dish in config.dishes.values() if dish.probe == name), DishSection(probe="dish"))
    before = ProbeSection.model_fields["uncertainty_celsius"].default
    band = dish.band.band()
    with_it = _usable(band, record.expanded_uncertainty_celsius or before, dish.probability)
    return [f"Usable window in {band}: {with_it}; as bought {_usable(band, before, dish.probability)}."]


def _usable(band: Band, expanded: float, probability: float) -> str:
    window = acceptance_interval(band, expanded / 2, probability)
    if window is None:
        return "none"
    width = window.high_celsius - window.low_celsius
    return f"{window.low_celsius:.2f}–{window.high_celsius:.2f} °C, {width:.2f} °C wide"


def _history_line(record: Record) -> str:
    """One record in one line."""
    when = record.taken.strftime("%Y-%m-%d %H:%M UTC")
    if record.kind is Kind.TIME_CONSTANT:
        what = f"{record.time_constant_seconds:.1f} s"
    elif record.kind is Kind.BOIL:
        what = "passed" if record.passed else "failed"
    else:
        what = f"{_formula(record)}, ±{record.expanded_uncertainty_celsius:.2f} °C, due {record.due}"
    return f"{when}  {record.kind.value:<13}  {what}"
