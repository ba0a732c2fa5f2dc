"""`sensord brooder` as a keeper types it."""

import json
from pathlib import Path

import pytest

from sensord.cli import main

PINNED = """
[probes.air]
rom = "28-0000072431ab"
place = "brooder"
[brooders.nest]
probes = ["air"]
profile = "parrots"
stage = "naked"
"""


def test_the_plan_of_a_profile_is_shown_day_by_day(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["brooder", "--profile", "songbirds", "--stage", "nestling", "--days", "3"]) == 0
    out = capsys.readouterr().out
    assert out.count("32.2–35.0 °C") == 3
    assert "├" in out
    assert "licensed" in out


def test_json_has_one_object_a_day(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["brooder", "--profile", "parrots", "--stage", "naked", "--days", "2", "--json"]) == 0
    days = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [day["low_celsius"] for day in days] == [35.0, 35.0]
    assert days[0]["checked"] is True


def test_a_pinned_band_is_shown_as_such(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "sensord.toml"
    path.write_text(PINNED + "band = { low_celsius = 33.0, high_celsius = 35.0 }\n")
    assert main(["brooder", "--config", str(path)]) == 0
    assert "pinned at 33.0–35.0 °C" in capsys.readouterr().out
    path.write_text(PINNED)
    assert main(["brooder", "--config", str(path), "--days", "1"]) == 0
    assert "35.0–36.1 °C" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (["--profile", "dodo", "--stage", "naked"], "no profile 'dodo'"),
        (["--profile", "parrots", "--stage", "nackt"], "no stage 'nackt'"),
        (["--profile", "parrots", "--hatched", "2999-01-01"], "lies in the future"),
        (["--stage", "naked"], "go with --profile"),
        (["--profile", "parrots", "--stage", "naked", "--days", "0"], "give 1 to 120"),
        (["--config", "/nowhere/sensord.toml"], "no such file"),
    ],
)
def test_wrong_requests_are_answered_with_the_reason(
    given: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["brooder", *given]) == 2
    assert said in capsys.readouterr().err
