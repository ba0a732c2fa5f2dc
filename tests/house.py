"""Draws the house: every module with its layer, what it is for, and which rooms it uses, read from the code itself.

`python -m tests.house` prints the table, `python -m tests.house --write` puts it into DEVELOPERS.md.
"""

import ast
import sys
from pathlib import Path

TOP = Path(__file__).parent.parent
PACKAGE = TOP / "sensord"
LAYERS = ["words", "physics", "care", "watch", "edges", "screens", "assembly"]
WORDS = {"sensord.readings", "sensord.errors", "sensord.clock", "sensord.durations", "sensord"}
BEGIN, END = "<!-- the house: begin -->", "<!-- the house: end -->"


def modules() -> list[Path]:
    """Every module of the package, sorted by path."""
    return sorted(PACKAGE.rglob("*.py"))


def name_of(path: Path) -> str:
    """The dotted name of a module's file."""
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def layer_of(module: str) -> int:
    """The layer of a module, 0 at the bottom."""
    if module in WORDS:
        return 0
    folder = module.split(".")[1]
    return LAYERS.index(folder) if folder in LAYERS else LAYERS.index("assembly")


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
    return found


def table() -> str:
    """The table in Markdown, a block a layer, lowest layer first."""
    rows = {layer: [f"**{layer}**", "", "| room | what it is for | uses |", "| --- | --- | --- |"] for layer in LAYERS}
    for path in modules():
        name = name_of(path)
        if path.name == "__init__.py":
            continue
        purpose = (ast.get_docstring(ast.parse(path.read_text())) or "").split("\n\n")[0].replace("\n", " ")
        used = sorted({_short(other) for other in imports_of(path) if other.startswith("sensord.")})
        rows[LAYERS[layer_of(name)]].append(f"| `{_short(name)}` | {purpose} | {', '.join(used) or '–'} |")
    return "\n".join("\n".join([*block, ""]) for block in rows.values())


def _short(name: str) -> str:
    return name.removeprefix("sensord.")


def main() -> None:
    """Print the table or write it into DEVELOPERS.md."""
    if "--write" not in sys.argv:
        print(table())
        return
    page = TOP / "DEVELOPERS.md"
    before, rest = page.read_text().split(BEGIN)
    page.write_text(f"{before}{BEGIN}\n\n{table()}\n{END}{rest.split(END)[1]}")


if __name__ == "__main__":
    main()
