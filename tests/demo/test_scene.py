"""The demo's invented night tells what its page promises, by the rules that are live everywhere."""

import pytest

from sensord.config.sections import Config
from sensord.config.settings import nursery_settings
from sensord.demo.scene import CONFIG, Scene
from sensord.readings import Reading
from sensord.watch.conditions import Condition
from sensord.watch.effects import AlarmChanged, AlarmState, DishChanged, DishState, Effect
from sensord.watch.events import Observed, Tick
from sensord.watch.nursery import step
from sensord.watch.state import first_nursery

LID_SECONDS, HEATER_FAILS_SECONDS, HEATER_MENDED_SECONDS = 800, 1200, 2040


@pytest.fixture(scope="module")
def night() -> list[Effect]:
    """Everything that the rules say in 45 minutes of the demo."""
    settings = nursery_settings(Config.model_validate(CONFIG))
    names = {probe["rom"]: name for name, probe in CONFIG["probes"].items()}
    probes, nursery = Scene().probes, first_nursery(settings, 0.0)
    said: list[Effect] = []
    for second in map(float, range(2700)):
        for probe in probes:
            nursery, effects = step(
                settings, nursery, Observed(Reading(names[probe.rom], second, probe.celsius(second)))
            )
            said += effects
        nursery, effects = step(settings, nursery, Tick(second, None))
        said += effects
    return said


def test_the_first_bowl_gets_ready_and_the_second_is_left_to_get_cold(night: list[Effect]) -> None:
    states = [(one.seconds, one.state) for one in night if isinstance(one, DishChanged)]
    ready = [at for at, state in states if state is DishState.READY]
    assert ready
    assert 250 < ready[0] < 780  # after the water went in, before the lift
    assert [state for at, state in states if at > 2000][-1] is DishState.AWAY


def test_a_lid_that_is_opened_for_a_feed_is_no_alarm(night: list[Effect]) -> None:
    raised = [
        one
        for one in night
        if isinstance(one, AlarmChanged) and one.place == "nest" and one.state is AlarmState.UNACKNOWLEDGED
    ]
    assert [one for one in raised if LID_SECONDS <= one.seconds < HEATER_FAILS_SECONDS] == []


def test_a_heater_that_fails_is_an_alarm_before_long_and_over_when_it_is_mended(night: list[Effect]) -> None:
    cold = {Condition.LOSING_HEAT, Condition.TOO_COLD, Condition.DANGEROUSLY_COLD}
    moved = [one for one in night if isinstance(one, AlarmChanged) and one.condition in cold]
    raised = [one.seconds for one in moved if one.state is AlarmState.UNACKNOWLEDGED]
    assert HEATER_FAILS_SECONDS < raised[0] < HEATER_FAILS_SECONDS + 600
    over = [one.seconds for one in moved if one.state is AlarmState.RETURNED_UNACKNOWLEDGED]
    assert over[-1] > HEATER_MENDED_SECONDS
