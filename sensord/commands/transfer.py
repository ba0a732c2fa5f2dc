"""`sensord export` and `sensord import`: the history as CSV or JSON lines, and back."""

import argparse
import json
import sys
from contextlib import ExitStack
from pathlib import Path

from sensord.commands.given import a_new_file
from sensord.commands.history_here import history_path, open_history
from sensord.commands.keeping import add_place_options, moment
from sensord.commands.terminal import say_as_utf_8
from sensord.errors import DataError
from sensord.history.columns import TABLES
from sensord.history.exchange import export_csv, export_jsonl, import_file


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
    span = (_at(options.start), _at(options.end))
    with open_history(options) as reader, ExitStack() as stack:
        out = say_as_utf_8()
        if options.out is not None:
            path = stack.enter_context(a_new_file(options.out))
            out = stack.enter_context(path.open("w", encoding="utf-8", newline=""))
        if chosen == "csv":
            done = reader.export(lambda c, path: export_csv(c, path, options.what, out, span))
        else:
            tables = list(TABLES) if options.what == "all" else [options.what]
            done = reader.export(lambda c, path: export_jsonl(c, path, tables, out, span))
    if options.out is not None:
        said = {"file": str(options.out), "rows": done.rows, "impossible": done.impossible}
        print(json.dumps(said) if options.json else f"{done.rows} rows in {options.out}")
    if done.impossible:
        print(
            f"{done.impossible} of them hold what cannot be: they stand there as they are, and `sensord import` takes"
            " no such row; `sensord history --check` names them",
            file=sys.stderr,
        )
    return 0


def _at(text: str | None) -> float | None:
    return None if text is None else moment(text)


def _import(options: argparse.Namespace) -> int:
    done = import_file(history_path(options), options.file)
    if options.json:
        print(json.dumps({"taken": done.taken, "known": done.known}))
    else:
        print(f"{done.taken} rows taken, {done.known} were there already")
    return 0
