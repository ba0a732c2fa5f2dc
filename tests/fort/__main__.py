"""The campaign against the fort: `python -m tests.fort [NAME ...] [--share 0.01] [--list]`; some hours for all of it.

Floods, damaged files, kills and random steps at their full counts, or a share of them, against a real daemon on a real
broker, real sockets and real SQLite files, with gpiozero's mock pins. Prints a table; answers 1 where a row has failed.
`tests.fort.faults` is the other campaign: one fault after the other, and what a keeper hears and sees of it.
"""

import argparse
import tempfile
from collections.abc import Callable
from pathlib import Path

from sensord.clock import SystemClock
from sensord.watch.events import Origin
from tests.fort import damage, floods, outbox_kills, random_steps
from tests.fort.dish_steps import dish_steps
from tests.fort.rows import HEAD, FortRow
from tests.fort.silences import ATTACKS, SETTINGS, silence_under
from tests.helpers.history_kills import kill_migration, kill_writer
from tests.mqtt.mosquitto import DURABLE


def _history_kills(folder: Path, count: int) -> FortRow:
    writing = kill_writer(folder / "writing", count, seed=1)
    migrating = kill_migration(folder / "migrating", max(1, count // 10), seed=2)
    failures = [
        *(["files that do not open whole"] * (writing.kills - writing.whole + migrating.kills - migrating.whole)),
        *(["promises that are missing"] * (writing.missing + migrating.missing)),
        *(["migrations half done"] * migrating.half_done),
    ]
    seen = f"{writing.promised} promises kept; at most {writing.most_seconds_lost:.0f} s of readings lost"
    kills = writing.kills + migrating.kills
    return FortRow(attack="kills of the history's writer", count=kills, failures=tuple(failures), seen=seen)


def _event_kills(_folder: Path, count: int) -> FortRow:
    found = outbox_kills.campaign((*DURABLE, outbox_kills.ROOMY), 50 * count, count // 2, max(1, count // 20), 1, 250.0)
    failures = ["an event lost"] * found.lost + ["an event out of order"] * found.out_of_order
    return FortRow(attack="kills of broker and daemon", count=count, failures=tuple(failures), seen=str(found))


def _silence(name: str) -> Callable[[Path, int], FortRow]:
    def row(_folder: Path, count: int) -> FortRow:
        found = silence_under(name, count)
        way = {"network": Origin.MQTT, "socket": Origin.CONTROL}.get(name.split(":")[0])
        allowed = float("inf") if way is None else SETTINGS.alarms.silence_seconds[way]
        failures = [f"silent for {found.total_seconds:.0f} s"] if found.total_seconds > allowed + 9.0 else []
        seen = f"seconds of life; silent for {found.total_seconds:.0f} s in all"
        return FortRow(
            attack=name, count=count, failures=tuple(failures), seen=seen, silence_seconds=found.longest_seconds
        )

    return row


ROWS: dict[str, tuple[Callable[[Path, int], FortRow], int]] = {
    "mqtt": (floods.hostile_messages, 50_000),
    "deaf": (floods.deaf_clients, 100_000),
    "idle": (floods.idle_clients, 320),
    "garbage": (floods.garbage_lines, 10_000),
    "files": (damage.damaged_files, 15_700),
    "kills of the history": (_history_kills, 100),
    "kills of broker and daemon": (_event_kills, 100),
    "steps of the whole": (random_steps.random_steps, 10_000_000),
    "steps of a dish": (dish_steps, 2_700_000),
    **{f"silence, {name}": (_silence(name), 6 * 3600) for name in ATTACKS},
}
"""By name: the attack, and how many of it are the whole campaign."""


def main() -> int:
    """Run the rows that are named, or all."""
    parser = argparse.ArgumentParser(prog="python -m tests.fort", description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help="only rows whose names contain one of these")
    parser.add_argument("--share", type=float, default=1.0, help="of each row's count (default: %(default)g)")
    parser.add_argument("--list", action="store_true")
    options = parser.parse_args()
    chosen = [name for name in ROWS if not options.names or any(part in name for part in options.names)]
    if options.list:
        print("\n".join(f"{ROWS[name][1]:>10,} {name}" for name in chosen))
        return 0
    rows, clock = [], SystemClock()
    for name in chosen:
        attack, count = ROWS[name]
        started = clock.monotonic_seconds()
        with tempfile.TemporaryDirectory(prefix="fort-", ignore_cleanup_errors=True) as folder:
            rows.append(attack(Path(folder), max(1, round(count * options.share))))
        took = clock.monotonic_seconds() - started
        print(f"{name}: {len(rows[-1].failures)} failures ({took:.0f} s)", flush=True)
        for failure in rows[-1].failures[:20]:
            print(f"  {failure}", flush=True)
    print("\n" + "\n".join([HEAD, *map(str, rows)]))
    return 1 if any(row.failures for row in rows) else 0


if __name__ == "__main__":
    raise SystemExit(main())
