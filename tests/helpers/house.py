"""The house as the code draws it: folders in their order, every module with what it is for and which rooms it uses.

`python -m tests.helpers.house` prints the table of modules, `python -m tests.helpers.house --diagram` the folders with
their arrows.
"""

import ast
import sys
from pathlib import Path

TOP = Path(__file__).parents[2]
PACKAGE = TOP / "sensord"

FOLDERS = [
    "words", "physics", "care", "watch", "config", "gate", "probes", "pins", "history", "log", "mqtt", "control",
    "screens", "report", "run", "checks", "demo", "commands", "cli",
]  # fmt: skip
"""A folder may import the folders before it. `words` are the modules at the root that everybody may use."""

WORDS = {"sensord.readings", "sensord.errors", "sensord.clock", "sensord.durations", "sensord.texts", "sensord"}

WATCH = ["words", "alarms", "sound", "brooder", "dish", "whole"]
"""Inside `watch` the same: its words first, then its folders, then the modules that hold the whole together."""

WATCH_WORDS = {"events", "command_table", "cues", "effects", "views", "conditions"}


def modules() -> list[Path]:
    """Every module of the package, sorted by path."""
    return sorted(PACKAGE.rglob("*.py"))


def name_of(path: Path) -> str:
    """The dotted name of a module's file."""
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def folder_of(module: str) -> str:
    """Which of `FOLDERS` a module stands in."""
    return "words" if module in WORDS else module.split(".")[1]


def rank_of(module: str) -> tuple[int, int]:
    """The place of a module in the order: that of its folder, and within `watch` that of its part."""
    folder = folder_of(module)
    inside = 0
    if folder == "watch":
        parts = module.split(".")[2:]
        part = "words" if not parts or parts[0] in WATCH_WORDS else parts[0]
        inside = WATCH.index(part if part in WATCH else "whole")
    return FOLDERS.index(folder), inside


def imports_of(path: Path) -> set[str]:
    """Dotted names of all modules that a file imports, wherever in it."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            submodules = {f"{node.module}.{alias.name}" for alias in node.names}
            is_package = (PACKAGE.parent / Path(*node.module.split("."))).is_dir()
            found |= submodules if node.module.startswith("sensord") and is_package else {node.module}
    return {"sensord" if name == "sensord.__version__" else name for name in found}


def table() -> str:
    """The table of modules in Markdown, a block a folder, lowest folder first."""
    head = "| room | what it is for | uses |\n| --- | --- | --- |"
    rows: dict[str, list[str]] = {folder: [f"**{folder}**\n\n{head}"] for folder in FOLDERS}
    for path in modules():
        if path.name != "__init__.py":
            name = name_of(path)
            purpose = (ast.get_docstring(ast.parse(path.read_text())) or "").split("\n\n")[0].replace("\n", " ")
            used = sorted({_short(other) for other in imports_of(path) if other.startswith("sensord.")})
            rows[folder_of(name)].append(f"| `{_short(name)}` | {purpose} | {', '.join(used) or '–'} |")
    return "\n\n".join("\n".join(block) for block in rows.values())


def diagram() -> str:
    """A line a folder, topmost first: its size, and the folders that it imports."""
    lines = []
    for folder in reversed(FOLDERS):
        mine = [path for path in modules() if folder_of(name_of(path)) == folder and path.name != "__init__.py"]
        size = sum(len(path.read_text().splitlines()) for path in mine)
        used = {folder_of(other) for path in mine for other in imports_of(path) if other.startswith("sensord.")}
        arrows = " ".join(other for other in reversed(FOLDERS) if other in used - {folder})
        lines.append(f"{folder:>8} {len(mine):3} modules {size:5} lines ─> {arrows or '–'}")
    return "\n".join(lines)


def _short(name: str) -> str:
    return name.removeprefix("sensord.")


if __name__ == "__main__":
    print(diagram() if "--diagram" in sys.argv else table())
