"""What is asked of the history comes back in its units, and each bound of it holds at the very millisecond."""

from pathlib import Path

import pytest

from sensord.history import retention
from sensord.history.database import Connection, open_writer, transaction
from sensord.history.exchange import Imported, export_jsonl, import_file
from sensord.history.history_file import FILE_NAME
from sensord.history.history_reader import AlarmRow, BandRow, GapRow, HistoryReader, NoteRow, ProbePoint, RoundRow
from sensord.history.migrations import migrate
from sensord.history.retention import RunBook

START_MS = 1_800_000_000_000
START = START_MS / 1000
HOUR_MS, DAY_MS = 3_600_000, 86_400_000


@pytest.fixture
def path(tmp_path: Path) -> Path:
    connection = open_writer(tmp_path / FILE_NAME)
    migrate(connection, tmp_path / FILE_NAME)
    connection.execute("INSERT INTO probe (id, name) VALUES (1, 'left'), (2, 'right')")
    connection.close()
    return tmp_path / FILE_NAME


def put(path: Path, table: str, *rows: tuple[object, ...]) -> None:
    connection = open_writer(path)
    with transaction(connection, path):
        for row in rows:
            connection.execute(f"INSERT INTO {table} VALUES ({', '.join('?' * len(row))})", row)
    connection.close()


def test_a_value_that_held_is_two_points_and_a_fault_is_none(path: Path) -> None:
    put(path, "reading", (START_MS, 1, 34_500, None, 5, 4_000, 1), (START_MS + 9_000, 1, None, "late", 2, 0, 1),
        (START_MS + 9_500, 2, 30_000, None, 1, 0, 1), (START_MS + 20_000, 1, 34_600, None, 1, 0, 1))  # fmt: skip
    with HistoryReader(path) as reader:
        assert reader.fine("left", START, START + 20) == [
            ProbePoint(START, 34.5, 34.5, 34.5, 5, 0),
            ProbePoint(START + 4, 34.5, 34.5, 34.5, 0, 0),
            ProbePoint(START + 9, None, None, None, 0, 2),
        ]
        assert reader.counts()["reading"] == 9
        assert reader.probes() == ("left", "right")


def test_summaries_come_in_celsius_and_by_their_range(path: Path) -> None:
    rows = [(START_MS // 1000 + 60 * n, 1, 34_000, 34_250, 34_500, 60, 1) for n in range(3)]
    put(path, "minute", *rows)
    put(path, "hour", (START_MS // 1000, 1, None, None, None, 0, 7))
    with HistoryReader(path) as reader:
        assert reader.minutes("left", START + 60, START + 120) == [ProbePoint(START + 60, 34.0, 34.25, 34.5, 60, 1)]
        assert reader.hours("left", START, START + 1) == [ProbePoint(START, None, None, None, 0, 7)]
        assert reader.minutes("right", START, START + 999) == []


def test_events_come_in_seconds_and_by_a_half_open_range(path: Path) -> None:
    at, end = START_MS + 5_000, START_MS + 9_000
    alarm = ("nest", "too-cold", "medium", "unacknowledged", "normal", 31.5, "daemon", "cold", "warm it")
    put(path, "alarm", (1, at, 1, *alarm), (2, end, 1, *alarm))
    put(path, "note", (1, at, 1, "left", "probe_fault", "late", None, "silent"))
    put(path, "power_gap", (1, at, 1, 600.0, '{"left": 34.0}', "{}"))
    put(
        path, "feed_round", (1, at, 1, "supper", at - 600_000, at - 30_000, 37.4), (2, end, 1, "supper", None, at, None)
    )
    put(path, "band", (1, START_MS - 1, 1, "nest", 33.0, 35.0, "profile", 0), (2, at, 1, "nest", 32.0, 34.0, "you", 1),
        (3, START_MS - 2, 1, "crib", 30.0, 31.0, "profile", 0))  # fmt: skip
    put(path, "dish_state", (1, at, 1, "supper", "spoon", "ready", "hot", None, None, None, ""),
        (2, end, 1, "supper", "bowl", "cool", "ready", None, None, None, ""))  # fmt: skip
    with HistoryReader(path) as reader:
        span = (START + 5, START + 9)
        assert reader.alarms(*span) == [
            AlarmRow(START + 5, "nest", "too-cold", "medium", "unacknowledged", "normal", 31.5, "daemon", "cold")
        ]
        assert reader.alarms(START + 5.001, START + 9) == []
        assert reader.notes(*span) == [NoteRow(START + 5, "left", "probe_fault", "late", None, "silent")]
        assert reader.gaps(*span) == [GapRow(START + 5, 600.0, {"left": 34.0}, {})]
        assert reader.rounds(START, START + 10) == [
            RoundRow(START + 5, "supper", START - 595, START - 25, 37.4),
            RoundRow(START + 9, "supper", None, START + 5, None),
        ]
        assert sorted(reader.bands(START, START + 10)) == sorted([
            BandRow(START - 0.001, "nest", 33.0, 35.0, "profile"), BandRow(START + 5, "nest", 32.0, 34.0, "you"),
            BandRow(START - 0.002, "crib", 30.0, 31.0, "profile"),
        ])  # fmt: skip
        assert (reader.places(), reader.probe_of("supper"), reader.dish_probes()) == (
            ("crib", "nest"), "bowl", ("bowl", "spoon"),
        )  # fmt: skip


def test_the_last_sign_of_life_and_the_air_of_ten_minutes_before_it(path: Path) -> None:
    put(path, "run", (1, START_MS, 1, None, "0.1.0"))
    with HistoryReader(path) as reader:
        seen = reader.last_seen()
        assert seen is not None
        assert (seen.utc_seconds, seen.orderly, seen.celsius, reader.span()) == (START, False, {}, None)
    end = START_MS + HOUR_MS
    put(path, "reading", (end, 1, 34_500, None, 3, 2_000, 1), (end + 2_000 - 600_000, 2, 30_000, None, 1, 0, 1),
        (end + 1_999 - 600_000, 1, 1_000, None, 1, 0, 1))  # fmt: skip
    with HistoryReader(path) as reader:
        seen = reader.last_seen()
        assert seen is not None
        assert (seen.utc_seconds, seen.celsius) == (START + 3602, {"left": 34.5, "right": 30.0})
        assert reader.span() == ((end + 1_999 - 600_000) // 1000, START + 3602)
    put(path, "run", (2, end + 9_000, 0, end + 99_000, "0.1.0"))
    with HistoryReader(path) as reader:
        seen = reader.last_seen()
        assert seen is not None
        assert (seen.utc_seconds, seen.sure, seen.orderly) == (START + 3699, False, True)


@pytest.mark.parametrize(("step_ms", "rows"), [(5_000, 1), (5_001, 2), (0, 2), (-1, 2)])
def test_equal_readings_share_a_row_while_they_follow_each_other(step_ms: int, rows: int) -> None:
    book = RunBook()
    for at_ms in (START_MS + 10_000, START_MS + 10_000 + step_ms):
        book.add(at_ms, "left", 34_000, None, True)
    assert len(book) == rows


def test_a_row_never_reaches_into_another_minute() -> None:
    book = RunBook()
    for at_ms in (START_MS + 59_000, START_MS + 59_999, START_MS + 60_000):
        book.add(at_ms, "left", 34_000, None, True)
    assert [(run.count, run.held_ms) for run in book.runs()] == [(2, 999), (1, 0)]


def tend(path: Path, now_ms: int, fine_days: int = 8, minute_days: int = 365) -> Connection:
    connection = open_writer(path)
    retention.tend(connection, path, now_ms, fine_days, minute_days)
    return connection


def test_an_hour_is_summed_up_when_it_has_closed_and_not_before(path: Path) -> None:
    put(path, "minute", (START_MS // 1000, 1, 34_000, 34_200, 34_400, 60, 1),
        (START_MS // 1000 + 3_540, 1, 33_000, 33_500, 34_000, 30, 0))  # fmt: skip
    connection = tend(path, START_MS + HOUR_MS - 1_000)
    assert connection.execute("SELECT count(*) FROM hour").fetchone() == (0,)
    connection.close()
    connection = tend(path, START_MS + HOUR_MS)
    assert connection.execute("SELECT * FROM hour").fetchall() == [
        (START_MS // 1000, 1, 33_000, round((34_200 * 60 + 33_500 * 30) / 90), 34_400, 90, 1)
    ]
    connection.close()


def test_readings_minutes_and_hours_go_when_their_time_is_over(path: Path) -> None:
    now = START_MS + 4_000 * DAY_MS
    for kept in (0, 1):
        put(path, "reading", (now - 8 * DAY_MS - 1 + kept, 1, 34_000, None, 1, 0, 1))
        put(path, "minute", ((now - 365 * DAY_MS) // 1000 - 60 + 60 * kept, 1, 1, 1, 1, 1, 0))
        put(path, "hour", ((now - 3650 * DAY_MS) // 1000 - 3600 + 3600 * kept, 1, 1, 1, 1, 1, 0))
    connection = tend(path, now)
    assert connection.execute("SELECT at_ms FROM reading").fetchall() == [(now - 8 * DAY_MS,)]
    assert connection.execute("SELECT at_s FROM minute").fetchall() == [((now - 365 * DAY_MS) // 1000,)]
    assert connection.execute("SELECT min(at_s) FROM hour").fetchall() == [((now - 3650 * DAY_MS) // 1000,)]
    connection.close()


def test_a_clock_that_is_years_ahead_costs_two_days_an_hour(path: Path) -> None:
    put(path, "reading", *((START_MS + n * HOUR_MS, 1, 34_000, None, 1, 0, 1) for n in range(100)))
    connection = tend(path, START_MS + 4_000 * DAY_MS)
    assert connection.execute("SELECT count(*) FROM reading").fetchone() == (52,)
    connection.close()


def test_an_import_counts_what_was_new_and_what_was_there(path: Path, tmp_path: Path) -> None:
    put(path, "batch", *((n, START_MS + n, 1, "supper", "button") for n in range(1, 4)))
    with HistoryReader(path) as reader, (tmp_path / "all.jsonl").open("w") as out:
        reader.export(lambda connection, of: export_jsonl(connection, of, ["batch"], out))
    other = tmp_path / "other" / FILE_NAME
    assert import_file(other, tmp_path / "all.jsonl") == Imported(3, 0)
    put(path, "batch", (9, START_MS, 1, "supper", "mqtt"))
    with HistoryReader(path) as reader, (tmp_path / "more.jsonl").open("w") as out:
        reader.export(lambda connection, of: export_jsonl(connection, of, ["batch"], out))
    assert import_file(other, tmp_path / "more.jsonl") == Imported(1, 3)
