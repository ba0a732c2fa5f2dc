"""`sensord sounds`: the table, the JSON, the file, and playing on pins."""

import json
import os
import signal
import subprocess
import sys
import wave
from pathlib import Path

import pytest

from sensord.cli import main
from sensord.clock import FastClock
from sensord.commands import sound_making as command
from sensord.config.sections import ChimeSection
from sensord.watch.cues import Cue, Priority
from sensord.watch.sound.patterns import BURSTS, CUES, every_sound
from tests.helpers.program import CODE, ROOT
from tests.helpers.recorded_pins import beeps, recording_factory

CONFIG = '[chime]\nkind = "active"\npin = 17\nfactory = "mock"\n'


def test_all_sounds_are_listed_with_what_they_mean(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sounds"]) == 0
    out = capsys.readouterr().out
    assert all(f"{name}: " in out for name in every_sound())
    assert "confirm: understood (1 pulse, once)" in out
    assert max(len(line) for line in out.splitlines()) <= 80


def test_a_file_holds_all_sounds_where_the_json_says(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "all.wav"
    assert main(["sounds", "--wav", str(path), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    with wave.open(str(path), "rb") as file:
        rate, frames = file.getframerate(), file.getnframes()
        samples = memoryview(file.readframes(frames)).cast("h")
    assert [row["name"] for row in told["sounds"]] == list(every_sound())
    for row in told["sounds"]:
        start = round(row["starts_s"] * rate)
        assert max(map(abs, samples[max(0, start - rate // 2) : start] or [0])) == 0
        assert max(map(abs, samples[start : start + rate // 20])) > 10_000


def test_an_unknown_sound_is_refused_with_the_known_ones(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sounds", "trumpet"]) == 2
    assert "there is no sound 'trumpet': say all, or one of high, medium" in capsys.readouterr().err


def test_a_file_that_cannot_be_written_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sounds", "ready", "--wav", str(tmp_path / "none" / "x.wav")]) == 2
    assert "x.wav: cannot be written" in capsys.readouterr().err


def test_playing_without_a_buzzer_is_refused_with_the_key(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "sensord.toml"
    path.write_text("")
    assert main(["sounds", "ready", "--play", "--config", str(path)]) == 2
    assert 'chime.kind: is "none"' in capsys.readouterr().err


def test_playing_reaches_the_pins_and_leaves_them_low(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = FastClock(5)
    factory, changes = recording_factory(clock)
    monkeypatch.setattr("sensord.pins.factory.open_factory", lambda *_: factory)
    section = ChimeSection(kind="active", pin=17, self_test=False)
    command.play([CUES[Cue.CONFIRM], BURSTS[Priority.HIGH]], section, clock)
    assert len(beeps(changes, 17)) == 11
    assert changes[-1].value == 0


def test_a_play_that_is_ended_by_a_signal_leaves_quietly(tmp_path: Path) -> None:
    path = tmp_path / "sensord.toml"
    path.write_text(CONFIG)
    command_line = [sys.executable, "-uc", CODE, "sounds", "ready", "--play", "--config", str(path)]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    with subprocess.Popen(
        command_line, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment, text=True
    ) as process:
        assert process.stderr
        assert process.stderr.readline() == "playing on GPIO 17; Ctrl-C ends it\n"
        process.send_signal(signal.SIGTERM)
        assert process.wait(5) == 143
        assert process.stderr.read() == ""


def test_a_wav_overwrites_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "family.wav"
    path.write_bytes(b"a song")
    assert main(["sounds", "ready", "--wav", str(path)]) == 2
    assert "nothing is overwritten" in capsys.readouterr().err
    assert path.read_bytes() == b"a song"
