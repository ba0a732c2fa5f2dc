"""The whole step at the very seconds where silences, gaps and pauses end, and small parts beside it."""

from dataclasses import MISSING, fields, replace
from datetime import UTC, date, datetime

import pytest

from sensord.care.chick_day import chick_view, overdue
from sensord.care.chicks import Chick, ChickView, Feed, Weighing
from sensord.errors import DataError
from sensord.readings import Fault, FaultKind, Reading
from sensord.watch.command_table import COMMANDS, OutOfService, PauseAudio, ReturnToService, Shelve, StartBatch
from sensord.watch.conditions import UNIT_PLACE, Condition
from sensord.watch.effects import (
    AlarmChanged,
    AlarmState,
    Alerting,
    Answered,
    DishChanged,
    DishState,
    Effect,
    EntryMade,
    GapFound,
    Measured,
    Note,
    Noted,
)
from sensord.watch.events import Command, DayKnown, Event, Gap, Observed, Origin, Tick, Troubled
from sensord.watch.finding import Warming, feel, moved, moved_most
from sensord.watch.nursery import snapshot, step
from sensord.watch.screening import Calibration
from sensord.watch.state import Nursery, NurserySettings
from sensord.watch.state import first_nursery as begun
from tests.helpers.usual import usual_alarms
from tests.watch.test_nursery import SETTINGS


def after(*events: Event, nursery: Nursery | None = None) -> tuple[Nursery, list[Effect]]:
    nursery, made = nursery or begun(SETTINGS, 0.0), list[Effect]()
    for event in events:
        nursery, effects = step(SETTINGS, nursery, event)
        made += effects
    return nursery, made


def found(effects: list[Effect]) -> list[GapFound]:
    return [each for each in effects if isinstance(each, GapFound)]


def test_a_gap_is_told_a_minute_later_even_where_a_probe_stays_silent() -> None:
    gap = Gap(100.0, 3600.0, {"air": 34.2, "spoon": 37.0})
    nursery, effects = after(gap, Observed(Reading("air", 101.0, 30.0)), Tick(102.0), Tick(160.0))
    assert found(effects) == []
    nursery, effects = after(Tick(160.1), nursery=nursery)
    (told,) = found(effects)
    assert (told.seconds, told.gap_seconds, told.after_celsius) == (160.1, 3600.0, {"air": 30.5})
    assert found(after(Tick(161.0), nursery=nursery)[1]) == []


def test_a_gap_whose_probes_have_all_spoken_is_told_at_once() -> None:
    gap = Gap(100.0, 3600.0, {"air": 34.2, "spoon": 37.0})
    both = (Observed(Reading("air", 101.0, 30.0)), Observed(Reading("spoon", 101.0, 22.0)))
    assert len(found(after(gap, *both, Tick(102.0))[1])) == 1


def test_silence_is_a_late_fault_from_its_second_on() -> None:
    late = SETTINGS.probes["air"].late_seconds
    nursery, _ = after(Observed(Reading("air", 10.0, 34.0)))
    assert after(Tick(10.0 + late - 0.1), nursery=nursery)[0].probes["air"].fault is None
    silent, _ = after(Tick(10.0 + late), nursery=nursery)
    assert silent.probes["air"].fault is FaultKind.LATE
    assert silent.probes["air"].readings == 1


def test_faults_are_counted_by_kind() -> None:
    events = [
        Observed(Fault("air", float(n), kind))
        for n, kind in enumerate((FaultKind.CRC_ERROR, FaultKind.CRC_ERROR, FaultKind.NO_RESPONSE))
    ]
    nursery, _ = after(*events, Observed(Reading("air", 5.0, 34.0)), Observed(Reading("air", 6.0, 34.0)))
    watched = nursery.probes["air"]
    assert watched.faults == {FaultKind.CRC_ERROR: 2, FaultKind.NO_RESPONSE: 1}
    assert (watched.readings, watched.heard_seconds) == (2, 6.0)


def test_a_brooders_fault_and_its_end_are_noted_once_each() -> None:
    faults = [Observed(Fault("air", float(n), FaultKind.CRC_ERROR)) for n in range(3)]
    other = Observed(Fault("air", 3.0, FaultKind.NO_RESPONSE))
    _, effects = after(*faults, other, Observed(Reading("air", 4.0, 34.0)), Observed(Reading("air", 5.0, 34.0)))
    notes = [(each.what, each.fault) for each in effects if isinstance(each, Noted)]
    assert notes == [
        (Note.PROBE_FAULT, FaultKind.CRC_ERROR),
        (Note.PROBE_FAULT, FaultKind.NO_RESPONSE),
        (Note.PROBE_OK, None),
    ]


def answer(command: PauseAudio) -> Answered:
    (found_,) = [each for each in after(command)[1] if isinstance(each, Answered)]
    return found_


@pytest.mark.parametrize(("seconds", "done"), [(0.0, False), (0.5, True), (120.0, True), (120.1, False), (-1.0, False)])
def test_a_pause_is_more_than_nothing_and_at_most_the_longest(seconds: float, done: bool) -> None:
    assert answer(PauseAudio(seconds=1.0, origin=Origin.BUTTON, for_seconds=seconds)).done is done


def test_a_pause_ends_at_its_second() -> None:
    nursery, _ = after(PauseAudio(seconds=10.0, origin=Origin.BUTTON, for_seconds=60.0))
    assert nursery.book.pause == (70.0, Origin.BUTTON)
    assert after(Tick(69.9), nursery=nursery)[0].book.pause == (70.0, Origin.BUTTON)
    assert after(Tick(70.0), nursery=nursery)[0].book.pause is None


def test_the_horn_is_told_only_when_something_changes() -> None:
    _, effects = after(Tick(1.0), Tick(2.0), Observed(Reading("air", 2.5, 34.0)), Tick(3.0))
    assert [each for each in effects if isinstance(each, Alerting)] == []
    _, effects = after(Troubled(1.0, "mqtt", "gone"), Tick(2.0), Tick(3.0), Troubled(4.0, "mqtt", ""))
    alerts = [each for each in effects if isinstance(each, Alerting)]
    assert [each.seconds for each in alerts] == [1.0, 4.0]


def test_each_output_in_trouble_counts_until_the_last_works_again() -> None:
    nursery, _ = after(Troubled(1.0, "mqtt", "gone"), Troubled(2.0, "history", "full"), Troubled(3.0, "mqtt", ""))
    assert nursery.troubles == {"history": "full"}
    alarms = [alarm.stands for alarm in nursery.book.alarms.values()]
    assert alarms == [True]
    nursery, _ = after(Troubled(4.0, "history", ""), nursery=nursery)
    assert [alarm.stands for alarm in nursery.book.alarms.values()] == [False]


def test_feeds_overdue_stand_while_any_chick_waits() -> None:
    settings, late = replace(SETTINGS, feed_reminder=True), ChickView(name="pip", overdue_utc_seconds=100.0)

    def stands(*events: Event, settings: NurserySettings = settings) -> bool:
        nursery = begun(settings, 0.0)
        for event in events:
            nursery, _ = step(settings, nursery, event)
        return nursery.book.get(UNIT_PLACE, Condition.FEED_OVERDUE).stands

    waiting = (DayKnown(0.5, (late, ChickView(name="dot"))), Tick(1.0, 101.0))
    assert stands(*waiting)
    assert not stands(*waiting, DayKnown(2.0), Tick(3.0, 103.0))
    assert not stands(DayKnown(0.5, (late,)), Tick(1.0, 99.0))
    assert not stands(DayKnown(0.5, (late,)), Tick(1.0, None))
    assert not stands(*waiting, settings=SETTINGS)


def test_every_row_of_the_commands_has_its_own_value_and_a_rule() -> None:
    values = [row.value for row in COMMANDS.values()]
    assert len(set(values)) == len(values)
    example = {"place": "nest", "condition": Condition.TOO_COLD, "stage": "feathered", "chick": "pip"}
    for verb, row in COMMANDS.items():
        needed = {
            one.name: example[one.name] for one in fields(row.value) if one.name in example and one.default is MISSING
        }
        _, effects = after(row.value(seconds=1.0, origin=Origin.CONTROL, **{name: example[name] for name in needed}))
        told = [one.verb for one in effects if isinstance(one, Answered)]
        assert told == ([] if any(isinstance(one, EntryMade) for one in effects) else [verb])


@pytest.mark.parametrize(("gain", "is_believed"), [(0.9, True), (1.1, True), (0.899, False), (1.101, False)])
def test_a_gain_beyond_a_tenth_is_no_calibration(gain: float, is_believed: bool) -> None:
    if is_believed:
        assert Calibration(-0.2, gain).correct(40.0) == pytest.approx(40.0 * gain - 0.2)
    else:
        with pytest.raises(DataError, match="no calibration"):
            Calibration(-0.2, gain)


def test_a_probe_as_bought_is_good_to_half_a_degree() -> None:
    """Error limit of a DS18B20 from -10 to 85 °C (data sheet)."""
    assert Calibration() == Calibration(0.0, 1.0, 0.5)


def felt(**moves: float) -> Warming:
    finding = Warming()
    for name, by in moves.items():
        finding = feel(feel(finding, Reading(name, 0.0, 21.0)), Reading(name, 1.0, 21.0 + by))
    return finding


def test_the_warmed_probe_moved_clearly_and_three_times_as_far_as_any_other() -> None:
    assert moved(felt(a=1.5)) == "a"
    assert moved(felt(a=1.4)) is None
    assert moved(felt(a=-1.6, b=0.2)) == "a"
    assert moved(felt(a=3.0, b=1.0)) == "a"
    assert moved(felt(a=3.0, b=1.1)) is None
    assert moved(felt(a=3.0, b=-1.1)) is None
    assert moved(Warming()) is None
    assert moved_most(felt(a=-0.5, b=0.25)) == ("a", -0.5)
    assert moved_most(Warming()) is None


def test_a_found_probe_no_longer_counts() -> None:
    finding = felt(a=5.0, b=0.0).next_one("a")
    assert feel(finding, Reading("a", 2.0, 26.0)) == finding
    finding = feel(feel(finding, Reading("b", 2.0, 21.0)), Reading("b", 3.0, 23.0))
    assert moved(finding) == "b"
    assert finding.next_one("b").known == {"a", "b"}


def test_who_waits_longer_than_a_night_is_overdue() -> None:
    now = datetime(2026, 5, 10, 12, tzinfo=UTC).timestamp()
    chick = Chick(name="pip", kind="cockatiel", hatched=date(2026, 5, 1))
    view = replace(chick_view(chick, [], [], now, now - 43_200.0), overdue_utc_seconds=now)
    assert not overdue([view], now)
    assert overdue([view], now + 0.1)
    assert not overdue([replace(view, overdue_utc_seconds=None)], now)
    assert view.feeds_today == 0


def test_the_longest_of_everything_is_what_the_config_says_without_a_word() -> None:
    """A shelf of ten minutes, an acknowledged alarm back after half an hour, recalled every ten minutes (docs)."""
    rules = usual_alarms(possible=frozenset())
    assert rules.shelve_seconds == rules.reminder_seconds == 10 * 60
    assert rules.rearm_seconds == 30 * 60
    assert rules.silence_seconds == {Origin.MQTT: 60 * 60, Origin.CONTROL: 4 * 60 * 60}


def commanded(command: Command, nursery: Nursery | None = None) -> tuple[Nursery, Answered]:
    nursery, effects = after(command, nursery=nursery)
    (found_,) = [each for each in effects if isinstance(each, Answered)]
    return nursery, found_


def test_at_the_pi_itself_an_alarm_leaves_service_and_comes_back() -> None:
    key = {"place": "nest", "condition": Condition.TOO_COLD, "seconds": 1.0}
    nursery, out = commanded(OutOfService(origin=Origin.CONTROL, **key))  # type: ignore[arg-type]
    assert out.done
    assert nursery.book.get("nest", Condition.TOO_COLD).state is AlarmState.OUT_OF_SERVICE
    nursery, back = commanded(ReturnToService(origin=Origin.CONTROL, **key), nursery)  # type: ignore[arg-type]
    assert back.done
    assert nursery.book.get("nest", Condition.TOO_COLD).state is AlarmState.NORMAL
    for origin in (Origin.MQTT, Origin.BUTTON):
        _, refused = commanded(OutOfService(origin=origin, **key))  # type: ignore[arg-type]
        assert not refused.done


def in_paste(celsius: float = 45.0) -> tuple[Nursery, float]:
    """The spoon in air, then in paste."""
    nursery, seconds = begun(SETTINGS, 0.0), 0.0
    for n in range(40):
        reading = 21.0 if n < 12 else celsius - (celsius - 21.0) * 0.8 ** (n - 12)
        seconds = float(n)
        nursery, _ = after(Observed(Reading("spoon", seconds, reading)), nursery=nursery)
    assert nursery.dishes["supper"].finder.in_paste
    return nursery, seconds


def test_the_network_cannot_end_a_scald_by_saying_that_the_bowl_is_new() -> None:
    nursery, seconds = in_paste(42.0)
    called = replace(nursery, dishes={"supper": replace(nursery.dishes["supper"], was_called_ready=True)})
    hot, _ = after(*[Observed(Reading("spoon", seconds + n, 42.0 + n / 2)) for n in range(1, 6)], nursery=called)
    assert hot.book.get("supper", Condition.SCALDING).stands
    for origin, done in ((Origin.MQTT, False), (Origin.BUTTON, True)):
        now, answered = commanded(StartBatch(seconds=seconds + 6, origin=origin, dish="supper"), hot)
        assert answered.done is done
        assert now.book.get("supper", Condition.SCALDING).stands is not done


def test_a_fault_in_the_paste_is_an_alarm_of_the_dish_until_it_reads_again() -> None:
    nursery, seconds = in_paste()
    faults = [Observed(Fault("spoon", seconds + n, FaultKind.CRC_ERROR)) for n in range(1, 16)]
    flaky, _ = after(*faults[:-1], nursery=nursery)
    assert not flaky.book.get("supper", Condition.PROBE_FAULT).stands
    failed, effects = after(faults[-1], nursery=flaky)
    alarm = failed.book.get("supper", Condition.PROBE_FAULT)
    assert alarm.stands
    assert alarm.celsius == pytest.approx(45.0, abs=0.2)
    assert alarm.since_seconds == seconds + 15
    assert any(isinstance(each, AlarmChanged) and each.place == "supper" for each in effects)
    again = failed
    for n in range(16, 31):
        assert again.book.get("supper", Condition.PROBE_FAULT).stands
        again, _ = after(Observed(Reading("spoon", seconds + n, 45.0)), nursery=again)
    assert not again.book.get("supper", Condition.PROBE_FAULT).stands


def test_silence_in_the_paste_is_an_alarm_of_the_dish() -> None:
    nursery, seconds = in_paste()
    silent, _ = after(*[Tick(seconds + n) for n in range(1, 16)], nursery=nursery)
    assert silent.book.get("supper", Condition.PROBE_FAULT).stands


def test_a_batch_begins_by_command_for_the_dish_that_is_named() -> None:
    nursery, answered = commanded(StartBatch(seconds=7.0, origin=Origin.BUTTON, dish="supper"))
    assert answered.done
    assert nursery.dishes["supper"].batch_seconds == 7.0


def test_a_late_fault_says_how_long_it_has_been_silent() -> None:
    late = SETTINGS.probes["air"].late_seconds
    _, effects = after(Observed(Reading("air", 10.0, 34.0)), Tick(10.0 + late))
    faults = [each.observation for each in effects if isinstance(each, Measured)]
    details = [each.detail for each in faults if isinstance(each, Fault) and each.probe == "air"]
    assert details == [f"silent for {late:.0f} s"]


def test_on_a_tick_a_brooders_silence_comes_to_stand() -> None:
    nursery, _ = after(Observed(Reading("air", 0.0, 34.0)))
    nursery, _ = after(*[Tick(float(n)) for n in range(1, 130)], nursery=nursery)
    assert nursery.book.get("nest", Condition.READINGS_LATE).stands
    stopped, _ = after(Gap(200.0, 50.0, {}), nursery=nursery)
    assert stopped.book.get("nest", Condition.POWER_GAP).stands
    over, _ = after(*[Tick(200.0 + 100.0 * n) for n in range(1, 8)], nursery=stopped)
    assert not over.book.get("nest", Condition.POWER_GAP).stands


def test_a_chicks_view_has_its_last_gain_and_weight() -> None:
    now = datetime(2026, 5, 10, 12, tzinfo=UTC).timestamp()
    chick = Chick(name="pip", kind="cockatiel", hatched=date(2026, 5, 1))
    weighed = [
        Weighing("pip", now - day * 86_400.0, grams) for day, grams in ((3, 20.0), (2, 24.0), (1, 30.0), (0, 37.0))
    ]
    view = chick_view(chick, weighed, [], now, now - 43_200.0)
    assert (view.grams, view.weighed_utc_seconds) == (37.0, now)
    assert view.gain_grams_per_day == pytest.approx(7.0)
    assert view.age_days == 9.5  # counted from the first minute of the day it hatched
    assert chick_view(chick, [], [], now, now).gain_grams_per_day is None


def test_a_probe_is_found_once_however_often_it_is_named() -> None:
    twice = Warming().next_one("a").next_one("a")
    assert twice.known == {"a"}


def test_a_reading_of_one_place_leaves_the_others_alone() -> None:
    """Whatever their probes are called: `wall` comes after `spoon` in the alphabet, `air` before."""
    nursery = begun(SETTINGS, 0.0)
    for probe, touched in (("wall", None), ("air", "nest"), ("spoon", "supper")):
        later, _ = after(Observed(Reading(probe, 1.0, 30.0)), nursery=nursery)
        assert (later.dishes["supper"] is nursery.dishes["supper"]) is (touched != "supper")
        assert (later.brooders["nest"] is nursery.brooders["nest"]) is (touched != "nest")


def test_a_chicks_view_has_its_last_feed() -> None:
    now = datetime(2026, 5, 10, 12, tzinfo=UTC).timestamp()
    chick = Chick(name="pip", kind="cockatiel", hatched=date(2026, 5, 1))
    feeds = [
        Feed(chick="pip", utc_seconds=now - hours * 3600.0, millilitres=millilitres)
        for hours, millilitres in ((30, 3.0), (8, 3.5), (3, 4.0))
    ]
    view = chick_view(chick, [], feeds, now, now - 43_200.0)
    assert (view.fed_utc_seconds, view.fed_millilitres, view.feeds_today) == (now - 3 * 3600.0, 4.0, 2)


def test_a_tick_ends_the_shelves_that_have_run_out() -> None:
    shelf = Shelve(seconds=10.0, origin=Origin.CONTROL, place="nest", condition=Condition.TOO_COLD, for_seconds=60.0)
    nursery, _ = after(shelf)
    assert after(Tick(69.0), nursery=nursery)[0].book.get("nest", Condition.TOO_COLD).state is AlarmState.SHELVED
    assert after(Tick(70.0), nursery=nursery)[0].book.get("nest", Condition.TOO_COLD).state is AlarmState.NORMAL


def test_a_tick_lets_the_time_of_a_dish_pass() -> None:
    """Uptake and age are told by the clock, not by readings."""
    nursery, seconds = in_paste()
    nursery, _ = after(StartBatch(seconds=seconds, origin=Origin.BUTTON, dish="supper"), nursery=nursery)
    assert nursery.dishes["supper"].state is DishState.UPTAKE
    limit = SETTINGS.dishes["supper"].batch_limit_seconds
    fresh = replace(nursery, dishes={"supper": replace(nursery.dishes["supper"], batch_seconds=seconds - limit)})
    old, effects = after(Tick(seconds + 1.0), nursery=fresh)
    assert old.dishes["supper"].state is DishState.OLD
    assert any(isinstance(each, DishChanged) for each in effects)


def test_what_is_shown_of_an_output_in_trouble_and_of_a_pause() -> None:
    nursery, _ = after(Troubled(1.0, "mqtt", "gone"), PauseAudio(seconds=2.0, origin=Origin.BUTTON, for_seconds=60.0))
    shown = snapshot(SETTINGS, nursery, 62.0)
    (output,) = shown.outputs
    assert (output.working, output.words) == (False, "gone")
    assert shown.audio_paused_left_seconds == 0.0
    assert snapshot(SETTINGS, nursery, 61.5).audio_paused_left_seconds == 0.5
