"""What holds where nobody says anything is said twice, in the config and in the rules: both say the same."""

from dataclasses import replace

from sensord.config.loading import parse
from sensord.config.settings import nursery_settings
from sensord.readings import Band, FaultKind
from sensord.watch.alarms.alarm_book import AlarmSettings
from sensord.watch.brooder.brooder_rules import BrooderSettings
from sensord.watch.brooder.side import Level
from sensord.watch.conditions import Priority, alarms_of
from sensord.watch.dish.dish_state import Dish, DishSettings
from sensord.watch.dish.dish_table import Findings, decide
from sensord.watch.effects import DishState
from sensord.watch.nursery import first_nursery

SETTINGS = nursery_settings(
    parse(
        """
        [probes.air]
        rom = "28-00000000000a"
        place = "brooder"
        [probes.spoon]
        rom = "28-00000000000b"
        place = "dish"
        [brooders.nest]
        probes = ["air"]
        band = { low_celsius = 33.0, high_celsius = 36.0 }
        [dishes.supper]
        probe = "spoon"
        """,
        "sensord.toml",
    )
)


def test_alarms_are_held_to_what_a_config_without_a_word_says() -> None:
    assert SETTINGS.alarms == AlarmSettings(possible=alarms_of(["nest"], ["supper"]))


def test_a_dish_is_held_to_what_a_config_without_a_word_says() -> None:
    configured = SETTINGS.dishes["supper"]
    plain = DishSettings(name="supper", probe="spoon", band_source=configured.band_source, bowlful=configured.bowlful)
    assert plain == configured


def test_a_brooder_is_held_to_what_a_config_without_a_word_says() -> None:
    configured = SETTINGS.brooders["nest"]
    assert (
        BrooderSettings(name="nest", probes=("air",), band=Band(33.0, 36.0), late_seconds=configured.late_seconds)
        == configured
    )


def test_a_unit_is_held_to_what_a_config_without_a_word_says() -> None:
    given = {"unit": SETTINGS.unit, "probes": {}, "dishes": {}, "brooders": {}, "alarms": SETTINGS.alarms}
    plain = type(SETTINGS)(**given)  # type: ignore[arg-type]
    assert plain.keeps_history == SETTINGS.keeps_history


def test_before_the_first_reading_nothing_is_known_and_nothing_stands() -> None:
    nursery = first_nursery(SETTINGS, 5.0)
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
    assert dish.cooled_probability == 0.0


def test_nothing_found_of_a_dish_is_a_probe_away() -> None:
    """And each finding alone leads to its own state, however good all the others are."""
    assert decide(Findings()).state is DishState.AWAY
    good = Findings(in_paste=True, settled=True, enters=True, stays=True)
    assert decide(good).state is DishState.READY
    for findings, state in (
        (replace(good, fault=FaultKind.CRC_ERROR), DishState.UNKNOWN),
        (replace(good, late=True), DishState.UNKNOWN),
        (replace(good, in_paste=False), DishState.AWAY),
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
