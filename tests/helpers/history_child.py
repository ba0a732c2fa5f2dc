"""A process that writes a history as fast as it can until it is killed; used by the kill tests and the campaign.

Prints one line per promise kept: `feed N` once entry N was answered as done, `alarm N` once alarm N was handed over
and `handle` returned; and `read MS` for each second of readings handed over, which is no promise.
"""

import sys
from pathlib import Path

from sensord.config.sections import HistorySection
from sensord.history.history_file import HistoryFile
from sensord.history.history_writer import History
from sensord.history.migrations import MIGRATIONS, Migration
from sensord.log.chick_log import ChickLog
from sensord.readings import Reading
from sensord.watch.command_table import EnterChick, LogFeed
from sensord.watch.conditions import Condition
from sensord.watch.cues import Priority
from sensord.watch.effects import AlarmChanged, AlarmState, EntryMade, Measured
from sensord.watch.events import EntryAnswered, Event, Origin
from tests.helpers.fake_clock import FakeClock

FLUSH_SECONDS = 30.0
SLOW_STEP = Migration(
    "rewrites every reading, so that there is time to be killed in",
    "CREATE TABLE remade AS SELECT at_ms, probe, milli, count, held_ms FROM reading;"
    "CREATE INDEX remade_at ON remade (milli, at_ms); CREATE TABLE remade_done (steps INTEGER);"
    "INSERT INTO remade_done SELECT count(*) FROM remade",
)


def _say(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def write(folder: Path, start_utc: float) -> None:
    clock = FakeClock(0.0, start_utc)

    def answered(event: Event) -> None:
        if isinstance(event, EntryAnswered) and event.done:
            _say(f"{event.verb} {event.request}")

    file = HistoryFile(folder, clock)
    history, log = History(file, HistorySection(flush_seconds=FLUSH_SECONDS), clock), ChickLog(file, clock, answered)
    log.handle(EntryMade(0.0, EnterChick(seconds=0.0, origin=Origin.CONTROL, request="0", chick="pip")))
    number = 0
    while True:
        number += 1
        clock.advance(1.0)
        now = clock.monotonic_seconds()
        for probe in ("left", "right", "dish", "room"):
            history.handle(Measured(Reading(probe, now, 36.0 + number * 7 % 32 / 16), 0.5))
        _say(f"read {round(clock.utc_seconds() * 1000)}")
        if number % 50 == 0:
            history.handle(
                AlarmChanged(
                    seconds=now,
                    place="brooder",
                    condition=Condition.TOO_COLD,
                    priority=Priority.MEDIUM,
                    state=AlarmState.UNACKNOWLEDGED,
                    previous=AlarmState.NORMAL,
                    seen=str(number),
                )
            )
            _say(f"alarm {number}")
        if number % 70 == 0:
            feed = LogFeed(seconds=now, origin=Origin.CONTROL, request=str(number), chick="pip", note=str(number))
            log.handle(EntryMade(now, feed))


def migrate_once(folder: Path, start_utc: float) -> None:
    clock = FakeClock(0.0, start_utc)
    history = History(HistoryFile(folder, clock, (*MIGRATIONS, SLOW_STEP)), HistorySection(), clock)
    _say("begun")
    history.save_state("started", "true")
    history.handle(Measured(Reading("left", 0.0, 36.0), 0.5))
    _say("migrated")
    history.close()


if __name__ == "__main__":
    {"write": write, "migrate": migrate_once}[sys.argv[1]](Path(sys.argv[2]), float(sys.argv[3]))
