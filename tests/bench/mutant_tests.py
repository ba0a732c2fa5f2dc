"""Which tests concern which line: noted once with coverage.py, for constants and tables found by their names."""

import ast
import functools
import pickle
import re
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Any

import coverage

from tests.bench.mutant_forks import Chosen, forked, run_pytest

__all__ = ["Names", "Seen", "function_around", "look_once", "parsed", "statement"]

TOP = Path(__file__).parents[2]


@dataclass(slots=True)
class Seen:
    """What one run of all tests came by: test ids by module and line ('' while loading), and seconds by test."""

    lines: dict[str, dict[int, list[str]]] = field(default_factory=dict)
    seconds: dict[str, float] = field(default_factory=dict)


@functools.cache
def parsed(path: str) -> ast.Module:
    """The tree of a module of this checkout."""
    return ast.parse((TOP / path).read_text())


def look_once(files: list[str], parts: Iterable[str], log: Callable[[str], None]) -> Seen:
    """As `look`, or what it saw last time when neither the package nor the tests have changed since."""
    digest = sha256(" ".join(files).encode())
    for path in sorted([*(TOP / "sensord").rglob("*.py"), *(TOP / "tests").rglob("*.py")]):
        if "bench" not in path.parts:
            digest.update(path.read_bytes())
    kept = TOP / ".cache" / f"seen-{digest.hexdigest()[:16]}.pickle"
    if kept.exists():
        return pickle.loads(kept.read_bytes())  # type: ignore[no-any-return]
    seen = look(files, parts, log)
    kept.parent.mkdir(exist_ok=True)
    kept.write_bytes(pickle.dumps(seen))
    return seen


def look(files: list[str], parts: Iterable[str], log: Callable[[str], None]) -> Seen:
    """One run of all tests without any mutant, noting what each comes by."""

    def run() -> dict[str, Any]:
        cover = coverage.Coverage(data_file=None, include=[str(TOP / part / "*") for part in parts])
        chosen = Chosen(None, ())

        class Switch:
            def pytest_runtest_logstart(self, nodeid: str) -> None:
                cover.switch_context(nodeid)

        cover.start()
        status = run_pytest(files, chosen, Switch())
        cover.stop()
        data = cover.get_data()
        tests = sorted(data.measured_contexts())
        numbers = {test: number for number, test in enumerate(tests)}
        lines = {
            str(Path(file).relative_to(TOP)): {
                line: [numbers[test] for test in of_line] for line, of_line in data.contexts_by_lineno(file).items()
            }
            for file in data.measured_files()
        }
        return {"code": status, "failed": chosen.failed, "tests": tests, "lines": lines, "seconds": chosen.seconds}

    began = time.monotonic()
    answer, _ = forked(run, 900)
    if answer is None or answer["code"] != 0:
        raise RuntimeError(f"the tests fail without any mutant: {answer and answer['failed']}")
    log(f"{len(answer['seconds'])} tests looked at in {time.monotonic() - began:.0f} s")
    lines = {
        path: {int(line): [answer["tests"][number] for number in of_line] for line, of_line in of_path.items()}
        for path, of_path in answer["lines"].items()
    }
    return Seen(lines, answer["seconds"])


class Names:
    """Which tests concern what a module binds while it is loaded: those that run a line, or have a file, naming it."""

    def __init__(self, seen: Seen) -> None:
        self.seen = seen
        self.by_name: dict[str, set[str]] = {}
        self.bound_with: dict[str, set[str]] = {}
        for path in (one.relative_to(TOP) for one in sorted((TOP / "sensord").rglob("*.py"))):
            self._read(str(path))
        texts: dict[str, set[str]] = {}
        for test in seen.seconds:
            file = test.split("::")[0]
            if file not in texts:
                texts[file] = set(re.findall(r"\w+", (TOP / file).read_text()))
            for name in texts[file]:
                self.by_name.setdefault(name, set()).add(test)

    def _read(self, path: str) -> None:
        body = parsed(path).body
        of_module = self.seen.lines.get(path, {})
        for node in ast.walk(parsed(path)):
            if not isinstance(node, ast.Name | ast.Attribute):
                continue
            name = node.id if isinstance(node, ast.Name) else node.attr
            lines, inside = statement(body, node.lineno)
            if inside:
                tests = {test for line in lines for test in of_module.get(line, ())}
                self.by_name.setdefault(name, set()).update(tests - {""})
            if not inside or any("" in of_module.get(line, ()) for line in lines):
                self.bound_with.setdefault(name, set()).update(_bound(body, node.lineno))

    def tests_for(self, path: str, line: int) -> list[str]:
        """All that may notice, found by names: of what the line binds, of what is bound by means of that, and so on."""
        todo, names = list(_bound(parsed(path).body, line)), set[str]()
        while todo:
            name = todo.pop()
            if name not in names:
                names.add(name)
                todo.extend(self.bound_with.get(name, ()))
        tests = {test for name in names for test in self.by_name.get(name, ())}
        return list(tests & self.seen.seconds.keys())


def _bound(body: list[ast.stmt], line: int) -> set[str]:
    """The names that the top statement around a line binds: a constant, a function, a class with its member."""
    names = set[str]()
    for node in body:
        if _first(node) <= line <= (node.end_lineno or node.lineno):
            if isinstance(node, ast.FunctionDef | ast.ClassDef):
                names.add(node.name)
            if isinstance(node, ast.ClassDef):
                names |= _bound(node.body, line)
            if isinstance(node, ast.Assign | ast.AnnAssign | ast.AugAssign):
                targets = node.targets if isinstance(node, ast.Assign) else [node.target]
                names |= {one.id for target in targets for one in ast.walk(target) if isinstance(one, ast.Name)}
    return names


def statement(body: list[ast.stmt], line: int, inside: bool = False) -> tuple[set[int], bool]:
    """The lines of the innermost statement around a line, of a block only its head; and whether a function holds it."""
    for node in body:
        if not _first(node) <= line <= (node.end_lineno or node.lineno):
            continue
        blocks = list(_blocks(node))
        lines, deeper = statement(blocks, line, inside or isinstance(node, ast.FunctionDef))
        if lines:
            return lines, deeper
        head = min([_first(one) for one in blocks], default=(node.end_lineno or node.lineno) + 1)
        return {line, *range(_first(node), head)}, inside
    return set(), inside


def function_around(body: list[ast.stmt], line: int) -> list[str]:
    """The names that lead to the outermost function around a line: of its class, if any, and its own."""
    for node in body:
        if _first(node) <= line <= (node.end_lineno or node.lineno):
            if isinstance(node, ast.FunctionDef):
                return [node.name]
            return [
                *([node.name] if isinstance(node, ast.ClassDef) else []),
                *function_around(list(_blocks(node)), line),
            ]
    raise LookupError(f"no function at line {line}")


def _first(node: ast.stmt) -> int:
    decorators: list[ast.expr] = getattr(node, "decorator_list", [])
    return min([node.lineno, *(one.lineno for one in decorators)])


def _blocks(node: ast.AST) -> Iterable[ast.stmt]:
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.stmt):
            yield child
        elif isinstance(child, ast.ExceptHandler | ast.match_case):
            yield from _blocks(child)
