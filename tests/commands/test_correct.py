"""`sensord correct` as typed, with numbers and against a real control socket."""

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from sensord.cli import main
from sensord.commands.correct import dish_now
from sensord.errors import CommandError, DataError
from sensord.readings import Band, Interval
from sensord.watch.effects import DishState
from sensord.watch.views import DishView, Snapshot
from tests.helpers.fake_daemon import FakeDaemon

HOT = DishView(
    name="dish",
    probe="dish",
    state=DishState.HOT,
    verdict=None,
    band=Band(36.0, 38.0),
    band_source="an invented one",
    why="above the band",
    reading_celsius=40.6,
    estimate_celsius=Interval(41.0, 40.7, 41.3),
)
GIVEN = ["--ml", "40", "--solids", "25", "--bowl", "steel:90"]


@pytest.fixture
def config(tmp_path: Path) -> str:
    path = tmp_path / "sensord.toml"
    path.write_text("", encoding="utf-8")
    return str(path)


def said(capsys: pytest.CaptureFixture[str], code: int, *arguments: str) -> str:
    assert main(["correct", *arguments]) == code
    printed = capsys.readouterr()
    return printed.err if code == 2 else printed.out


def test_a_hot_dish_gets_cool_water(config: str, capsys: pytest.CaptureFixture[str]) -> None:
    lines = said(capsys, 0, "--config", config, "--celsius", "41", *GIVEN).splitlines()
    assert lines[0] == "Stir in 8.5 ml of cool water (18 °C)."
    assert "Now:  41.0 °C, 40 ml, 25 % solids" in lines
    assert any(line.startswith("Then: 37.0 °C (") and line.endswith("49 ml, 21 % solids") for line in lines)
    assert not any("microwave" in line for line in lines)


def test_a_cool_dish_gets_hot_water_and_is_told_of_the_microwave_once(
    config: str, capsys: pytest.CaptureFixture[str]
) -> None:
    told = said(capsys, 0, "--config", config, "--celsius", "33", *GIVEN)
    assert told.startswith("Stir in 3.5 ml of hot water (96 °C).")
    assert told.count("microwave") == 1
    assert "scalds skin at once" in told


def test_where_water_would_thin_it_too_far_a_bath_is_named_with_the_reason(
    config: str, capsys: pytest.CaptureFixture[str]
) -> None:
    told = said(capsys, 0, "--config", config, "--celsius", "45", "--age-days", "12", *GIVEN)
    assert told.startswith("Stand the bowl in water of 18 °C for 50 to 120 s, stirring all the while.")
    assert "Why no water: water alone would thin it to 17 %, under the 20 % allowed" in told
    assert "43 °C and over burns a crop" in told


def test_a_dish_in_its_band_is_left_alone(config: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert said(capsys, 0, "--config", config, "--celsius", "37", *GIVEN).startswith("Leave it")


def test_what_cannot_be_done_is_exit_1(config: str, capsys: pytest.CaptureFixture[str]) -> None:
    options = ["--config", config, "--celsius", "30", *GIVEN, "--kettle", "36"]
    assert said(capsys, 1, *options).startswith("Can't be done: the hot water (36 °C) is not above 37.0 °C")
    assert json.loads(said(capsys, 1, *options, "--json"))["do"] == "refused"


def test_json_says_what_to_do(config: str, capsys: pytest.CaptureFixture[str]) -> None:
    told = json.loads(said(capsys, 0, "--config", config, "--celsius", "41", "--json", *GIVEN))
    assert told["do"] == "water"
    assert told["temper"] == "cool"
    assert told["celsius"] == 37
    told = json.loads(said(capsys, 0, "--config", config, "--celsius", "50", "--json", *GIVEN))
    assert told["do"] == "bath"
    assert told["low_seconds"] < told["seconds"] < told["high_seconds"]


def test_grams_stand_for_millilitres(config: str, capsys: pytest.CaptureFixture[str]) -> None:
    options = ["--config", config, "--celsius", "41", "--solids", "25", "--grams", "42.5"]
    assert "41.0 °C, 40 ml" in said(capsys, 0, *options)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ([], "say how warm the paste is"),
        (["--celsius", "130"], "--celsius 130: give 0 to 101 °C"),
        (["--celsius", "40", "--solids", "0"], "--solids 0: give more than 0"),
        (["--celsius", "40", "--solids", "61"], "--solids 61: give more than 0 and at most 60 %"),
        (["--celsius", "40"], "say how thick it is"),
        (["--celsius", "40", "--solids", "20", "--ml", "-1"], "--ml -1: give more than 0"),
        (["--celsius", "40", "--solids", "20", "--grams", "0"], "--grams 0: give more than 0"),
        (["--celsius", "40", "--solids", "20", "--grams", "9", "--ml", "9"], "twice"),
        (["--celsius", "40", "--solids", "20", "--bowl", "glass:0"], "--bowl glass:0: a bowl of 0 g is none"),
        (["--celsius", "40", "--live"], "twice"),
        (["--celsius", "30", "--solids", "20", "--kettle", "98", "--altitude", "1600"], "water boils at 94.6 °C"),
    ],
)
def test_bad_input_names_the_option_and_computes_nothing(
    options: list[str], words: str, config: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["correct", "--config", config, *options]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert words in printed.err


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[FakeDaemon]:
    daemon = FakeDaemon(tmp_path / "control.sock")
    yield daemon
    daemon.close()


def test_live_takes_the_estimate_of_the_running_daemon(
    daemon: FakeDaemon, config: str, capsys: pytest.CaptureFixture[str]
) -> None:
    daemon.show(Snapshot(unit="nursery", seconds=0.0, utc_seconds=None, dishes=(HOT,)))
    told = said(capsys, 0, "--config", config, "--live", "--socket", str(daemon.path), *GIVEN)
    assert told.startswith("Stir in 8.5 ml of cool water")


def test_live_refuses_a_dish_whose_probe_is_out_of_the_paste(
    daemon: FakeDaemon, config: str, capsys: pytest.CaptureFixture[str]
) -> None:
    away = replace(HOT, state=DishState.AWAY)
    daemon.show(Snapshot(unit="nursery", seconds=0.0, utc_seconds=None, dishes=(away,)))
    told = said(capsys, 1, "--config", config, "--live", "--socket", str(daemon.path), *GIVEN)
    assert told == "no: dish: the probe is not in the paste: put it in\n"


def test_live_needs_a_daemon(config: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told = said(capsys, 2, "--config", config, "--live", "--socket", str(tmp_path / "none"), *GIVEN)
    assert "start it with `sensord run`" in told


def test_a_dish_is_found_by_its_name_or_by_being_the_only_one() -> None:
    second = replace(HOT, name="second", estimate_celsius=None)
    both = Snapshot(unit="nursery", seconds=0.0, utc_seconds=None, dishes=(HOT, second))
    assert dish_now(both, "dish") == 41.0
    assert dish_now(both, "second") == 40.6
    with pytest.raises(DataError, match=r"--live: say which dish \(dish, second\)"):
        dish_now(both, "")
    with pytest.raises(DataError, match="--live soup: say which dish"):
        dish_now(both, "soup")
    with pytest.raises(DataError, match="watches no dish"):
        dish_now(Snapshot(unit="nursery", seconds=0.0, utc_seconds=None), "")


@pytest.mark.parametrize(
    "view",
    [
        replace(HOT, state=DishState.OLD),
        replace(HOT, state=DishState.UNKNOWN),
        replace(HOT, estimate_celsius=None, reading_celsius=None),
    ],
)
def test_a_dish_without_a_temperature_worth_correcting_is_refused(view: DishView) -> None:
    with pytest.raises(CommandError):
        dish_now(Snapshot(unit="nursery", seconds=0.0, utc_seconds=None, dishes=(view,)), "dish")
