"""The daemon's commands as typed, against a real control socket."""

import dataclasses
import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from sensord.cli import main
from sensord.commands.command_verbs import FIELDS
from sensord.durations import duration_seconds, duration_written
from sensord.errors import DataError
from sensord.watch.command_table import COMMANDS, Acknowledge, Entry, PauseAudio, Shelve, StartBatch
from sensord.watch.conditions import Condition
from tests.helpers.fake_daemon import FakeDaemon


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[FakeDaemon]:
    daemon = FakeDaemon(tmp_path / "control.sock")
    yield daemon
    daemon.close()


def test_acknowledge_without_a_place_means_every_alarm(daemon: FakeDaemon, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["acknowledge", "--socket", str(daemon.path)]) == 0
    assert capsys.readouterr().out == "acknowledged: every alarm\n"
    command = daemon.commands.get(timeout=30)
    assert isinstance(command, Acknowledge)
    assert (command.place, command.condition) == (None, None)


def test_shelve_takes_a_duration_as_people_write_it(daemon: FakeDaemon, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["shelve", "brooder", "too-cold", "--for", "5m", "--socket", str(daemon.path)]) == 0
    assert capsys.readouterr().out == "shelved for 5m: brooder too-cold\n"
    command = daemon.commands.get(timeout=30)
    assert isinstance(command, Shelve)
    assert (command.place, command.condition, command.for_seconds) == ("brooder", Condition.TOO_COLD, 300.0)


def test_a_refusal_is_exit_1_and_says_why(daemon: FakeDaemon, capsys: pytest.CaptureFixture[str]) -> None:
    daemon.refuse = "longer than alarms.shelve_seconds allows"
    assert main(["shelve", "brooder", "--for", "3h", "--json", "--socket", str(daemon.path)]) == 1
    answer = json.loads(capsys.readouterr().out)
    assert answer["done"] is False
    assert "alarms.shelve_seconds" in answer["reason"]


def test_every_command_has_its_verb_with_the_fields_of_its_value(
    daemon: FakeDaemon, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = {verb: row.value for verb, row in COMMANDS.items() if not issubclass(row.value, Entry)}
    assert set(rows) == set(FIELDS)
    for verb, value in rows.items():
        own = [one for one in dataclasses.fields(value) if one.name not in ("seconds", "origin", "request")]
        optional = {one.name for one in own if one.default is not dataclasses.MISSING}
        given = FIELDS[verb].split()
        assert {word.strip("[]") for word in given} == {one.name for one in own}, verb
        assert {word[1:-1] for word in given if word.startswith("[")} == optional, verb
        words = [{"place": "brooder", "condition": "too-cold", "stage": "feathered"}[one.name]
                 for one in own if one.name not in optional]  # fmt: skip
        assert main([verb, *words, "--socket", str(daemon.path)]) == 0
        assert isinstance(daemon.commands.get(timeout=30), value)
        assert "{" not in capsys.readouterr().out


def test_a_pause_and_a_bowl_can_be_said_from_the_command_line(
    daemon: FakeDaemon, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["pause", "--for", "90s", "--socket", str(daemon.path)]) == 0
    assert capsys.readouterr().out == "sound paused for 1m30s\n"
    pause = daemon.commands.get(timeout=30)
    assert isinstance(pause, PauseAudio)
    assert pause.for_seconds == 90.0
    assert main(["batch", "dish", "--socket", str(daemon.path)]) == 0
    batch = daemon.commands.get(timeout=30)
    assert isinstance(batch, StartBatch)
    assert batch.dish == "dish"


def test_a_condition_that_is_not_known_is_refused_by_the_daemon_itself(
    daemon: FakeDaemon, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["shelve", "brooder", "too-hot", "--socket", str(daemon.path)]) == 1
    assert "give one of 'too-warm', 'too-cold'" in capsys.readouterr().out


def test_no_daemon_is_exit_2_and_says_how_to_start_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["acknowledge", "--socket", str(tmp_path / "none.sock")]) == 2
    assert "start it with `sensord run`" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("text", "seconds"), [("90s", 90.0), ("5m", 300.0), ("1h", 3600.0), ("1h30m", 5400.0), (" 0.5M ", 30.0)]
)
def test_durations_are_read_as_people_write_them(text: str, seconds: float) -> None:
    assert duration_seconds(text) == seconds
    assert duration_seconds(duration_written(seconds)) == seconds


def test_a_duration_that_no_clock_could_wait_for_is_refused() -> None:
    with pytest.raises(DataError, match="at most 720h"):
        duration_seconds("999999999999999h")


@pytest.mark.parametrize("text", ["", "5", "m", "0s", "-5m", "5 m", "5m1h", "1d", "nan", "٥m x"])
def test_what_is_no_duration_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(DataError, match="such as 90s, 5m or 1h30m"):
        duration_seconds(text)


def test_a_duration_with_a_minus_is_read_as_one_and_refused(
    daemon: FakeDaemon, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["shelve", "brooder", "--for", "-5m", "--socket", str(daemon.path)]) == 2
    assert "'-5m' is not a duration" in capsys.readouterr().err
