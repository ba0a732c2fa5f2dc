"""Every loss is told, every table has an end, and a flood costs the card no more than a flush a second."""

import logging
from pathlib import Path

import pytest

from sensord.config.sections import HistorySection
from sensord.errors import StorageError
from sensord.history import history_writer, retention
from sensord.history.columns import TABLES
from sensord.history.database import open_writer, transaction
from sensord.history.history_file import HistoryFile
from sensord.log import entries
from sensord.watch.command_table import LogFeed
from sensord.watch.effects import Effect
from sensord.watch.events import Origin
from tests.history.test_history import UTC, Desk, rows


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path)


def filler(table: str, number: int) -> dict[str, object]:
    """A row of any table of events, whatever it means."""
    texts = {column.stored: "" for column in TABLES[table].columns if not column.optional}
    times = {name: round(UTC * 1000) + number for name in texts if name.endswith("_ms")}
    return {**texts, **times, "id": number}


def fill(desk: Desk, table: str, count: int) -> None:
    connection = open_writer(desk.file.path)
    with transaction(connection, desk.file.path):
        for number in range(1, count + 1):
            row = filler(table, number)
            names, marks = ", ".join(row), ", ".join("?" * len(row))
            connection.execute(f"INSERT OR REPLACE INTO {table} ({names}) VALUES ({marks})", tuple(row.values()))
    connection.close()


EVENTS = ["alarm", "batch", "dish_state", "note", "band", "power_gap", "command", "feed_round", "run"]


@pytest.mark.parametrize("table", EVENTS)
def test_the_newest_rows_of_each_table_stay_and_what_goes_is_told(
    desk: Desk, table: str, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(retention, "MOST_ROWS", 50)
    desk.pass_seconds(40)
    fill(desk, table, 80)
    before = rows(desk.file.path.parent, f"SELECT max(id) FROM {table}")
    for _ in range(2):
        desk.clock.advance(3600.0)
        desk.pass_seconds(31)
    with_note = 1 if table == "note" else 0
    ((count, newest),) = rows(desk.file.path.parent, f"SELECT count(*), max(id) FROM {table}")
    assert isinstance(count, int)
    assert count <= 50 + with_note
    assert isinstance(newest, int)
    assert newest >= int(str(before[0][0]))
    assert f"old rows of {table} were let go of" in caplog.text
    desk.history.close()
    ((told,),) = rows(desk.file.path.parent, "SELECT count(*) FROM note WHERE detail LIKE '%were let go of%'")
    assert isinstance(told, int)
    assert told >= 1


def test_every_table_of_the_history_has_an_end() -> None:
    """A new table is bounded by its age, by its rows, or by how much a keeper may enter."""
    by_age, by_keeper = {"reading", "minute", "hour"}, {"chick", "feed", "weighing"}
    assert set(TABLES) == by_age | by_keeper | set(EVENTS)
    assert set(retention._BOUNDED_TABLES) == set(EVENTS)


def test_hours_go_after_ten_years(desk: Desk) -> None:
    desk.pass_seconds(40)
    desk.history.handle_all([])
    connection = open_writer(desk.file.path)
    years = 365 * 86_400
    for age in (9, 11):
        row = (round(UTC) - age * years, 1, 34_000, 34_000, 34_000, 60, 0)
        connection.execute("INSERT INTO hour VALUES (?, ?, ?, ?, ?, ?, ?)", row)
    connection.close()
    for _ in range(2):
        desk.clock.advance(3600.0)
        desk.pass_seconds(31)
    desk.history.close()
    ((oldest,),) = rows(desk.file.path.parent, "SELECT min(at_s) FROM hour")
    assert isinstance(oldest, int)
    assert UTC - 10 * years < oldest <= UTC - 9 * years


def test_what_a_keeper_entered_never_goes_and_a_full_log_says_so(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(entries, "_MOST_CHICKS", 2)
    monkeypatch.setattr(entries._check_room, "__defaults__", (3,))
    assert desk.add("pip").done
    assert desk.add("dot").done
    refused = desk.add("one-more")
    assert not refused.done
    assert "the log is full (2 rows of chick): `sensord export all`" in refused.reason
    assert desk.add("pip").done  # as a change
    feed = LogFeed(seconds=desk.clock.monotonic_seconds(), origin=Origin.MQTT, chick="pip", millilitres=4.0)
    assert [desk.enter(feed).done for _ in range(4)] == [True, True, True, False]
    assert "the log is full (3 rows of feed)" in desk.answers[-1].reason
    undo = LogFeed(seconds=feed.seconds, origin=Origin.CONTROL, chick="pip", undo=True)
    assert desk.enter(undo).done
    assert desk.enter(feed).done


class CountedFile(HistoryFile):
    flushes = 0
    fails = False

    def write(self, work):  # type: ignore[no-untyped-def]
        if self.fails:
            raise StorageError("the disk is full")
        self.flushes += 1
        return super().write(work)


@pytest.fixture
def counted(tmp_path: Path) -> Desk:
    desk = Desk(tmp_path)
    desk.file = CountedFile(tmp_path, desk.clock)
    desk.history = history_writer.History(desk.file, HistorySection(), desk.clock)
    return desk


def test_a_flood_of_alarms_costs_at_most_a_flush_a_second(counted: Desk) -> None:
    """Two messages a second cost 51 flushes a second and 641 MB a day."""
    desk = counted
    for _ in range(60):
        for _ in range(50):
            desk.clock.advance(0.02)
            desk.alarm("flood")
    assert isinstance(desk.file, CountedFile)
    assert desk.file.flushes <= 60 + history_writer._BURST
    desk.clock.advance(1.0)
    desk.read(34.0)
    assert rows(desk.file.path.parent, "SELECT count(*) FROM alarm") == [(3000,)]
    desk.history.close()


def test_what_comes_at_once_is_one_flush(counted: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    desk, handle = counted, counted.history.handle_all
    seen: list[Effect] = []
    monkeypatch.setattr(desk.history, "handle", seen.append)
    for _ in range(12):
        desk.alarm("one of twelve")
    handle(seen)
    assert isinstance(desk.file, CountedFile)
    assert desk.file.flushes == 1
    assert rows(desk.file.path.parent, "SELECT count(*) FROM alarm") == [(12,)]


def test_rows_and_readings_that_a_failing_disk_costs_are_told_and_noted(
    counted: Desk, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(history_writer, "_MOST_ROWS_WAITING", 20)
    monkeypatch.setattr(history_writer, "_MOST_RUNS_WAITING", 5)
    desk = counted
    assert isinstance(desk.file, CountedFile)
    desk.file.fails = True
    words = ""
    for number in range(30):
        desk.clock.advance(1.0)
        with pytest.raises(StorageError) as caught:
            desk.alarm(str(number))
        words = str(caught.value)
    assert words == "the disk is full; 10 rows of alarm were lost"
    for number in range(8):
        desk.clock.advance(0.05)  # faster than it is tried again: the trouble stands all the same
        with pytest.raises(StorageError) as caught:
            desk.read(34.0 + number)
        words = str(caught.value)
    assert words == "the disk is full; 3 readings were lost; 10 rows of alarm were lost"
    desk.file.fails = False
    desk.clock.advance(1.0)
    with caplog.at_level(logging.ERROR), pytest.raises(StorageError, match=r"^3 readings were lost; 10 rows of alarm"):
        desk.alarm("after")
    assert "3 readings were lost; 10 rows of alarm were lost" in caplog.text
    desk.alarm("later")  # no trouble any more
    desk.history.close()
    folder = desk.file.path.parent
    assert rows(folder, "SELECT what, detail FROM note") == [
        ("lost", "3 readings were lost; 10 rows of alarm were lost")
    ]
    assert rows(folder, "SELECT count(*) FROM alarm") == [(22,)]
    assert rows(folder, "SELECT sum(count) FROM reading") == [(5,)]


def test_a_row_that_cannot_be_kept_holds_up_no_other_and_is_told(desk: Desk) -> None:
    desk.history._put("alarm", desk.clock.monotonic_seconds(), {"place": 2**70})
    with pytest.raises(StorageError, match="1 rows of alarm were lost"):
        desk.alarm("good")
    assert rows(desk.file.path.parent, "SELECT seen FROM alarm") == [("good",)]
    desk.history.close()


def test_a_reading_beyond_any_probe_is_bounded(desk: Desk) -> None:
    desk.read(1e308)
    desk.alarm()
    assert rows(desk.file.path.parent, "SELECT milli FROM reading") == [(10**9,)]
    desk.history.close()
