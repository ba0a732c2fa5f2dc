"""What a history holds that cannot be ends no report: it is left out, and said."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from sensord.cli import main
from tests.helpers.sample_history import NIGHT, make

AT_MS = round(NIGHT.timestamp() * 1000) - 3_600_000
ODD: dict[str, list[dict[str, object]]] = {
    "weighing": [
        {"at_ms": AT_MS + n, "sure": 1, "chick": "pip", "grams": grams, "note": "", "origin": "control"}
        for n, grams in enumerate((5e-324, 0.0, -3.0, 1e308, float("inf")))
    ]
    + [
        {"at_ms": at, "sure": 1, "chick": "pip", "grams": 40.0, "note": "", "origin": "x"}
        for at in (10**18, -(10**15))
    ],
    "feed": [
        {"at_ms": AT_MS, "sure": 1, "chick": "pip", "millilitres": ml, "crop": crop, "celsius": celsius, "note": "\x1b",
         "origin": "control"}
        for ml, crop, celsius in ((1e308, "stuffed", 1e308), (5e-324, "empty", -400.0))
    ],
    "alarm": [
        {"at_ms": AT_MS, "sure": 1, "place": "brooder", "condition": "too-cold", "priority": "high",
         "state": "unacknowledged", "previous": "normal", "celsius": 1e308, "origin": "x", "seen": "", "do_first": ""}
    ],
    "feed_round": [
        {"at_ms": AT_MS, "sure": 1, "dish": "dish", "batch_ms": None, "ready_ms": AT_MS - 9000, "celsius": 1e308},
        {"at_ms": AT_MS, "sure": 1, "dish": "dish", "batch_ms": -5, "ready_ms": 10**18, "celsius": 36.0},
    ],
    "power_gap": [
        {"at_ms": AT_MS, "sure": 1, "gap_seconds": 1e300, "before": '{"left": 1e308}', "after": '{"left": [[['}
    ],
    "band": [
        {"at_ms": AT_MS, "sure": 1, "place": "brooder", "low_celsius": 1e308, "high_celsius": -5.0, "source": "x",
         "pinned": 0}
    ],
    "minute": [
        {"at_s": AT_MS // 60_000 * 60 + 7, "probe": 1, "low": -(10**17), "mean": 10**17, "high": 10**18, "count": 60,
         "faults": 0}
    ],
    "chick": [
        {"name": "first", "kind": "", "hatched": "0001-01-01", "mark": "", "brooder": "", "gone": None,
         "every_hours": 1e-300},
        {"name": "last", "kind": "", "hatched": "never", "mark": "", "brooder": "", "gone": "9999-12-31",
         "every_hours": 3.0},
    ],
}  # fmt: skip


@pytest.fixture(scope="module")
def odd(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a history with an impossible row of everything."""
    path = make(tmp_path_factory.mktemp("odd"), chicks=2, days=4)
    with closing(sqlite3.connect(path)) as connection, connection:
        for table, rows in ODD.items():
            for row in rows:
                names, marks = ", ".join(row), ", ".join("?" * len(row))
                connection.execute(f"INSERT INTO {table} ({names}) VALUES ({marks})", tuple(row.values()))
    return path.parent


@pytest.mark.parametrize(
    "words",
    [
        ["night", "2024-05-05"], ["day", "2024-05-04"], ["span", "--from", "2024-05-01", "--to", "2024-05-06"],
        ["span", "--from", "1970-01-02", "--to", "4800-01-01"], ["chick", "pip"], ["chick", "first"], ["chick", "last"],
    ],
    ids=" ".join,
)  # fmt: skip
def test_every_report_is_written_all_the_same(odd: Path, tmp_path: Path, words: list[str]) -> None:
    assert main(["report", *words, "--state", str(odd)]) == 0
    pytest.importorskip("matplotlib")
    assert main(["report", *words, "--state", str(odd), "--out", str(tmp_path / "page.html")]) == 0
    page = (tmp_path / "page.html").read_text()
    assert "0" * 40 not in page
    assert "\x1b" not in page


def test_what_was_left_out_is_said(odd: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for words in (["report", "night", "2024-05-05"], ["weigh", "pip"]):
        main([*words, "--state", str(odd)])
        said = capsys.readouterr().out
        for value in ("5e-324", "-3.0", "1e+308", "stuffed", "-400.0"):
            assert f": {value} cannot be" in said, (words, value)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["day", "9999-12-31"], "lies outside of what a log can hold"),
        (["night", "0001-01-01"], "is no time"),
        (["day", "1969-12-30"], "lies outside"),
        (["night", "4262-05-05"], "the night of 4 to 5 May 4262 has not begun yet"),
    ],
)
def test_a_day_that_no_log_can_hold_is_refused_in_a_sentence(
    odd: Path, capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    assert main(["report", *words, "--state", str(odd)]) == 2
    assert said in capsys.readouterr().err
