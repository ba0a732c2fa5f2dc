"""`sensord mix` as typed."""

import json
from pathlib import Path

import pytest

from sensord.cli import main

CONFIG = """
[formula]
solids_percent = 25

[bowl]
material = "steel"
grams = 90
"""


@pytest.fixture
def config(tmp_path: Path) -> str:
    path = tmp_path / "sensord.toml"
    path.write_text(CONFIG, encoding="utf-8")
    return str(path)


def said(capsys: pytest.CaptureFixture[str], code: int, *arguments: str) -> str:
    """What the command printed on the stream that fits its exit code."""
    assert main(["mix", *arguments]) == code
    printed = capsys.readouterr()
    return printed.err if code == 2 else printed.out


def test_the_steps_are_dry_then_hot_then_cool_then_wait(config: str, capsys: pytest.CaptureFixture[str]) -> None:
    lines = said(capsys, 0, "--config", config, "--chicks", "4", "--feed-ml", "8").splitlines()
    assert lines[0] == "35 ml of paste, 25 % solids, about 37 °C when you feed it"
    steps = [line for line in lines if line.startswith("  ")]
    assert [step.split(".")[0].strip() for step in steps] == ["1", "2", "3", "4"]
    for step, words in zip(steps, ("dry formula", "hot water", "cool water", "ready tone"), strict=True):
        assert words in step
    assert lines[-1] == "Caution: water of 96 °C scalds skin at once."


def test_json_carries_the_whole_plan(config: str, capsys: pytest.CaptureFixture[str]) -> None:
    told = json.loads(said(capsys, 0, "--config", config, "--amount-ml", "40", "--kettle", "95", "--json"))
    assert told["possible"] is True
    assert told["yield_millilitres"] == pytest.approx(40, abs=0.01)
    assert told["solids_percent"] == 25
    assert told["low_celsius"] < told["fed_celsius"] == 37 < told["high_celsius"]
    assert told["band_source"].startswith("common practice, no source")


def test_scoops_say_what_the_rounded_scoops_really_make(config: str, capsys: pytest.CaptureFixture[str]) -> None:
    options = ["--config", config, "--amount-ml", "60", "--ratio", "1:2", "--scoop-ml", "10"]
    told = json.loads(said(capsys, 0, *options, "--json"))
    assert all((4 * told[key]).is_integer() for key in ("dry_scoops", "hot_scoops", "cool_scoops"))
    assert told["dry_grams"] == pytest.approx(told["dry_scoops"] * 10 * 0.45)
    assert told["hot_millilitres"] == pytest.approx(told["hot_scoops"] * 10)
    weighed = json.loads(said(capsys, 0, *options[:-2], "--json"))
    assert told["high_celsius"] - told["low_celsius"] > weighed["high_celsius"] - weighed["low_celsius"]
    assert "level scoops (11.2 g) of dry formula" in said(capsys, 0, *options)


def test_solids_outside_what_the_age_allows_are_warned_of(config: str, capsys: pytest.CaptureFixture[str]) -> None:
    told = said(capsys, 0, "--config", config, "--amount-ml", "40", "--age-days", "1")
    assert "25 % solids is thicker than the 7 to 15 % for chicks of this age" in told
    told = said(capsys, 0, "--config", config, "--amount-ml", "40", "--age-days", "9", "--solids", "10")
    assert "10 % solids is thinner than the 20 to 30 %" in told
    assert "chicks of this age" not in said(capsys, 0, "--config", config, "--amount-ml", "40", "--age-days", "9")


def test_a_kettle_boils_cooler_up_the_mountain(config: str, capsys: pytest.CaptureFixture[str]) -> None:
    low = json.loads(said(capsys, 0, "--config", config, "--amount-ml", "40", "--json"))
    high = json.loads(said(capsys, 0, "--config", config, "--amount-ml", "40", "--altitude", "2000", "--json"))
    assert low["hot_celsius"] - high["hot_celsius"] == pytest.approx(99.97 - 93.32, abs=0.02)
    station = json.loads(said(capsys, 0, "--config", config, "--amount-ml", "40", "--pressure", "795", "--json"))
    assert station["hot_celsius"] == pytest.approx(high["hot_celsius"], abs=0.02)


def test_a_bowl_nobody_spoke_of_is_asked_for(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    empty = tmp_path / "empty.toml"
    empty.write_text("", encoding="utf-8")
    options = ["--config", str(empty), "--amount-ml", "40", "--solids", "25"]
    assert "weigh it empty" in said(capsys, 0, *options)
    assert "weigh it empty" not in said(capsys, 0, *options, "--bowl", "none")


def test_what_this_water_cannot_do_is_exit_1_with_what_would_help(
    config: str, capsys: pytest.CaptureFixture[str]
) -> None:
    options = ["--config", config, "--amount-ml", "15", "--kettle", "60", "--bowl", "ceramic:400"]
    told = said(capsys, 1, *options)
    assert told.startswith("no: even with hot water alone")
    assert "warm the bowl with hot water first" in told
    assert json.loads(said(capsys, 1, *options, "--json"))["possible"] is False


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--solids", "0"], "--solids 0: give more than 0 and at most 60 %"),
        (["--solids", "60.5"], "--solids 60.5: give more than 0 and at most 60 %"),
        (["--ratio", "9:1"], "--ratio 9:1 makes 80"),
        (["--ratio", "1:0"], "--ratio 1:0: give two numbers above 0"),
        (["--ratio", "thick"], "--ratio thick: give two numbers above 0"),
        (["--amount-ml", "-5"], "--amount-ml -5: give more than 0"),
        (["--amount-ml", "0"], "--amount-ml 0: give more than 0"),
        (["--kettle", "120"], "--kettle 120: water boils at 100.0 °C 0 m up"),
        (["--kettle", "99", "--altitude", "1000"], "--kettle 99: water boils at 96.6 °C 1000 m up"),
        (["--kettle", "97", "--pressure", "850"], "--kettle 97: water boils at 95.1 °C at 850 hPa"),
        (["--kettle", "99.5", "--altitude", "500", "--sea-level-pressure", "1020"], "water boils at 98.5 °C"),
        (["--kettle", "-3"], "--kettle -3: give 0 to 101 °C"),
        (["--kettle", "15"], "--kettle: the hot water (15 °C) is not warmer than the tap's (18 °C)"),
        (["--tap", "-4"], "--tap -4: give 0 to 60 °C"),
        (["--room", "90"], "--room 90: give -10 to 50 °C"),
        (["--dry-temperature", "99"], "--dry-temperature 99: give -30 to 60 °C"),
        (["--bowl", "steel:0"], "--bowl steel:0: a bowl of 0 g is none"),
        (["--bowl", "steel:-90"], "--bowl steel:-90: a bowl of -90 g is none"),
        (["--bowl", "steel"], "--bowl steel: weigh it empty and add its grams"),
        (["--bowl", "gold:90"], "--bowl gold:90: say what it is made of (steel, glass, ceramic, plastic)"),
        (["--altitude", "9000"], "--altitude 9000: give -450 to 5500 m"),
        (["--pressure", "1013", "--altitude", "5"], "--pressure: is the pressure in the kitchen itself"),
        (["--pressure", "101325"], "--pressure 101325: give 500 to 1100 hPa"),
        (["--scoop-ml", "-1"], "--scoop-ml -1: give 0.5 to 500 ml"),
        (["--scoop-ml", "400"], "--scoop-ml 400: is too big for this batch"),
        (["--age-days", "-1"], "--age-days -1: give 0 to 200 days"),
        (["--band", "36"], "--band 36: give two temperatures"),
        (["--band", "38:36"], "--band 38:36: needs low below high"),
        (["--band", "40:44"], "--band 40:44: needs low below high, both from 30 to 43 °C"),
        (["--dish", "soup"], "there is no dish 'soup'"),
        (["--chicks", "4"], "--amount-ml: is the whole batch"),
    ],
)
def test_bad_input_names_the_option_and_computes_nothing(
    options: list[str], words: str, config: str, capsys: pytest.CaptureFixture[str]
) -> None:
    given = ["--config", config, *([] if "--amount-ml" in options else ["--amount-ml", "40"]), *options]
    assert main(["mix", *given]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert words in printed.err


def test_amount_and_thickness_have_to_be_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    empty = tmp_path / "empty.toml"
    empty.write_text("", encoding="utf-8")
    assert "say how thick" in said(capsys, 2, "--config", str(empty), "--amount-ml", "40")
    assert "say how much" in said(capsys, 2, "--config", str(empty), "--solids", "20", "--chicks", "3")
    both = ["--config", str(empty), "--amount-ml", "40", "--solids", "20", "--ratio", "1:2"]
    assert "twice" in said(capsys, 2, *both)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[formula]\nsolids_percent = 0", "formula.solids_percent"),
        ("[formula]\nsolids_percent = 61", "formula.solids_percent"),
        ("[formula]\nprotein_percent = 90", "the parts sum to"),
        ('[bowl]\nmaterial = "steel"\ngrams = 0', "bowl.grams"),
        ('[bowl]\nmaterial = "gold"\ngrams = 9', "bowl.material"),
        ("[kitchen]\nkettle_celsius = 99\naltitude_metres = 1500", "water boils at 95.0 °C"),
        ("[kitchen]\nkettle_celsius = 15", "kitchen.kettle_celsius"),
        ("[kitchen]\ntap_celsius = -1", "kitchen.tap_celsius"),
    ],
)
def test_bad_config_names_the_key(text: str, words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "sensord.toml"
    path.write_text(text, encoding="utf-8")
    told = said(capsys, 2, "--config", str(path), "--amount-ml", "40", "--solids", "25")
    assert words in told
    assert str(path) in told


@pytest.mark.parametrize(
    "words", [["--solids", "nan"], ["--kettle", "inf"], ["--amount-ml", "forty"], ["--chicks", "2.5"]]
)
def test_what_is_no_number_is_refused_with_an_example(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["mix", *words])
    assert ended.value.code == 2
    said = capsys.readouterr().err
    assert f"{words[0]}: '{words[1]}' is no " in said
    assert "write it like 4" in said


def test_a_decimal_comma_is_as_good_as_a_point(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["mix", "--amount-ml", "40,5", "--solids", "25", "--bowl", "none"]) == 0
    comma = capsys.readouterr().out
    assert main(["mix", "--amount-ml", "40.5", "--solids", "25", "--bowl", "none"]) == 0
    assert capsys.readouterr().out == comma
