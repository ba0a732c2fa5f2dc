"""A restart: the time that nobody watched is told, shelves go on for what they had left, and no more."""

from pathlib import Path

import pytest

from sensord.config import settings as assembly
from sensord.config.loading import parse
from sensord.config.sections import HistorySection
from sensord.history.history_file import FILE_NAME, HistoryFile
from sensord.history.history_writer import History
from sensord.readings import Band, Reading
from sensord.run.memory import Past, keeper, recall
from sensord.watch import nursery as whole
from sensord.watch.alarms.alarm_book import AlarmBook
from sensord.watch.command_table import SetStage, Shelve
from sensord.watch.conditions import Condition
from sensord.watch.effects import AlarmState, Measured
from sensord.watch.events import Origin, Tick
from sensord.watch.nursery import snapshot
from sensord.watch.state import Nursery, first_nursery
from tests.helpers.fake_clock import FakeClock

CONFIG = """
[probes.air]
rom = "28-00000000000a"
place = "brooder"
[brooders.nest]
probes = ["air"]
profile = "parrots"
stage = "hatchling"
"""
SETTINGS = assembly.nursery_settings(parse(CONFIG, "sensord.toml"))


def a_run(folder: Path, clock: FakeClock) -> None:
    """A daemon that read 34.2 °C, shelved for ten minutes, and stopped."""
    history = History(HistoryFile(folder, clock), HistorySection(), clock)
    history.handle(Measured(Reading("air", clock.monotonic_seconds(), 34.2), 0.5))
    now = clock.monotonic_seconds()
    nursery = first_nursery(SETTINGS, now)
    for command in (
        Shelve(seconds=now, origin=Origin.CONTROL, place="nest", condition=Condition.TOO_COLD, for_seconds=600.0),
        SetStage(seconds=now, origin=Origin.CONTROL, brooder="nest", stage="feathered"),
    ):
        nursery, _ = whole.step(SETTINGS, nursery, command)
    keeper(history.save_state, SETTINGS, clock)(nursery, now)
    clock.advance(30)
    history.handle(Measured(Reading("air", clock.monotonic_seconds(), 34.3), 0.5))
    history.close()


def test_the_gap_is_as_long_as_nobody_watched_and_knows_the_last_air(tmp_path: Path) -> None:
    clock = FakeClock()
    a_run(tmp_path, clock)
    clock.advance(7200)
    past = recall(tmp_path / FILE_NAME, SETTINGS, clock)
    assert past.gap is not None
    assert past.gap.gap_seconds == pytest.approx(7200, abs=2)
    assert past.gap.last_celsius == {"air": 34.3}


def test_a_quick_restart_is_no_gap_and_a_shelf_has_the_rest_of_its_time(tmp_path: Path) -> None:
    clock = FakeClock()
    a_run(tmp_path, clock)
    clock.advance(20)
    past = recall(tmp_path / FILE_NAME, SETTINGS, clock)
    assert past.gap is None
    alarm = past.book.get("nest", Condition.TOO_COLD)
    assert alarm.state is AlarmState.SHELVED
    assert alarm.shelf is not None
    assert alarm.shelf.until_seconds == pytest.approx(clock.monotonic_seconds() + 550, abs=2)


def test_a_shelf_that_ran_out_meanwhile_is_gone(tmp_path: Path) -> None:
    clock = FakeClock()
    a_run(tmp_path, clock)
    clock.advance(3600)
    assert recall(tmp_path / FILE_NAME, SETTINGS, clock).book.get("nest", Condition.TOO_COLD).state is AlarmState.NORMAL


def test_with_a_clock_that_nobody_set_the_gap_is_of_unknown_length_and_a_shelf_goes_by_the_other_clock(
    tmp_path: Path,
) -> None:
    clock = FakeClock()
    a_run(tmp_path, clock)
    clock.set_wall_clock(1000.0)
    clock.trusted = False
    past = recall(tmp_path / FILE_NAME, SETTINGS, clock)
    assert past.gap is not None
    assert past.gap.gap_seconds is None
    assert past.book.get("nest", Condition.TOO_COLD).shelf == (0.0, 600.0)


def test_a_clock_put_back_between_restarts_makes_no_shelf_longer(tmp_path: Path) -> None:
    clock = FakeClock()
    a_run(tmp_path, clock)
    shelved_seconds = clock.monotonic_seconds() + 570.0
    while clock.monotonic_seconds() < shelved_seconds + 200:
        clock.advance(100)
        clock.set_wall_clock(clock.utc_seconds() - 99)
        shelf = recall(tmp_path / FILE_NAME, SETTINGS, clock).book.get("nest", Condition.TOO_COLD).shelf
        if clock.monotonic_seconds() < shelved_seconds:
            assert shelf is not None
            assert shelf.until_seconds == pytest.approx(shelved_seconds)
        else:
            assert shelf is None


def test_a_clock_put_back_makes_no_living_shelf_longer() -> None:
    nursery = first_nursery(SETTINGS, 0.0)
    shelve = Shelve(seconds=0.0, origin=Origin.CONTROL, place="nest", condition=Condition.TOO_COLD, for_seconds=600.0)
    nursery, _ = whole.step(SETTINGS, nursery, shelve)
    for seconds, state in ((599.0, AlarmState.SHELVED), (600.0, AlarmState.NORMAL)):
        nursery, _ = whole.step(SETTINGS, nursery, Tick(seconds, 1_800_000_000.0 - 100 * seconds))
        assert nursery.book.get("nest", Condition.TOO_COLD).state is state


def test_a_shelf_ends_with_the_power_for_nobody_knows_how_long_it_was_off(tmp_path: Path) -> None:
    clock = FakeClock()
    a_run(tmp_path, clock)
    again = FakeClock(clock.monotonic_seconds(), clock.utc_seconds() + 5)
    again.boot = "another"
    assert recall(tmp_path / FILE_NAME, SETTINGS, again).book.get("nest", Condition.TOO_COLD).shelf is None


def test_without_a_history_nothing_is_known(tmp_path: Path) -> None:
    past = recall(tmp_path / FILE_NAME, SETTINGS, FakeClock())
    assert past.gap is None
    assert past.book == AlarmBook()


PIN_FEATHERED = Band(28.9, 29.9)
HATCHLING = Band(37.0, 38.0)


def nest(past: Past, clock: FakeClock, utc: float | None = None) -> Nursery:
    """The nursery of a new run that begins with what was kept, after its first tick."""
    nursery = first_nursery(SETTINGS, clock.monotonic_seconds(), past.book, past.bandings)
    return whole.step(SETTINGS, nursery, Tick(clock.monotonic_seconds(), utc))[0]


def test_a_stage_that_the_keeper_set_goes_on_from_the_band_that_was_in_force(tmp_path: Path) -> None:
    clock = FakeClock()
    a_run(tmp_path, clock)
    banding = nest(recall(tmp_path / FILE_NAME, SETTINGS, clock), clock).brooders["nest"].banding
    assert banding.stage == "feathered"
    assert banding.band.low_celsius == pytest.approx(HATCHLING.low_celsius, abs=0.01)


def test_a_stage_that_nobody_has_confirmed_is_not_confirmed_by_a_restart(tmp_path: Path) -> None:
    clock = FakeClock()
    nursery = first_nursery(SETTINGS, clock.monotonic_seconds())
    nursery, _ = whole.step(SETTINGS, nursery, Tick(clock.monotonic_seconds(), None))
    command = SetStage(seconds=clock.monotonic_seconds(), origin=Origin.MQTT, brooder="nest", stage="naked")
    nursery, _ = whole.step(SETTINGS, nursery, command)
    history = History(HistoryFile(tmp_path, clock), HistorySection(), clock)
    keeper(history.save_state, SETTINGS, clock)(nursery, clock.monotonic_seconds())
    history.close()
    again = nest(recall(tmp_path / FILE_NAME, SETTINGS, clock), clock)
    assert not again.brooders["nest"].banding.confirmed
    assert again.book.get("nest", Condition.STAGE_UNCONFIRMED).stands


def test_a_band_on_its_way_says_so_right_after_the_start(tmp_path: Path) -> None:
    clock = FakeClock()
    a_run(tmp_path, clock)
    nursery = nest(recall(tmp_path / FILE_NAME, SETTINGS, clock), clock)
    (seen,) = snapshot(SETTINGS, nursery, clock.monotonic_seconds()).brooders
    assert seen.notes[0] == "coming down to 23.9–26.7 °C by at most 0.5 °C a day"


def test_a_restart_without_a_clock_makes_no_jump_of_a_stage(tmp_path: Path) -> None:
    clock = FakeClock()
    a_run(tmp_path, clock)
    clock.trusted = False
    clock.advance(86_400.0)
    for _ in range(3):
        nursery = nest(recall(tmp_path / FILE_NAME, SETTINGS, clock), clock)
        assert nursery.brooders["nest"].banding.band == HATCHLING
        history = History(HistoryFile(tmp_path, clock), HistorySection(), clock)
        keeper(history.save_state, SETTINGS, clock)(nursery, clock.monotonic_seconds())
        history.close()


def test_a_day_that_the_clock_knows_of_lets_the_band_come_down_by_a_days_rate(tmp_path: Path) -> None:
    clock = FakeClock()
    a_run(tmp_path, clock)
    clock.advance(86_400.0 - 30.0)
    nursery = nest(recall(tmp_path / FILE_NAME, SETTINGS, clock), clock, clock.utc_seconds())
    assert nursery.brooders["nest"].banding.band.low_celsius == pytest.approx(36.5)


def test_with_another_plan_in_the_config_the_config_holds(tmp_path: Path) -> None:
    clock = FakeClock()
    a_run(tmp_path, clock)
    edited = assembly.nursery_settings(parse(CONFIG.replace("hatchling", "pin-feathered"), "sensord.toml"))
    assert recall(tmp_path / FILE_NAME, edited, clock).bandings == {}


@pytest.mark.parametrize(
    "kept",
    [
        "[]", "7", '{"nest": 7}', '{"nest": []}', "[" * 2000, '{"nest": {"plan": "parrots hatchling "}}',
        '{"nest": {"plan": "parrots hatchling ", "stage": "dragon"}}',
        '{"nest": {"plan": "parrots hatchling ", "stage": "naked", "low_celsius": NaN, "high_celsius": 30}}',
        '{"nest": {"plan": "parrots hatchling ", "stage": "naked", "low_celsius": 1, "high_celsius": 2}}',
        '{"nest": {"plan": "parrots hatchling ", "stage": "naked", "low_celsius": 36, "high_celsius": 1e9}}',
    ],
)  # fmt: skip
def test_a_band_that_cannot_have_been_is_forgotten(kept: str, tmp_path: Path) -> None:
    clock = FakeClock()
    a_run(tmp_path, clock)
    history = History(HistoryFile(tmp_path, clock), HistorySection(), clock)
    history.save_state("stages", kept)
    history.close()
    assert recall(tmp_path / FILE_NAME, SETTINGS, clock).bandings == {}


def test_a_stage_kept_by_an_earlier_version_still_holds(tmp_path: Path) -> None:
    clock = FakeClock()
    a_run(tmp_path, clock)
    history = History(HistoryFile(tmp_path, clock), HistorySection(), clock)
    history.save_state("stages", '{"nest": {"plan": "parrots hatchling ", "stage": "pin-feathered"}}')
    history.close()
    banding = nest(recall(tmp_path / FILE_NAME, SETTINGS, clock), clock).brooders["nest"].banding
    assert (banding.stage, banding.band) == ("pin-feathered", PIN_FEATHERED)
