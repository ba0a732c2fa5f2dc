"""How long one standing condition can be kept silent from each way in, to the second, and who ends the count."""

import pytest

from sensord.errors import CommandError
from sensord.watch.alarms.alarm_book import HEARD_SECONDS
from sensord.watch.command_table import Acknowledge, OutOfService, PauseAudio, Shelve, Unshelve
from sensord.watch.cues import Priority
from sensord.watch.effects import AlarmState
from sensord.watch.events import Origin
from tests.helpers.keeper import COLD, DANGER, WARM, Keeper

LIMITS = {Origin.MQTT: 1000.0, Origin.CONTROL: 5000.0}


def keeper_of(*keys: tuple[str, object], **rules: object) -> Keeper:
    return Keeper(*keys, **{"silence_seconds": LIMITS, "rearm_seconds": 400.0, **rules})  # type: ignore[arg-type]


def test_acknowledgements_of_the_network_count_from_the_first_and_then_it_sounds_and_the_network_is_refused() -> None:
    keeper = keeper_of(DANGER)
    keeper.tell(Acknowledge, DANGER, 100.0, Origin.MQTT)
    for again in (500.0, 901.0):
        keeper.wait(again)
        assert keeper.heard(again) is Priority.HIGH
        keeper.tell(Acknowledge, DANGER, again + 1.0, Origin.MQTT)
    keeper.wait(1099.9)
    assert keeper.state(DANGER) is AlarmState.ACKNOWLEDGED
    keeper.wait(1100.0)
    assert keeper.heard(1100.0) is Priority.HIGH
    with pytest.raises(CommandError, match=r"alarms\.network_silence_seconds.*somebody at the unit"):
        keeper.tell(Acknowledge, None, 1101.0, Origin.MQTT)
    with pytest.raises(CommandError, match="somebody at the unit"):
        keeper.say(PauseAudio(seconds=1102.0, origin=Origin.MQTT))


@pytest.mark.parametrize("way", [Origin.CONTROL, Origin.BUTTON])
def test_somebody_at_the_unit_silences_on_and_gives_the_network_its_time_again(way: Origin) -> None:
    keeper = keeper_of(COLD)
    keeper.tell(Acknowledge, COLD, 0.0, Origin.MQTT)
    keeper.wait(1000.0)
    keeper.tell(Acknowledge, COLD, 1001.0, way)
    keeper.wait(1401.0)
    keeper.tell(Acknowledge, COLD, 1402.0, Origin.MQTT)
    assert keeper.heard(1402.0) is None
    keeper.wait(1402.0 + 400.0)
    keeper.tell(Acknowledge, COLD, 1803.0, Origin.MQTT)
    keeper.wait(2402.0)
    assert keeper.heard(2402.0) is Priority.MEDIUM


def test_a_press_takes_over_what_the_network_had_acknowledged() -> None:
    keeper = keeper_of(COLD, rearm_seconds=3000.0)
    keeper.tell(Acknowledge, COLD, 0.0, Origin.MQTT)
    assert keeper.tell(Acknowledge, COLD, 500.0, Origin.BUTTON) == ()
    keeper.wait(2999.9)
    assert keeper.heard(2999.9) is None
    keeper.wait(3000.0)  # from the first acknowledgement: a press does not put the re-alarm off
    assert keeper.heard(3000.0) is Priority.MEDIUM
    keeper.tell(Acknowledge, COLD, 3001.0, Origin.BUTTON)
    with pytest.raises(CommandError, match="no alarm waits"):
        keeper.tell(Acknowledge, COLD, 3002.0, Origin.MQTT)


def test_the_socket_has_a_longer_limit_that_a_button_ends_and_the_network_does_not() -> None:
    keeper = keeper_of(COLD)
    now = 0.0
    while now < 5000.0:
        keeper.tell(Acknowledge, COLD, now, Origin.CONTROL)
        now += 400.0
        keeper.wait(min(now, 5000.0))
    assert keeper.heard(5000.0) is Priority.MEDIUM
    with pytest.raises(CommandError, match=r"alarms\.local_silence_seconds.*press the button"):
        keeper.tell(Acknowledge, COLD, 5001.0, Origin.CONTROL)
    keeper.tell(Acknowledge, COLD, 5002.0, Origin.MQTT)
    keeper.wait(5402.0)
    with pytest.raises(CommandError, match="press the button"):
        keeper.tell(Acknowledge, COLD, 5403.0, Origin.CONTROL)
    keeper.tell(Acknowledge, COLD, 5404.0, Origin.BUTTON)
    keeper.wait(5804.0)
    keeper.tell(Acknowledge, COLD, 5805.0, Origin.CONTROL)
    assert keeper.heard(5805.0) is None


def test_shelves_and_pauses_count_to_the_same_limit() -> None:
    keeper = keeper_of(COLD)
    keeper.say(PauseAudio(seconds=0.0, origin=Origin.MQTT))
    keeper.tell(Shelve, COLD, 60.0, Origin.MQTT)
    keeper.tell(Unshelve, COLD, 600.0, Origin.MQTT)
    keeper.tell(Shelve, COLD, 601.0, Origin.MQTT)
    keeper.wait(999.9)
    assert keeper.state(COLD) is AlarmState.SHELVED
    keeper.wait(1000.0)
    assert keeper.heard(1000.0) is Priority.MEDIUM
    with pytest.raises(CommandError, match="somebody at the unit"):
        keeper.tell(Shelve, COLD, 1001.0, Origin.MQTT)
    # A whole place is shelved without it.
    assert COLD[1] not in {
        change.condition for change in keeper.say(Shelve(seconds=1002.0, origin=Origin.MQTT, place="brooder"))
    }


def test_a_pause_does_not_hide_what_is_spent_while_it_hides_the_rest() -> None:
    keeper = keeper_of(DANGER)
    keeper.say(PauseAudio(seconds=0.0, origin=Origin.MQTT))
    keeper.wait(500.0)
    keeper.come(COLD, seconds=990.0)
    keeper.say(PauseAudio(seconds=991.0, origin=Origin.MQTT))
    assert keeper.heard(999.0) is None
    assert keeper.heard(1000.0) is Priority.HIGH


def test_a_shelf_set_beforehand_counts_from_when_there_is_something_to_hide() -> None:
    keeper = keeper_of(shelve_seconds=2000.0)
    keeper.tell(Shelve, COLD, 0.0, Origin.MQTT)
    keeper.come(COLD, seconds=900.0)
    keeper.wait(1899.9)
    assert keeper.state(COLD) is AlarmState.SHELVED
    keeper.wait(1900.0)
    assert keeper.heard(1900.0) is Priority.MEDIUM


def test_a_cause_that_has_gone_and_comes_again_is_counted_afresh() -> None:
    keeper = keeper_of(COLD)
    keeper.tell(Acknowledge, COLD, 0.0, Origin.MQTT)
    keeper.go(COLD, seconds=900.0)
    keeper.come(COLD, seconds=1100.0)
    keeper.tell(Acknowledge, COLD, 1101.0, Origin.MQTT)
    assert keeper.heard(1101.0) is None


def test_with_a_limit_of_nothing_the_network_silences_nothing() -> None:
    keeper = keeper_of(COLD, silence_seconds={Origin.MQTT: 0.0})
    for command in (
        Acknowledge(seconds=0.0, origin=Origin.MQTT),
        PauseAudio(seconds=0.0, origin=Origin.MQTT),
        Shelve(seconds=0.0, origin=Origin.MQTT, place="brooder", condition=COLD[1]),
    ):
        with pytest.raises(CommandError, match="somebody at the unit"):
            keeper.say(command)
    keeper.go(COLD, seconds=1.0)
    keeper.tell(Acknowledge, COLD, 2.0, Origin.MQTT)  # nothing stands that it could silence
    assert keeper.state(COLD) is AlarmState.NORMAL


def test_a_danger_comes_back_into_service_at_the_limit_and_another_alarm_does_not() -> None:
    keeper = keeper_of()
    for key in (DANGER, WARM):
        keeper.tell(OutOfService, key, 0.0, Origin.CONTROL)
    keeper.come(DANGER, WARM, seconds=100.0)
    assert keeper.heard(100.0 + HEARD_SECONDS) is None
    keeper.wait(5099.9)
    assert keeper.state(DANGER) is AlarmState.OUT_OF_SERVICE
    keeper.wait(5100.0)
    assert keeper.heard(5100.0) is Priority.HIGH
    assert keeper.state(WARM) is AlarmState.OUT_OF_SERVICE
    with pytest.raises(CommandError, match="press the button"):
        keeper.tell(OutOfService, DANGER, 5101.0, Origin.CONTROL)
    # Of a milder alarm, whose probe may be broken for days, service remains to be left when the limit is spent.
    keeper.come(COLD, seconds=0.0)
    keeper.tell(Acknowledge, COLD, 1.0, Origin.CONTROL)
    keeper.tell(OutOfService, COLD, 9000.0, Origin.CONTROL)
    assert keeper.state(COLD) is AlarmState.OUT_OF_SERVICE


@pytest.mark.parametrize("way", [Origin.MQTT, Origin.CONTROL, Origin.BUTTON])
def test_a_danger_sounds_its_first_seconds_and_those_of_each_re_alarm_whatever_comes_in(way: Origin) -> None:
    keeper = keeper_of(DANGER)
    keeper.tell(Acknowledge, DANGER, 0.0, way)
    assert keeper.heard(HEARD_SECONDS - 0.1) is Priority.HIGH
    assert keeper.heard(HEARD_SECONDS) is None
    keeper.wait(400.0)
    keeper.say(PauseAudio(seconds=400.0, origin=way))
    keeper.tell(Acknowledge, DANGER, 400.5, way)
    assert keeper.heard(400.0 + HEARD_SECONDS - 0.1) is Priority.HIGH
    assert keeper.heard(400.0 + HEARD_SECONDS) is None
    milder = keeper_of(COLD)
    milder.tell(Acknowledge, COLD, 0.0, way)
    assert milder.heard(0.0) is None


def test_pauses_in_a_row_end_when_an_acknowledgement_would() -> None:
    keeper = keeper_of(DANGER)
    for now in range(0, 409, 60):
        keeper.wait(float(now))
        keeper.say(PauseAudio(seconds=float(now), origin=Origin.BUTTON))
    assert keeper.heard(409.9) is None
    keeper.wait(410.0)
    keeper.say(PauseAudio(seconds=410.0, origin=Origin.BUTTON))
    assert keeper.heard(419.9) is Priority.HIGH
    assert keeper.heard(420.0) is None
