"""The page about alarms says what the code does."""

from tests.helpers.alarms_page import PAGE, page


def test_the_page_about_alarms_is_the_one_that_the_code_writes() -> None:
    assert PAGE.read_text() == page(), "run: python -m tests.helpers.alarms_page --write"
