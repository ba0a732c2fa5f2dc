"""Runs work in a fork with a limit on time and memory, and pytest with chosen tests in a chosen order."""

import json
import os
import resource
import select
import signal
import time
from collections.abc import Callable, Iterable
from typing import Any

import pytest
from hypothesis import Phase, settings

__all__ = ["Chosen", "forked", "run_pytest"]

_MEMORY_BYTES = 3 << 30
_EXAMPLES = 60


class Chosen:
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


def run_pytest(files: Iterable[str], *plugins: object, more: tuple[str, ...] = ()) -> int:
    """Pytest in this process on some files, up to the first failure; its exit code."""
    quiet = ["-x", "-q", "-p", "no:cacheprovider", "--no-header", "--tb=no", "-o", "tmp_path_retention_policy=none"]
    # The libraries were loaded before pytest could rewrite their assertions: wanted here.
    loaded = ["-W", "ignore::pytest.PytestAssertRewriteWarning"]
    # Under coverage.py everything takes several times as long: no place for a test that times the filter.
    untimed = ["--deselect", "tests/physics/test_cooling.py::test_a_reading_costs_less_than_two_milliseconds"]
    return int(pytest.main([*quiet, *loaded, *untimed, *more, *files], plugins=list(plugins)))


def forked(work: Callable[[], Any], cpu_seconds: float) -> tuple[Any, bool]:
    """What the work returns in a fork (None: it died), and whether its time, of processor or clock, ran out."""
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
