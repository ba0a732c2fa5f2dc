"""What the soak and the benchmark page say of figures, tried on invented ones."""

from collections.abc import Callable

import pytest

from tests.bench.__main__ import Outcome, page
from tests.bench.soak import Sample, slope, verdicts


def month(megabytes: Callable[[float], float], kilobytes: Callable[[float], float] = lambda _: 9000.0) -> list[Sample]:
    days = [quarter / 4 for quarter in range(120)]
    return [Sample(day, megabytes(day), 17, 21, kilobytes(day)) for day in days]


def missed(samples: list[Sample]) -> list[str]:
    return [words.partition(":")[0] for met, words in verdicts(samples) if not met]


@pytest.mark.parametrize(
    ("megabytes", "grows"),
    [
        (lambda _: 50.0, []),
        (lambda day: 48.0 + min(day, 3.0), []),  # caches fill in the first days
        (lambda day: 50.0 + (1.0 if day > 20 else 0.0), []),  # one step
        (lambda day: 50.0 + 0.07 * day, ["memory"]),  # a creep
        (lambda day: 50.0 + (3.0 if day > 25 else 0.0), ["memory"]),  # a large step
    ],
)
def test_a_creep_of_memory_is_told_from_a_single_step(megabytes: Callable[[float], float], grows: list[str]) -> None:
    assert missed(month(megabytes)) == grows


def test_a_database_that_grows_too_fast_is_told() -> None:
    assert missed(month(lambda _: 50.0, lambda day: 9000.0 + 200.0 * day)) == ["databases"]
    assert slope(month(lambda _: 50.0, lambda day: 9000.0 + 200.0 * day), "database_kilobytes") == pytest.approx(200)


def test_a_thread_and_a_file_that_are_never_given_back_are_told() -> None:
    samples = [
        Sample(one.days, 50.0, 17 + int(one.days // 10), 21 + int(one.days // 10), 9000.0)
        for one in month(lambda _: 50.0)
    ]
    assert missed(samples) == ["threads", "open files"]


def test_the_page_lists_each_target_with_its_verdict_and_shows_what_was_printed() -> None:
    lines = ("a row", "target: so and so, at most: 2: met", "target: a redraw under 100 ms: MISSED")
    made = page([Outcome("dashboard", lines, 1)], 3.2, (0.1, 2.0))
    assert "| [dashboard](#dashboard) | so and so, at most: 2 | met |" in made
    assert "| [dashboard](#dashboard) | a redraw under 100 ms | MISSED |" in made
    assert "`python -m tests.bench.dashboard`\n\n```\na row\n```" in made
    assert max(len(line) for line in made.splitlines()) <= 120
