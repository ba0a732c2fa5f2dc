"""A few faults of the campaign (`python -m tests.fort.faults` has all of them), done to a real daemon process."""

from pathlib import Path

import pytest

from tests.fort.faults import FAULTS, run_one

QUICK = (
    "full disk",
    "read-only disk from the start",
    "broker gone and back",
    "SIGKILL",
    "out of memory in a worker",
)


@pytest.mark.parametrize("name", QUICK)
def test_a_fault_is_survived(name: str, tmp_path: Path) -> None:
    outcome = run_one(name, tmp_path)
    if outcome.passed is None:
        pytest.skip(outcome.seen)
    assert outcome.passed, outcome.seen


def test_every_fault_of_the_campaign_has_a_story() -> None:
    assert set(QUICK) < set(FAULTS)
