"""`sensord history`, `export` and `import`: what is kept, whether it is sound, a copy; out to a text file and back."""

import argparse
import json
import sys
from contextlib import ExitStack
from itertools import islice
from pathlib import Path

from sensord.commands.given import a_new_file
from sensord.commands.history_here import history_path, open_history
from sensord.commands.keeping import add_place_options, local, moment
from sensord.commands.terminal import say_as_utf_8
from sensord.errors import DataError
from sensord.history.columns import TABLES
from sensord.history.exchange import export_csv, export_jsonl, import_file, impossible_rows

_MOST_TOLD = 20


def arguments(parser: argparse.ArgumentParser) -> None:
    if parser.prog.endswith("import"):
        parser.add_argument("file", type=Path, metavar="FILE", help="what `sensord export` wrote")
    elif parser.prog.endswith("export"):
        parser.add_argument("what", choices=["all", *TABLES], metavar="WHAT", help="all, " + ", ".join(TABLES))
        parser.add_argument("--from", dest="start", metavar="TIME", help="from then on")
        parser.add_argument("--to", dest="end", metavar="TIME", help="until before then")
        parser.add_argument("--format", choices=["csv", "jsonl"], help="default: by the name of the file, else csv")
        parser.add_argument("--out", type=Path, metavar="FILE", help="a new file; without it to the screen")
    else:
        parser.add_argument("--check", action="store_true", help="let SQLite check the whole file")
        parser.add_argument(
            "--backup", type=Path, metavar="FILE", help="write a checked copy, also while the daemon runs"
        )
    add_place_options(parser)


def run(options: argparse.Namespace) -> int:
    return {"history": _show, "export": _export, "import": _import}[options.verb](options)


def _show(options: argparse.Namespace) -> int:
    odd: list[str] = []
    with open_history(options) as reader:
        if options.check:
            reader.check()
            odd = reader.export(lambda connection, path: list(islice(impossible_rows(connection, path), _MOST_TOLD)))
        if options.backup is not None:
            reader.back_up(options.backup)
        span, seen, rows = reader.span(), reader.last_seen(), reader.counts()
        found = {
            "file": str(reader.path),
            "megabytes": round(reader.path.stat().st_size / 1e6, 2),
            "from": None if span is None else local(span[0]).isoformat(timespec="minutes"),
            "last_written": None if seen is None else local(seen.utc_seconds).isoformat(timespec="seconds"),
            "stopped_in_order": None if seen is None else seen.orderly,
            "rows": rows,
            "checked": True if options.check else None,
            "impossible": odd if options.check else None,
            "backup": None if options.backup is None else str(options.backup),
        }
    if options.json:
        print(json.dumps(found, ensure_ascii=False))
        return 1 if odd else 0
    covers = "no reading yet" if span is None else f"from {found['from']} to {found['last_written']}"
    print(f"{found['file']}: {found['megabytes']} MB, {covers}")
    print(", ".join(_many(name, count) for name, count in rows.items() if count) or "nothing in it yet")
    if options.check:
        print("checked: sound" if not odd else "checked: the file is sound, but rows in it hold what cannot be:")
    for row in odd:
        print(f"  {row}")
    if odd:
        print("such rows are left out of screens and reports; a weight or a feed that is wrong is entered anew")
    if options.backup is not None:
        print(f"copied and checked: {options.backup}")
    return 1 if odd else 0


def _many(name: str, count: int) -> str:
    name = name.replace("_", " ")
    return f"{count} {name}" + ("" if count == 1 else "es" if name.endswith("ch") else "s")


def _export(options: argparse.Namespace) -> int:
    named = options.out.suffix.lstrip(".") if options.out is not None else ""
    chosen = options.format or (named if named in ("csv", "jsonl") else "jsonl" if options.what == "all" else "csv")
    if options.what == "all" and chosen == "csv":
        raise DataError("all: CSV has one table a file: name one of them, or take --format jsonl")
    start, end = (None if text is None else moment(text) for text in (options.start, options.end))
    with open_history(options) as reader, ExitStack() as stack:
        out = say_as_utf_8()
        if options.out is not None:
            path = stack.enter_context(a_new_file(options.out))
            out = stack.enter_context(path.open("w", encoding="utf-8", newline=""))
        if chosen == "csv":
            done = reader.export(lambda c, path: export_csv(c, path, options.what, out, (start, end)))
        else:
            tables = list(TABLES) if options.what == "all" else [options.what]
            done = reader.export(lambda c, path: export_jsonl(c, path, tables, out, (start, end)))
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


def _import(options: argparse.Namespace) -> int:
    done = import_file(history_path(options), options.file)
    if options.json:
        print(json.dumps({"taken": done.taken, "known": done.known}))
    else:
        print(f"{done.taken} rows taken, {done.known} were there already")
    return 0
