"""What holds for every test: examples may be slow on a busy machine and are the same in CI each time, Ctrl-C reaches
the programs under test even where the tests run in the background of a shell, which ignores it there, and the last
words of a run are what it had to leave out and why."""

import os
import signal
from collections import Counter

import pytest
from hypothesis import settings

settings.register_profile("here", deadline=None)
settings.register_profile("ci", deadline=None, derandomize=True)
settings.load_profile("ci" if os.environ.get("CI") == "true" else "here")

# A signal that is ignored stays ignored in every program started from here (POSIX, exec); one that is handled does not.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
if signal.getsignal(signal.SIGQUIT) is signal.SIG_IGN:
    signal.signal(signal.SIGQUIT, signal.SIG_DFL)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Name what was left out, with the reason and how many tests it cost."""
    reasons = Counter(
        report.longrepr[2].removeprefix("Skipped: ")
        for report in terminalreporter.stats.get("skipped", [])
        if isinstance(report.longrepr, tuple)
    )
    if reasons:
        terminalreporter.section("left out, as this system lacks something")
        for reason, count in sorted(reasons.items()):
            terminalreporter.line(f"{count:3} of the tests: {reason}")
