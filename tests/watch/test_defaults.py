"""What holds before anything was read, and what each finding of a dish leads to."""

from dataclasses import replace

from sensord.readings import FaultKind
from sensord.watch.brooder.side import Level
from sensord.watch.cues import Priority
from sensord.watch.dish.dish_state import Dish
from sensord.watch.dish.dish_table import Findings, decide
from sensord.watch.effects import DishState
from sensord.watch.state import first_nursery
from tests.helpers.usual import USUAL


def test_before_the_first_reading_nothing_is_known_and_nothing_stands() -> None:
    nursery = first_nursery(USUAL, 5.0)
    assert nursery.book.alarms == {}
    assert nursery.alerting.priority is None
    assert nursery.alerting.lamp is None
    assert not nursery.alerting.flashing
    assert not nursery.bands_told
    watched = nursery.probes["air"]
    assert (watched.readings, watched.heard_seconds, watched.last, watched.fault) == (0, 5.0, None, None)
    dish = Dish()
    assert dish.state is DishState.UNKNOWN
    assert (dish.late, dish.was_called_ready, dish.ready_lost, dish.closing_cued) == (False,) * 4
    assert (dish.called, dish.failed, dish.fault_seconds) == (False, False, None)
    assert dish.cooled_probability == 0.0


def test_nothing_found_of_a_dish_is_a_probe_away() -> None:
    """And each finding alone leads to its own state, however good all the others are."""
    assert decide(Findings()).state is DishState.AWAY
    good = Findings(in_paste=True, settled=True, enters=True, stays=True, paste_shown=True)
    assert decide(good).state is DishState.READY
    for findings, state in (
        (replace(good, fault=FaultKind.CRC_ERROR), DishState.UNKNOWN),
        (replace(good, late=True), DishState.UNKNOWN),
        (replace(good, in_paste=False), DishState.AWAY),
        (replace(good, paste_shown=False), DishState.UNKNOWN),
        (replace(good, paste_shown=False, enters=False, was_ready=True), DishState.UNKNOWN),
        (replace(good, too_old=True), DishState.OLD),
        (replace(good, uptake_left_seconds=0.5), DishState.UPTAKE),
        (replace(good, uptake_left_seconds=-0.5), DishState.READY),
        (replace(good, uneven=True), DishState.UNEVEN),
        (replace(good, disturbed=True), DishState.UNKNOWN),
        (replace(good, settled=False), DishState.UNKNOWN),
        (replace(good, provable=False), DishState.UNKNOWN),
        (replace(good, enters=False), DishState.COOL),
        (replace(good, enters=False, was_ready=True), DishState.READY),
        (replace(good, enters=False, stays=False, was_ready=True), DishState.COOL),
        (replace(good, enters=False, warmer_than_middle=True), DishState.HOT),
    ):
        assert decide(findings).state is state


def test_worse_is_more() -> None:
    assert Priority.LOW < Priority.MEDIUM < Priority.HIGH
    assert Level.IN_BAND < Level.OUT < Level.DANGER
    assert not Level.IN_BAND
    assert Priority.HIGH.word == "high"
