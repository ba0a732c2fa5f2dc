"""The journal has one line an event, with levels only where systemd reads them."""

import io

import pytest

from sensord.edges.journal import Journal
from sensord.readings import Reading
from sensord.watch.effects import AlarmChanged, AlarmState, Answered, Measured, Priority
from sensord.watch.events import Condition, Origin

RAISED = AlarmChanged(
    1.0, "brooder", Condition.TOO_COLD, Priority.MEDIUM, AlarmState.UNACKNOWLEDGED, AlarmState.NORMAL, 32.96
)


def test_an_alarm_is_one_plain_line_and_a_reading_is_none() -> None:
    out = io.StringIO()
    journal = Journal(out)
    journal.handle(Measured(Reading("brooder", 0.0, 34.0), 0.5))
    journal.handle(RAISED)
    journal.handle(Answered(2.0, "", Origin.MQTT, "shelve", False, "too long"))
    assert out.getvalue().splitlines() == [
        "alarm brooder too-cold: unacknowledged at 33.0 °C (medium, daemon)",
        "command shelve (mqtt) refused: too long",
    ]


def test_under_systemd_every_line_carries_its_level(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sensord.edges.journal.under_systemd", lambda _stream: True)
    out = io.StringIO()
    journal = Journal(out)
    journal.handle(RAISED)
    journal.write(3, "first\nsecond")
    assert out.getvalue().splitlines() == [
        "<3>alarm brooder too-cold: unacknowledged at 33.0 °C (medium, daemon)",
        "<3>first",
        "<3>second",
    ]
