"""The kitchen's tables read without the models say what the models say, or leave it to them."""

from pathlib import Path

import pytest

from sensord.config.folders import shipped
from sensord.config.kitchen import FormulaValues, KitchenTables, WaterValues, bowlful, read_kitchen
from sensord.config.loading import load
from sensord.config.sections import Config
from sensord.errors import ConfigError

TOLD = """
[probes.bowl]
rom = "28-00000000000b"
place = "dish"
[dishes.supper]
probe = "bowl"
band = { low_celsius = 38, high_celsius = 40.5 }
uptake_seconds = 90
[formula]
profile = "pigeons-doves"
solids_percent = 25
fat_percent = 12
[kitchen]
tap_celsius = 12
altitude_metres = 800
[bowl]
material = "steel"
grams = 90
"""


@pytest.mark.parametrize("text", ["", TOLD, None], ids=["empty", "told", "shipped"])
def test_they_are_those_of_the_models(tmp_path: Path, text: str | None) -> None:
    path = shipped("sensord.toml") if text is None else tmp_path / "sensord.toml"
    if text is not None:
        path.write_text(text)
    light, strict = read_kitchen(path), load(path)
    assert isinstance(light, KitchenTables)
    assert light.formula._asdict() == strict.formula.model_dump()
    assert light.kitchen._asdict() == strict.kitchen.model_dump()
    assert bowlful(light) == bowlful(strict)
    assert {name: (dish.band.band(), dish.band.source, dish.uptake_seconds) for name, dish in light.dishes.items()} == {
        name: (dish.band.band(), dish.band.source, dish.uptake_seconds) for name, dish in strict.dishes.items()
    }


def test_what_holds_without_a_file_is_the_same_too() -> None:
    assert FormulaValues()._asdict() == Config().formula.model_dump()
    assert WaterValues()._asdict() == Config().kitchen.model_dump()


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("solids_percent = 25", "solids_percent = 61"),
        ("solids_percent = 25", "solids_percent = nan"),
        ("solids_percent = 25", "thickness = 25"),
        ('profile = "pigeons-doves"', 'profile = "dodos"'),
        ('material = "steel"', 'material = "wood"'),
        ("fat_percent = 12", "protein_percent = 99"),
        ("high_celsius = 40.5", "high_celsius = 37"),
        ("tap_celsius = 12", "kettle_celsius = 101"),
        ("tap_celsius = 12", "kettle_celsius = 17"),
        ("[kitchen]", "[kitchen"),
    ],
)
def test_what_is_odd_is_refused_by_the_models(tmp_path: Path, before: str, after: str) -> None:
    path = tmp_path / "sensord.toml"
    path.write_text(TOLD.replace(before, after))
    with pytest.raises(ConfigError, match=r"sensord\.toml"):
        read_kitchen(path)
