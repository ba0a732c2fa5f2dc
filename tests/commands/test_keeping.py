"""The keeper's commands as they are typed: `feed`, `weigh`, `chick`, `history`, `export`, `import`."""

import io
import json
import sqlite3
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from sensord.care.chicks import Crop
from sensord.cli import main
from sensord.clock import SystemClock
from sensord.commands.given import number
from sensord.commands.keeping import moment
from sensord.config.folders import Places
from sensord.config.sections import Config
from sensord.errors import DataError
from sensord.run.journal import Journal
from sensord.run.service import build

NOW = datetime.fromtimestamp(SystemClock().utc_seconds(), tz=UTC)


class Shell:
    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self.capsys = folder, capsys

    def __call__(self, *words: str, socket: bool = True) -> tuple[int, str, str]:
        places = ["--state", str(self.folder)] + (["--socket", str(self.folder / "none")] if socket else [])
        code = main([*words, *places])
        said = self.capsys.readouterr()
        return code, said.out, said.err


@pytest.fixture
def shell(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Shell:
    return Shell(tmp_path, capsys)


def test_an_evening_at_the_brooder(shell: Shell) -> None:
    yesterday = (NOW - timedelta(days=1)).isoformat()
    assert shell("chick", "Pip", "--kind", "rock pigeon", "--hatched", "2026-01-02") == (0, "pip added\n", "")
    assert shell("weigh", "pip", "45.2", "--at", yesterday)[:2][0] == 0
    assert shell("weigh", "pip", "48")[1] == "pip: 48 g, +2.8 g/day (+6 %)\n"
    code, out, _ = shell("feed", "pip", "4.5", "--crop", "empty")
    assert (code, out) == (0, "pip: 4.5 ml, crop empty before\n")
    code, out, _ = shell("feed")
    assert code == 0
    assert "4.5 ml" in out
    assert "3–5 ml a feed" in out
    assert "one feed of all: 4.0 ml; `sensord mix --from-log` plans the bowl" in out
    code, out, _ = shell("mix", "--from-log", "--solids", "25", "--bowl", "none", socket=False)
    assert code == 0
    assert out.startswith("4 ml of paste, 25 % solids")
    code, out, _ = shell("weigh", "pip", "--json")
    assert json.loads(out)[0]["mornings"][-1]["grams"] == 48


def test_a_crop_is_said_in_the_words_that_the_help_names(shell: Shell) -> None:
    with pytest.raises(SystemExit):
        main(["feed", "--help"])
    said = " ".join(shell.capsys.readouterr().out.split())
    assert all(crop in said for crop in Crop)
    shell("chick", "pip")
    code, out, _ = shell("feed", "pip", "4", "--crop", "half")
    assert (code, "crop: give one of 'empty', 'nearly' or 'full'" in out) == (1, True)


def test_a_full_crop_brings_the_caution_at_once(shell: Shell) -> None:
    shell("chick", "pip")
    code, out, _ = shell("feed", "pip", "--crop", "full")
    assert code == 0
    assert "do not add more" in out
    assert "avian vet now" in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["feed", "pop", "4"], "there is no chick 'pop' (known: pip)"),
        (["feed", "pip", "4", "--at", "2199-01-01"], "cannot be in the future"),
        (["feed", "pip", "-4"], "is no feed"),
        (["weigh", "pip", "452"], "g or dg? Perhaps 45.2"),
        (["chick", "no good"], "will not do as a chick's name"),
        (["chick", "pip", "--hatched", "4 May"], "is no date"),
    ],
)
def test_a_slip_is_answered_with_a_sentence_and_changes_nothing(shell: Shell, words: list[str], said: str) -> None:
    shell("chick", "pip")
    shell("weigh", "pip", "45.2")
    before = shell("export", "all", socket=False)[1]
    code, out, err = shell(*words)
    assert code in (1, 2)
    assert said in out + err
    assert shell("export", "all", socket=False)[1] == before


def test_a_slip_seen_too_late_is_taken_back(shell: Shell) -> None:
    shell("chick", "pip")
    shell("weigh", "pip", "45.2")
    shell("weigh", "pip", "54.2")
    shell("feed", "pip", "4.5")
    assert shell("weigh", "pip", "--undo")[:2] == (0, "pip: took back 54.2 g\n")
    assert shell("feed", "pip", "--undo")[:2] == (0, "pip: took back 4.5 ml\n")
    code, out, _ = shell("feed", "pip", "--undo")
    assert (code, "no feed of pip within a day" in out) == (1, True)
    assert shell("export", "weighing", socket=False)[1].count("pip") == 1


def test_export_and_import_through_files(shell: Shell, tmp_path: Path) -> None:
    shell("chick", "pip")
    shell("weigh", "pip", "45.2")
    out = tmp_path / "all.jsonl"
    assert shell("export", "all", "--out", str(out), socket=False)[1] == f"2 rows in {out}\n"
    assert "nothing is overwritten" in shell("export", "all", "--out", str(out), socket=False)[2]
    other = Shell(tmp_path / "other", shell.capsys)
    assert other("import", str(out), socket=False)[1] == "2 rows taken, 0 were there already\n"
    assert other("export", "all", socket=False)[1] == out.read_text()


def test_a_copy_is_made_and_checked(shell: Shell, tmp_path: Path) -> None:
    assert shell("history", socket=False)[0] == 2
    shell("chick", "pip")
    code, out, _ = shell("history", "--check", "--backup", str(tmp_path / "copy.db"), socket=False)
    assert code == 0
    assert "checked: sound" in out
    assert (tmp_path / "copy.db").exists()
    assert "nothing is overwritten" in shell("history", "--backup", str(tmp_path / "copy.db"), socket=False)[2]


def test_times_as_people_write_them() -> None:
    noon = datetime(2031, 5, 4, 12, 0).astimezone()
    assert moment("06:30", noon.timestamp()) == noon.replace(hour=6, minute=30).timestamp()
    early = noon.replace(hour=0, minute=20)
    assert moment("23:50", early.timestamp()) == (early - timedelta(minutes=30)).timestamp()
    assert moment("13:00", noon.timestamp()) == noon.replace(hour=13).timestamp()
    assert moment("2031-05-04T06:30:00Z") == datetime(2031, 5, 4, 6, 30, tzinfo=UTC).timestamp()
    with pytest.raises(DataError, match="write 06:30"):
        moment("half past six")


def test_a_running_daemon_writes_the_entry_and_answers_after_its_commit(shell: Shell, tmp_path: Path) -> None:
    socket = tmp_path / "control.sock"
    daemon = build(Config(), SystemClock(), Places(tmp_path, socket), Journal(io.StringIO()))
    thread = threading.Thread(target=daemon.run)
    thread.start()
    try:
        place = ["--socket", str(socket)]
        assert shell("chick", "pip", *place, socket=False) == (0, "pip added\n", "")
        assert shell("weigh", "pip", "45.2", *place, socket=False)[1].startswith("pip: 45.2 g")
        code, out, _ = shell("weigh", "pip", "452", *place, socket=False)
        assert (code, "g or dg?" in out) == (1, True)
        assert shell("feed", "pip", "4.5", "--crop", "empty", *place, socket=False)[0] == 0
        # Without the socket the command would have to write itself, and the daemon holds the file.
        assert "another sensord writes this history" in shell("weigh", "pip", "46")[2]
    finally:
        daemon.stop()
        thread.join()
    assert "45.2" in shell("export", "weighing", socket=False)[1]
    assert "acknowledge" not in shell("export", "command", socket=False)[1]
    assert shell("export", "command", socket=False)[1].count("weigh,control") == 2


def test_a_bowl_from_the_log_needs_a_weight_and_no_other_amount(shell: Shell) -> None:
    shell("chick", "pip")
    code, _, err = shell("mix", "--from-log", "--solids", "25", socket=False)
    assert (code, "no chick of the log has a weight" in err) == (2, True)
    code, _, err = shell("mix", "--from-log", "--amount-ml", "20", "--solids", "25", socket=False)
    assert (code, "says how much already" in err) == (2, True)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["feed", "pip", "nan"], "'nan' is no number: write it like 4.5"),
        (["weigh", "pip", "inf"], "'inf' is no number: write it like 4.5"),
        (["feed", "pip", "lots"], "'lots' is no number: write it like 4.5"),
        (["feed", "", "4"], "is no name for a chick"),
        (["chick", "x" * 33], "is no name for a chick"),
    ],
)
def test_a_slip_on_the_command_line_is_told_with_its_remedy(
    words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        main(words)
    assert ended.value.code == 2
    assert said in capsys.readouterr().err


def test_a_decimal_comma_is_a_decimal_point() -> None:
    assert number("4,5") == 4.5


def test_an_entry_that_is_refused_begins_no_history(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shell = Shell(tmp_path / "state", capsys)
    assert shell("feed", "pip", "4")[0] == 1
    assert shell("chick", "pip", "--hatched", "4 May")[0] == 1
    assert not (tmp_path / "state").exists()


def test_an_unknown_chick_is_told_alike_by_every_verb(shell: Shell) -> None:
    shell("chick", "pip")
    for words in (["feed", "pop", "4"], ["weigh", "pop", "40"], ["weigh", "pop"]):
        code, out, err = shell(*words)
        assert code == 1
        assert "there is no chick 'pop' (known: pip)" in out + err
    code, _, err = shell("report", "chick", "pop", socket=False)
    assert (code, "there is no chick 'pop' (known: pip)" in err) == (1, True)


def test_a_brooder_that_the_config_does_not_have_is_refused_with_those_it_has(tmp_path: Path, shell: Shell) -> None:
    config = tmp_path / "sensord.toml"
    config.write_text(
        '[probes.air]\nrom = "28-0000072431ab"\nplace = "brooder"\n'
        '[brooders.nest]\nprobes = ["air"]\nband = { low_celsius = 33, high_celsius = 36 }\n'
    )
    code, _, err = shell("chick", "pip", "--brooder", "nowhere", "--config", str(config))
    assert (code, "known are nest" in err) == (2, True)
    assert shell("chick", "pip", "--brooder", "nest", "--config", str(config))[0] == 0


def test_a_kind_without_a_feed_table_is_taken_and_said(shell: Shell) -> None:
    code, out, _ = shell("chick", "pip", "--kind", "rock pidgeon")
    assert code == 0
    assert "no feed table is for 'rock pidgeon' (there are: rock pigeon, " in out
    assert shell("chick", "pip", "--kind", "Rock-Pigeon")[1] == "pip changed\n"


def test_a_history_without_readings_and_a_log_without_chicks_say_so(shell: Shell) -> None:
    shell("chick", "pip")
    assert "no reading yet\n1 chick\n" in shell("history", socket=False)[1]
    shell("chick", "pip", "--left", "2026-01-02")
    assert shell("weigh")[1].startswith("no chicks yet")


def test_a_value_that_is_too_long_or_too_large_is_told_in_plain_words(shell: Shell) -> None:
    shell("chick", "pip")
    assert "note: give at most 200 characters" in shell("feed", "pip", "--note", "x" * 300)[1]
    assert "every_hours: give at most 24" in shell("chick", "pip", "--every", "99h")[1]


def test_a_damaged_history_is_told_once_with_the_remedy(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "history.db").write_text("no database, however long it is" * 40)
    code, _, err = Shell(tmp_path, capsys)("history", socket=False)
    assert code == 2
    assert "put a copy in its place" in err
    assert len(err.splitlines()) == 1


@pytest.mark.parametrize(
    "words",
    [
        ["weigh", "pip", "5e-324", "--sure"], ["weigh", "pip", "0", "--sure"], ["weigh", "pip", "1e308", "--sure"],
        ["weigh", "pip", "--sure", "--", "-1"], ["weigh", "pip", "nan"], ["weigh", "pip", "inf"],
        ["feed", "pip", "1e308", "--sure"], ["feed", "pip", "4", "--celsius", "1e308", "--sure"],
        ["feed", "pip", "--celsius", "1e308", "--sure"], ["feed", "pip", "4", "--celsius", "-300", "--sure"],
        ["feed", "pip", "4", "--at", "1969-12-31T12:00"], ["feed", "pip", "4", "--at", "9999-12-31T23:59"],
        ["feed", "pip", "4", "--at", "10000-01-01T00:00"], ["feed", "pip", "4", "--at", "0001-01-01"],
        ["chick", "dot", "--hatched", "0001-01-01"], ["chick", "dot", "--hatched", "10000-01-01"],
        ["chick", "dot", "--left", "1066-10-14"], ["chick", "dot", "--every", "1e-9h"], ["chick", "dot\x00"],
        ["chick", "../dot"], ["feed", "pip", "4", "--note", "x" * 201], ["weigh", "pip", "9" * 300],
    ],
)  # fmt: skip
def test_what_cannot_be_is_not_entered_and_one_sentence_says_so(shell: Shell, words: list[str]) -> None:
    assert shell("chick", "pip")[0] == 0
    try:
        code, out, err = shell(*words[:1], *words[1:])
    except SystemExit as refused:  # by the parser of the command line
        code, out, err = int(refused.code or 0), "", shell.capsys.readouterr().err
    said = (out + err).strip()
    assert code in (1, 2), said
    assert said
    assert "Traceback" not in said
    assert max(map(len, said.splitlines())) < 400
    code, out, _ = shell("export", "all", "--format", "jsonl", socket=False)
    assert [json.loads(line)["table"] for line in out.splitlines()] == ["chick"]


def test_what_is_stored_and_cannot_be_is_shown_as_such_and_ends_nothing(shell: Shell, tmp_path: Path) -> None:
    """One imported negative weight ended every report of its chick for good."""
    for day in range(6):
        shell("chick", "pip", "--hatched", "2026-01-02", "--kind", "cockatiel")
        at = (NOW - timedelta(days=6 - day)).isoformat()
        assert shell("weigh", "pip", f"{40 + 3 * day}", "--at", at)[0] == 0
    assert shell("feed", "pip", "4", "--crop", "empty")[0] == 0
    good = shell("weigh", "pip", socket=True)
    connection = sqlite3.connect(tmp_path / "history.db")
    weight = "INSERT INTO weighing (at_ms, sure, chick, grams, note, origin) VALUES (?, 1, 'pip', ?, '', 'control')"
    now_ms = round(NOW.timestamp() * 1000)
    for grams in (5e-324, 0.0, -3.0, 1e308, "heavy"):
        connection.execute(weight, (now_ms - 1000, grams))
    connection.execute("UPDATE feed SET celsius = 1e308, crop = 'stuffed', millilitres = -4")
    connection.execute("INSERT INTO chick (name, kind, mark, brooder, hatched) VALUES ('dot', '', '', '', 'soon')")
    connection.commit()
    connection.close()
    code, out, _ = shell("weigh", "pip")
    assert (code, out.startswith(good[1]), "! Left out of the log: grams" in out) == (0, True, True)
    code, out, _ = shell("feed")
    assert code == 0
    assert "Left out of the log: grams: 5e-324 cannot be" in out
    assert "crop: stuffed cannot be" in out
    assert "dot" in shell("chick")[1]
    code, out, err = shell("history", "--check", socket=False)
    assert code == 1
    assert out.count("cannot be: ") >= 7, out + err
    assert "weighing 7: grams: 5e-324 cannot be" in out
    code, _, err = shell("export", "all", "--out", str(tmp_path / "all.jsonl"), socket=False)
    assert code == 0
    assert "7 of them hold what cannot be" in err
    code, _, err = shell("report", "chick", "pip", "--out", str(tmp_path / "pip.html"), socket=False)
    assert code == 0, err
    assert shell("weigh", "pip", "60")[0] == 0
    undone = [shell("weigh", "pip", "--undo")[1] for _ in range(6)]
    assert undone[:2] == ["pip: took back 60 g\n", "pip: took back 'heavy'\n"]
    assert undone[-1] == "pip: took back 4.94066e-324 g\n"
