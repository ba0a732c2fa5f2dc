"""The history against real SQLite files: what is kept, when, and what happens when the disk does not play along."""

import os
import sqlite3
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.config.sections import HistorySection
from sensord.errors import StorageError
from sensord.history.database import in_memory
from sensord.history.exchange import impossible_rows
from sensord.history.history_file import HistoryFile
from sensord.history.history_reader import HistoryReader
from sensord.history.history_writer import History
from sensord.history.migrations import MIGRATIONS
from sensord.history.retention import RunBook, insert_runs
from sensord.log import chick_log
from sensord.log.chick_log import ChickLog, chick_views
from sensord.readings import Band, Fault, FaultKind, Interval, Reading
from sensord.watch.command_table import EnterChick, LogFeed, WeighIn
from sensord.watch.conditions import Condition
from sensord.watch.cues import Priority
from sensord.watch.effects import (
    AlarmChanged,
    AlarmState,
    Answered,
    BandMoved,
    BatchStarted,
    DishChanged,
    DishEstimated,
    DishState,
    Effect,
    EntryMade,
    GapFound,
    Measured,
    Note,
    Noted,
)
from sensord.watch.events import (
    DayKnown,
    EntryAnswered,
    Event,
    Origin,
)
from tests.helpers.fake_clock import FakeClock
from tests.helpers.history_kills import FLUSH_SECONDS, kill_migration, kill_writer

UTC = 1_800_000_000.0


class Desk:
    """A history and the log of the chicks in one file on a fake clock, and what the log told."""

    def __init__(self, folder: Path, section: HistorySection | None = None, trusted: bool = True) -> None:
        self.clock = FakeClock(1000.0, UTC)
        self.clock.trusted = trusted
        self.file = HistoryFile(folder, self.clock)
        self.told: list[Event] = []
        self.history = History(self.file, section or HistorySection(), self.clock)
        self.log = ChickLog(self.file, self.clock, self.told.append)

    @property
    def answers(self) -> list[EntryAnswered]:
        return [event for event in self.told if isinstance(event, EntryAnswered)]

    @property
    def day(self) -> DayKnown:
        return [event for event in self.told if isinstance(event, DayKnown)][-1]

    def handle(self, item: Effect) -> None:
        if not isinstance(item, EntryMade):
            self.history.handle(item)
        self.log.handle(item)

    def read(self, celsius: float, probe: str = "left") -> None:
        self.history.handle(Measured(Reading(probe, self.clock.monotonic_seconds(), celsius), 0.5))

    def pass_seconds(self, seconds: int, celsius: float = 36.0) -> None:
        for _ in range(seconds):
            self.clock.advance(1.0)
            self.read(celsius)

    def alarm(self, seen: str = "cold") -> None:
        now = self.clock.monotonic_seconds()
        self.handle(
            AlarmChanged(
                seconds=now,
                place="brooder",
                condition=Condition.TOO_COLD,
                priority=Priority.MEDIUM,
                state=AlarmState.UNACKNOWLEDGED,
                previous=AlarmState.NORMAL,
                seen=seen,
            )
        )

    def fill(self) -> None:
        for number in range(400):
            self.clock.advance(1.0)
            self.alarm(f"{number} " + "x" * 1000)

    def enter(self, entry: LogFeed | WeighIn | EnterChick) -> EntryAnswered:
        self.handle(EntryMade(entry.seconds, entry))
        return self.answers[-1]

    def add(self, chick: str = "pip") -> EntryAnswered:
        return self.enter(EnterChick(seconds=self.clock.monotonic_seconds(), origin=Origin.CONTROL, chick=chick))

    def weigh(self, grams: float, chick: str = "pip", sure: bool = False) -> EntryAnswered:
        now = self.clock.monotonic_seconds()
        return self.enter(WeighIn(seconds=now, origin=Origin.CONTROL, chick=chick, grams=grams, sure=sure))


def rows(folder: Path, question: str) -> list[tuple[object, ...]]:
    connection = sqlite3.connect(folder / "history.db")
    connection.text_factory = lambda raw: raw.decode("utf-8", "replace")
    try:
        return connection.execute(question).fetchall()
    finally:
        connection.close()


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    made = Desk(tmp_path)
    yield made
    made.history.close()


def test_readings_wait_for_the_flush_and_alarms_do_not(desk: Desk, tmp_path: Path) -> None:
    desk.pass_seconds(10)
    assert not (tmp_path / "history.db").exists()
    desk.alarm()
    assert rows(tmp_path, "SELECT seen FROM alarm") == [("cold",)]
    assert rows(tmp_path, "SELECT sum(count) FROM reading") == [(10,)]
    desk.pass_seconds(25)
    assert rows(tmp_path, "SELECT sum(count) FROM reading") == [(10,)]
    desk.pass_seconds(10)
    assert rows(tmp_path, "SELECT sum(count) FROM reading") == [(40,)]


def test_the_file_is_in_wal_mode_and_any_tool_reads_plain_rows(desk: Desk, tmp_path: Path) -> None:
    desk.read(36.0625)
    desk.alarm()
    assert rows(tmp_path, "PRAGMA journal_mode") == [("wal",)]
    assert rows(tmp_path, "SELECT at, probe, celsius, fault, count FROM readings") == [
        ("2027-01-15T08:00:00.000Z", "left", 36.062, None, 1)
    ]


def test_a_value_that_holds_is_one_row_and_a_fault_breaks_it(desk: Desk, tmp_path: Path) -> None:
    desk.pass_seconds(5)
    desk.clock.advance(1.0)
    desk.history.handle(Measured(Fault("left", desk.clock.monotonic_seconds(), FaultKind.CRC_ERROR), 0.5))
    desk.pass_seconds(3)
    desk.alarm()
    found = rows(tmp_path, "SELECT milli, fault, count, held_ms FROM reading ORDER BY at_ms")
    assert found == [(36_000, None, 5, 4_000), (None, "crc_error", 1, 0), (36_000, None, 3, 2_000)]


def test_minutes_and_hours_are_summed_up(desk: Desk, tmp_path: Path) -> None:
    for _ in range(121):
        desk.pass_seconds(30, 36.0)
        desk.pass_seconds(30, 38.0)
    found = rows(tmp_path, "SELECT low, mean, high, count, faults FROM minute ORDER BY at_s LIMIT 1 OFFSET 3")
    assert found == [(36_000, 37_000, 38_000, 60, 0)]
    hours = rows(tmp_path, "SELECT at_s % 3600, low, high, count FROM hour ORDER BY at_s")
    assert hours[0][:3] == (0, 36_000, 38_000)
    with HistoryReader(tmp_path / "history.db") as reader:
        assert len(reader.minutes("left", UTC, UTC + 3600)) == 60
        assert reader.hours("left", UTC - 3600, UTC + 3600)[0].low_celsius == 36.0


@given(st.lists(st.tuples(st.integers(1, 9), st.one_of(st.none(), st.integers(30_000, 40_000))), max_size=80))
def test_runs_and_minutes_give_back_every_reading(steps: list[tuple[int, int | None]]) -> None:
    connection = in_memory()
    for statement in MIGRATIONS[0].script.split(";"):
        connection.execute(statement)
    book, at_s = RunBook(), 1_800_000_000
    for number, (step, milli) in enumerate(steps, 1):
        at_s += step
        book.add(at_s * 1000, "left", milli, None if milli is not None else "late", True)
        if number % 7 == 0:  # as a flush does
            insert_runs(connection, book.runs())
            book.clear()
    insert_runs(connection, book.runs())
    asked = "SELECT total(count + faults), min(low), max(high) FROM minute"
    values = [milli for _, milli in steps if milli is not None]
    found = connection.execute(asked).fetchone()
    assert found == (len(steps), min(values, default=None), max(values, default=None))
    assert connection.execute("SELECT total(count) FROM reading").fetchone() == (len(steps),)


def test_after_a_kill_the_minutes_are_summed_up_from_the_rows(tmp_path: Path) -> None:
    first = Desk(tmp_path)
    first.pass_seconds(95)
    first.alarm()
    del first  # as by a kill: no close, and the minute under way was only in memory
    second = Desk(tmp_path)
    second.clock.advance(120.0)
    second.alarm()
    assert rows(tmp_path, "SELECT sum(count) FROM minute") == rows(tmp_path, "SELECT sum(count) FROM reading")
    second.history.close()


def test_every_kind_of_effect_is_kept(desk: Desk, tmp_path: Path) -> None:
    now = desk.clock.monotonic_seconds()
    for effect in (
        BatchStarted(now, "dish", Origin.BUTTON),
        DishEstimated(seconds=now + 90, dish="dish", probe="bowl", estimate_celsius=Interval(37.2, 36.9, 37.5)),
        DishChanged(
            seconds=now + 100,
            dish="dish",
            probe="bowl",
            state=DishState.READY,
            previous=DishState.HOT,
            estimate_celsius=Interval(37.4, 37.1, 37.7),
            why="in the band",
        ),
        DishEstimated(seconds=now + 130, dish="dish", probe="bowl", estimate_celsius=Interval(36.9, 36.6, 37.2)),
        Noted(seconds=now + 140, probe="bowl", what=Note.LIFT),
        BandMoved(seconds=now, place="brooder", band=Band(33.0, 35.0), band_source="your config", pinned=False),
        GapFound(now, 600.0, {"left": 34.0}, {"left": 31.0}),
        Answered(seconds=now, request="r1", origin=Origin.MQTT, verb="acknowledge", done=True),
    ):
        desk.history.handle(effect)
    with HistoryReader(tmp_path / "history.db") as reader:
        (found,) = reader.rounds(UTC, UTC + 3600)
        assert found.celsius == 36.9
        assert found.utc_seconds == UTC + 140
        assert found.batch_utc_seconds == UTC
        assert found.ready_utc_seconds == UTC + 100
        assert [note.what for note in reader.notes(UTC, UTC + 3600)] == ["lift"]
        assert reader.gaps(UTC, UTC + 1)[0].before_celsius == {"left": 34.0}
        assert reader.bands(UTC + 9, UTC + 10)[0].low_celsius == 33.0
    desk.pass_seconds(31)
    assert rows(tmp_path, "SELECT verb, origin, done FROM command") == [("acknowledge", "mqtt", 1)]
    with HistoryReader(tmp_path / "history.db") as reader:
        assert reader.export(lambda connection, path: list(impossible_rows(connection, path))) == []


def test_an_entry_is_answered_only_when_it_is_on_the_disk(desk: Desk, tmp_path: Path) -> None:
    assert desk.add().done
    assert desk.weigh(45.2).reason == "pip: 45.2 g"
    assert rows(tmp_path, "SELECT chick, grams FROM weighing") == [("pip", 45.2)]
    refused = desk.weigh(452.0)
    assert not refused.done
    assert "g or dg? Perhaps 45.2" in refused.reason
    assert rows(tmp_path, "SELECT count(*) FROM weighing") == [(1,)]
    assert desk.weigh(452.0, sure=True).done


def test_an_entry_for_a_chick_that_does_not_exist_names_the_ones_that_do(desk: Desk) -> None:
    desk.add("pip")
    refused = desk.weigh(40.0, chick="pop")
    assert not refused.done
    assert "no chick 'pop' (known: pip)" in refused.reason


def test_an_entry_that_meets_a_fault_of_ours_is_answered_too(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    def ouch(*_asked: object) -> str:
        raise KeyError("a slip of ours")

    monkeypatch.setattr(chick_log, "store", ouch)
    with pytest.raises(KeyError):
        desk.add()
    assert [(answer.done, answer.reason) for answer in desk.answers] == [
        (False, "not kept: KeyError: 'a slip of ours'")
    ]


def test_times_of_an_unset_clock_are_flagged_and_moved_once_it_is_set(tmp_path: Path) -> None:
    desk = Desk(tmp_path, trusted=False)
    desk.pass_seconds(100)
    desk.alarm()
    desk.add()
    desk.weigh(40.0)
    assert rows(tmp_path, "SELECT DISTINCT sure FROM reading") == [(0,)]
    desk.clock.set_wall_clock(UTC + 50_000)
    desk.clock.trusted = True
    desk.pass_seconds(1)
    assert rows(tmp_path, "SELECT DISTINCT sure FROM reading") == [(1,)]
    (low,) = rows(tmp_path, "SELECT min(at_ms) FROM reading")
    assert low == (round((UTC + 50_000 - 99) * 1000),)
    assert rows(tmp_path, "SELECT at_ms, sure FROM weighing") == [(round((UTC + 50_000) * 1000), 1)]
    assert rows(tmp_path, "SELECT min(at_s) >= 1800049860 FROM minute") == [(1,)]
    desk.history.close()
    assert rows(tmp_path, "SELECT sum(count) FROM minute") == [(101,)]


def test_a_wall_clock_set_back_loses_no_alarm(desk: Desk, tmp_path: Path) -> None:
    desk.pass_seconds(60)
    desk.clock.set_wall_clock(UTC)
    desk.pass_seconds(60)
    desk.alarm()
    assert rows(tmp_path, "SELECT count(*) FROM alarm") == [(1,)]


def test_old_readings_go_and_their_minutes_stay(tmp_path: Path) -> None:
    desk = Desk(tmp_path, HistorySection(fine_days=1, minute_days=8))
    for _ in range(48 * 2):
        desk.pass_seconds(3)
        desk.clock.advance(1797.0)
    desk.alarm()
    (fine,) = rows(tmp_path, "SELECT max(at_ms) - min(at_ms) FROM reading")[0]
    assert isinstance(fine, int)
    assert fine <= 26 * 3_600_000
    (minutes,) = rows(tmp_path, "SELECT max(at_s) - min(at_s) FROM minute")[0]
    assert isinstance(minutes, int)
    assert minutes >= 46 * 3600
    desk.history.close()


YEARS = 10 * 365 * 86_400.0


def test_a_wall_clock_that_is_years_ahead_lets_nothing_go_until_it_has_proved_itself(tmp_path: Path) -> None:
    desk = Desk(tmp_path, HistorySection(fine_days=1, minute_days=8))
    desk.pass_seconds(90)
    kept = "SELECT count(*) FROM reading WHERE at_ms < 1900000000000"
    desk.clock.set_wall_clock(UTC + YEARS)
    for _ in range(20):
        desk.pass_seconds(2)
        desk.clock.advance(3600.0)
    assert rows(tmp_path, kept)[0][0]
    desk.clock.set_wall_clock(UTC + 80_000)
    desk.pass_seconds(60)
    desk.history.close()
    assert rows(tmp_path, kept)[0][0]


def test_a_run_that_begins_years_ahead_lets_old_readings_go_only_after_a_steady_day(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    desk.pass_seconds(90)
    desk.history.close()
    kept = "SELECT count(*) FROM reading WHERE at_ms < 1900000000000"
    ahead = FakeClock(1000.0, UTC + YEARS)
    history = History(HistoryFile(tmp_path, ahead), HistorySection(fine_days=1, minute_days=8), ahead)
    for hours in range(30):
        ahead.advance(3600.0)
        history.handle(Measured(Reading("left", ahead.monotonic_seconds(), 36.0), 0.5))
        assert bool(rows(tmp_path, kept)[0][0]) == (hours < 24)
    history.close()


def test_a_second_writer_is_refused_at_once(desk: Desk, tmp_path: Path) -> None:
    desk.alarm()
    second = Desk(tmp_path)
    with pytest.raises(StorageError, match="another sensord writes this history"):
        second.alarm()


def test_a_state_comes_back_after_a_restart(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    desk.history.save_state("alarms", '{"shelved": []}')
    desk.read(36.0)
    with HistoryReader(tmp_path / "history.db") as reader:
        assert reader.load_state("alarms") == '{"shelved": []}'
        assert reader.load_state("nothing") is None
    desk.history.close()


def test_the_last_sign_of_life_survives_a_kill(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    desk.pass_seconds(60, 35.5)
    with HistoryReader(tmp_path / "history.db") as reader:
        seen = reader.last_seen()
    assert seen is not None
    assert not seen.orderly
    assert seen.celsius == {"left": 35.5}
    assert UTC + 30 <= seen.utc_seconds <= UTC + 60
    desk.history.close()
    with HistoryReader(tmp_path / "history.db") as reader:
        seen = reader.last_seen()
    assert seen is not None
    assert seen.orderly
    assert seen.utc_seconds == UTC + 60


@pytest.mark.parametrize("damage", ["junk", "torn", "foreign"])
def test_a_damaged_or_foreign_file_is_set_aside_and_the_watch_goes_on(tmp_path: Path, damage: str) -> None:
    path = tmp_path / "history.db"
    if damage == "junk":
        path.write_bytes(b"not a database at all, but long enough to look at" * 100)
    elif damage == "foreign":
        with sqlite3.connect(path) as connection:
            connection.execute("CREATE TABLE songs (title TEXT)")
        connection.close()
    else:
        desk = Desk(tmp_path)
        desk.pass_seconds(600, 36.0)
        for i in range(200):
            desk.alarm(f"alarm {i} " + "x" * 200)
        desk.history.close()
        whole = bytearray(path.read_bytes())
        whole[3 * 4096 : 12 * 4096] = os.urandom(9 * 4096)
        path.write_bytes(whole)
    before = path.read_bytes()
    desk = Desk(tmp_path)
    with pytest.raises(StorageError, match=r"set aside as history\.db\.damaged-2027-01-15T080000 and a new one"):
        desk.alarm("after")
    desk.alarm("later")
    (aside,) = tmp_path.glob("history.db.damaged-*[0-9]")
    assert aside.read_bytes()[100:] == before[100:]
    assert rows(tmp_path, "SELECT seen FROM alarm") == [("after",), ("later",)]
    assert rows(tmp_path, "SELECT what FROM note") == [("history_replaced",)]
    desk.history.close()


def test_a_file_from_a_newer_version_is_left_alone(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    desk.alarm()
    desk.history.close()
    connection = sqlite3.connect(tmp_path / "history.db")
    connection.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 5}")
    connection.close()
    desk = Desk(tmp_path)
    with pytest.raises(StorageError, match="newer sensord"):
        desk.alarm()
    desk.history.close()
    assert rows(tmp_path, "SELECT count(*) FROM alarm") == [(1,)]
    assert not list(tmp_path.glob("*damaged*"))


def test_an_old_file_is_brought_up_to_date_with_everything_in_it(tmp_path: Path) -> None:
    clock = FakeClock(0.0, UTC)
    old = History(HistoryFile(tmp_path, clock, MIGRATIONS[:1]), HistorySection(), clock)
    old.handle(Measured(Reading("left", 0.0, 36.0), 0.5))
    old.close()
    assert rows(tmp_path, "PRAGMA user_version") == [(1,)]
    desk = Desk(tmp_path)
    assert desk.add().done
    assert rows(tmp_path, "PRAGMA user_version") == [(len(MIGRATIONS),)]
    assert rows(tmp_path, "SELECT count(*) FROM reading") == [(1,)]
    desk.history.close()


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A real file system of one megabyte."""
    folder = tmp_path / "card"
    folder.mkdir()
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "none", folder], check=False, capture_output=True)
    if made.returncode:
        pytest.skip("mounting a small file system needs root")
    yield folder
    subprocess.run(["umount", "-l", folder], check=True)


def test_a_full_disk_stops_the_history_and_nothing_else(small_disk: Path) -> None:
    desk = Desk(small_disk)
    desk.add()
    filler = small_disk / "filler"
    filler.write_bytes(b"x" * (os.statvfs(small_disk).f_bavail * 4096))
    with pytest.raises(StorageError, match="disk is full"):
        desk.fill()
    refused = desk.weigh(40.0)
    assert not refused.done
    assert "not kept" in refused.reason
    with pytest.raises(StorageError, match="disk is full"):
        desk.alarm("waits")
    filler.unlink()
    desk.clock.advance(11.0)
    desk.alarm("after")
    assert rows(small_disk, "SELECT seen FROM alarm ORDER BY id")[-2:] == [("waits",), ("after",)]
    assert rows(small_disk, "PRAGMA integrity_check") == [("ok",)]
    assert desk.weigh(40.0).done
    desk.history.close()


def test_a_read_only_file_system_is_said_and_writing_is_tried_again(small_disk: Path) -> None:
    desk = Desk(small_disk)
    desk.alarm("before")
    desk.history.close()
    subprocess.run(["mount", "-o", "remount,ro", small_disk], check=True)
    desk = Desk(small_disk)
    with pytest.raises(StorageError, match=r"read-only|cannot be opened"):
        desk.alarm("meanwhile")
    subprocess.run(["mount", "-o", "remount,rw", small_disk], check=True)
    desk.clock.advance(11.0)
    desk.alarm("after")
    assert rows(small_disk, "SELECT seen FROM alarm") == [("before",), ("meanwhile",), ("after",)]
    desk.history.close()


def test_a_kill_loses_no_promise_and_at_most_one_flush_of_readings(tmp_path: Path) -> None:
    counts = kill_writer(tmp_path, kills=3, seed=7)
    assert counts.whole == counts.kills == 3
    assert counts.promised > 10
    assert counts.missing == 0
    assert counts.most_seconds_lost <= FLUSH_SECONDS


def test_a_kill_in_a_migration_leaves_it_done_or_undone(tmp_path: Path) -> None:
    counts = kill_migration(tmp_path, kills=2, seed=7)
    assert (counts.whole, counts.half_done, counts.missing) == (2, 0, 0)


def test_the_day_is_ready_for_the_dashboard_without_touching_the_disk(desk: Desk, tmp_path: Path) -> None:
    desk.add()
    desk.weigh(40.0)
    desk.clock.advance(86_400.0)
    desk.weigh(43.0)
    now = desk.clock.monotonic_seconds()
    desk.enter(LogFeed(seconds=now, origin=Origin.CONTROL, chick="Pip", millilitres=4.0))
    desk.alarm()
    (pip,) = desk.day.chicks
    assert (pip.grams, pip.fed_millilitres) == (43.0, 4.0)
    assert pip.gain_grams_per_day == pytest.approx(3.0)
    assert pip.due_from_utc_seconds == desk.clock.utc_seconds() + 2 * 3600
    assert desk.day.alarms == 1
    with HistoryReader(tmp_path / "history.db") as reader:
        assert chick_views(reader, desk.clock.utc_seconds()) == desk.day.chicks
    desk.enter(EnterChick(seconds=now, origin=Origin.CONTROL, chick="pip", left="2027-01-16"))
    assert desk.day.chicks == ()
