"""Check values from outside, one file for all: each row has its source beside the number."""

import json
from pathlib import Path
from typing import Any

__all__ = ["row", "rows"]

_ROWS: dict[str, dict[str, Any]] = {
    entry["id"]: entry
    for entry in json.loads((Path(__file__).parents[1] / "data" / "physics_checks.json").read_text(encoding="utf-8"))
}


def row(name: str) -> dict[str, Any]:
    """One row: id, topic, given, expected, tolerance, source, seen."""
    return _ROWS[name]


def rows(prefix: str) -> list[dict[str, Any]]:
    """All rows whose id starts with the prefix, in the order of the file."""
    found = [entry for name, entry in _ROWS.items() if name.startswith(prefix)]
    assert found, prefix
    return found
