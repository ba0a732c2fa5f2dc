"""An invented unit for the tests: one brooder with two probes, one dish, and what can happen there."""

from collections.abc import Callable, Mapping
from pathlib import Path

from sensord.clock import SystemClock
from sensord.config.sections import MqttSection
from sensord.mqtt.messages import Topics
from sensord.mqtt.outbox import Outbox
from sensord.mqtt.publisher import Publisher
from sensord.physics.conformity import Verdict
from sensord.readings import Band, FaultKind, Place
from sensord.watch.conditions import Condition, alarms_of
from sensord.watch.cues import Priority
from sensord.watch.effects import AlarmChanged, AlarmState, DishState
from sensord.watch.events import Command
from sensord.watch.views import AlarmView, BrooderView, DishView, ProbeView, Snapshot

__all__ = ["ALARMS", "TOPICS", "alarm_changed", "alarm_view", "publisher_at", "snapshot"]

TOPICS = Topics("sensord", "nursery")


ALARMS = alarms_of(["brooder"], ["dish"])


def publisher_at(
    port: int,
    outbox: Path,
    unit: str = "nursery",
    deliver: Callable[[Command], None] = print,
    *,
    alarms: frozenset[tuple[str, Condition]] = ALARMS,
    announced: Mapping[str, bytes] | None = None,
    most: int = 5_000,
    **section: object,
) -> Publisher:
    """A publisher of this unit to the broker at `port` of this machine; `section` are keys of the config's `[mqtt]`."""
    told = MqttSection(host="127.0.0.1").model_copy(update={"port": port, **section})
    return Publisher(
        told,
        unit,
        Outbox(outbox, most),
        SystemClock(),
        deliver,
        alarms=alarms,
        announced=announced,
        birth_delay_seconds=lambda: 0.0,
    )


def alarm_view(state: AlarmState = AlarmState.UNACKNOWLEDGED) -> AlarmView:
    return AlarmView(
        place="brooder",
        condition=Condition.TOO_COLD,
        priority=Priority.MEDIUM,
        state=state,
        standing=True,
        since_seconds=0.0,
        celsius=32.9,
        seen="The air is 32.9 °C, below 33.2 °C.",
        do_first="Look at the heat source.",
    )


def alarm_changed(seconds: float, state: AlarmState = AlarmState.UNACKNOWLEDGED) -> AlarmChanged:
    return AlarmChanged(
        seconds=seconds,
        place="brooder",
        condition=Condition.TOO_COLD,
        priority=Priority.MEDIUM,
        state=state,
        previous=AlarmState.NORMAL,
        celsius=32.9,
        seen="The air is 32.9 °C, below 33.2 °C.",
        do_first="Look at the heat source.",
    )


def snapshot(
    seconds: float = 0.0,
    celsius: float | None = 34.5,
    fault: FaultKind | None = None,
    dish: DishState = DishState.AWAY,
    alarms: tuple[AlarmView, ...] = (),
) -> Snapshot:
    air = ProbeView(
        name="air",
        place=Place.BROODER,
        celsius=celsius,
        uncertainty_celsius=0.2,
        fault=fault,
        age_seconds=0.0,
        readings=7,
        faults={FaultKind.CRC_ERROR: 1},
    )
    floor = ProbeView(
        name="floor", place=Place.BROODER, celsius=33.9, uncertainty_celsius=0.5, fault=None, age_seconds=0.0
    )
    paste = ProbeView(
        name="paste", place=Place.DISH, celsius=37.1, uncertainty_celsius=0.2, fault=None, age_seconds=0.0
    )
    return Snapshot(
        unit="nursery",
        seconds=seconds,
        utc_seconds=1_800_000_000.0 + seconds,
        probes=(air, floor, paste),
        dishes=(
            DishView(
                name="dish",
                probe="paste",
                state=dish,
                verdict=Verdict.IN_BAND if dish is DishState.READY else None,
                band=Band(36.0, 38.0),
                band_source="common practice, no source",
                why="",
                reading_celsius=37.1,
                uncertainty_celsius=0.2,
            ),
        ),
        brooders=(
            BrooderView(
                name="brooder",
                probes=("air", "floor"),
                band=Band(33.2, 35.8),
                band_source="a profile",
                pinned=False,
                celsius=celsius,
                verdict=Verdict.IN_BAND,
            ),
        ),
        alarms=alarms,
    )
