"""The house: imports run only downward through the folders, the core cannot reach the outside, each outside library is
imported where the list says and nowhere else, and a name stands for one thing."""

import ast
import sys
from collections import defaultdict
from pathlib import Path

import pytest

from tests.helpers.house import folder_of, imports_of, modules, name_of, rank_of

CORE = {"physics", "care", "watch"}
CORE_MAY_IMPORT = {
    "collections", "collections.abc", "dataclasses", "enum", "typing", "math", "bisect", "itertools", "functools",
    "operator", "statistics", "datetime", "re", "types",
}  # fmt: skip

ONLY = {
    "gpiozero": {"pins.factory"},
    "matplotlib": {"report.plots"},
    "paho": {"mqtt.broker"},
    "sqlite3": {"history.database", "mqtt.outbox"},
    "ssl": {"mqtt.broker_login"},
    "time": {"clock"},
    "w1thermsensor": {"probes.one_wire"},
}
"""Libraries with sharp edges, and the only modules that may import them; who stops importing one leaves the list."""

ONLY_FOLDERS = {
    "pydantic": {"config", "control", "gate", "mqtt", "probes", "commands"},
    "random": {"demo", "mqtt"},
    "rich": {"screens", "commands"},
    "socket": {"control", "mqtt", "run"},
}
"""Libraries that more modules need, and the folders that may."""

MAY_REPEAT = {"run", "arguments"}
"""What every verb's module has."""


@pytest.mark.parametrize("path", modules(), ids=name_of)
def test_imports_run_only_downward(path: Path) -> None:
    here = rank_of(name_of(path))
    upward = {other for other in imports_of(path) if other.startswith("sensord") and rank_of(other) > here}
    assert not upward


@pytest.mark.parametrize("path", [p for p in modules() if folder_of(name_of(p)) in CORE], ids=name_of)
def test_the_core_imports_nothing_that_touches_the_outside(path: Path) -> None:
    outside = {other for other in imports_of(path) if not other.startswith("sensord")}
    assert outside <= CORE_MAY_IMPORT


def importers(library: str) -> set[str]:
    return {
        name_of(path).removeprefix("sensord.")
        for path in modules()
        if any(name.split(".")[0] == library for name in imports_of(path))
    }


@pytest.mark.parametrize("library", ONLY)
def test_a_library_with_sharp_edges_is_imported_by_the_modules_of_the_list_and_no_other(library: str) -> None:
    assert importers(library) == ONLY[library]


@pytest.mark.parametrize("library", ONLY_FOLDERS)
def test_a_library_is_imported_in_the_folders_of_the_list_and_no_other(library: str) -> None:
    assert {module.split(".")[0] for module in importers(library)} == ONLY_FOLDERS[library]


def test_every_library_that_is_no_part_of_python_is_in_a_list() -> None:
    found = {name.split(".")[0] for path in modules() for name in imports_of(path)}
    assert found - sys.stdlib_module_names - {"sensord", "pydantic_core"} == (
        {*ONLY, *ONLY_FOLDERS} - sys.stdlib_module_names
    )


def test_a_public_name_and_a_modules_stem_occur_once() -> None:
    names: dict[str, list[str]] = defaultdict(list)
    stems: dict[str, list[str]] = defaultdict(list)
    for path in modules():
        if path.stem != "__init__":
            stems[path.stem].append(name_of(path))
        for node in ast.parse(path.read_text()).body:
            if isinstance(node, ast.ClassDef | ast.FunctionDef) and not node.name.startswith("_"):
                names[node.name].append(name_of(path))
    assert not {stem: where for stem, where in stems.items() if len(where) > 1}
    assert not {name: where for name, where in names.items() if len(where) > 1 and name not in MAY_REPEAT}
