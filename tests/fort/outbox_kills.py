"""Kills the broker and the daemon again and again while numbered events go through, and counts what is missing.

    python -m tests.fort.outbox_kills                the whole campaign and the brokers on weaker settings
    python -m tests.fort.outbox_kills --events 500 --kills 5 --only durable

The events go the way that they go in the daemon: `Publisher.handle`, outbox, broker, and a subscriber with a session of
its own that lasts. Kills are SIGKILL. Now and then the broker dies while the subscriber is away. Exit code 1 where the
durable broker lost or reordered anything.
"""

import argparse
import json
import random
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from tests.bench.table import target
from tests.mqtt.listener import Listener
from tests.mqtt.mosquitto import DURABLE, Broker, free_port
from tests.mqtt.world import TOPICS

ROOT = Path(__file__).parents[2]
LONGEST_ABSENCE_SECONDS = 8.0
"""Longer than the publisher keeps what was confirmed."""
ROOMY = "max_queued_messages 20000"
BROKERS: dict[str, tuple[str, ...]] = {
    "durable": (*DURABLE, ROOMY),
    "persistence on, autosave as by default (1800 s)": ("persistence true", ROOMY),
    "all as by default (no persistence)": (ROOMY,),
}

DAEMON = """
import sqlite3, sys, threading
from pathlib import Path
from sensord.mqtt import broker
from tests.mqtt.world import alarm_changed, publisher_at
port, path, total, per_second = int(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]), float(sys.argv[4])
broker.FIRST_BACK_OFF_SECONDS, broker.LONGEST_BACK_OFF_SECONDS = 0.05, 0.5
publisher = publisher_at(port, path, most=100_000)
publisher.start()
with sqlite3.connect(path) as database:
    row = database.execute("SELECT seq FROM sqlite_sequence").fetchone()
pause, stored = threading.Event(), row[0] if row else 0
while stored < total:
    publisher.handle(alarm_changed(float(stored)))
    stored += 1
    print(stored, flush=True)
    pause.wait(1 / per_second)
pause.wait()
"""


@dataclass(frozen=True, slots=True)
class Count:
    """What the subscriber got of the events 1 to `events`."""

    events: int
    lost: int
    out_of_order: int
    twice: int
    told_as_stored_but_lost: int

    def __str__(self) -> str:
        return (
            f"{self.events} events: {self.lost} lost ({self.told_as_stored_but_lost} of them told as stored),"
            f" {self.out_of_order} out of order, {self.twice} came twice"
        )


def counted(numbers: list[int], events: int, told: int) -> Count:
    first: list[int] = list(dict.fromkeys(numbers))
    missing = set(range(1, events + 1)) - set(first)
    disorder = sum(after < before for before, after in pairwise(first))
    return Count(events, len(missing), disorder, len(numbers) - len(first), sum(number <= told for number in missing))


@contextmanager
def daemon(port: int, outbox: Path, events: int, per_second: float) -> Iterator[subprocess.Popen[str]]:
    words = [sys.executable, "-c", DAEMON, str(port), str(outbox), str(events), str(per_second)]
    process = subprocess.Popen(words, cwd=ROOT, stdout=subprocess.PIPE, text=True)
    try:
        yield process
    finally:
        process.kill()
        process.wait()


def stored_in(outbox: Path) -> int:
    if not outbox.exists():
        return 0
    try:
        with closing(sqlite3.connect(f"file:{outbox}?mode=ro", uri=True)) as database:
            row = database.execute("SELECT seq FROM sqlite_sequence").fetchone()
    except sqlite3.Error:
        return 0
    return int(row[0]) if row else 0


def campaign(lines: tuple[str, ...], events: int, kills: int, absences: int, seed: int, per_second: float) -> Count:
    """Kill broker and daemon `kills` times each, in random order, spread evenly over the events.

    About `absences` of the broker's deaths come while the subscriber is away, too.
    """
    rng = random.Random(seed)
    plan = ["broker"] * kills + ["daemon"] * kills
    rng.shuffle(plan)
    with tempfile.TemporaryDirectory(prefix="campaign-") as folder:
        broker = Broker(Path(folder) / "broker", lines, free_port()).start()
        outbox = Path(folder) / "state" / "outbox.db"
        told = 0
        with Listener(broker.port, [TOPICS.event], durable="counter") as listener:
            listener.client.reconnect_delay_set(0.1, 0.2)  # type: ignore[arg-type]  # paho takes fractions as well
            current = daemon(broker.port, outbox, events, per_second)
            process = current.__enter__()
            try:
                for number, victim in enumerate(plan, 1):
                    until = events * number // (len(plan) + 1)
                    while stored_in(outbox) < until:
                        time.sleep(0.02)
                    time.sleep(rng.uniform(0, 0.05))
                    if victim == "broker":
                        absent = rng.random() < absences / kills
                        if absent:
                            listener.leave()
                            time.sleep(rng.uniform(0, LONGEST_ABSENCE_SECONDS))
                        broker.kill()
                        time.sleep(rng.uniform(0, 0.2))
                        broker.start()
                        if absent:
                            time.sleep(rng.uniform(0, 1))
                            listener.come_back()
                    else:
                        process.send_signal(signal.SIGKILL)
                        assert process.stdout is not None
                        lines_told = process.stdout.read().split("\n")[:-1]
                        told = max([told, *(int(line) for line in lines_told)])
                        current.__exit__(None, None, None)
                        current = daemon(broker.port, outbox, events, per_second)
                        process = current.__enter__()
                quiet_since, before = time.monotonic(), -1
                while time.monotonic() - quiet_since < 5:
                    now = len(listener.heard)
                    if now != before or stored_in(outbox) < events:
                        quiet_since, before = time.monotonic(), now
                    time.sleep(0.1)
            finally:
                current.__exit__(None, None, None)
                broker.kill()
            numbers = [int(json.loads(heard.payload)["number"]) for heard in listener.heard]
    return counted(numbers, events, max(told, events))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--events", type=int, default=10_000)
    parser.add_argument("--kills", type=int, default=100, help="of the broker, and as many of the daemon")
    parser.add_argument("--per-second", type=float, default=250)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=["durable"], help="leave out the brokers on weaker settings")
    options = parser.parse_args()
    bad = False
    for name, lines in BROKERS.items():
        durable = name == "durable"
        if options.only and not durable:
            continue
        share = 1 if durable else 10
        events, kills = options.events // share, max(1, options.kills // share)
        began = time.monotonic()
        count = campaign(lines, events, kills, max(1, kills // 10), options.seed, options.per_second)
        took = time.monotonic() - began
        print(
            f"broker {name}: {kills} broker kills, {kills} daemon kills, seed {options.seed}, {took:.0f} s\n  {count}"
        )
        bad = bad or (durable and bool(count.lost or count.out_of_order))
    return 0 if target("durable broker: no event lost, none out of order", not bad) else 1


if __name__ == "__main__":
    raise SystemExit(main())
