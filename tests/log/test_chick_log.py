"""The day as the log tells it: at the start, after an entry, after an alarm, and when the hour or the day moves on."""

from pathlib import Path

import pytest

from sensord.log.chick_log import ChickLog, day_start
from sensord.watch.command_table import EnterChick, LogFeed
from sensord.watch.events import DayKnown, Event, Origin
from sensord.watch.views import Snapshot
from tests.history.test_history import UTC, Desk

HOUR, DAY = 3600.0, 86_400.0


def days(desk: Desk) -> list[DayKnown]:
    return [event for event in desk.told if isinstance(event, DayKnown)]


def look(desk: Desk) -> None:
    """A snapshot, as it comes each second."""
    desk.log.handle(Snapshot(unit="attic", seconds=desk.clock.monotonic_seconds(), utc_seconds=None))


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    made = Desk(tmp_path)
    made.add("pip")
    made.add("dot")
    return made


def test_the_day_is_told_at_the_start_and_each_hour_and_not_between(desk: Desk) -> None:
    before = len(days(desk))
    later: list[Event] = []
    desk.log = ChickLog(desk.file, desk.clock, later.append)
    assert UTC % HOUR == 0
    for seconds, told in ((0.0, 1), (1.0, 1), (HOUR - 2.0, 1), (1.0, 2), (1.0, 2), (HOUR, 3)):
        desk.clock.advance(seconds)
        look(desk)
        assert len(later) == told
    assert len(days(desk)) == before
    assert isinstance(later[0], DayKnown)
    assert [chick.name for chick in later[0].chicks] == ["dot", "pip"]


def test_a_day_that_cannot_be_read_yet_is_looked_for_again(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    look(desk)
    assert days(desk) == []
    desk.add()
    assert [chick.name for chick in desk.day.chicks] == ["pip"]


def test_an_entry_changes_the_view_of_its_chick_only(desk: Desk) -> None:
    desk.weigh(40.0, "pip")
    desk.weigh(50.0, "dot")
    assert [(chick.name, chick.grams) for chick in desk.day.chicks] == [("dot", 50.0), ("pip", 40.0)]
    told = len(days(desk))
    assert not desk.weigh(1.0, "nobody").done
    assert len(days(desk)) == told
    gone = EnterChick(seconds=desk.clock.monotonic_seconds(), origin=Origin.CONTROL, chick=" DOT ", left="2027-01-15")
    assert desk.enter(gone).done
    assert [chick.name for chick in desk.day.chicks] == ["pip"]


@pytest.mark.parametrize(("ago", "is_seen"), [(3 * DAY - 1, True), (3 * DAY + 1, False)])
def test_feeds_of_three_days_are_looked_at(desk: Desk, ago: float, is_seen: bool) -> None:
    now = desk.clock.monotonic_seconds()
    desk.enter(LogFeed(seconds=now, origin=Origin.CONTROL, chick="pip", millilitres=4.0))
    desk.clock.advance(ago)
    look(desk)
    (pip,) = [chick for chick in desk.day.chicks if chick.name == "pip"]
    assert (pip.fed_utc_seconds is not None) == is_seen


def test_alarms_count_from_midnight_those_of_an_earlier_run_too(desk: Desk) -> None:
    midnight = day_start(UTC)
    assert (UTC - midnight) % HOUR == 0
    desk.alarm("of the run before")
    desk.clock.advance(60.0)
    desk.history.close()
    later: list[Event] = []

    def counted() -> int:
        told = [event for event in later if isinstance(event, DayKnown)]
        return told[-1].alarms

    desk.log = ChickLog(desk.file, desk.clock, later.append)
    look(desk)
    assert counted() == 1
    desk.alarm("one")
    desk.clock.advance(30.0)
    desk.alarm("two")
    assert counted() == 3
    desk.clock.advance(midnight + DAY - desk.clock.utc_seconds() - 1.0)
    look(desk)
    assert counted() == 3
    desk.clock.advance(2.0)
    look(desk)
    assert counted() == 0
    desk.alarm("of the new day")
    assert counted() == 1
    desk.history.close()
