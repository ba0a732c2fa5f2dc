"""`sensord history`: what is kept, whether it is sound, and a copy of it."""

import argparse
import json
from itertools import islice
from pathlib import Path

from sensord.commands.history_here import open_history
from sensord.commands.keeping import add_place_options, local
from sensord.history.exchange import impossible_rows

_MOST_TOLD = 20


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--check", action="store_true", help="let SQLite check the whole file")
    parser.add_argument("--backup", type=Path, metavar="FILE", help="write a checked copy, also while the daemon runs")
    add_place_options(parser)


def run(options: argparse.Namespace) -> int:
    odd: list[str] = []
    with open_history(options) as reader:
        if options.check:
            reader.check()
            odd = reader.export(lambda connection, path: list(islice(impossible_rows(connection, path), _MOST_TOLD)))
        if options.backup is not None:
            reader.back_up(options.backup)
        span, seen = reader.span(), reader.last_seen()
        found = {
            "file": str(reader.path),
            "megabytes": round(reader.path.stat().st_size / 1e6, 2),
            "from": None if span is None else local(span[0]).isoformat(timespec="minutes"),
            "last_written": None if seen is None else local(seen.utc_seconds).isoformat(timespec="seconds"),
            "stopped_in_order": None if seen is None else seen.orderly,
            "rows": reader.counts(),
            "checked": True if options.check else None,
            "impossible": odd if options.check else None,
            "backup": None if options.backup is None else str(options.backup),
        }
    if options.json:
        print(json.dumps(found, ensure_ascii=False))
        return 1 if odd else 0
    covers = "no reading yet" if span is None else f"from {found['from']} to {found['last_written']}"
    print(f"{found['file']}: {found['megabytes']} MB, {covers}")
    print(", ".join(f"{count} {name}" for name, count in reader_words(found["rows"])) or "nothing in it yet")
    if options.check:
        print("checked: sound" if not odd else "checked: the file is sound, but rows in it hold what cannot be:")
    for row in odd:
        print(f"  {row}")
    if odd:
        print("such rows are left out of screens and reports; a weight or a feed that is wrong is entered anew")
    if options.backup is not None:
        print(f"copied and checked: {options.backup}")
    return 1 if odd else 0


def reader_words(rows: object) -> list[tuple[str, int]]:
    """Only what there is any of, one or many."""
    counts: dict[str, int] = dict(rows)  # type: ignore[call-overload]
    return [(_many(name.replace("_", " "), count), count) for name, count in counts.items() if count]


def _many(name: str, count: int) -> str:
    return name if count == 1 else f"{name}es" if name.endswith("ch") else f"{name}s"
