"""The house: folders are layers and imports run only downward; the core cannot reach the outside."""

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "sensord"
LAYERS = ["words", "physics", "care", "watch", "edges", "screens", "assembly"]
WORDS = {"sensord.readings", "sensord.errors", "sensord.clock", "sensord"}
CORE_MAY_IMPORT = {
    "collections", "collections.abc", "dataclasses", "enum", "typing", "math", "bisect", "itertools", "functools",
    "operator", "statistics", "datetime", "json", "tomllib", "re", "pathlib", "types",
}  # fmt: skip
LIBRARIES = {"gpiozero": 2, "w1thermsensor": 1, "paho": 2, "sqlite3": 2}


def modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def name_of(path: Path) -> str:
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def layer_of(module: str) -> int:
    if module in WORDS:
        return 0
    folder = module.split(".")[1]
    return LAYERS.index(folder) if folder in LAYERS else LAYERS.index("assembly")


def imports_of(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            submodules = {f"{node.module}.{alias.name}" for alias in node.names}
            is_package = (PACKAGE.parent / Path(*node.module.split("."))).is_dir()
            found |= submodules if node.module.startswith("sensord") and is_package else {node.module}
    return found


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
    for library, most in LIBRARIES.items():
        users = {name_of(p) for p in modules() if any(i.split(".")[0] == library for i in imports_of(p))}
        assert len(users) <= most, (library, users)
