"""What a report takes in and what it leaves to the reader: feeds of a round, chicks that have gone, long lists."""

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from sensord.history.history_reader import HistoryReader
from sensord.report.report_data import Report, gather_report
from sensord.report.report_words import happenings, look_first, short_form, vet_rows
from tests.helpers.sample_history import NIGHT, make

END = NIGHT.timestamp()
DAY = 86_400.0


def report(path: Path, days: float = 0.5) -> Report:
    with HistoryReader(path) as reader:
        return gather_report(reader, END - days * DAY, END, END, "t", "nursery", "0", {"brooder": ["left", "right"]})


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return make(tmp_path, chicks=2, days=5)


def feed(path: Path, at: float, millilitres: float) -> None:
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(
            "INSERT INTO feed (at_ms, sure, chick, millilitres, crop, celsius, note, origin)"
            " VALUES (?, 1, 'pip', ?, 'empty', NULL, '', 'control')",
            (round(at * 1000), millilitres),
        )


@pytest.mark.parametrize(("after_seconds", "counts"), [(-130, 0), (-110, 1), (2690, 1), (2710, 0)])
def test_a_feed_belongs_to_the_round_from_two_minutes_before_its_lift_for_three_quarters_of_an_hour(
    path: Path, after_seconds: float, counts: int
) -> None:
    before = report(path).rounds
    feed(path, before[0].row.utc_seconds + after_seconds, 3.25)
    after = report(path).rounds
    assert len(after[0].feeds) - len(before[0].feeds) == counts
    assert [len(one.feeds) for one in after[1:]] == [len(one.feeds) for one in before[1:]]


@pytest.mark.parametrize(("gone", "is_there"), [("2024-05-03", False), ("2024-05-04", True), ("2024-06-01", True)])
def test_a_chick_that_had_gone_before_is_left_out(path: Path, gone: str, is_there: bool) -> None:
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE chick SET gone = ? WHERE name = 'dot'", (gone,))
    assert ("dot" in {part.chick.name for part in report(path).chicks}) is is_there


def test_the_share_of_the_weight_is_that_of_one_day(path: Path) -> None:
    for at in range(4):
        feed(path, END - (at + 0.4) * DAY, 1.0)
    rows = {days: vet_rows(report(path, days))[-1] for days in (1.0, 4.0)}
    shares = {days: float(row["of weight"].removesuffix(" %")) for days, row in rows.items()}
    assert shares[4.0] < 1.6 * shares[1.0]  # a chick that grows takes more each day, never four times as much
    assert shares[4.0] > 0.3 * shares[1.0]


def test_a_list_that_is_too_long_keeps_its_end(path: Path) -> None:
    found = report(path)
    last = happenings(found)[-1]
    told = short_form(found, most=1)
    assert last.words in "\n".join(told)
    assert f"  and {len(happenings(found)) - 1} earlier" in told


def test_a_page_keeps_the_latest_and_counts_the_rest(path: Path) -> None:
    pytest.importorskip("matplotlib")
    from sensord.report.report_page import page

    found = report(path)
    (first, *_) = found.alarms
    alarms = tuple(replace(first, raised=found.start + number, place=f"place-{number}") for number in range(130))
    shouting = replace(found.chicks[0], left_out=tuple(f"reason {number}" for number in range(20)))
    crowded = replace(found, alarms=alarms, gaps=(), rounds=(), brooders=(), chicks=(shouting,))
    text = page(crowded)
    assert ("place-0:" in text, "place-129:" in text) == (False, True)
    assert "and 10 earlier" in text
    look = look_first(crowded)
    assert (look[11] in text, look[12] in text) == (True, False)
    assert f"and {len(look) - 12} more" in text
