"""`sensord probes` on the fake tree: what a keeper sees, what a program reads, and the exit codes."""

import json
import os
import pty
import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from sensord.cli import main
from sensord.clock import SystemClock
from sensord.commands import probes as command
from sensord.demo.fake_tree import FakeProbe
from tests.helpers.failing_tree import FailingTree, Failure
from tests.helpers.program import ROOT, SENSORD

AIR, PASTE, GONE = "28-0000072431ab", "28-00000bbb9b13", "28-0000000000dd"
CLOCK = SystemClock()
CONFIG = f"""
[probes.air]
rom = "{AIR}"
place = "brooder"
[brooders.one]
probes = ["air"]
band = {{ low_celsius = 33, high_celsius = 35 }}
"""


def warmed_after(seconds: float, start: float) -> float:
    """22 °C, then rising by 4 °C a second."""
    return 22.0 + max(0.0, seconds - start) * 4.0


@pytest.fixture
def tree(tmp_path: Path) -> Iterator[FailingTree]:
    probes = [
        FakeProbe(rom=AIR, celsius=lambda _seconds: 34.5),
        FakeProbe(rom=PASTE, celsius=lambda _seconds: -10.125, bits=9, powered=False, bus="w1_bus_master2"),
    ]
    with FailingTree(tmp_path / "tree", CLOCK, probes) as made:
        yield made


def config(folder: Path, text: str = CONFIG) -> str:
    file = folder / "sensord.toml"
    file.write_text(text)
    return str(file)


def test_the_list_names_chip_bus_power_and_reading(
    tree: FailingTree, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["probes", "--one-wire-root", str(tree.root), "--config", config(tmp_path)]) == 0
    shown = capsys.readouterr().out
    air, paste = (next(line for line in shown.splitlines() if line.startswith(rom)) for rom in (AIR, PASTE))
    assert air.split() == [AIR, "air", "brooder", "34.50", "°C", "12", "bit", "3", "wires", "master1"]
    assert paste.split() == [PASTE, "-", "-", "-10.50", "°C", "9", "bit", "parasite", "master2"]
    assert f'rom = "{PASTE}"' in shown  # how to give it a name
    assert max(len(line) for line in shown.splitlines()) <= 80


def test_a_program_reads_the_same_as_json(tree: FailingTree, capsys: pytest.CaptureFixture[str]) -> None:
    tree.fail(AIR, Failure.SHORTED)
    assert main(["probes", "--json", "--one-wire-root", str(tree.root)]) == 1
    told = json.loads(capsys.readouterr().out)
    air, paste = told["probes"]
    assert (air["fault"], air["celsius"]) == ("zero_scratchpad", None)
    assert "short-circuited" in air["remedy"]
    assert (paste["celsius"], paste["bits"], paste["powered"], paste["bus"]) == (-10.5, 9, False, "w1_bus_master2")


def test_a_configured_probe_that_is_absent_is_listed_with_its_remedy(
    tree: FailingTree, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = config(tmp_path, CONFIG.replace(AIR, GONE))
    assert main(["probes", "--one-wire-root", str(tree.root), "--config", file]) == 1
    shown = capsys.readouterr().out
    assert f"{GONE}  air" in shown
    assert "no_response: not on the bus" in shown
    assert "plug" in shown


def test_a_bus_that_hangs_does_not_hold_up_the_list(
    tree: FailingTree, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(command, "_PATIENCE_SECONDS", 1.0)
    monkeypatch.setattr(command, "_PARASITE_SECONDS", 0.0)
    tree.fail(PASTE, Failure.HANGING)
    assert main(["probes", "--one-wire-root", str(tree.root)]) == 1
    shown = capsys.readouterr().out
    assert "34.50 °C" in shown
    assert "late: no answer in time" in shown


def test_an_empty_bus_and_no_tree_have_different_remedies(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["probes", "--one-wire-root", str(tmp_path)]) == 1
    empty = capsys.readouterr().err
    assert "pull-up" in empty
    assert main(["probes", "--one-wire-root", str(tmp_path / "none")]) == 1
    absent = capsys.readouterr().err
    assert "dtoverlay=w1-gpio" in absent
    assert main(["probes", "--json", "--one-wire-root", str(tmp_path / "none")]) == 1
    assert json.loads(capsys.readouterr().out)["probes"] == []


def test_a_bad_config_is_a_config_error(tree: FailingTree, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = config(tmp_path, "probe = 3\n")
    assert main(["probes", "--one-wire-root", str(tree.root), "--config", file]) == 2
    assert file in capsys.readouterr().err


def test_a_duration_without_something_that_lasts_is_refused(
    tree: FailingTree, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["probes", "--for", "2m", "--one-wire-root", str(tree.root)]) == 2
    assert "--live or --identify" in capsys.readouterr().err


def test_live_counts_faults_by_kind(tree: FailingTree, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tree.fail(AIR, Failure.CRC_OLD_KERNEL)
    arguments = ["probes", "--live", "--for", "1s", "--one-wire-root", str(tree.root), "--config", config(tmp_path)]
    assert main(arguments) == 1
    shown = capsys.readouterr().out
    assert "crc_error: " in shown
    assert "air: 0 readings, " in shown
    assert "w1_bus_master2: serial" in shown
    assert "mains" in shown  # the remedy


def test_the_warmed_probe_is_named(tree: FailingTree, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    start = CLOCK.monotonic_seconds() + 1.0
    tree.set_celsius(AIR, lambda seconds: warmed_after(seconds, start))
    arguments = ["probes", "--identify", "--for", "15s", "--one-wire-root", str(tree.root)]
    assert main([*arguments, "--config", config(tmp_path)]) == 0
    assert f"That is {AIR}: 'air' in the config." in capsys.readouterr().out


def test_nothing_warmed_is_said_and_told_by_the_exit_code(
    tree: FailingTree, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["probes", "--identify", "--for", "1s", "--one-wire-root", str(tree.root)]) == 1
    assert "No probe has moved alone" in capsys.readouterr().err


def test_a_probe_that_cannot_be_read_is_told_once_while_warming(
    tree: FailingTree, capsys: pytest.CaptureFixture[str]
) -> None:
    tree.fail(AIR, Failure.POWER_ON)
    assert main(["probes", "--identify", "--for", "3s", "--one-wire-root", str(tree.root)]) == 1
    assert capsys.readouterr().out.count(f"{AIR} cannot be read (power_on_value).") == 1


def test_a_single_probe_needs_no_warming(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with FailingTree(tmp_path, CLOCK, [FakeProbe(rom=AIR, celsius=lambda _seconds: 22.0)]) as tree:
        assert main(["probes", "--identify", "--one-wire-root", str(tree.root)]) == 0
    assert f"only one probe: {AIR}" in capsys.readouterr().out


def on_a_terminal(tree: FailingTree, *words: str) -> tuple[subprocess.Popen[bytes], int]:
    """`sensord probes` at a pseudo-terminal of its own, and the descriptor of its keyboard and screen."""
    keyboard, terminal = pty.openpty()
    process = subprocess.Popen(
        [*SENSORD, "probes", *words, "--one-wire-root", str(tree.root)],
        stdin=terminal,
        stdout=terminal,
        stderr=terminal,
        cwd=ROOT,
        start_new_session=True,
    )
    os.close(terminal)
    return process, keyboard


def read_until(keyboard: int, words: str) -> str:
    """What the screen shows up to these words."""
    shown = ""
    while words not in shown:
        shown += os.read(keyboard, 4096).decode(errors="replace")
    return shown


@pytest.mark.parametrize("mode", ["--live", "--identify"])
def test_ctrl_c_ends_quietly_on_a_terminal(tree: FailingTree, mode: str) -> None:
    """A real process on a pseudo-terminal, interrupted while it reads."""
    process, keyboard = on_a_terminal(tree, mode)
    shown = read_until(keyboard, "°C")
    process.send_signal(signal.SIGINT)
    try:
        while piece := os.read(keyboard, 4096):
            shown += piece.decode(errors="replace")
    except OSError:  # Linux ends a pseudo-terminal with EIO
        pass
    os.close(keyboard)
    assert process.wait(5) in (0, 130)
    assert "Traceback" not in shown


def test_a_wrong_answer_while_identifying_is_asked_again_and_keys_typed_early_are_forgotten(tree: FailingTree) -> None:
    process, keyboard = on_a_terminal(tree, "--identify", "--for", "30s")
    os.write(keyboard, b"q\n")
    start = CLOCK.monotonic_seconds() + 1.5
    tree.set_celsius(AIR, lambda seconds: warmed_after(seconds, start))
    read_until(keyboard, "q to end: ")
    os.write(keyboard, b"what?\n")
    shown = read_until(keyboard, "q to end: ")
    assert "'what?' is neither Enter nor q." in shown
    os.write(keyboard, b"Q\n")
    assert process.wait(10) == 0
    os.close(keyboard)


def test_a_fault_while_identifying_stands_on_a_line_of_its_own(tree: FailingTree) -> None:
    process, keyboard = on_a_terminal(tree, "--identify", "--for", "30s")
    read_until(keyboard, "moved most so far")
    tree.fail(AIR, Failure.VANISHED)
    shown = read_until(keyboard, "cannot be read")
    assert f"\r\x1b[K{AIR} cannot be read" in shown
    process.kill()
    process.wait()
    os.close(keyboard)
