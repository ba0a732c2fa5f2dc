"""The alarm book under any sequence of events: horn exactly where allowed, no lasting silence, shelves that end.

`SENSORD_ALARM_STEPS=100000 pytest tests/watch/alarms/test_alarm_machine.py` walks that many steps; a plain run fewer.
"""

import contextlib
import json
import os
import random

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from sensord.errors import CommandError
from sensord.watch.alarms import alarms
from sensord.watch.alarms.alarm_book import Alarm, AlarmBook, Cause, Key, Moved, dump, happen, restore
from sensord.watch.alarms.alarm_table import HORN, TABLE, Happening, Said
from sensord.watch.alarms.alarms import AlarmCommand, alerting, pass_time
from sensord.watch.command_table import (
    Acknowledge,
    OutOfService,
    PauseAudio,
    Reset,
    ReturnToService,
    Shelve,
    Unshelve,
)
from sensord.watch.conditions import Condition
from sensord.watch.effects import AlarmChanged, AlarmState
from sensord.watch.events import Origin
from tests.helpers.keeper import Keeper

CONDITIONS = (Condition.TOO_COLD, Condition.DANGEROUSLY_COLD, Condition.DANGEROUSLY_WARM, Condition.PROBE_FAULT)
KEYS = tuple((place, each) for place in ("attic", "barn") for each in CONDITIONS)
STEPS_IN_A_WALK = 50
STEPS = int(os.environ.get("SENSORD_ALARM_STEPS", "3000"))

pytestmark = pytest.mark.timeout(120 + STEPS / 50)  # an overloaded machine walks some hundred steps a second

keys = st.sampled_from(KEYS)
ways = st.sampled_from([Origin.MQTT, Origin.CONTROL, Origin.BUTTON])
spans = st.floats(1.0, 900.0)


def new_keeper() -> Keeper:
    return Keeper(possible=frozenset(KEYS), latching=frozenset({Condition.DANGEROUSLY_WARM}))


class Alarms(RuleBasedStateMachine):
    """A keeper, a bus and a box that do anything at any time."""

    def __init__(self) -> None:
        super().__init__()
        self.keeper = new_keeper()
        self.now = 0.0
        self.true: set[Key] = set()

    def told(self, effects: tuple[object, ...]) -> None:
        for effect in effects:
            if isinstance(effect, AlarmChanged):
                hidden = (AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE)
                if effect.previous in hidden and effect.state not in hidden:
                    key = (effect.place, effect.condition)
                    assert (effect.state is AlarmState.UNACKNOWLEDGED) == (key in self.true)

    def command(self, command: AlarmCommand) -> None:
        before, refused = self.keeper.book, None
        try:
            self.told(self.keeper.say(command))
        except CommandError as error:
            refused = str(error)
        assert refused is None or (refused and before is self.keeper.book)

    @rule(key=keys, standing=st.booleans())
    def condition(self, key: Key, standing: bool) -> None:
        (self.true.add if standing else self.true.discard)(key)
        self.told(self.keeper.come(key, seconds=self.now, standing=standing))

    @rule(key=keys, everywhere=st.booleans(), whatever=st.booleans(), way=ways)
    def acknowledge(self, key: Key, everywhere: bool, whatever: bool, way: Origin) -> None:
        place, condition = None if everywhere else key[0], None if whatever else key[1]
        self.command(Acknowledge(seconds=self.now, origin=way, place=place, condition=condition))

    @rule(key=keys, whatever=st.booleans(), span=st.none() | spans, way=ways)
    def shelve(self, key: Key, whatever: bool, span: float | None, way: Origin) -> None:
        condition = None if whatever else key[1]
        self.command(Shelve(seconds=self.now, origin=way, place=key[0], condition=condition, for_seconds=span))

    @rule(key=keys, whatever=st.booleans(), way=ways)
    def unshelve(self, key: Key, whatever: bool, way: Origin) -> None:
        self.command(Unshelve(seconds=self.now, origin=way, place=key[0], condition=None if whatever else key[1]))

    @rule(key=keys, kind=st.sampled_from([Reset, OutOfService, ReturnToService]))
    def maintain(self, key: Key, kind: type[Reset] | type[OutOfService] | type[ReturnToService]) -> None:
        self.command(kind(seconds=self.now, origin=Origin.CONTROL, place=key[0], condition=key[1]))

    @rule(span=st.none() | st.floats(1.0, 120.0), way=ways)
    def pause(self, span: float | None, way: Origin) -> None:
        self.command(PauseAudio(seconds=self.now, origin=way, for_seconds=span))

    @rule(span=st.floats(1.0, 3000.0))
    def wait(self, span: float) -> None:
        self.now += span
        self.told(self.keeper.wait(self.now))

    @rule(gap=st.none() | st.floats(-2000.0, 2000.0))
    def restart(self, gap: float | None) -> None:
        data = json.loads(json.dumps(dump(self.keeper.book, self.now)))
        was = self.keeper.book
        self.now = 10.0
        self.keeper.book = restore(self.keeper.rules, data, self.now, gap)
        out = AlarmState.OUT_OF_SERVICE
        for key in KEYS:
            assert (self.keeper.state(key) is out) == (was.get(*key).state is out)
        # The first readings raise what stands.
        self.told(self.keeper.come(*self.true, seconds=self.now))

    @invariant()
    def horn_exactly_where_the_table_allows_or_a_danger_is_new(self) -> None:
        book, rules = self.keeper.book, self.keeper.rules
        alarms = {key: book.get(*key) for key in KEYS}
        new = {key for key in self.true if key[1].is_danger and self.now < alarms[key].heard_until_seconds}
        loud = {key for key, alarm in alarms.items() if alarm.state in HORN}
        heard = self.keeper.heard(self.now)
        if book.pause is None:
            assert heard == max((key[1].priority for key in new | loud), default=None)
        else:
            spent = {
                key
                for key in loud & self.true
                if self.now - alarms[key].silences.get(book.pause.origin, self.now)
                >= rules.silence_seconds.get(book.pause.origin, 1e9)
            }
            assert heard == max((key[1].priority for key in new | spent), default=None)

    @invariant()
    def conditions_are_never_changed_by_anybody(self) -> None:
        assert {key for key in KEYS if self.keeper.book.get(*key).stands} == self.true

    @invariant()
    def shelves_end(self) -> None:
        for key in KEYS:
            shelf = self.keeper.book.get(*key).shelf
            assert (shelf is not None) == (self.keeper.state(key) is AlarmState.SHELVED)
            if shelf is not None:
                assert shelf.until_seconds <= shelf.from_seconds + self.keeper.rules.shelve_seconds + 1e-6
                assert not key[1].is_danger

    @invariant()
    def a_standing_danger_is_never_silent_for_long(self) -> None:
        rules, book = self.keeper.rules, self.keeper.book
        longest = {AlarmState.ACKNOWLEDGED: rules.rearm_seconds}
        longest[AlarmState.OUT_OF_SERVICE] = rules.silence_seconds[Origin.CONTROL]
        for key in (key for key in self.true if key[1].is_danger):
            alarm = book.get(*key)
            if alarm.state is AlarmState.UNACKNOWLEDGED:
                continue
            later, _ = pass_time(rules, book, self.now + longest[alarm.state] + 1e-6)
            assert later.get(*key).state is AlarmState.UNACKNOWLEDGED
            assert alerting(rules, later, self.now + longest[alarm.state] + 1.0).priority is key[1].priority

    @invariant()
    def what_is_hidden_comes_back_when_its_shelf_ends(self) -> None:
        later, _ = pass_time(self.keeper.rules, self.keeper.book, self.now + self.keeper.rules.shelve_seconds + 1.0)
        for key in KEYS:
            assert later.get(*key).state is not AlarmState.SHELVED
            if self.keeper.state(key) is AlarmState.SHELVED and key in self.true:
                assert later.get(*key).state is AlarmState.UNACKNOWLEDGED


TestAlarms = Alarms.TestCase
TestAlarms.settings = settings(
    max_examples=max(1, STEPS // STEPS_IN_A_WALK),
    stateful_step_count=STEPS_IN_A_WALK,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)


def test_a_walk_meets_every_state_and_column_and_every_cell_that_moves(monkeypatch: pytest.MonkeyPatch) -> None:
    """What no walk reaches has no place in the table."""
    met: set[tuple[AlarmState, Happening]] = set()

    def noted(book: AlarmBook, cause: Cause, key: Key, happening: Happening, *alarm: Alarm) -> Moved:
        met.add((book.get(*key).state, happening))
        return happen(book, cause, key, happening, *alarm)

    monkeypatch.setattr(alarms, "happen", noted)
    rng = random.Random(7)
    kinds = [Acknowledge, Shelve, Unshelve, Reset, OutOfService, ReturnToService]
    keeper, now = new_keeper(), 0.0
    for _ in range(6000):
        key = rng.choice(KEYS)
        match rng.randrange(4):
            case 0:
                keeper.come(key, seconds=now, standing=rng.random() < 0.5)
            case 1:
                now += rng.choice([1.0, 300.0, 2000.0, 20_000.0])
                keeper.wait(now)
            case _:
                with contextlib.suppress(CommandError):
                    keeper.tell(rng.choice(kinds), key, now, rng.choice([Origin.MQTT, Origin.CONTROL, Origin.BUTTON]))
    moving = {cell for cell, said in TABLE.items() if said not in (Said.NOTHING, Said.REFUSED)}
    assert moving <= met
    assert {state for state, _ in met} == {state for state, _ in TABLE}
    assert {happening for _, happening in met} == set(Happening)
