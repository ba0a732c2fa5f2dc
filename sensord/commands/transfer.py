"""`sensord export` and `sensord import`: the history as CSV or JSON lines, and back."""

import argparse
import json
from contextlib import ExitStack
from pathlib import Path

from sensord.commands.given import a_new_file
from sensord.commands.history_here import history_path, open_history
from sensord.commands.keeping import add_place_options, moment
from sensord.commands.terminal import say_as_utf_8
from sensord.errors import DataError
from sensord.history.exchange import TABLES, export_csv, export_jsonl, import_file

__all__ = ["arguments", "run"]

_EARLIEST, _LATEST = 0.0, 1e11


def arguments(parser: argparse.ArgumentParser) -> None:
    if parser.prog.endswith("import"):
        parser.add_argument("file", type=Path, metavar="FILE", help="what `sensord export` wrote")
    else:
        parser.add_argument("what", choices=["all", *TABLES], metavar="WHAT", help="all, " + ", ".join(TABLES))
        parser.add_argument("--from", dest="start", metavar="TIME", help="from then on")
        parser.add_argument("--to", dest="end", metavar="TIME", help="until before then")
        parser.add_argument("--format", choices=["csv", "jsonl"], help="default: by the name of the file, else csv")
        parser.add_argument("--out", type=Path, metavar="FILE", help="a new file; without it to the screen")
    add_place_options(parser)


def run(options: argparse.Namespace) -> int:
    return _import(options) if options.verb == "import" else _export(options)


def _export(options: argparse.Namespace) -> int:
    named = options.out.suffix.lstrip(".") if options.out is not None else ""
    chosen = options.format or (named if named in ("csv", "jsonl") else "jsonl" if options.what == "all" else "csv")
    if options.what == "all" and chosen == "csv":
        raise DataError("all: CSV has one table a file: name one of them, or take --format jsonl")
    start = _EARLIEST if options.start is None else moment(options.start)
    end = _LATEST if options.end is None else moment(options.end)
    with open_history(options) as reader, ExitStack() as stack:
        out = say_as_utf_8()
        if options.out is not None:
            path = stack.enter_context(a_new_file(options.out))
            out = stack.enter_context(path.open("w", encoding="utf-8", newline=""))
        if chosen == "csv":
            rows = reader.export(lambda c, path: export_csv(c, path, options.what, out, start, end))
        else:
            tables = list(TABLES) if options.what == "all" else [options.what]
            rows = reader.export(lambda c, path: export_jsonl(c, path, tables, out, start, end))
    if options.out is not None:
        print(json.dumps({"file": str(options.out), "rows": rows}) if options.json else f"{rows} rows in {options.out}")
    return 0


def _import(options: argparse.Namespace) -> int:
    done = import_file(history_path(options), options.file)
    if options.json:
        print(json.dumps({"taken": done.taken, "known": done.known}))
    else:
        print(f"{done.taken} rows taken, {done.known} were there already")
    return 0
