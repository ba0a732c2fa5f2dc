"""What a command says may go anywhere: into a pipe that is closed, on a full disk, to nobody, to a plain terminal."""

import os
import subprocess
from pathlib import Path

import pytest

from sensord.commands.given import a_new_file
from sensord.errors import DataError
from tests.helpers.program import ROOT, SENSORD

SAYS_MUCH = ["mqtt", "schema"]


def ran(words: list[str], stdout: int | None, **environment: str) -> tuple[int, str]:
    done = subprocess.run(
        [*SENSORD, *words],
        stdout=stdout,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        timeout=30,
        check=False,
        env={**os.environ, **environment},
    )
    return done.returncode, done.stderr


@pytest.mark.parametrize("unbuffered", ["", "1"])
@pytest.mark.parametrize("words", [SAYS_MUCH, ["sounds"], ["mix", "--amount-ml", "40", "--solids", "25"]])
def test_a_full_disk_behind_the_output_is_told_in_a_sentence(words: list[str], unbuffered: str) -> None:
    with Path("/dev/full").open("w") as full:
        code, err = ran(words, full.fileno(), PYTHONUNBUFFERED=unbuffered)
    assert code == 2
    assert err == f"sensord {words[0]}: the output cannot be written: No space left on device\n"


def test_a_reader_that_has_gone_is_no_mistake() -> None:
    reader, writer = os.pipe()
    os.close(reader)
    try:
        assert ran(SAYS_MUCH, writer) == (0, "")
    finally:
        os.close(writer)


def test_an_output_that_is_closed_from_the_start_is_no_mistake() -> None:
    command = 'exec "$@" >&-'
    done = subprocess.run(
        ["sh", "-c", command, "sh", *SENSORD, "config", "--example"],
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        timeout=30,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("words", [["sounds"], ["brooder", "--profile", "finches", "--hatched", "2026-05-04"]])
def test_a_plain_terminal_and_no_colour_get_no_escapes(words: list[str]) -> None:
    done = subprocess.run(
        [*SENSORD, *words],
        capture_output=True,
        cwd=ROOT,
        timeout=30,
        check=False,
        env={**os.environ, "LC_ALL": "C", "TERM": "dumb", "NO_COLOR": "1", "PYTHONIOENCODING": "ascii:strict"},
    )
    assert b"\x1b" not in done.stdout
    assert b"Traceback" not in done.stderr


@pytest.mark.parametrize("words", [["mix", "--amount-ml", "40", "--solids", "25"], ["sounds"], ["probes"], ["checkup"]])
def test_an_output_without_degree_signs_gets_question_marks(words: list[str]) -> None:
    _, err = ran(words, subprocess.DEVNULL, PYTHONIOENCODING="ascii")
    assert "Traceback" not in err


def test_what_is_kept_as_a_file_is_utf_8_wherever_it_is_made() -> None:
    environment = {**os.environ, "PYTHONIOENCODING": "latin-1"}
    done = subprocess.run([*SENSORD, "config", "--example"], capture_output=True, cwd=ROOT, check=True, env=environment)
    assert "°C".encode() in done.stdout


def half(path: Path) -> None:
    path.write_text("half")
    raise OSError(28, "No space left on device")


def test_a_file_that_could_not_be_written_whole_is_gone_so_that_the_next_try_is_not_refused(tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    with pytest.raises(DataError, match=r"page\.html: cannot be written: no space left"), a_new_file(page) as path:
        half(path)
    assert not page.exists()
    with a_new_file(page) as path:
        path.write_text("whole")
    with pytest.raises(DataError, match="nothing is overwritten"), a_new_file(page):
        pass
    assert page.read_text() == "whole"
