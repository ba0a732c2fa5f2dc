"""The journal has one line an event, with levels only where systemd reads them."""

import io
import logging
import sys
import threading

import pytest

from sensord.readings import Reading
from sensord.run.journal import Journal
from sensord.watch.conditions import Condition
from sensord.watch.cues import Priority
from sensord.watch.effects import AlarmChanged, AlarmState, Answered, Measured
from sensord.watch.events import Origin
from sensord.watch.views import OutputView, Snapshot

RAISED = AlarmChanged(
    seconds=1.0,
    place="brooder",
    condition=Condition.TOO_COLD,
    priority=Priority.MEDIUM,
    state=AlarmState.UNACKNOWLEDGED,
    previous=AlarmState.NORMAL,
    celsius=32.96,
)


def test_an_alarm_is_one_plain_line_and_a_reading_is_none() -> None:
    out = io.StringIO()
    journal = Journal(out)
    journal.handle(Measured(Reading("brooder", 0.0, 34.0), 0.5))
    journal.handle(RAISED)
    journal.handle(Answered(seconds=2.0, request="", origin=Origin.MQTT, verb="shelve", done=False, reason="too long"))
    assert out.getvalue().splitlines() == [
        "alarm brooder too-cold: unacknowledged at 33.0 °C (medium, daemon)",
        "command shelve (mqtt) refused: too long",
    ]


def test_under_systemd_every_line_carries_its_level(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sensord.run.journal.under_systemd", lambda _stream: True)
    out = io.StringIO()
    journal = Journal(out)
    journal.handle(RAISED)
    journal.write(3, "first\nsecond")
    assert out.getvalue().splitlines() == [
        "<3>alarm brooder too-cold: unacknowledged at 33.0 °C (medium, daemon)",
        "<3>first",
        "<3>  | second",
    ]


def test_what_ends_a_thread_is_told_with_its_level_on_every_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sensord.run.journal.under_systemd", lambda _stream: True)
    for module, hook in ((sys, "excepthook"), (threading, "excepthook")):
        monkeypatch.setattr(module, hook, getattr(module, hook))
    handlers, level = logging.root.handlers[:], logging.root.level
    out = io.StringIO()
    try:
        Journal(out).adopt()
        thread = threading.Thread(target=lambda: 1 / 0, name="worker")
        thread.start()
        thread.join()
        logging.getLogger("somewhere").warning("a word of %s", "warning")
    finally:
        logging.root.handlers[:] = handlers
        logging.root.setLevel(level)
    lines = out.getvalue().splitlines()
    assert lines[0].startswith("<3>thread worker: Traceback")
    assert "<3>  | ZeroDivisionError: division by zero" in lines
    assert lines[-1] == "<4>somewhere: a word of warning"
    assert all(line.startswith(("<3>", "<4>")) for line in lines)


def test_an_output_that_fails_is_told_once_and_once_that_it_is_back() -> None:
    out = io.StringIO()
    journal = Journal(out)
    for working in (True, False, False, False, True, True):
        journal.handle(
            Snapshot(
                unit="attic",
                seconds=1.0,
                utc_seconds=None,
                outputs=(OutputView("history", working, "the disk is full"),),
            )
        )
    assert out.getvalue().splitlines() == [
        "output history is in trouble: the disk is full",
        "output history works again",
    ]
