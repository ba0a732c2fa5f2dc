"""The outbox: numbered, in order, on the disk when told so, and bounded by a rule."""

import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from sensord.clock import SystemClock
from sensord.config.loading import parse
from sensord.errors import StorageError
from sensord.mqtt.outbox import Outbox
from sensord.mqtt.publishing import open_publisher
from tests.mqtt.world import alarm_changed

ROOT = Path(__file__).parents[2]


def payload(number: int, series: str) -> bytes:
    return f"{series} {number}".encode()


def test_events_come_out_numbered_in_order_and_go_when_confirmed(tmp_path: Path) -> None:
    outbox = Outbox(tmp_path / "outbox.db")
    assert outbox.add([(payload, True)] * 5) == [1, 2, 3, 4, 5]
    assert [event.number for event in outbox.waiting(after=1, most=2)] == [2, 3]
    assert outbox.waiting(0, 1)[0].payload == f"{outbox.series} 1".encode()
    outbox.remove([1, 2, 4])
    assert [event.number for event in outbox.waiting(0, 9)] == [3, 5]


def test_a_number_is_never_used_twice_even_when_all_is_sent_and_the_daemon_starts_anew(tmp_path: Path) -> None:
    first = Outbox(tmp_path / "outbox.db")
    first.add([(payload, True)])
    first.remove([1])
    series = first.series
    first.close()
    again = Outbox(tmp_path / "outbox.db")
    assert again.series == series
    assert again.add([(payload, True)]) == [2]


def test_the_oldest_event_that_is_no_alarm_gives_way(tmp_path: Path) -> None:
    outbox = Outbox(tmp_path / "outbox.db", most=4)
    for alarm in (True, False, False, True, True, True):
        outbox.add([(payload, alarm)])
    assert [event.number for event in outbox.waiting(0, 99)] == [1, 4, 5, 6]
    assert outbox.dropped == 2


def test_alarms_stay_beyond_the_limit_and_the_last_word_is_the_tenfold(tmp_path: Path) -> None:
    outbox = Outbox(tmp_path / "outbox.db", most=2)
    for _ in range(23):
        outbox.add([(payload, True)])
    assert [event.number for event in outbox.waiting(0, 99)] == list(range(4, 24))
    outbox.close()
    assert Outbox(tmp_path / "outbox.db").dropped == 3


def test_a_damaged_file_is_moved_aside_and_a_new_series_begins(tmp_path: Path) -> None:
    path = tmp_path / "outbox.db"
    series = Outbox(path).series
    for leftover in tmp_path.iterdir():
        leftover.write_bytes(b"not a database at all" * 500)
    outbox = Outbox(path)
    (aside,) = tmp_path.glob("outbox.db.damaged-????")
    assert aside.read_bytes().startswith(b"not a database")
    assert aside.name in outbox.trouble
    assert outbox.series != series
    assert outbox.add([(payload, True)]) == [1]


def a_foreign_table(path: Path) -> None:
    with sqlite3.connect(path) as other:
        other.execute("CREATE TABLE event (price REAL)")
    other.close()


def a_bit_flipped_header(path: Path) -> None:
    Outbox(path).close()
    raw = bytearray(path.read_bytes())
    raw[20] ^= 0x40
    path.write_bytes(raw)


@pytest.mark.parametrize(
    "odd",
    [os.mkfifo, Path.mkdir, lambda path: path.symlink_to("/nowhere"), lambda path: path.symlink_to("/dev/zero"),
     a_foreign_table, a_bit_flipped_header, Path.touch, lambda path: path.write_bytes(os.urandom(9000))],
    ids=["pipe", "folder", "link to nowhere", "device", "foreign", "flipped", "empty", "noise"],
)  # fmt: skip
def test_whatever_stands_in_the_file_s_place_a_daemon_starts_and_stores(
    tmp_path: Path, odd: Callable[[Path], object]
) -> None:
    path = tmp_path / "outbox.db"
    odd(path)
    outbox = Outbox(path)
    assert outbox.add([(payload, True)]) == [1]
    outbox.close()
    assert [event.number for event in Outbox(path).waiting(0, 9)] == [1]


def test_rows_that_no_version_has_written_are_counted_as_lost_and_hold_nothing_up(tmp_path: Path) -> None:
    path = tmp_path / "outbox.db"
    outbox = Outbox(path)
    outbox.add([(payload, True)] * 3)
    outbox.close()
    with sqlite3.connect(path) as other:
        other.execute("UPDATE event SET payload = 'text' WHERE number = 1")
        other.execute("INSERT INTO event VALUES (-5, 1, x'00')")
        other.execute("UPDATE fact SET value = 'many' WHERE name = 'dropped'")
        other.execute("INSERT INTO topic VALUES ('a/+/b')")
        other.execute("INSERT INTO topic VALUES (CAST(x'ff41' AS TEXT))")
    other.close()
    again = Outbox(path)
    assert [event.number for event in again.waiting(0, 9)] == [2, 3]
    assert again.dropped == 2
    assert again.held() == set()


@pytest.mark.parametrize("gone", ["", "-wal"])
def test_a_file_that_is_removed_meanwhile_is_made_anew_with_all_that_waits(tmp_path: Path, gone: str) -> None:
    path = tmp_path / "outbox.db"
    outbox = Outbox(path)
    outbox.add([(payload, True)] * 2)
    outbox.hold(["a/b"])
    path.with_name(path.name + gone).unlink()
    assert outbox.add([(payload, True)]) == [3]
    assert "was moved, removed or replaced" in outbox.trouble
    series = outbox.series
    with sqlite3.connect(path) as other:  # what a power cut would leave
        assert [row[0] for row in other.execute("SELECT number FROM event")] == [1, 2, 3]
    other.close()
    outbox.close()
    again = Outbox(path)
    assert (again.series, again.held()) == (series, {"a/b"})


def test_a_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StorageError, match=r"outbox\.db: cannot be opened"):
        Outbox(tmp_path / "file" / "outbox.db")


def test_topics_are_remembered_until_let_go(tmp_path: Path) -> None:
    outbox = Outbox(tmp_path / "outbox.db")
    outbox.hold(["a/1", "a/2", "a/1"])
    outbox.close()
    again = Outbox(tmp_path / "outbox.db")
    again.let_go(["a/1", "never"])
    assert again.held() == {"a/2"}


ADD_UNTIL_KILLED = """
import sys
from collections.abc import Callable
from pathlib import Path
from sensord.mqtt.outbox import Outbox
outbox = Outbox(Path(sys.argv[1]))
while True:
    print(*outbox.add([(lambda number, series: b"x", True)]), flush=True)
"""


def test_what_was_told_as_stored_outlives_a_kill(tmp_path: Path) -> None:
    path = tmp_path / "outbox.db"
    with subprocess.Popen(
        [sys.executable, "-c", ADD_UNTIL_KILLED, str(path)], cwd=ROOT, stdout=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        while child.stdout.readline() != "50\n":
            pass
        child.send_signal(signal.SIGKILL)
        rest = child.stdout.read().splitlines()
    last = int([line for line in ["50", *rest] if line][-1])
    kept = [event.number for event in Outbox(path).waiting(0, 1_000_000)]
    assert kept[:last] == list(range(1, last + 1))


def test_a_commit_is_flushed_before_it_is_told(tmp_path: Path) -> None:
    outbox = Outbox(tmp_path / "outbox.db")
    assert outbox._database.execute("PRAGMA synchronous").fetchone()[0] == 2  # FULL, sqlite.org/pragma.html
    assert outbox._database.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    with sqlite3.connect(tmp_path / "outbox.db") as other:
        outbox.add([(payload, False)])
        assert other.execute("SELECT count(*) FROM event").fetchone()[0] == 1
    other.close()


def test_a_disk_that_refuses_the_outbox_does_not_keep_the_daemon_from_starting(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    config = parse('[mqtt]\nhost = "127.0.0.1"\nport = 9\n', "test")
    assert config.mqtt is not None
    made = open_publisher(config, config.mqtt, tmp_path / "file", SystemClock(), lambda _command: None)
    try:
        assert "what waits for the broker is lost with the power" in made.words()
        made.handle(alarm_changed(1.0))
        assert len(made._outbox) == 1
    finally:
        made.close()
