"""`sensord demo` as a stranger ends it: at any moment, and what it says to a broker that cannot be."""

import os
import re
import signal
import subprocess
import threading
from pathlib import Path

import pytest

from sensord.cli import main
from sensord.clock import SystemClock
from tests.helpers.program import ROOT, SENSORD


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGQUIT])
@pytest.mark.parametrize("moment_seconds", [0.3, 0.9, 1.5, 3.0])
def test_a_signal_at_any_moment_ends_it_quietly_and_leaves_no_folder(
    tmp_path: Path, number: signal.Signals, moment_seconds: float
) -> None:
    with subprocess.Popen(
        [*SENSORD, "demo", "--speed", "60"],
        cwd=ROOT,
        env={**os.environ, "TMPDIR": str(tmp_path)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    ) as demo:
        SystemClock().wait(threading.Event(), moment_seconds)  # the moment is what is tested
        demo.send_signal(number)
        try:
            _, said = demo.communicate(timeout=20)
        finally:
            demo.kill()
    assert "Traceback" not in said
    assert demo.returncode in (0, 128 + number, -number)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("broker", [":1883", "localhost:99999", "localhost:0", "localhost:x"])
def test_a_broker_that_cannot_be_is_refused_in_one_sentence(broker: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "--broker", broker, "--plain"]) == 2
    said = capsys.readouterr().err
    assert said.startswith(f"sensord demo: --broker: '{broker}' is not HOST:PORT")
    assert len(said.splitlines()) == 1


def test_plain_lines_are_a_keepers_words_with_the_time_of_day(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "--plain", "--speed", "40", "--for", "3m"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert all(re.match(r"\d\d:\d\d:\d\d \S", line) for line in lines)
    assert any("supper: taking up water" in line for line in lines)
