"""A stage over the network, through the whole nursery: it hides no cold, and a person at the unit confirms it."""

import pytest

from sensord.config.loading import parse
from sensord.config.settings import nursery_settings
from sensord.readings import Reading
from sensord.watch import nursery as whole
from sensord.watch.command_table import Acknowledge, SetStage
from sensord.watch.conditions import Condition
from sensord.watch.cues import Priority
from sensord.watch.effects import AlarmState, Answered, Effect
from sensord.watch.events import Event, Observed, Origin, Tick
from sensord.watch.nursery import snapshot
from sensord.watch.state import first_nursery

SETTINGS = nursery_settings(
    parse(
        """
        [probes.air]
        rom = "28-00000000000a"
        place = "brooder"
        [brooders.nest]
        probes = ["air"]
        profile = "parrots"
        hatched = 2026-05-01
        on_delay_seconds = 10
        """,
        "sensord.toml",
    )
)


class Unit:
    """A nursery whose clock nobody has set: a Pi without network, at each boot."""

    def __init__(self) -> None:
        self.nursery = first_nursery(SETTINGS, 0.0)
        self.seconds = 0.0
        self.air(37.5, 60)

    def feed(self, event: Event) -> tuple[Effect, ...]:
        self.nursery, effects = whole.step(SETTINGS, self.nursery, event)
        return effects

    def air(self, celsius: float, seconds: int) -> None:
        for _ in range(seconds):
            self.seconds += 1.0
            self.feed(Tick(self.seconds, None))
            self.feed(Observed(Reading("air", self.seconds, celsius)))

    def stage(self, stage: str, origin: Origin) -> Answered:
        effects = self.feed(SetStage(seconds=self.seconds, origin=origin, brooder="nest", stage=stage))
        (answer,) = [each for each in effects if isinstance(each, Answered)]
        return answer

    def acknowledge(self, origin: Origin, condition: Condition | None = None) -> bool:
        command = Acknowledge(seconds=self.seconds, origin=origin, place="nest", condition=condition)
        (answer,) = [each for each in self.feed(command) if isinstance(each, Answered)]
        return answer.done

    def state(self, condition: Condition) -> AlarmState:
        return self.nursery.book.get("nest", condition).state


@pytest.mark.parametrize("origin", list(Origin))
def test_after_a_stage_without_a_clock_cold_air_is_still_an_alarm(origin: Origin) -> None:
    unit = Unit()
    unit.stage("weaned", origin)
    unit.stage("naked", origin)
    unit.air(25.0, 120)
    assert unit.state(Condition.DANGEROUSLY_COLD) is AlarmState.UNACKNOWLEDGED


def test_a_stage_from_the_network_is_told_with_a_low_alarm_until_a_person_at_the_unit_confirms_it() -> None:
    unit = Unit()
    assert unit.stage("naked", Origin.MQTT).done
    assert Condition.STAGE_UNCONFIRMED.priority is Priority.LOW
    assert unit.state(Condition.STAGE_UNCONFIRMED) is AlarmState.UNACKNOWLEDGED
    (seen,) = snapshot(SETTINGS, unit.nursery, unit.seconds).brooders
    assert any("confirm it here" in note for note in seen.notes)

    assert "confirmed on the unit" in unit.stage("pin-feathered", Origin.MQTT).reason
    unit.acknowledge(Origin.MQTT)  # silences, and confirms nothing
    assert unit.state(Condition.STAGE_UNCONFIRMED) is AlarmState.ACKNOWLEDGED
    assert not unit.stage("pin-feathered", Origin.MQTT).done

    assert unit.acknowledge(Origin.BUTTON)
    assert unit.state(Condition.STAGE_UNCONFIRMED) is AlarmState.NORMAL
    assert unit.stage("pin-feathered", Origin.MQTT).done
    assert unit.acknowledge(Origin.CONTROL, Condition.STAGE_UNCONFIRMED)
    assert unit.state(Condition.STAGE_UNCONFIRMED) is AlarmState.NORMAL


def test_who_acknowledges_something_else_has_confirmed_no_stage() -> None:
    unit = Unit()
    unit.stage("naked", Origin.MQTT)
    unit.air(25.0, 120)
    assert unit.acknowledge(Origin.CONTROL, Condition.DANGEROUSLY_COLD)
    assert unit.state(Condition.STAGE_UNCONFIRMED) is AlarmState.UNACKNOWLEDGED


def test_a_stage_set_at_the_unit_needs_no_second_word() -> None:
    unit = Unit()
    unit.stage("naked", Origin.MQTT)
    assert unit.stage("hatchling", Origin.CONTROL).done
    assert unit.nursery.brooders["nest"].banding.confirmed
    assert not unit.nursery.book.get("nest", Condition.STAGE_UNCONFIRMED).stands
