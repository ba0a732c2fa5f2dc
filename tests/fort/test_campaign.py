"""The campaign's own rows at a small count, and that they would tell a broken promise."""

from pathlib import Path

import pytest

from sensord.watch import nursery
from sensord.watch.alarms import alarm_book, alarms
from sensord.watch.routing import Change
from sensord.watch.state import Nursery, NurserySettings
from tests.fort import damage, random_steps
from tests.fort.__main__ import ROWS
from tests.fort.dish_steps import dish_steps
from tests.fort.rows import FortRow


def test_damaged_files_stop_nothing(tmp_path: Path) -> None:
    assert damage.damaged_files(tmp_path, 160).failures == ()


def test_random_steps_break_no_promise(tmp_path: Path) -> None:
    assert random_steps.random_steps(tmp_path, 4000).failures == ()
    assert dish_steps(tmp_path, 2000).failures == ()


def test_a_step_that_gives_no_answer_would_be_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def deaf(settings: NurserySettings, state: Nursery, event: object) -> Change:
        after, _ = nursery.step(settings, state, event)  # type: ignore[arg-type]  # any event
        return after, ()

    monkeypatch.setattr(random_steps, "step", deaf)
    assert any("0 answers" in failure for failure in random_steps.random_steps(tmp_path, 400).failures)


def test_a_danger_that_a_command_silences_at_once_would_be_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in (alarm_book, alarms):
        monkeypatch.setattr(module, "HEARD_SECONDS", 0.0)
    assert any("is not heard" in failure for failure in random_steps.random_steps(tmp_path, 4000).failures)


def test_a_file_that_ends_the_program_would_be_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def breaks(_folder: Path) -> None:
        raise ValueError("a traceback")

    monkeypatch.setitem(damage._OPENED, "night.csv", breaks)
    failures = damage.damaged_files(tmp_path, 8).failures
    assert [failure.split(",")[0] for failure in failures] == ["night.csv"]


def test_a_row_is_a_line_of_the_table() -> None:
    row = FortRow(attack="noise", count=50_000, failures=("a", "b"), silence_seconds=3.2, megabytes=(50.0, 52.5, 51.0))
    assert str(row) == "| noise | 50,000 | 2 | 3 s | 50.0, 52.5, 51.0 MB |  |  |"


def test_the_counts_are_those_that_the_fort_promises() -> None:
    counts = {name: count for name, (_, count) in ROWS.items()}
    assert counts["mqtt"] == 50_000
    assert counts["files"] == 15_700
    assert sum(count for name, count in counts.items() if name.startswith("steps")) == 12_700_000
    assert all(counts[name] == 100 for name in counts if name.startswith("kills"))
