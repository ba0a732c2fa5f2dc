"""What the dashboard says of the chicks: who is hungry first, what was written down, and reasons to look."""

from dataclasses import replace
from datetime import UTC

import pytest

from sensord.screens.chick_words import chick_words, next_feed_words
from sensord.screens.page import Look
from tests.screens.invented import AWAY, CHICKS, SNAPSHOTS, UTC_SECONDS, night
from tests.screens.test_dashboard import shown, words

PIP, DOT, NEW = CHICKS


def test_the_hungriest_chick_comes_first_with_its_plan_and_its_last_feed() -> None:
    lines = [line.strip() for line in shown(SNAPSHOTS["chicks"], Look(width=120, height=50))]
    dot, pip = (next(n for n, line in enumerate(lines) if line.startswith(name)) for name in ("dot", "pip"))
    assert dot < pip
    assert lines[dot].startswith(
        "dot   feed due now, until 03:35, up to 3.8 ml · fed 3.5 ml 3 h 20 min ago, crop was nearly"
    )
    assert "feed due 04:05 (in 50 min), 3.7–4.9 ml · fed 4 ml 2 h 10 min ago" in lines[pip]
    assert "41.2 g, +3.1 g a day" in lines[pip]
    assert "alarms today: 2" in words(lines)


@pytest.mark.parametrize("size", [(80, 24), (200, 50)], ids=str)
def test_reasons_to_look_are_there_at_every_size(size: tuple[int, int]) -> None:
    assert DOT.look[0] in words(shown(SNAPSHOTS["chicks"], Look(width=size[0], height=size[1], keys=True)))


def test_the_first_line_names_the_next_feed_while_all_is_right() -> None:
    assert "dot: feed due now, until 03:35, up to 3.8 ml" in shown(SNAPSHOTS["chicks"], Look(width=120, height=40))[0]
    assert next_feed_words(night(AWAY), UTC) == ""


def test_a_feed_long_missed_is_overdue() -> None:
    late = replace(PIP, overdue_utc_seconds=UTC_SECONDS - 60, due_late_utc_seconds=UTC_SECONDS - 5400)
    assert "pip: feed OVERDUE since 01:45" in chick_words(late, UTC_SECONDS)


def test_without_a_clock_nothing_is_said_of_times() -> None:
    pip = "pip: next feed not known, fed 4 ml, crop was empty, 41.2 g, +3.1 g a day, feeds today: 2"
    assert chick_words(PIP, None) == pip
    assert chick_words(NEW, UTC_SECONDS) == "new: next feed not known, no feed written down yet"
