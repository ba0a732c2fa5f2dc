"""`sensord report`: a night, a day, any span, or one chick's whole rearing, on the screen, as a page or on a sheet."""

import argparse
import json
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from pathlib import Path

import sensord
from sensord.care.plausible import chick_named
from sensord.commands.given import a_new_file
from sensord.commands.history_here import open_history
from sensord.commands.keeping import add_place_options, local, moment, now_utc
from sensord.commands.kitchen_options import load_config
from sensord.errors import DataError
from sensord.history.history_reader import HistoryReader
from sensord.report.report_data import Report, gather_report
from sensord.report.report_words import CAUTION, look_first, sentences, short_form, vet_rows

_NIGHT_FROM, _NIGHT_TO = 20, 8
_KINDS = ("night", "day", "chick", "span")


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "kind", nargs="?", choices=_KINDS, default="night", metavar="WHAT", help="night, day, chick, span"
    )
    parser.add_argument("which", nargs="?", metavar="WHICH", help="the day, or for a night the morning after; a chick")
    parser.add_argument("--from", dest="start", metavar="TIME", help="where a span begins")
    parser.add_argument("--to", dest="end", metavar="TIME", help="where it ends (default: now)")
    parser.add_argument("--out", type=Path, metavar="FILE", help="a page (.html) or a sheet (.pdf, .svg); a new file")
    add_place_options(parser)
    parser.epilog = (
        f"{parser.epilog}\n\nIt reads the history's file, also while the daemon writes: no --socket is needed."
    )


def run(options: argparse.Namespace) -> int:
    with open_history(options) as reader:
        report = _gathered(options, reader)
    if options.out is not None:
        _write(options, report)
        print(json.dumps({"file": str(options.out)}) if options.json else f"written: {options.out}")
    elif options.json:
        found = {
            "title": report.title,
            "sentences": sentences(report),
            "look": look_first(report),
            "chicks": vet_rows(report),
        }
        print(json.dumps(found, ensure_ascii=False))
    else:
        print("\n".join(short_form(report)))
    return 0


def _gathered(options: argparse.Namespace, reader: HistoryReader) -> Report:
    written = reader.span()
    # A demo in fast motion writes ahead of the clock on the wall.
    now = now_utc() if written is None else max(now_utc(), written[1])
    chick = ""
    if options.kind == "chick":
        known = {one.name: one for one in reader.chicks()}
        if options.which is None:
            raise DataError(f"which chick? known are {', '.join(sorted(known)) or 'none yet'}")
        one = chick_named(options.which, known)
        chick = one.name
        first = [weighing.utc_seconds for weighing in reader.weighings(one.name)]
        start = now - 30 * 86_400
        if one.hatched is not None and one.hatched.year > 1970:
            start = moment(one.hatched.isoformat())
        start = min([start, *first])
        end = now if one.left is None or one.left.year > local(now).year else moment(one.left.isoformat()) + 86_400
        end = end if written is None else min(end, written[1] + 86_400)
        start = min(start, end - 86_400)
        title = f"{one.name[0].upper()}{one.name[1:]}, from {_day(start)} to {_day(end)}"
    else:
        start, end, title = _span(options, now)
        if start >= now:
            raise DataError(f"{title[0].lower()}{title[1:]} has not begun yet")
    config = load_config(options.config)
    return gather_report(
        reader, start, end, now, title, config.unit.name, sensord.__version__, _brooders(options, reader), chick
    )


def _span(options: argparse.Namespace, now: float) -> tuple[float, float, str]:
    if options.kind == "span":
        if options.start is None:
            raise DataError("a span needs --from, such as --from 2024-05-04")
        start, end = moment(options.start), now if options.end is None else moment(options.end)
        if end <= start:
            raise DataError(f"--to {options.end}: is not after --from {options.start}")
        same_day = _day(start) == _day(end)
        title = f"{_day(start)}, {local(start):%H:%M} to {local(end):%H:%M}" if same_day else ""
        return start, end, title or f"From {_day(start)} to {_day(end)}"
    here = local(now)
    day = here if options.which is None else local(moment(options.which))
    midnight = day.replace(hour=0, minute=0, second=0, microsecond=0)
    if options.kind == "day":
        return midnight.timestamp(), min(now, (midnight + timedelta(days=1)).timestamp()), f"The day of {_date(day)}"
    if options.which is None and here.hour >= _NIGHT_TO + 12:
        midnight += timedelta(days=1)  # it is evening: the night that has begun
    evening = midnight - timedelta(hours=24 - _NIGHT_FROM)
    morning = midnight + timedelta(hours=_NIGHT_TO)
    title = f"The night of {evening.day}" + ("" if evening.month == midnight.month else f" {evening:%B}")
    return evening.timestamp(), min(now, morning.timestamp()), f"{title} to {_date(midnight)}"


def _date(day: datetime) -> str:
    return f"{day.day} {day:%B %Y}"


def _day(utc_seconds: float) -> str:
    return _date(local(utc_seconds))


def _brooders(options: argparse.Namespace, reader: HistoryReader) -> Mapping[str, Sequence[str]]:
    """From the config; without one every probe that no dish has ever had counts for every place with a band."""
    configured = {name: section.probes for name, section in load_config(options.config).brooders.items()}
    if configured:
        return configured
    probes = [probe for probe in reader.probes() if probe not in reader.dish_probes() and probe != "room"]
    return dict.fromkeys(reader.places() or ("air",), probes)


def _write(options: argparse.Namespace, report: Report) -> None:
    path: Path = options.out
    ending = path.suffix.lower()
    if ending not in (".html", ".pdf", ".svg"):
        raise DataError(f"{path}: name it .html for a page, .pdf or .svg for a sheet")
    try:
        from sensord.report import plots, report_page
    except ImportError as error:
        raise DataError(
            "pictures need Matplotlib: `pip install 'sensord[report]'`; without --out the report comes as text"
        ) from error
    with a_new_file(path):
        if ending == ".html":
            dish = next(iter(load_config(options.config).dishes.values()), None)
            band = None if dish is None else (dish.band.low_celsius, dish.band.high_celsius)
            path.write_text(report_page.page(report, band=band), encoding="utf-8")
        else:
            said = [*sentences(report), *(f"Look: {one}" for one in look_first(report)[:4])]
            plots.sheet(report, said, CAUTION).savefig(path)
