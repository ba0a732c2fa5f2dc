"""`sensord watch` as a keeper starts it: on a real pseudo-terminal, through a pipe, once, and as JSON."""

import json
import os
import pty
import re
import select
import signal
import subprocess
import termios
from collections.abc import Iterator
from pathlib import Path

import pytest

from sensord.cli import main
from sensord.clock import SystemClock
from sensord.commands.keys import Keys
from sensord.commands.live_picture import STALE_SECONDS, LivePicture
from sensord.commands.terminal import Keyboard, fitting_glyphs
from sensord.control.view_wire import snapshot_from
from sensord.screens.page import ASCII, BLOCKS
from sensord.watch.command_table import Acknowledge, PauseAudio, Reset, Shelve, StartBatch, Unshelve
from sensord.watch.cues import Cue
from sensord.watch.effects import Cued
from sensord.watch.events import Command
from tests.helpers.fake_clock import FakeClock
from tests.helpers.fake_daemon import FakeDaemon
from tests.helpers.program import SENSORD
from tests.screens.invented import SNAPSHOTS

TOP = Path(__file__).parent.parent.parent
COMMAND = [*SENSORD, "watch"]


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[FakeDaemon]:
    daemon = FakeDaemon(tmp_path / "control.sock", SystemClock())
    daemon.show(SNAPSHOTS["cold"])
    yield daemon
    daemon.close()


class Screen:
    """`sensord watch` on a pseudo-terminal of 80 by 24."""

    def __init__(self, socket: Path, *options: str, **environment: str) -> None:
        self.master, slave = pty.openpty()
        termios.tcsetwinsize(slave, (24, 80))
        self.before = termios.tcgetattr(slave)
        self.slave = slave
        self.process = subprocess.Popen(
            [*COMMAND, "--socket", str(socket), *options],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            cwd=TOP,
            env={**os.environ, "TERM": "xterm-256color", "PYTHONUTF8": "1", "LC_ALL": "C.UTF-8", **environment},
            start_new_session=True,
        )
        self.text = ""

    def wait_for(self, wanted: str, tries: int = 200) -> None:
        for _ in range(tries):
            if wanted in self.text:
                return
            self.read(0.1)
        raise AssertionError(f"{wanted!r} never came; last seen: {self.text[-2000:]!r}")

    def read(self, seconds: float) -> None:
        if select.select([self.master], [], [], seconds)[0]:
            try:
                self.text += os.read(self.master, 65536).decode(errors="replace")
            except OSError:  # the other side has closed
                return

    def press(self, keys: bytes) -> None:
        self.text = ""
        os.write(self.master, keys)

    def end(self) -> int:
        for _ in range(100):
            self.read(0.1)
            if self.process.poll() is not None:
                break
        self.read(0.1)
        return self.process.wait(timeout=10)

    def is_as_before(self) -> bool:
        """Whether the terminal has its settings, its own screen and its cursor back."""
        left, shown = self.text.rfind("\x1b[?1049l"), self.text.rfind("\x1b[?25h")
        return termios.tcgetattr(self.slave) == self.before and left > self.text.rfind("\x1b[?1049h") and shown >= 0

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        os.close(self.master)
        os.close(self.slave)


@pytest.fixture
def screen(daemon: FakeDaemon) -> Iterator[Screen]:
    screen = Screen(daemon.path)
    screen.wait_for("DANGEROUSLY COLD")
    yield screen
    screen.close()


def test_q_quits_and_gives_the_terminal_back(screen: Screen) -> None:
    screen.press(b"q")
    assert screen.end() == 0
    assert screen.is_as_before()


def test_q_typed_while_it_starts_still_quits(daemon: FakeDaemon) -> None:
    screen = Screen(daemon.path)
    screen.press(b"q")
    try:
        assert screen.end() == 0
    finally:
        screen.close()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGQUIT])
def test_signals_end_it_quietly_and_give_the_terminal_back(screen: Screen, number: signal.Signals) -> None:
    screen.text = ""
    screen.process.send_signal(number)
    assert screen.end() == (130 if number is signal.SIGINT else 0)
    assert screen.is_as_before()
    assert "Traceback" not in screen.text


def test_keys_reach_the_daemon_and_its_answer_the_screen(screen: Screen, daemon: FakeDaemon) -> None:
    screen.press(b"a")
    screen.wait_for("acknowledged")
    assert isinstance(daemon.commands.get(timeout=30), Acknowledge)
    daemon.refuse = "the keeper of this test says no"
    screen.press(b"s")
    screen.wait_for("says no")
    command = daemon.commands.get(timeout=30)
    assert isinstance(command, Shelve)
    assert command.place == "brooder"


def test_a_daemon_that_goes_away_is_unmistakable_and_its_return_is_noticed(screen: Screen, daemon: FakeDaemon) -> None:
    screen.text = ""
    daemon.close()
    screen.wait_for("NO DATA SINCE")
    returned = FakeDaemon(daemon.path, SystemClock())
    screen.text = ""
    returned.show(SNAPSHOTS["away"])
    screen.wait_for("ALL RIGHT")
    returned.close()


def test_no_color_leaves_no_colour_on_the_screen(daemon: FakeDaemon) -> None:
    screen = Screen(daemon.path, NO_COLOR="1")
    screen.wait_for("q")
    screen.wait_for("DANGEROUSLY COLD")
    colours = re.findall(r"\x1b\[(?:[0-9;]*;)?(?:3[0-8]|4[0-8]|9[0-7]|10[0-7])(?:;[0-9;]*)?m", screen.text)
    screen.close()
    assert colours == []


def test_a_pipe_gets_plain_lines_as_things_happen(daemon: FakeDaemon) -> None:
    process = subprocess.Popen(
        [*COMMAND, "--socket", str(daemon.path)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=TOP
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "!!! BROODER DANGEROUSLY COLD, 31.4 °C\n"
    daemon.server.handle(Cued(1.0, Cue.READY, "dish"))
    line = next(line for line in process.stdout if "sound" in line)
    assert line.endswith("sound: ready, dish\n")
    process.send_signal(signal.SIGTERM)
    out, err = process.communicate(timeout=10)
    assert process.returncode == 0
    assert "\x1b" not in out
    assert err == ""


def test_once_tells_by_its_exit_code_whether_an_alarm_stands(
    daemon: FakeDaemon, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["watch", "--once", "--socket", str(daemon.path)]) == 1
    assert capsys.readouterr().out.startswith("!!! BROODER DANGEROUSLY COLD")
    daemon.show(SNAPSHOTS["away"])
    assert main(["watch", "--once", "--socket", str(daemon.path)]) == 0
    assert capsys.readouterr().out.startswith("ALL RIGHT")


def test_once_as_json_is_the_snapshot(daemon: FakeDaemon, capsys: pytest.CaptureFixture[str]) -> None:
    main(["watch", "--once", "--json", "--socket", str(daemon.path)])
    snapshot = snapshot_from(json.loads(capsys.readouterr().out))
    assert snapshot.alarms[0].do_first == SNAPSHOTS["cold"].alarms[0].do_first


def test_without_a_daemon_it_says_how_to_start_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["watch", "--socket", str(tmp_path / "none")]) == 2
    assert "start it with `sensord run`" in capsys.readouterr().err


def test_options_of_the_fleet_need_the_fleet(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["watch", "--broker", "localhost:1883"]) == 2
    assert "--fleet" in capsys.readouterr().err


def test_a_daemon_that_stands_still_does_not_look_fresh(daemon: FakeDaemon) -> None:
    clock = FakeClock()
    picture = LivePicture(daemon.path, clock)
    assert picture.wait_for_first(5)
    assert picture.seen().stale_seconds is None
    clock.advance(STALE_SECONDS + 1)
    frozen = picture.seen().snapshot
    assert frozen is not None
    daemon.server.handle(frozen)
    daemon.server.handle(Cued(1.0, Cue.READY))
    while not picture.effects():
        picture.wait_for_first(0.01)
    assert picture.seen().stale_seconds == STALE_SECONDS + 1
    picture.close()


@pytest.mark.parametrize(
    ("presses", "name", "expected"),
    [
        (["a"], "cold", Acknowledge),
        (["p"], "cold", PauseAudio),
        (["s"], "cold", Shelve),
        (["s"], "shelved", Unshelve),
        (["b"], "hot", StartBatch),
        (["next", "b"], "hot", StartBatch),
        (["r"], "held", Reset),
    ],
)
def test_each_key_asks_for_one_thing(
    daemon: FakeDaemon, presses: list[str], name: str, expected: type[Command]
) -> None:
    keys = Keys(daemon.path, SystemClock())
    for key in presses:
        keys.press(key, SNAPSHOTS[name])
    assert isinstance(daemon.commands.get(timeout=30), expected)


def test_the_place_in_trouble_is_chosen_until_the_keeper_chooses(tmp_path: Path) -> None:
    keys = Keys(tmp_path / "none", FakeClock())
    assert keys.chosen(None) == ""
    assert keys.chosen(SNAPSHOTS["many"]) == "swifts"
    keys.press("next", SNAPSHOTS["many"])
    assert keys.chosen(SNAPSHOTS["many"]) == "corvids"
    for _ in range(2):
        keys.press("previous", SNAPSHOTS["many"])
    assert keys.chosen(SNAPSHOTS["many"]) == "parrots"
    assert keys.chosen(SNAPSHOTS["hot"]) == "brooder"


def test_a_keyboard_that_is_no_terminal_has_no_keys() -> None:
    reading, writing = os.pipe()
    with Keyboard(reading) as keyboard:
        assert not keyboard.present
        assert keyboard.read(0.0) == ""
    os.close(reading)
    os.close(writing)


@pytest.mark.parametrize(
    ("typed", "key"), [(b"\t", "next"), (b"\x1b[A", "previous"), (b"Q", "q"), (b"?", "?"), (b"\xff", "�")]
)
def test_keys_are_read_one_by_one(typed: bytes, key: str) -> None:
    master, slave = pty.openpty()
    with Keyboard(slave) as keyboard:
        os.write(master, typed)
        assert keyboard.read(2.0) == key
    os.close(master)
    os.close(slave)


@pytest.mark.parametrize(
    ("encoding", "environment", "glyphs"),
    [
        ("utf-8", {"LANG": "de_DE.UTF-8"}, BLOCKS),
        ("iso8859-1", {"LANG": "de_DE"}, ASCII),
        ("utf-8", {"LANG": "ja_JP.UTF-8"}, ASCII),
        ("utf-8", {"LANG": "ja_JP.UTF-8", "LC_ALL": "C.UTF-8"}, BLOCKS),
        (None, {}, ASCII),
        ("no-such-encoding", {}, ASCII),
    ],
)
def test_characters_follow_the_locale(encoding: str | None, environment: dict[str, str], glyphs: object) -> None:
    assert fitting_glyphs(encoding, environment) is glyphs
