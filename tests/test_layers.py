"""The house: imports run only downward through the folders; the core cannot reach the outside."""

from pathlib import Path

import pytest

from tests.helpers.house import folder_of, imports_of, modules, name_of, rank_of

CORE = {"physics", "care", "watch"}
CORE_MAY_IMPORT = {
    "collections", "collections.abc", "dataclasses", "enum", "typing", "math", "bisect", "itertools", "functools",
    "operator", "statistics", "datetime", "re", "types",
}  # fmt: skip


@pytest.mark.parametrize("path", modules(), ids=name_of)
def test_imports_run_only_downward(path: Path) -> None:
    here = rank_of(name_of(path))
    upward = {other for other in imports_of(path) if other.startswith("sensord") and rank_of(other) > here}
    assert not upward


@pytest.mark.parametrize("path", [p for p in modules() if folder_of(name_of(p)) in CORE], ids=name_of)
def test_the_core_imports_nothing_that_touches_the_outside(path: Path) -> None:
    outside = {other for other in imports_of(path) if not other.startswith("sensord")}
    assert outside <= CORE_MAY_IMPORT
