"""What a keeper may write down, change and take back, at the very seconds where it ends."""

from pathlib import Path

import pytest

from sensord.care.chicks import Crop
from sensord.history.database import open_writer
from sensord.readings import Interval
from sensord.watch.command_table import EnterChick, LogFeed, WeighIn
from sensord.watch.effects import BatchStarted, DishChanged, DishEstimated, DishState, Note, Noted
from sensord.watch.events import EntryAnswered, Origin
from tests.history.test_history import UTC, Desk, rows

DAY = 86_400.0


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    made = Desk(tmp_path)
    made.add()
    return made


def chick(desk: Desk, **fields: object) -> EntryAnswered:
    now = desk.clock.monotonic_seconds()
    return desk.enter(EnterChick(seconds=now, origin=Origin.CONTROL, **{"chick": "pip", **fields}))  # type: ignore[arg-type]


def feed(desk: Desk, **fields: object) -> EntryAnswered:
    now = desk.clock.monotonic_seconds()
    return desk.enter(LogFeed(seconds=now, origin=Origin.CONTROL, chick="pip", **fields))  # type: ignore[arg-type]


def weigh(desk: Desk, **fields: object) -> EntryAnswered:
    now = desk.clock.monotonic_seconds()
    return desk.enter(WeighIn(seconds=now, origin=Origin.CONTROL, chick="pip", **fields))  # type: ignore[arg-type]


def kept(desk: Desk, question: str) -> list[tuple[object, ...]]:
    return rows(desk.file.path.parent, question)


def test_an_answer_says_what_was_written(desk: Desk) -> None:
    assert feed(desk, millilitres=4.0, crop=Crop.EMPTY).reason == "pip: 4 ml, crop empty before"
    assert feed(desk, millilitres=4.25).reason == "pip: 4.25 ml"
    assert feed(desk).reason == "pip: a feed"
    assert feed(desk, celsius=38.04).reason == "pip: a feed, dish at 38.0 °C"
    assert weigh(desk, grams=45.2).reason == "pip: 45.2 g"
    assert weigh(desk).reason == "how heavy is pip? write the grams"
    assert kept(desk, "SELECT millilitres, crop, celsius FROM feed ORDER BY id") == [
        (4.0, "empty", None), (4.25, None, None), (None, None, None), (None, None, 38.04),
    ]  # fmt: skip


@pytest.mark.parametrize(("ago", "is_taken_back"), [(DAY - 1, True), (DAY + 1, False)])
def test_an_entry_can_be_taken_back_for_a_day(desk: Desk, ago: float, is_taken_back: bool) -> None:
    feed(desk, millilitres=4.0)
    weigh(desk, grams=45.0)
    desk.clock.advance(ago)
    assert feed(desk, undo=True).reason == (
        "pip: took back 4 ml" if is_taken_back else "there is no feed of pip within a day to take back"
    )
    assert weigh(desk, undo=True).reason == (
        "pip: took back 45 g" if is_taken_back else "there is no weighing of pip within a day to take back"
    )
    left = 0 if is_taken_back else 1
    assert kept(desk, "SELECT (SELECT count(*) FROM feed), (SELECT count(*) FROM weighing)") == [(left, left)]


def test_what_is_not_said_of_a_chick_stays_as_it_was(desk: Desk) -> None:
    assert chick(desk, kind="rock pigeon", hatched="2027-01-02", mark="red", brooder="nest", every_hours=2.5).done
    assert chick(desk, mark="blue").reason == "pip changed"
    asked = "SELECT kind, hatched, mark, brooder, gone, every_hours FROM chick"
    assert kept(desk, asked) == [("rock pigeon", "2027-01-02", "blue", "nest", None, 2.5)]
    assert chick(desk, every_hours=0.0, left="2027-01-10").done
    assert kept(desk, asked) == [("rock pigeon", "2027-01-02", "blue", "nest", "2027-01-10", None)]


def test_a_kind_without_a_table_is_said(desk: Desk) -> None:
    said = chick(desk, chick="dot", kind="hoatzin").reason
    assert said.startswith("dot added; no feed table is for 'hoatzin' (there are: ")
    assert said.endswith("so the general rule holds")
    assert chick(desk, chick="DOT", kind="rock pigeon").reason == "dot changed"


def test_a_time_that_was_given_is_sure_and_one_that_was_not_is_as_sure_as_the_clock(tmp_path: Path) -> None:
    desk = Desk(tmp_path, trusted=False)
    desk.add()
    feed(desk, at_utc_seconds=UTC - 60)
    desk.clock.advance(5.0)
    feed(desk)
    assert kept(desk, "SELECT at_ms, sure FROM feed ORDER BY id") == [
        (round((UTC - 60) * 1000), 1), (round((UTC + 5) * 1000), 0),
    ]  # fmt: skip


def serve(desk: Desk, celsius: float) -> None:
    """A round: mixed, ready, and the probe lifted a second later."""
    now = desk.clock.monotonic_seconds()
    paste = Interval(celsius, celsius - 0.2, celsius + 0.2)
    for effect in (
        BatchStarted(now, "supper", Origin.BUTTON),
        DishChanged(
            seconds=now,
            dish="supper",
            probe="bowl",
            state=DishState.READY,
            previous=DishState.HOT,
            estimate_celsius=paste,
        ),
        DishEstimated(seconds=now, dish="supper", probe="bowl", estimate_celsius=paste),
        Noted(seconds=now, probe="bowl", what=Note.LIFT),
    ):
        desk.handle(effect)


@pytest.mark.parametrize(("after", "celsius"), [(0.0, 37.4), (1800.0, 37.4), (1801.0, None)])
def test_the_dish_of_the_last_half_hour_gives_the_feed_its_temperature(
    desk: Desk, after: float, celsius: float | None
) -> None:
    serve(desk, 36.5)
    desk.clock.advance(1.0)
    serve(desk, 37.4)
    desk.clock.advance(after)
    feed(desk, millilitres=4.0)
    assert kept(desk, "SELECT celsius FROM feed") == [(celsius,)]
    feed(desk, millilitres=4.0, celsius=38.0)
    assert kept(desk, "SELECT celsius FROM feed ORDER BY id DESC LIMIT 1") == [(38.0,)]


def test_a_feed_written_down_just_before_the_probe_was_lifted_is_of_that_round(desk: Desk) -> None:
    now = desk.clock.utc_seconds()
    desk.clock.advance(59.0)
    serve(desk, 37.4)
    feed(desk, at_utc_seconds=now)
    feed(desk, at_utc_seconds=now - 1.0)
    assert kept(desk, "SELECT celsius FROM feed ORDER BY id") == [(37.4,), (None,)]


def test_a_weight_is_answered_with_its_gain_and_with_what_to_look_at(desk: Desk) -> None:
    assert weigh(desk, grams=40.0).reason == "pip: 40 g"
    desk.clock.advance(DAY)
    assert weigh(desk, grams=44.0).reason == "pip: 44 g, +4.0 g/day (+10 %)"
    desk.clock.advance(60.0)
    assert weigh(desk, grams=44.5).reason == "pip: 44.5 g"  # of one day the first weight counts
    desk.clock.advance(DAY)
    said = weigh(desk, grams=38.0).reason
    assert said.startswith("pip: 38 g, -6.0 g/day (-14 %) LOOK: ")
    assert "avian vet" in said


def test_what_cannot_be_can_be_taken_back(desk: Desk) -> None:
    weigh(desk, grams=40.0)
    connection = open_writer(desk.file.path)
    connection.execute("UPDATE weighing SET grams = 'heavy'")
    connection.close()
    assert weigh(desk, undo=True).reason == "pip: took back 'heavy'"
