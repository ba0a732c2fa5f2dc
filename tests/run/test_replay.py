"""Replay: the same rules on recorded readings; a bad row is told and left out, nothing is lost because of it."""

import gzip
import json
from collections.abc import Callable
from pathlib import Path

import pytest

from sensord.cli import main
from sensord.errors import DataError
from sensord.readings import Fault, FaultKind, Reading
from sensord.run import replaying as replay
from sensord.watch.events import Gap, Observed, Tick

HEADER = "time_s,probe,reading\n"


def written(folder: Path, text: str, name: str = "night.csv") -> Path:
    path = folder / name
    if name.endswith(".gz"):
        path.write_bytes(gzip.compress(text.encode()))
    else:
        path.write_text(text)
    return path


@pytest.mark.parametrize("name", ["night.csv", "night.csv.gz"])
def test_readings_and_fault_words_are_read(tmp_path: Path, name: str) -> None:
    path = written(tmp_path, HEADER + "0,dish,21.5\n1,dish,crc_error\n", name)
    recording = replay.read(path)
    assert recording.observations == [Reading("dish", 0.0, 21.5), Fault("dish", 1.0, FaultKind.CRC_ERROR)]
    assert not recording.bad


@pytest.mark.parametrize(
    ("row", "why"),
    [
        ("soon,dish,21", "no time"),
        ("-1,dish,21", "no time"),
        ("5,dish", "2 columns"),
        ("5,oven,21", "unknown probe 'oven'"),
        ("5,dish,warm", "neither a temperature nor a fault word"),
        ("5,dish,nan", "no temperature"),
        ("0.5,dish,21", "time runs back"),
        ("1,dish,22", "a second reading of 'dish' at 1 s"),
        ("1e16,dish,21", "longer than any recording"),
        ("1e300,dish,21", "longer than any recording"),
        ("100000001,dish,21", "longer than any recording"),
    ],
)
def test_a_bad_row_is_told_with_its_line_and_the_rest_goes_on(tmp_path: Path, row: str, why: str) -> None:
    path = written(tmp_path, HEADER + f"1,dish,21\n{row}\n9,dish,22\n")
    recording = replay.read(path, {"dish"})
    assert [one.seconds for one in recording.observations] == [1.0, 9.0]
    assert [(bad.line, why in bad.why) for bad in recording.bad] == [(3, True)]


def test_a_file_that_is_no_recording_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="line 1"):
        replay.read(written(tmp_path, "when,what\n1,2\n"))
    with pytest.raises(DataError, match="cannot be read"):
        replay.read(tmp_path / "missing.csv")
    with pytest.raises(DataError, match="is damaged"):
        replay.read(written(tmp_path, "not gzip", "x.csv").rename(tmp_path / "x.csv.gz"))


def test_a_long_hole_is_a_stop_of_the_daemon_and_a_short_one_is_silence() -> None:
    short = list(replay.events([Reading("dish", 0, 20), Reading("dish", 30, 20)], 10.0))
    assert [type(one) for one in short] == [Tick, Observed, Tick, Tick, Tick, Observed]
    long = list(replay.events([Reading("dish", 0, 20), Reading("dish", 4000, 20)], 20.0))
    assert [type(one) for one in long] == [Tick, Observed, Tick, Tick, Tick, Gap, Tick, Observed]
    assert long[5] == Gap(4000, 4000)


def test_exit_code_and_messages_tell_of_bad_rows(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    good = written(tmp_path, HEADER + "0,dish,21\n1,dish,21.0625\n", "good.csv")
    bad = written(tmp_path, HEADER + "0,dish,21\nx,dish,21\n", "bad.csv")
    assert main(["replay", str(good)]) == 0
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert all({"time_s", "kind"} <= line.keys() for line in lines)
    assert main(["replay", str(bad)]) == 1
    assert "line 3" in capsys.readouterr().err
    assert main(["replay", str(tmp_path / "none.csv")]) == 2
    assert main(["replay", str(good), "--dish-band", "38:36"]) == 2
    assert main(["replay", str(good), "--uncertainty", "0"]) == 2


def test_lines_are_in_time_order_and_the_same_each_time(tmp_path: Path) -> None:
    rows = "".join(f"{n},dish,{20 + (n > 30) * 25 - n * 0.01:.4f}\n" for n in range(400))
    path = written(tmp_path, HEADER + rows)
    outs = []
    for name in ("a.jsonl", "b.jsonl"):
        assert main(["replay", str(path), "--out", str(tmp_path / name)]) == 0
        outs.append((tmp_path / name).read_text())
    assert outs[0] == outs[1]
    times = [json.loads(line)["time_s"] for line in outs[0].splitlines()]
    assert times == sorted(times)


def test_a_time_beyond_the_floats_ends_with_a_sentence_and_does_not_hang(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """At 1e16 s a tick of one second changes nothing, and the clock would tick for ever."""
    path = written(tmp_path, HEADER + "1e16,dish,21\n1.00000001e16,dish,21\n")
    assert main(["replay", str(path)]) == 1
    assert "line 2: 1e+16 s from the start is longer than any recording" in capsys.readouterr().err


@pytest.mark.parametrize("damage", [lambda data: data[:-9], lambda data: data[:40] + b"\xff" * 9 + data[49:]])
def test_a_damaged_gz_is_one_sentence(
    damage: Callable[[bytes], bytes], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = "".join(f"{n},dish,{20 + n % 7 / 16}\n" for n in range(500))
    path = tmp_path / "night.csv.gz"
    path.write_bytes(damage(gzip.compress((HEADER + rows).encode())))
    assert main(["replay", str(path)]) == 2
    (told,) = capsys.readouterr().err.splitlines()
    assert "night.csv.gz: is damaged, or was not copied whole" in told


def test_out_overwrites_nothing_not_even_the_recording(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = written(tmp_path, HEADER + "0,dish,21\n")
    before = path.read_bytes()
    assert main(["replay", str(path), "--out", str(path)]) == 2
    assert "nothing is overwritten" in capsys.readouterr().err
    assert path.read_bytes() == before
    (tmp_path / "link").symlink_to(tmp_path / "elsewhere")
    assert main(["replay", str(path), "--out", str(tmp_path / "link")]) == 2
    assert not (tmp_path / "elsewhere").exists()
