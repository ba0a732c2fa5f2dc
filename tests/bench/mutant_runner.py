"""Runs the tests on one mutant after another, each in a fork of a process that has everything loaded already.

The mutant is never written to disk. A slip inside a function only changes the code of that function in the fork. One
in what runs while a module is loaded (constants, tables, defaults) is handed to a fork that has not loaded sensord yet.
What each test runs was noted once, with coverage.py, so a fork runs only tests that come by the changed statement (or
by one that names what it binds), quickest first, up to the first failure.
"""

import ast
import functools
import importlib
import importlib.abc
import importlib.machinery
import importlib.util
import json
import os
import pickle
import re
import resource
import select
import signal
import sys
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from types import CodeType
from typing import Any

import coverage
import pytest
from _pytest.runner import runtestprotocol
from hypothesis import Phase, settings

from tests.bench.mutant_list import Mutant, mutated

__all__ = ["LIBRARIES", "Outcome", "Runner"]

TOP = Path(__file__).parents[2]
# What the tests load and what no mutant touches.
LIBRARIES = ("hypothesis.stateful", "pydantic", "rich.console", "scipy.stats", "scipy.integrate", "iapws", "tomllib")
# The processor's time for a mutant: so much, and so many times what its tests take otherwise; of the clock's ten times.
_GRACE_SECONDS, _GRACE_TIMES = 10, 4
_MEMORY_BYTES = 3 << 30
_EXAMPLES = 60


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a mutant: killed, timeout, died (no answer), survived or uncovered; by which test; in how long."""

    what: str
    by: str
    seconds: float


@dataclass(slots=True)
class Seen:
    """What one run of all tests came by: test ids by module and line ('' while loading), and seconds by test."""

    lines: dict[str, dict[int, list[str]]] = field(default_factory=dict)
    seconds: dict[str, float] = field(default_factory=dict)


class _Chosen:
    """Leaves only the wanted tests, in their order; notes the first that fails."""

    def __init__(self, order: dict[str, int] | None, known: Iterable[str]) -> None:
        self.order = order
        self.known = set(known)
        self.failed = ""
        self.seconds: dict[str, float] = {}

    def pytest_collection(self) -> None:
        # The same examples each time, fewer of them where the test says no number, and no search for a smaller one.
        settings.register_profile(
            "mutants",
            deadline=None,
            derandomize=True,
            database=None,
            max_examples=_EXAMPLES,
            phases=(Phase.explicit, Phase.generate),
        )
        settings.load_profile("mutants")

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        if self.order is not None:
            order = self.order
            # A test that nobody has seen before is there because of the mutant: it goes first.
            items[:] = [one for one in items if one.nodeid in order or one.nodeid not in self.known]
            items.sort(key=lambda one: order.get(one.nodeid, -1))

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self.seconds[report.nodeid] = self.seconds.get(report.nodeid, 0.0) + report.duration
        if report.failed and not self.failed:
            self.failed = report.nodeid

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.failed and not self.failed:
            self.failed = f"loading {report.nodeid}"


class _Changed(importlib.abc.MetaPathFinder, importlib.abc.InspectLoader):
    """Loads one module from a text instead of its file."""

    def __init__(self, path: str, text: str) -> None:
        self.name = path.removesuffix(".py").replace("/", ".")
        self.file = str(TOP / path)
        self.text = text

    def find_spec(self, fullname: str, *_: Any) -> importlib.machinery.ModuleSpec | None:
        if fullname != self.name:
            return None
        return importlib.util.spec_from_file_location(fullname, self.file, loader=self)

    def get_source(self, _fullname: str) -> str:
        return self.text

    def get_code(self, _fullname: str) -> CodeType:
        return compile(self.text, self.file, "exec", dont_inherit=True)


def _pytest(files: Iterable[str], *plugins: object, more: tuple[str, ...] = ()) -> int:
    quiet = ["-x", "-q", "-p", "no:cacheprovider", "--no-header", "--tb=no", "-o", "tmp_path_retention_policy=none"]
    # The libraries were loaded before pytest could rewrite their assertions: wanted here.
    loaded = ["-W", "ignore::pytest.PytestAssertRewriteWarning"]
    return int(pytest.main([*quiet, *loaded, *more, *files], plugins=list(plugins)))


def _forked(work: Callable[[], Any], cpu_seconds: float) -> tuple[Any, bool]:
    """What the work returns in a fork, and whether its time ran out."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        code = 1
        try:
            os.close(reading)
            os.setsid()
            empty = os.open(os.devnull, os.O_RDWR)
            for number in (0, 1, 2):
                os.dup2(empty, number)
            limit = int(cpu_seconds) + 1
            resource.setrlimit(resource.RLIMIT_CPU, (limit, limit + 5))
            resource.setrlimit(resource.RLIMIT_AS, (_MEMORY_BYTES, _MEMORY_BYTES))
            answer = json.dumps(work()).encode()
            with os.fdopen(writing, "wb") as pipe:
                pipe.write(answer)
            code = 0
        finally:
            os._exit(code)
    os.close(writing)
    return _answer_of(child, reading, 10 * cpu_seconds)


def _answer_of(child: int, reading: int, wall_seconds: float) -> tuple[Any, bool]:
    until, answer, late = time.monotonic() + wall_seconds, b"", False
    while True:
        ready, _, _ = select.select([reading], [], [], max(0.0, until - time.monotonic()))
        part = os.read(reading, 1 << 16) if ready else b""
        late = not ready
        if not part:
            break
        answer += part
    os.close(reading)
    if late:
        os.killpg(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    out_of_time = late or (os.WIFSIGNALED(status) and os.WTERMSIG(status) in (signal.SIGXCPU, signal.SIGKILL))
    return (json.loads(answer) if answer else None), out_of_time


class Runner:
    """Tries mutants one by one. `look` comes first: one run of all tests in which they must pass."""

    def __init__(self, files: Iterable[str], parts: Iterable[str], log: Callable[[str], None]) -> None:
        for library in LIBRARIES:
            try:
                importlib.import_module(library)
            except ImportError:
                continue
        loaded = [name for name in sys.modules if name == "sensord" or name.startswith("sensord.")]
        if loaded:
            raise RuntimeError(f"loaded before any mutant: {', '.join(loaded)}")
        self.files = list(files)
        self.seen = look_once(self.files, parts, log)
        self.names = Names(self.seen)
        self.session: pytest.Session | None = None

    def needs_loading(self, mutant: Mutant) -> bool:
        """Whether the slip is in what runs while the module is loaded, so that it must be loaded anew."""
        lines, inside = _statement(_parsed(mutant.path).body, mutant.line)
        of_module = self.seen.lines.get(mutant.path, {})
        return not inside or any("" in of_module.get(line, ()) for line in lines)

    def with_all_loaded(self, work: Callable[[], None]) -> None:
        """Do the work in a fork that has all tests loaded: then its forks only need to change one function."""
        child = os.fork()
        if child:
            os.waitpid(child, 0)
            return
        holder = self

        class Instead(_Chosen):
            def pytest_runtestloop(self, session: pytest.Session) -> bool:
                holder.session = session
                work()
                return True

        _pytest(self.files, Instead(None, ()), more=("-s",))
        os._exit(0)

    def run(self, mutant: Mutant) -> Outcome:
        """Try one mutant."""
        loading = self.needs_loading(mutant)
        tests = self.names.tests_for(mutant) if loading else self._by_line(mutant)
        if not tests:
            return Outcome("uncovered", "", 0.0)
        text = mutated(mutant, (TOP / mutant.path).read_text())
        tests.sort(key=lambda one: self.seen.seconds[one])
        return self._timed(
            tests, lambda: self._loaded(mutant, text, tests) if loading else self._changed(mutant, text, tests)
        )

    def control(self) -> Outcome:
        """All tests in a fork with nothing changed: they must pass, or a kill says nothing."""
        tests = sorted(self.seen.seconds)
        return self._timed(tests, lambda: self._loaded(None, "", tests))

    def _by_line(self, mutant: Mutant) -> list[str]:
        of_module = self.seen.lines.get(mutant.path, {})
        lines, _ = _statement(_parsed(mutant.path).body, mutant.line)
        return list({test for line in lines for test in of_module.get(line, ())})

    def _loaded(self, mutant: Mutant | None, text: str, tests: list[str]) -> list[Any]:
        chosen = _Chosen({test: place for place, test in enumerate(tests)}, self.seen.seconds)
        if mutant is not None:
            sys.meta_path.insert(0, _Changed(mutant.path, text))
        code = _pytest(dict.fromkeys(test.split("::")[0] for test in tests), chosen)
        return [code not in (pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED), chosen.failed]

    def _changed(self, mutant: Mutant, text: str, tests: list[str]) -> list[Any]:
        if self.session is None:
            raise RuntimeError("only within `with_all_loaded`")
        _swap(mutant, text)
        items = {item.nodeid: item for item in self.session.items}
        for test, following in zip(tests, [*tests[1:], None], strict=True):
            item = items[test]
            reports = runtestprotocol(item, log=False, nextitem=items[following] if following else None)
            if any(report.failed for report in reports):
                return [True, test]
        return [False, ""]

    def _timed(self, tests: list[str], work: Callable[[], list[Any]]) -> Outcome:
        began = time.monotonic()
        limit = _GRACE_SECONDS + _GRACE_TIMES * sum(self.seen.seconds[test] for test in tests)
        answer, late = _forked(work, limit)
        seconds = time.monotonic() - began
        if late:
            return Outcome("timeout", "", seconds)
        if answer is None:
            return Outcome("died", "", seconds)
        failed, by = answer
        return Outcome("killed" if failed else "survived", by, seconds)


def _swap(mutant: Mutant, text: str) -> None:
    """Give the outermost function around the slip its changed code, wherever it has been imported to already."""
    module = sys.modules[mutant.path.removesuffix(".py").replace("/", ".")]
    code, holder = compile(text, str(TOP / mutant.path), "exec", dont_inherit=True), module.__dict__
    found: Any = None
    names = _function_around(_parsed(mutant.path).body, mutant.line)
    for name in names:
        code = next(one for one in code.co_consts if isinstance(one, CodeType) and one.co_name == name)
        found = holder[name]
        holder = getattr(found, "__dict__", {})
    if isinstance(found, property):
        found = found.fget
    found = getattr(found, "__func__", found)
    while hasattr(found, "__wrapped__"):
        if hasattr(found, "cache_clear"):
            found.cache_clear()
        found = found.__wrapped__
    found.__code__ = code


def _function_around(body: list[ast.stmt], line: int) -> list[str]:
    for node in body:
        if _first(node) <= line <= (node.end_lineno or node.lineno):
            if isinstance(node, ast.FunctionDef):
                return [node.name]
            return [
                *([node.name] if isinstance(node, ast.ClassDef) else []),
                *_function_around(list(_blocks(node)), line),
            ]
    raise LookupError(f"no function at line {line}")


@functools.cache
def _parsed(path: str) -> ast.Module:
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
        chosen = _Chosen(None, ())

        class Switch:
            def pytest_runtest_logstart(self, nodeid: str) -> None:
                cover.switch_context(nodeid)

        cover.start()
        status = _pytest(files, chosen, Switch())
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
    answer, _ = _forked(run, 900)
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
        body = _parsed(path).body
        of_module = self.seen.lines.get(path, {})
        for node in ast.walk(_parsed(path)):
            if not isinstance(node, ast.Name | ast.Attribute):
                continue
            name = node.id if isinstance(node, ast.Name) else node.attr
            lines, inside = _statement(body, node.lineno)
            if inside:
                tests = {test for line in lines for test in of_module.get(line, ())}
                self.by_name.setdefault(name, set()).update(tests - {""})
            if not inside or any("" in of_module.get(line, ()) for line in lines):
                self.bound_with.setdefault(name, set()).update(_bound(body, node.lineno))

    def tests_for(self, mutant: Mutant) -> list[str]:
        """All that may notice, found by names: of what the line binds, of what is bound by means of that, and so on."""
        todo, names = list(_bound(_parsed(mutant.path).body, mutant.line)), set[str]()
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


def _statement(body: list[ast.stmt], line: int, inside: bool = False) -> tuple[set[int], bool]:
    """The lines of the innermost statement around a line, of a block only its head; and whether a function holds it."""
    for node in body:
        if not _first(node) <= line <= (node.end_lineno or node.lineno):
            continue
        blocks = list(_blocks(node))
        lines, deeper = _statement(blocks, line, inside or isinstance(node, ast.FunctionDef))
        if lines:
            return lines, deeper
        head = min([_first(one) for one in blocks], default=(node.end_lineno or node.lineno) + 1)
        return {line, *range(_first(node), head)}, inside
    return set(), inside


def _first(node: ast.stmt) -> int:
    decorators: list[ast.expr] = getattr(node, "decorator_list", [])
    return min([node.lineno, *(one.lineno for one in decorators)])


def _blocks(node: ast.AST) -> Iterable[ast.stmt]:
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.stmt):
            yield child
        elif isinstance(child, ast.ExceptHandler | ast.match_case):
            yield from _blocks(child)
