"""What a kill -9 costs: `python -m tests.fort.history_kills`; 500 and 50 kills with --full, else 20 and 5."""

import sys
import tempfile
from pathlib import Path

from tests.bench.table import target
from tests.helpers.history_kills import FLUSH_SECONDS, Counts, kill_migration, kill_writer


def _told(what: str, counts: Counts) -> str:
    return (
        f"{what}: {counts.kills} kills, {counts.opens} opened, {counts.whole} passed the integrity check, "
        f"{counts.promised} promises, {counts.missing} missing"
    )


def main() -> int:
    full = "--full" in sys.argv
    with tempfile.TemporaryDirectory() as folder:
        writing = kill_writer(Path(folder), 500 if full else 20, seed=1)
    print(_told("while writing", writing))
    print(f"  readings lost: at most {writing.most_seconds_lost:.0f} s of {FLUSH_SECONDS:.0f} s between flushes")
    with tempfile.TemporaryDirectory() as folder:
        migrating = kill_migration(Path(folder), 50 if full else 5, seed=2)
    print(_told("while migrating", migrating))
    print(f"  half done: {migrating.half_done}")
    bad = writing.missing + migrating.missing + migrating.half_done
    bad += (writing.kills - writing.whole) + (migrating.kills - migrating.whole)
    met = [
        target("every file opens whole, nothing that was promised is missing", not bad),
        target("at most one flush interval of readings lost", writing.most_seconds_lost <= FLUSH_SECONDS),
    ]
    return 0 if all(met) else 1


if __name__ == "__main__":
    raise SystemExit(main())
