"""The house: folders are layers and imports run only downward; the core cannot reach the outside."""

from pathlib import Path

import pytest

from tests.house import BEGIN, END, TOP, imports_of, layer_of, modules, name_of, table

CORE_MAY_IMPORT = {
    "collections", "collections.abc", "dataclasses", "enum", "typing", "math", "bisect", "itertools", "functools",
    "operator", "statistics", "datetime", "re", "types",
}  # fmt: skip
CONFINED = {"gpiozero": 2, "w1thermsensor": 1, "paho": 2, "sqlite3": 3}
"""How many modules may import an outside library."""


@pytest.mark.parametrize("path", modules(), ids=name_of)
def test_imports_run_only_downward(path: Path) -> None:
    here = layer_of(name_of(path))
    upward = {other for other in imports_of(path) if other.startswith("sensord") and layer_of(other) > here}
    assert not upward


@pytest.mark.parametrize("path", [p for p in modules() if 0 < layer_of(name_of(p)) < 4], ids=name_of)
def test_the_core_imports_nothing_that_touches_the_outside(path: Path) -> None:
    outside = {other for other in imports_of(path) if not other.startswith("sensord")}
    assert outside <= CORE_MAY_IMPORT


def test_each_outside_library_is_confined() -> None:
    for library, most in CONFINED.items():
        users = {name_of(p) for p in modules() if any(i.split(".")[0] == library for i in imports_of(p))}
        assert len(users) <= most, (library, users)


def test_the_drawn_house_is_the_built_one() -> None:
    page = (TOP / "DEVELOPERS.md").read_text()
    drawn = page.split(BEGIN)[1].split(END)[0].strip()
    assert drawn == table().strip(), "run `python -m tests.house --write`"
