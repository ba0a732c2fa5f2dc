"""Feed rounds as they are found from a dish, without a key press."""

import pytest

from sensord.readings import Interval
from sensord.watch.dish.rounds import FeedRound, RoundTracker
from sensord.watch.effects import BatchStarted, DishChanged, DishEstimated, DishState, Note, Noted
from sensord.watch.events import Origin


def about(celsius: float | None) -> Interval | None:
    return None if celsius is None else Interval(celsius, celsius - 0.3, celsius + 0.3)


def changed(seconds: float, state: DishState, previous: DishState, celsius: float | None = None) -> DishChanged:
    return DishChanged(
        seconds=seconds, dish="dish", probe="bowl", state=state, previous=previous, estimate_celsius=about(celsius)
    )


@pytest.fixture
def tracker() -> RoundTracker:
    made = RoundTracker()
    made.take(BatchStarted(0.0, "dish", Origin.BUTTON))
    made.take(changed(300.0, DishState.READY, DishState.HOT, 39.9))
    return made


def test_a_lift_out_of_a_ready_dish_begins_a_round_with_the_last_estimate(tracker: RoundTracker) -> None:
    tracker.take(DishEstimated(seconds=330.0, dish="dish", probe="bowl", estimate_celsius=about(39.4)))
    found = tracker.take(Noted(seconds=340.0, probe="bowl", what=Note.LIFT))
    assert found == FeedRound(seconds=340.0, dish="dish", batch_seconds=0.0, ready_seconds=300.0, celsius=39.4)


def test_what_the_probe_reads_in_the_air_does_not_count(tracker: RoundTracker) -> None:
    tracker.take(changed(335.0, DishState.AWAY, DishState.READY))
    tracker.take(DishEstimated(seconds=338.0, dish="dish", probe="bowl", estimate_celsius=about(30.0)))
    found = tracker.take(Noted(seconds=340.0, probe="bowl", what=Note.LIFT))
    assert found is not None
    assert found.celsius == 39.9


def test_a_second_lift_to_stir_again_is_the_same_round(tracker: RoundTracker) -> None:
    assert tracker.take(Noted(seconds=340.0, probe="bowl", what=Note.LIFT)) is not None
    assert tracker.take(Noted(seconds=400.0, probe="bowl", what=Note.LIFT)) is None
    tracker.take(changed(420.0, DishState.READY, DishState.UNEVEN, 39.0))
    assert tracker.take(Noted(seconds=450.0, probe="bowl", what=Note.LIFT)) is not None


def test_clearing_the_table_long_after_feeds_nobody(tracker: RoundTracker) -> None:
    tracker.take(changed(400.0, DishState.COOL, DishState.READY))
    assert tracker.take(Noted(seconds=900.0, probe="bowl", what=Note.LIFT)) is None


def test_a_dish_that_was_never_ready_and_a_brooders_probe_begin_no_round() -> None:
    tracker = RoundTracker()
    tracker.take(changed(300.0, DishState.HOT, DishState.UPTAKE, 44.0))
    assert tracker.take(Noted(seconds=340.0, probe="bowl", what=Note.LIFT)) is None
    assert tracker.take(Noted(seconds=341.0, probe="left", what=Note.LIFT)) is None


def test_the_probe_may_stay_for_three_minutes_after_the_window_has_closed(tracker: RoundTracker) -> None:
    tracker.take(changed(400.0, DishState.COOL, DishState.READY))
    assert tracker.take(Noted(seconds=580.1, probe="bowl", what=Note.LIFT)) is None
    assert tracker.take(Noted(seconds=580.0, probe="bowl", what=Note.LIFT)) is not None
