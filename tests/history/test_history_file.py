"""Odd, damaged and vanishing files: the history begins anew, says so, and calls done only what is in its file."""

import os
import random
import shutil
import socket
import sqlite3
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from sensord.config.sections import Config
from sensord.config.settings import nursery_settings
from sensord.errors import StorageError
from sensord.history.history_file import FILE_NAME
from sensord.history.history_reader import HistoryReader
from sensord.log import chick_log
from sensord.log.chick_log import chick_views
from sensord.log.entries import store
from sensord.run.memory import recall
from tests.helpers.fake_clock import FakeClock
from tests.history.test_history import UTC, Desk, rows

SETTINGS = nursery_settings(Config())


def kept(folder: Path) -> list[str]:
    return [str(seen) for (seen,) in rows(folder, "SELECT seen FROM alarm ORDER BY id")]


def moved(path: Path) -> None:
    path.rename(path.with_name("elsewhere.db"))


def removed(path: Path) -> None:
    path.unlink()


def replaced(path: Path) -> None:
    other = Desk(path.parent / "other")
    other.alarm("of another night")
    other.history.close()
    (path.parent / "other" / FILE_NAME).rename(path)


def log_removed(path: Path) -> None:
    path.with_name(f"{path.name}-wal").unlink()


def folder_removed(path: Path) -> None:
    shutil.rmtree(path.parent)


@pytest.mark.parametrize("harm", [moved, removed, replaced, log_removed, folder_removed])
def test_a_file_that_is_moved_replaced_or_removed_is_noticed_before_the_next_acknowledgement(
    tmp_path: Path, harm: Callable[[Path], None]
) -> None:
    folder = tmp_path / "state"
    desk = Desk(folder)
    assert desk.add().done
    desk.alarm("before")
    harm(folder / FILE_NAME)
    said = desk.weigh(45.2)
    assert said.done == bool(rows(folder, "SELECT grams FROM weighing"))
    with suppress(StorageError):
        desk.alarm("after")
    assert "after" in kept(folder)
    assert "moved, removed or changed by somebody else" in desk.history.words()
    assert rows(folder, "SELECT what FROM note") == [("history_replaced",)]
    desk.alarm("later")
    desk.history.close()
    assert kept(folder)[-2:] == ["after", "later"]


def test_a_file_that_goes_while_an_entry_is_written_does_not_take_the_entry_along(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk, harm = Desk(tmp_path), [moved, removed]
    assert desk.add().done

    def robbed(*asked: Any) -> Any:
        said = store(*asked)
        if harm:
            harm.pop()(tmp_path / FILE_NAME)
        return said

    monkeypatch.setattr(chick_log, "store", robbed)
    said = desk.add("dot")
    assert said.done
    assert rows(tmp_path, "SELECT name FROM chick") == [("dot",)]
    desk.history.close()


def test_a_file_that_goes_again_and_again_is_given_up_with_a_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def robbed(*asked: Any) -> Any:
        (tmp_path / FILE_NAME).unlink()
        return store(*asked)

    monkeypatch.setattr(chick_log, "store", robbed)
    said = Desk(tmp_path).add()
    assert not said.done
    assert "replaced again and again" in said.reason


def test_a_file_that_somebody_writes_over_is_noticed_and_damage_set_aside(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    desk.alarm("before")
    with (tmp_path / FILE_NAME).open("r+b") as file:  # as `cp` does: the same file with other bytes
        file.write(os.urandom(8192))
    with pytest.raises(StorageError):
        desk.alarm("after")
    assert kept(tmp_path)[-1:] == ["after"]
    desk.history.close()


def test_the_lock_is_taken_anew_where_its_file_has_gone(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    desk.alarm("before")
    (tmp_path / f"{FILE_NAME}.lock").unlink()
    desk.alarm("after")
    second = Desk(tmp_path)
    with pytest.raises(StorageError, match="another sensord writes this history"):
        second.alarm()
    desk.history.close()


def pipe(path: Path) -> None:
    os.mkfifo(path)


def folder(path: Path) -> None:
    path.mkdir()
    (path / "inside").write_text("x")


def device(path: Path) -> None:
    path.symlink_to("/dev/zero")


def link_to_nowhere(path: Path) -> None:
    path.symlink_to("nowhere")


def unix_socket(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as made:
        made.bind(str(path))


@pytest.mark.parametrize("name", [FILE_NAME, f"{FILE_NAME}-wal", f"{FILE_NAME}-shm", f"{FILE_NAME}.lock"])
@pytest.mark.parametrize("odd", [pipe, folder, device, link_to_nowhere, unix_socket])
def test_what_is_no_file_is_set_aside_and_told_and_the_history_begins(
    tmp_path: Path, name: str, odd: Callable[[Path], None]
) -> None:
    odd(tmp_path / name)
    clock = FakeClock(0.0, UTC)
    assert recall(tmp_path / FILE_NAME, SETTINGS, clock).gap is None
    desk = Desk(tmp_path)
    with pytest.raises(StorageError, match=r"is no regular file; it was set aside as history\.db\.damaged-"):
        desk.alarm("after")
    assert kept(tmp_path) == ["after"]
    (aside,) = tmp_path.glob("history.db.damaged-*")
    assert not (aside.is_file() and not aside.is_symlink())
    desk.alarm("later")
    desk.history.close()


def test_flipped_bits_never_stop_a_start_and_the_history_goes_on(tmp_path: Path) -> None:
    """One opening in a hundred failed, and nothing set the file aside."""
    chance = random.Random(11)
    original = tmp_path / "whole"
    desk = Desk(original)
    desk.add()
    for _ in range(4):
        desk.pass_seconds(40)
        desk.alarm("x" * 300)
        desk.weigh(40.0, sure=True)
    desk.history.save_state("alarms", '{"utc_seconds": 1, "trusted": true, "alarms": []}')
    desk.history.close()
    for number in range(80):
        there = tmp_path / str(number)
        there.mkdir()
        whole = bytearray((original / FILE_NAME).read_bytes())
        for _ in range(chance.choice((1, 4, 32, 256))):
            whole[chance.randrange(len(whole))] ^= 1 << chance.randrange(8)
        (there / FILE_NAME).write_bytes(whole)
        opens_and_goes_on(there)
        shutil.rmtree(there)


@pytest.mark.parametrize("steps", [-1, 0, 1, 3, 2**31 - 1])
def test_a_file_that_miscounts_its_steps_is_set_aside_or_left_to_its_newer_version(tmp_path: Path, steps: int) -> None:
    desk = Desk(tmp_path)
    desk.alarm("before")
    desk.history.close()
    connection = sqlite3.connect(tmp_path / FILE_NAME)
    connection.execute(f"PRAGMA user_version = {steps}")
    connection.close()
    opens_and_goes_on(tmp_path)
    assert len(list(tmp_path.glob("*damaged*"))) == (steps < 2)


@pytest.mark.parametrize(("offset", "bytes_"), [(44, b"\0\0\0\x63"), (18, b"\x22"), (19, b"\x22")])
def test_a_file_of_another_format_is_set_aside(tmp_path: Path, offset: int, bytes_: bytes) -> None:
    """The header's schema format, write version and read version (SQLite's database file format, 1.3)."""
    desk = Desk(tmp_path)
    desk.alarm("before")
    desk.history.close()
    with (tmp_path / FILE_NAME).open("r+b") as file:
        file.seek(offset)
        file.write(bytes_)
    opens_and_goes_on(tmp_path)
    assert list(tmp_path.glob("*damaged*"))


def opens_and_goes_on(there: Path) -> None:
    clock = FakeClock(0.0, UTC + 1000)
    recall(there / FILE_NAME, SETTINGS, clock)
    with suppress(StorageError), HistoryReader(there / FILE_NAME) as reader:
        ask_everything(reader)
    desk = Desk(there)
    newer = False
    for _ in range(3):
        try:
            desk.alarm("after")
        except StorageError as error:
            newer = "newer sensord" in str(error)  # left alone, and told: somebody may go back to that version
    desk.add("dot")
    desk.history.close()
    assert newer or "after" in kept(there)


def ask_everything(reader: HistoryReader) -> None:
    start, end = UTC - 1e6, UTC + 1e6
    reader.last_seen()
    reader.span()
    reader.counts()
    chick_views(reader, UTC)
    for probe in reader.probes():
        reader.fine(probe, start, end)
        reader.minutes(probe, start, end)
    for ask in (reader.alarms, reader.notes, reader.gaps, reader.bands, reader.rounds, reader.feeds):
        ask(start, end)


@pytest.mark.parametrize(
    "kept_text",
    [
        "[" * 100_000, "{", "null", "[]",
        '{"utc_seconds": "x"}', '{"utc_seconds": 1e999, "trusted": true, "alarms": 7}',
        '{"utc_seconds": 1, "trusted": true, "alarms": [{"place": 7}]}', '{"utc_seconds": ' + "9" * 5000 + "}",
        '{"utc_seconds": 1, "trusted": true, "alarms": [[[]]]}',
    ],
)  # fmt: skip
def test_a_table_with_impossible_rows_is_told_and_stops_no_start(tmp_path: Path, kept_text: str) -> None:
    desk = Desk(tmp_path)
    desk.pass_seconds(40)
    desk.history.save_state("alarms", kept_text)
    desk.history.save_state("stages", kept_text)
    desk.history.close()
    connection = sqlite3.connect(tmp_path / FILE_NAME)
    connection.execute("UPDATE run SET started_ms = 'never', stopped_ms = x'ff'")
    connection.execute("UPDATE reading SET milli = 'warm', held_ms = 9e99")
    connection.commit()
    connection.close()
    past = recall(tmp_path / FILE_NAME, SETTINGS, FakeClock(0.0, UTC + 1000))
    assert past.troubled is not None
    assert "cannot be recalled" in past.troubled.trouble
    opens_and_goes_on(tmp_path)


def test_what_is_made_is_for_the_daemons_user_and_group_only(tmp_path: Path) -> None:
    before = os.umask(0)
    try:
        desk = Desk(tmp_path / "state")
        desk.alarm()
        made = {path.name: path.stat().st_mode & 0o777 for path in (tmp_path / "state").iterdir()}
        assert made == dict.fromkeys([FILE_NAME, *(FILE_NAME + end for end in ("-wal", "-shm", ".lock"))], 0o640)
        assert (tmp_path / "state").stat().st_mode & 0o777 == 0o750
        desk.history.close()
    finally:
        os.umask(before)
