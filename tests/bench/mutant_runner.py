"""Runs the tests on one mutant after another, each in a fork of a process that has everything loaded already.

The mutant is never written to disk. A slip inside a function only changes the code of that function in the fork. One
in what runs while a module is loaded (constants, tables, defaults) is handed to a fork that has not loaded sensord yet.
What each test runs was noted once, with coverage.py, so a fork runs only tests that come by the changed statement (or
by one that names what it binds), quickest first, up to the first failure.
"""

import importlib
import importlib.abc
import importlib.machinery
import importlib.util
import os
import sys
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from types import CodeType
from typing import Any

import pytest
from _pytest.runner import runtestprotocol

from tests.bench.mutant_forks import Chosen, forked, run_pytest
from tests.bench.mutant_list import Mutant, mutated
from tests.bench.mutant_tests import Names, function_around, look_once, parsed, statement

__all__ = ["Outcome", "Runner"]

TOP = Path(__file__).parents[2]
# What the tests load and what no mutant touches.
LIBRARIES = ("hypothesis.stateful", "pydantic", "rich.console", "scipy.stats", "scipy.integrate", "iapws", "tomllib")
# The processor's time for a mutant: so much, and so many times what its tests take otherwise; of the clock's ten times.
_GRACE_SECONDS, _GRACE_TIMES = 10, 4


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a mutant, by which test, in how long.

    killed, timeout, died (the tests took the process down), survived, uncovered (no test comes by), or broken: it could
    not be tried, for the reason in `by`.
    """

    what: str
    by: str
    seconds: float


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
        lines, inside = statement(parsed(mutant.path).body, mutant.line)
        of_module = self.seen.lines.get(mutant.path, {})
        return not inside or any("" in of_module.get(line, ()) for line in lines)

    def with_all_loaded(self, work: Callable[[], None]) -> None:
        """Do the work in a fork that has all tests loaded: then its forks only need to change one function."""
        child = os.fork()
        if child:
            os.waitpid(child, 0)
            return
        holder = self

        class Instead(Chosen):
            def pytest_runtestloop(self, session: pytest.Session) -> bool:
                holder.session = session
                work()
                return True

        run_pytest(self.files, Instead(None, ()), more=("-s",))
        os._exit(0)

    def run(self, mutant: Mutant) -> Outcome:
        """Try one mutant."""
        loading = self.needs_loading(mutant)
        tests = self.names.tests_for(mutant.path, mutant.line) if loading else self._by_line(mutant)
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
        lines, _ = statement(parsed(mutant.path).body, mutant.line)
        return list({test for line in lines for test in of_module.get(line, ())})

    def _loaded(self, mutant: Mutant | None, text: str, tests: list[str]) -> list[Any]:
        chosen = Chosen({test: place for place, test in enumerate(tests)}, self.seen.seconds)
        if mutant is not None:
            sys.meta_path.insert(0, _Changed(mutant.path, text))
        code = run_pytest(dict.fromkeys(test.split("::")[0] for test in tests), chosen)
        survived = code in (pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED)
        return ["survived" if survived else "killed", chosen.failed]

    def _changed(self, mutant: Mutant, text: str, tests: list[str]) -> list[Any]:
        if self.session is None:
            raise RuntimeError("only within `with_all_loaded`")
        try:
            _swap(mutant, text)
        except (SyntaxError, LookupError, ValueError, AttributeError) as error:
            return ["broken", f"{type(error).__name__}: {error}"]
        items = {item.nodeid: item for item in self.session.items}
        for test, following in zip(tests, [*tests[1:], None], strict=True):
            item = items[test]
            reports = runtestprotocol(item, log=False, nextitem=items[following] if following else None)
            if any(report.failed for report in reports):
                return ["killed", test]
        return ["survived", ""]

    def _timed(self, tests: list[str], work: Callable[[], list[Any]]) -> Outcome:
        began = time.monotonic()
        limit = _GRACE_SECONDS + _GRACE_TIMES * sum(self.seen.seconds[test] for test in tests)
        answer, late = forked(work, limit)
        seconds = time.monotonic() - began
        if late:
            return Outcome("timeout", "", seconds)
        if answer is None:
            return Outcome("died", "", seconds)
        what, by = answer
        return Outcome(what, by, seconds)


def _swap(mutant: Mutant, text: str) -> None:
    """Give the outermost function around the slip its changed code, wherever it has been imported to already."""
    module = sys.modules[mutant.path.removesuffix(".py").replace("/", ".")]
    code, holder = compile(text, str(TOP / mutant.path), "exec", dont_inherit=True), module.__dict__
    found: Any = None
    names = function_around(parsed(mutant.path).body, mutant.line)
    for name in names:
        code = next(one for one in code.co_consts if isinstance(one, CodeType) and one.co_name == name)
        found = holder[name]
        holder = getattr(found, "__dict__", {})
    if isinstance(found, property):
        found = found.fget
    elif isinstance(found, cached_property):
        found = found.func
    found = getattr(found, "__func__", found)
    while hasattr(found, "__wrapped__"):
        if hasattr(found, "cache_clear"):
            found.cache_clear()
        found = found.__wrapped__
    found.__code__ = code
