"""The alarm book under any sequence of events: horn exactly where allowed, no lasting silence, shelves that end.

`SENSORD_ALARM_STEPS=100000 pytest tests/watch/alarms/test_alarm_machine.py` walks that many steps; a plain run fewer.
"""

import json
import os

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from sensord.errors import CommandError
from sensord.watch.alarms import alarms
from sensord.watch.alarms.alarm_book import AlarmBook, AlarmSettings, Key
from sensord.watch.alarms.alarm_table import HORN
from sensord.watch.conditions import Condition, Priority
from sensord.watch.effects import AlarmChanged, AlarmState
from sensord.watch.events import Origin

PLACES = ("brooder", "dish")
CONDITIONS = (Condition.TOO_COLD, Condition.DANGEROUSLY_COLD, Condition.DANGEROUSLY_WARM, Condition.PROBE_FAULT)
KEYS = tuple((place, condition) for place in PLACES for condition in CONDITIONS)
RULES = AlarmSettings(latching=frozenset({Condition.DANGEROUSLY_WARM}))
STEPS_IN_A_WALK = 50
STEPS = int(os.environ.get("SENSORD_ALARM_STEPS", "3000"))

pytestmark = pytest.mark.timeout(120 + STEPS / 50)  # an overloaded machine walks some hundred steps a second

keys = st.sampled_from(KEYS)
places = st.sampled_from(PLACES)
origins = st.sampled_from(Origin)
spans = st.floats(1.0, 900.0)


class Alarms(RuleBasedStateMachine):
    """A keeper, a bus and a box that do anything at any time."""

    def __init__(self) -> None:
        super().__init__()
        self.book = AlarmBook()
        self.now = 0.0
        self.true: set[Key] = set()
        self.paused_until: float | None = None

    def take(self, changed: tuple[AlarmBook, tuple[object, ...]]) -> None:
        self.book, effects = changed
        for effect in effects:
            if isinstance(effect, AlarmChanged):
                hidden = (AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE)
                if effect.previous in hidden and effect.state not in hidden:
                    key = (effect.place, effect.condition)
                    assert (effect.state is AlarmState.UNACKNOWLEDGED) == (key in self.true)
        if alarms.breaks_pause(effects):
            self.paused_until = None

    def command(self, name: str, *arguments: object) -> None:
        before = dict(self.book.alarms)
        refused = None
        try:
            self.take(getattr(alarms, name)(self.book, RULES, self.now, *arguments))
        except CommandError as error:
            refused = str(error)
        assert refused is None or (refused and before == self.book.alarms)

    @rule(key=keys, is_true=st.booleans())
    def condition(self, key: Key, is_true: bool) -> None:
        (self.true.add if is_true else self.true.discard)(key)
        self.take(alarms.standing(self.book, RULES, self.now, key[0], key[1], is_true, 31.0))

    @rule(place=st.none() | places, condition=st.none() | st.sampled_from(CONDITIONS), origin=origins)
    def acknowledge(self, place: str | None, condition: Condition | None, origin: Origin) -> None:
        self.command("acknowledge", place, condition, origin)

    @rule(
        place=places, condition=st.none() | st.sampled_from(CONDITIONS), span=spans, origin=origins, once=st.booleans()
    )
    def shelve(self, place: str, condition: Condition | None, span: float, origin: Origin, once: bool) -> None:
        self.command("shelve", place, condition, span, origin, once)

    @rule(place=places, condition=st.none() | st.sampled_from(CONDITIONS), origin=origins)
    def unshelve(self, place: str, condition: Condition | None, origin: Origin) -> None:
        self.command("unshelve", place, condition, origin)

    @rule(key=keys, origin=origins, verb=st.sampled_from(["reset", "out_of_service", "return_to_service"]))
    def maintain(self, key: Key, origin: Origin, verb: str) -> None:
        self.command(verb, *key, origin)

    @rule(key=keys, is_suppressed=st.booleans())
    def suppress(self, key: Key, is_suppressed: bool) -> None:
        self.take(alarms.suppress(self.book, RULES, self.now, key[0], key[1], is_suppressed))

    @rule(span=st.floats(1.0, 120.0))
    def pause(self, span: float) -> None:
        self.paused_until = self.now + span

    @rule(span=st.floats(1.0, 3000.0))
    def wait(self, span: float) -> None:
        self.now += span
        self.take(alarms.tick(self.book, RULES, self.now))

    @rule(gap=st.none() | st.floats(0.0, 2000.0))
    def restart(self, gap: float | None) -> None:
        data = json.loads(json.dumps(alarms.dump(self.book, self.now)))
        was = self.book
        self.now, self.paused_until = 10.0, None
        self.book = alarms.restore(data, RULES, self.now, gap)
        for key in KEYS:
            assert self.book.get(*key).out == was.get(*key).out
            # The first readings raise what stands.
            self.take(alarms.standing(self.book, RULES, self.now, key[0], key[1], key in self.true, 31.0))

    @invariant()
    def horn_exactly_where_the_table_allows(self) -> None:
        alert = alarms.alerting(self.book, RULES, self.now, self.paused_until)
        sounding = [key[1].priority for key in KEYS if self.book.get(*key).state in HORN]
        paused = self.paused_until is not None and self.now < self.paused_until
        assert alert.priority == (max(sounding) if sounding and not paused else None)

    @invariant()
    def conditions_are_never_changed_by_anybody(self) -> None:
        assert {key for key in KEYS if self.book.get(*key).condition_true} == self.true

    @invariant()
    def shelves_end(self) -> None:
        for key in KEYS:
            alarm = self.book.get(*key)
            if alarm.shelved_until_seconds is not None and alarm.shelved_from_seconds is not None:
                assert alarm.shelved_until_seconds <= alarm.shelved_from_seconds + RULES.shelve_seconds + 1e-6
                assert key[1].priority is not Priority.HIGH

    @invariant()
    def a_standing_danger_is_never_silent_for_long(self) -> None:
        for key in self.true:
            alarm = self.book.get(*key)
            if key[1].priority is not Priority.HIGH or alarm.out or alarm.suppressed:
                continue
            assert alarm.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
            if alarm.state is AlarmState.ACKNOWLEDGED:
                later, _ = alarms.tick(self.book, RULES, alarm.since_seconds + RULES.rearm_seconds + 1e-6)
                assert later.get(*key).state is AlarmState.UNACKNOWLEDGED

    @invariant()
    def what_is_hidden_comes_back_when_its_shelf_ends(self) -> None:
        later, _ = alarms.tick(self.book, RULES, self.now + RULES.shelve_seconds + 1.0)
        for key in KEYS:
            assert later.get(*key).state is not AlarmState.SHELVED
            if self.book.get(*key).state is AlarmState.SHELVED and key in self.true:
                assert later.get(*key).state is AlarmState.UNACKNOWLEDGED


TestAlarms = Alarms.TestCase
TestAlarms.settings = settings(
    max_examples=max(1, STEPS // STEPS_IN_A_WALK),
    stateful_step_count=STEPS_IN_A_WALK,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
