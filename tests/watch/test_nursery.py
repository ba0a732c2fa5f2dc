"""The whole step: routing, silence, commands and their answers, the horn, and that nothing is half done."""

import math
from dataclasses import replace

import pytest

from sensord.config import settings as assembly
from sensord.config.loading import parse
from sensord.history.effect_rows import row_of
from sensord.readings import Band, Fault, FaultKind, Reading
from sensord.watch.command_table import (
    Acknowledge,
    OutOfService,
    PauseAudio,
    SetStage,
    Shelve,
    StartBatch,
    TestSounds,
    WeighIn,
)
from sensord.watch.conditions import Condition
from sensord.watch.cues import Cue, Priority
from sensord.watch.effects import (
    AlarmChanged,
    AlarmState,
    Alerting,
    Answered,
    BandMoved,
    Cued,
    Effect,
    EntryMade,
    Measured,
    Note,
    Noted,
)
from sensord.watch.events import Command, Event, Gap, Observed, Origin, Tick, Troubled
from sensord.watch.nursery import snapshot, step
from sensord.watch.state import Nursery, first_nursery

SETTINGS = assembly.nursery_settings(
    parse(
        """
        [probes.air]
        rom = "28-00000000000a"
        place = "brooder"
        offset_celsius = 0.5
        [probes.spoon]
        rom = "28-00000000000b"
        place = "dish"
        [probes.wall]
        rom = "28-00000000000c"
        place = "room"
        [brooders.nest]
        probes = ["air"]
        band = { low_celsius = 33.0, high_celsius = 36.0 }
        on_delay_seconds = 10
        off_delay_seconds = 10
        [dishes.supper]
        probe = "spoon"
        """,
        "sensord.toml",
    )
)


class Night:
    """A nursery that is fed events and keeps what came of them."""

    def __init__(self) -> None:
        self.nursery: Nursery = first_nursery(SETTINGS, 0.0)
        self.effects: list[Effect] = []

    def feed(self, *events: Event) -> list[Effect]:
        made: list[Effect] = []
        for event in events:
            self.nursery, effects = step(SETTINGS, self.nursery, event)
            made += effects
        self.effects += made
        return made

    def air(self, celsius: float, start: int, end: int) -> list[Effect]:
        return self.feed(
            *[
                event
                for second in range(start, end)
                for event in (Tick(second, None), Observed(Reading("air", second, celsius)))
            ]
        )

    def state(self, condition: Condition, place: str = "nest") -> AlarmState:
        return self.nursery.book.get(place, condition).state


def answers(effects: list[Effect]) -> list[Answered]:
    return [effect for effect in effects if isinstance(effect, Answered)]


def test_a_reading_is_calibrated_once_and_measured_with_its_uncertainty() -> None:
    made = Night().feed(Observed(Reading("air", 1.0, 34.0)))
    assert made[0] == Measured(Reading("air", 1.0, 34.5), 0.5)


def test_a_probe_that_nobody_knows_changes_nothing() -> None:
    night = Night()
    before = night.nursery
    assert night.feed(Observed(Reading("oven", 1.0, 200.0))) == []
    assert night.nursery is before


def test_silence_becomes_a_late_fault_that_is_counted_and_shown_with_its_remedy() -> None:
    night = Night()
    night.feed(Observed(Reading("spoon", 0.0, 21.0)), *[Tick(second) for second in range(1, 9)])
    (seen,) = [probe for probe in snapshot(SETTINGS, night.nursery, 9.0).probes if probe.name == "spoon"]
    assert seen.fault is FaultKind.LATE
    assert seen.celsius is None
    assert seen.faults[FaultKind.LATE] >= 1
    assert seen.remedy


def test_a_room_probe_s_fault_and_its_end_are_noted_once_each() -> None:
    night = Night()
    fault = [Observed(Fault("wall", second, FaultKind.CRC_ERROR)) for second in (1.0, 2.0)]
    made = night.feed(*fault, Observed(Reading("wall", 3.0, 20.0)))
    notes = [(effect.what, effect.fault) for effect in made if isinstance(effect, Noted)]
    assert notes == [(Note.PROBE_FAULT, FaultKind.CRC_ERROR), (Note.PROBE_OK, None)]


def test_a_cold_brooder_sounds_and_acknowledging_silences_it() -> None:
    night = Night()
    night.air(34.0, 0, 5)
    made = night.air(31.0, 5, 30)
    assert night.state(Condition.TOO_COLD) is AlarmState.UNACKNOWLEDGED
    assert any(isinstance(effect, Alerting) and effect.priority is not None for effect in made)
    made = night.feed(Acknowledge(seconds=30.0, origin=Origin.BUTTON, request="b1"))
    assert night.state(Condition.TOO_COLD) is AlarmState.ACKNOWLEDGED
    assert [effect.priority for effect in made if isinstance(effect, Alerting)] == [None]
    assert [(answer.request, answer.done) for answer in answers(made)] == [("b1", True)]


REFUSED: list[tuple[Command, str]] = [
    (Acknowledge(seconds=1.0, origin=Origin.MQTT, place="attic"), "no place 'attic'"),
    (Acknowledge(seconds=1.0, origin=Origin.MQTT), "waits to be acknowledged"),
    (
        Shelve(seconds=1.0, origin=Origin.MQTT, place="nest", for_seconds=1e6),
        "of alarms.shelve_seconds",
    ),
    (Shelve(seconds=1.0, origin=Origin.MQTT, place="attic", for_seconds=60), "no place 'attic'"),
    (PauseAudio(seconds=1.0, origin=Origin.MQTT, for_seconds=3600), "at most the 120 s of alarms.pause_seconds"),
    (StartBatch(seconds=1.0, origin=Origin.MQTT, dish="lunch"), "no dish 'lunch'"),
    (SetStage(seconds=1.0, origin=Origin.MQTT, brooder="nest", stage="feathered"), "no profile"),
    (
        OutOfService(seconds=1.0, origin=Origin.MQTT, place="nest", condition=Condition.TOO_COLD),
        "not taken over",
    ),
]


def test_air_that_jumps_into_danger_sounds_each_time_with_the_chick_as_a_guess() -> None:
    """Taken for a chick it was silent for three quarters of an hour, and after an acknowledgement for half a day."""
    night, at = Night(), 1200

    def usual(start: int, end: int) -> None:
        for second in range(start, end):
            night.air(34.0 + second % 3 / 16, second, second + 1)

    usual(0, at)
    for _ in range(2):
        for second in range(1800):  # 40 °C shown, reached as a probe reaches what it is put against
            air = 39.5 - 5.5 * math.exp(-second / 25) + second % 3 / 16
            night.air(air, at + second, at + second + 1)
            if second == 150:
                assert night.state(Condition.DANGEROUSLY_WARM) is AlarmState.UNACKNOWLEDGED
                assert night.nursery.alerting.priority is Priority.HIGH
                night.feed(Acknowledge(seconds=at + second, origin=Origin.BUTTON))
        (shown,) = [
            each
            for each in snapshot(SETTINGS, night.nursery, at + 1800).alarms
            if each.condition is Condition.DANGEROUSLY_WARM
        ]
        assert shown.seen.startswith("The brooder is dangerously warm, or a chick lies on the probe (")
        usual(at + 1800, at + 3600)
        assert night.state(Condition.DANGEROUSLY_WARM) is AlarmState.NORMAL
        at += 3600


@pytest.mark.parametrize(("command", "reason"), REFUSED, ids=lambda value: type(value).__name__)
def test_a_refused_command_is_answered_with_the_reason_and_changes_nothing(command: Command, reason: str) -> None:
    night = Night()
    before = night.nursery
    made = night.feed(command)
    (answer,) = answers(made)
    assert not answer.done
    assert reason in answer.reason
    assert night.nursery is before


def test_an_audio_pause_silences_the_horn_and_a_new_alarm_breaks_it() -> None:
    night = Night()
    night.air(31.0, 0, 20)
    night.feed(PauseAudio(seconds=20.0, origin=Origin.BUTTON, for_seconds=100))
    assert night.nursery.alerting.priority is None
    assert snapshot(SETTINGS, night.nursery, 30.0).audio_paused_left_seconds == 90.0
    made = night.air(24.0, 20, 110)
    raised = [effect.condition for effect in made if isinstance(effect, AlarmChanged)]
    assert Condition.DANGEROUSLY_COLD in raised
    assert night.nursery.alerting.priority is not None
    assert night.nursery.book.pause is None


def test_an_audio_pause_ends_by_itself() -> None:
    night = Night()
    night.air(31.0, 0, 20)
    night.feed(PauseAudio(seconds=20.0, origin=Origin.BUTTON, for_seconds=10))
    night.air(31.0, 20, 32)
    assert night.nursery.alerting.priority is not None


def test_an_output_in_trouble_is_an_alarm_of_the_unit_until_it_works_again() -> None:
    night = Night()
    night.feed(Troubled(1.0, "history", "disk full"), Tick(2.0))
    assert night.state(Condition.OUTPUT_FAILED, "unit") is AlarmState.UNACKNOWLEDGED
    assert [(view.name, view.words) for view in snapshot(SETTINGS, night.nursery, 2.0).outputs] == [
        ("history", "disk full")
    ]
    night.feed(Troubled(3.0, "history", ""))
    assert night.state(Condition.OUTPUT_FAILED, "unit") is AlarmState.RETURNED_UNACKNOWLEDGED


def test_the_self_test_is_a_cue() -> None:
    made = Night().feed(TestSounds(seconds=1.0, origin=Origin.CONTROL))
    assert Cued(1.0, Cue.SELF_TEST) in made


def test_after_a_gap_the_air_before_and_after_is_told() -> None:
    night = Night()
    made = night.feed(Gap(100.0, 3600.0, {"air": 34.2}), Observed(Reading("air", 101.0, 30.0)), Tick(102.0))
    assert ("gap", 3600.0, {"air": 34.2}, {"air": 30.5}) in [
        ("gap", effect.gap_seconds, effect.before_celsius, effect.after_celsius)  # type: ignore[union-attr]
        for effect in made
        if type(effect).__name__ == "GapFound"
    ]


def test_a_pinned_band_is_told_once_for_whoever_writes_it_down() -> None:
    made = Night().feed(Tick(1.0), Tick(2.0))
    assert [effect for effect in made if isinstance(effect, BandMoved)] == [
        BandMoved(seconds=1.0, place="nest", band=Band(33.0, 36.0), band_source="your config", pinned=True)
    ]


def test_an_entry_is_answered_by_the_history_or_refused_where_there_is_none() -> None:
    entry = WeighIn(seconds=1.0, origin=Origin.CONTROL, request="w1", chick="pip", grams=61.5)
    assert Night().feed(entry) == [EntryMade(1.0, entry)]
    _, effects = step(replace(SETTINGS, keeps_history=False), Night().nursery, entry)
    (answer,) = answers(list(effects))
    assert not answer.done
    assert "[history]" in answer.reason


def test_the_same_events_give_the_same_effects() -> None:
    def told() -> list[Effect]:
        night = Night()
        night.air(34.0, 0, 50)
        night.air(30.0, 50, 200)
        return night.effects

    assert told() == told()


def test_a_step_leaves_the_state_before_it_untouched() -> None:
    night = Night()
    night.air(34.0, 0, 10)
    before = night.nursery
    kept = replace(before)
    step(SETTINGS, before, Observed(Reading("air", 10.0, 20.0)))
    assert before == kept


def test_a_shelf_of_a_whole_place_is_one_happening_and_so_is_its_end() -> None:
    night = Night()
    night.air(34.0, 0, 5)
    made = night.feed(Shelve(seconds=5.0, origin=Origin.MQTT, place="nest", for_seconds=60))
    (shelf,) = [one for one in made if isinstance(one, AlarmChanged)]
    assert (shelf.place, shelf.state) == ("nest", AlarmState.SHELVED)
    hidden = {shelf.condition, *shelf.also}
    assert {Condition.TOO_COLD, Condition.TOO_WARM, Condition.PROBE_FAULT} < hidden
    assert all(night.state(condition) is AlarmState.SHELVED for condition in hidden)
    assert row_of(shelf) is not None
    made = night.feed(*[Tick(float(second)) for second in range(6, 80)])
    (back,) = [one for one in made if isinstance(one, AlarmChanged)]
    assert (back.state, {back.condition, *back.also}) == (AlarmState.NORMAL, hidden)


def test_an_alarm_that_stands_is_told_by_itself_when_its_place_is_shelved() -> None:
    night = Night()
    night.air(34.0, 0, 5)
    night.air(31.0, 5, 30)
    made = night.feed(Shelve(seconds=30.0, origin=Origin.MQTT, place="nest"))
    changes = [one for one in made if isinstance(one, AlarmChanged)]
    assert [(one.condition, one.also) for one in changes if one.previous is not AlarmState.NORMAL] == [
        (Condition.TOO_COLD, ())
    ]
    assert len(changes) == 2
