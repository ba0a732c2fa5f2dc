"""The score tables of the pages are what the scorers print now, for the days and dishes that lie beside the tests."""

from collections.abc import Callable

import pytest

from tests.bench import score_brooders, score_dishes
from tests.helpers.program import ROOT


@pytest.mark.parametrize(
    ("page", "scorer", "folder"),
    [
        ("docs/dish-scores.md", score_dishes.main, "tests/data/dish"),
        ("docs/brooder.md", score_brooders.main, "tests/data/brooder"),
    ],
)
def test_the_page_shows_what_the_scorer_prints(
    page: str, scorer: Callable[[list[str]], int], folder: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert scorer([str(ROOT / folder)]) == 0
    assert capsys.readouterr().out.strip() in (ROOT / page).read_text()
