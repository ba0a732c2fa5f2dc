"""A book of alarms under a keeper's hands: conditions come and go, words are said, at the seconds that a test gives."""

from dataclasses import replace
from typing import Any

from sensord.watch.alarms.alarm_book import AlarmBook, Key
from sensord.watch.alarms.alarms import AlarmCommand, alarm_views, alerting, obey, pass_time, stand
from sensord.watch.conditions import Condition, ConditionChanged, alarms_of
from sensord.watch.cues import Priority
from sensord.watch.effects import AlarmChanged, AlarmState, Cued
from sensord.watch.events import Origin
from tests.helpers.usual import usual_alarms

COLD = ("brooder", Condition.TOO_COLD)
WARM = ("brooder", Condition.TOO_WARM)
DANGER = ("brooder", Condition.DANGEROUSLY_COLD)
SCALD = ("dish", Condition.SCALDING)
FAULT = ("dish", Condition.PROBE_FAULT)
RULES = usual_alarms(possible=alarms_of(["brooder"], ["dish"]))


class Keeper:
    """What is said of the alarms: `rules` are a config's, `book` is the one so far."""

    def __init__(self, *keys: Key, seconds: float = 0.0, **rules: Any) -> None:
        self.rules = replace(RULES, **rules)
        self.book = AlarmBook()
        self.come(*keys, seconds=seconds)

    def come(self, *keys: Key, seconds: float, standing: bool = True) -> tuple[AlarmChanged, ...]:
        """The conditions come to stand at 31 degrees, or go."""
        changes: tuple[AlarmChanged, ...] = ()
        for place, condition in keys:
            change = ConditionChanged(
                seconds=seconds, place=place, condition=condition, standing=standing, celsius=31.0
            )
            self.book, more = stand(self.rules, self.book, change)
            changes += more
        return changes

    def go(self, *keys: Key, seconds: float) -> tuple[AlarmChanged, ...]:
        return self.come(*keys, seconds=seconds, standing=False)

    def say(self, command: AlarmCommand) -> tuple[AlarmChanged, ...]:
        self.book, changes = obey(self.rules, self.book, command)
        return changes

    def tell(
        self, kind: type[AlarmCommand], key: Key | None, seconds: float, origin: Origin = Origin.CONTROL, **more: Any
    ) -> tuple[AlarmChanged, ...]:
        """A command about `key`, or about everything."""
        where: dict[str, Any] = {} if key is None else {"place": key[0], "condition": key[1]}
        return self.say(kind(seconds=seconds, origin=origin, **where, **more))

    def wait(self, seconds: float) -> tuple[AlarmChanged | Cued, ...]:
        """Let it be `seconds`."""
        self.book, effects = pass_time(self.rules, self.book, seconds)
        return effects

    def state(self, key: Key) -> AlarmState:
        return self.book.get(*key).state

    def heard(self, seconds: float) -> Priority | None:
        """What the horn sounds."""
        return alerting(self.rules, self.book, seconds).priority

    def lamp(self, seconds: float) -> tuple[Priority | None, bool]:
        alert = alerting(self.rules, self.book, seconds)
        return alert.lamp, alert.flashing

    def shown(self, seconds: float) -> list[Key]:
        return [(view.place, view.condition) for view in alarm_views(self.book, seconds)]
