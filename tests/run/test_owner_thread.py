"""Whatever raises on the owner's thread is shown, alarmed and survived, while the brooder is watched all the same."""

import threading
from collections.abc import Callable, Iterator
from typing import TypeAlias

import pytest

from sensord.clock import FastClock
from sensord.config.sections import Config
from sensord.config.settings import nursery_settings
from sensord.readings import Reading
from sensord.run import daemon as rhythm
from sensord.run.daemon import Daemon, Inbox, Source
from sensord.run.journal import Notifier
from sensord.run.outlets import Item
from sensord.watch import nursery as whole
from sensord.watch.conditions import Condition
from sensord.watch.cues import Priority
from sensord.watch.effects import AlarmChanged, Alerting, DishState
from sensord.watch.events import Event, Observed, Tick
from sensord.watch.state import Nursery, NurserySettings
from sensord.watch.views import OutputView, Snapshot
from tests.mqtt.mosquitto import until

SETTINGS = nursery_settings(
    Config.model_validate(
        {
            "probes": {
                "air": {"rom": "28-00000000000a", "place": "brooder"},
                "bowl": {"rom": "28-00000000000b", "place": "dish"},
            },
            "brooders": {
                "nest": {
                    "probes": ["air"],
                    "band": {"low_celsius": 33, "high_celsius": 36},
                    "on_delay_seconds": 0,
                    "off_delay_seconds": 0,
                }
            },
            "dishes": {"supper": {"probe": "bowl"}},
        }
    )
)


def ouch(*_arguments: object) -> None:
    raise KeyError("a slip of ours")


class Watcher:
    """An output that remembers, and whose words may raise; and the daemon it belongs to, in a thread of its own."""

    name = "watcher"

    def __init__(self, *sources: Source, notifier: Notifier | None = None, **parts: Callable[..., object]) -> None:
        self.items: list[Item] = []
        self.words: Callable[[], str] = str
        self.clock, self.inbox = FastClock(50), Inbox()
        self.air = 34.5
        self.daemon = Daemon(
            SETTINGS,
            self.clock,
            self.inbox,
            [self],
            sources,
            notifier=notifier,
            **parts,  # type: ignore[arg-type]
        )
        self.thread = threading.Thread(target=self.daemon.run)
        self.thread.start()

    def handle(self, item: Item) -> None:
        self.items.append(item)

    def close(self) -> None:
        """Nothing to let go of."""

    def seen(self) -> Snapshot:
        """The newest snapshot."""
        snapshots = [item for item in list(self.items) if isinstance(item, Snapshot)]
        return snapshots[-1] if snapshots else Snapshot(unit="", seconds=0.0, utc_seconds=None)

    def outputs(self) -> dict[str, OutputView]:
        return {view.name: view for view in self.seen().outputs}

    def trouble(self, part: str) -> str:
        view = self.outputs().get(part)
        return "" if view is None or view.working else view.words

    def alarmed(self, condition: Condition) -> bool:
        return any(isinstance(item, AlarmChanged) and item.condition is condition for item in list(self.items))

    def read(self, celsius: float) -> None:
        self.inbox.deliver(Observed(Reading("air", self.clock.monotonic_seconds(), celsius)))

    def watches_on(self) -> bool:
        self.read(30.0)
        return self.alarmed(Condition.TOO_COLD) or self.alarmed(Condition.DANGEROUSLY_COLD)


@pytest.fixture
def begun() -> Iterator[Callable[..., Watcher]]:
    made: list[Watcher] = []

    def begin(*sources: Source, **parts: object) -> Watcher:
        made.append(Watcher(*sources, **parts))  # type: ignore[arg-type]
        return made[-1]

    yield begin
    for one in made:
        one.daemon.stop()
        one.thread.join(60)
        assert not one.thread.is_alive()


class Dumb(Notifier):
    def alive(self) -> None:
        ouch()


def broken_words(begin: Callable[..., Watcher], _patch: pytest.MonkeyPatch) -> tuple[Watcher, str]:
    watcher = begin()
    watcher.words = ouch  # type: ignore[assignment]
    return watcher, "watcher"


def broken_view(begin: Callable[..., Watcher], patch: pytest.MonkeyPatch) -> tuple[Watcher, str]:
    watcher = begin()
    until(watcher.outputs, what="a snapshot")
    patch.setattr(rhythm, "snapshot", ouch)
    return watcher, "view"


def broken_notifier(begin: Callable[..., Watcher], _patch: pytest.MonkeyPatch) -> tuple[Watcher, str]:
    return begin(notifier=Dumb({})), "service manager"


def broken_reader(begin: Callable[..., Watcher], _patch: pytest.MonkeyPatch) -> tuple[Watcher, str]:
    return begin(reader_state=ouch), "probes"


def broken_memory(begin: Callable[..., Watcher], _patch: pytest.MonkeyPatch) -> tuple[Watcher, str]:
    return begin(remember=ouch), "memory"


def broken_source(begin: Callable[..., Watcher], _patch: pytest.MonkeyPatch) -> tuple[Watcher, str]:
    return begin(Source(start=ouch, close=ouch)), "start"


def broken_rule(begin: Callable[..., Watcher], patch: pytest.MonkeyPatch) -> tuple[Watcher, str]:
    step = whole.step

    def stumbling(settings: NurserySettings, nursery: Nursery, event: Event) -> object:
        if isinstance(event, Observed) and event.observation.probe == "bowl":
            ouch()
        return step(settings, nursery, event)

    patch.setattr(whole, "step", stumbling)
    watcher = begin()
    watcher.inbox.deliver(Observed(Reading("bowl", watcher.clock.monotonic_seconds(), 37.0)))
    return watcher, "rules"


_Break: TypeAlias = Callable[[Callable[..., Watcher], pytest.MonkeyPatch], tuple[Watcher, str]]


@pytest.mark.parametrize(
    "broken",
    [broken_words, broken_view, broken_notifier, broken_reader, broken_memory, broken_source, broken_rule],
)
def test_a_part_that_raises_is_shown_and_alarmed_and_the_watch_goes_on(
    broken: _Break, begun: Callable[..., Watcher], monkeypatch: pytest.MonkeyPatch
) -> None:
    watcher, part = broken(begun, monkeypatch)
    until(watcher.watches_on, what="the cold to be told")
    until(lambda: "KeyError: 'a slip of ours'" in watcher.trouble(part), what=f"word of {part}")
    assert watcher.alarmed(Condition.OUTPUT_FAILED)
    assert watcher.thread.is_alive()


def test_a_part_that_works_again_is_well_after_a_quiet_minute(begun: Callable[..., Watcher]) -> None:
    watcher = begun()
    watcher.words = ouch  # type: ignore[assignment]
    until(lambda: watcher.trouble("watcher"), what="word of it")
    watcher.words = str
    until(lambda: watcher.outputs()["watcher"].working, 60, what="its recovery")


def test_what_cannot_be_shown_is_never_shown_as_it_was(
    begun: Callable[..., Watcher], monkeypatch: pytest.MonkeyPatch
) -> None:
    watcher, _ = broken_view(begun, monkeypatch)
    until(lambda: watcher.trouble("view"), what="word of it")
    last = watcher.seen()
    assert [dish.state for dish in last.dishes] == [DishState.UNKNOWN]
    assert [brooder.celsius for brooder in last.brooders] == [None]
    assert all(probe.celsius is None for probe in last.probes)
    until(watcher.watches_on, what="the cold to be told")
    until(lambda: any("cold" in alarm.condition for alarm in watcher.seen().alarms), what="the cold to be shown")


def test_rules_that_raise_at_every_tick_sound_the_horn_until_they_work_again(
    begun: Callable[..., Watcher], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody watches then, and a restart would come to the same fault."""
    watcher, step = begun(), whole.step
    until(watcher.outputs, what="a snapshot")

    def stumbling(settings: NurserySettings, nursery: Nursery, event: Event) -> object:
        if isinstance(event, Tick):
            ouch()
        return step(settings, nursery, event)

    def horn() -> list[Priority | None]:
        return [item.priority for item in list(watcher.items) if isinstance(item, Alerting)]

    monkeypatch.setattr(whole, "step", stumbling)
    until(lambda: Priority.HIGH in horn(), what="the horn")
    monkeypatch.setattr(whole, "step", step)
    until(lambda: horn()[-1] is not Priority.HIGH, what="its end")


def test_events_that_a_full_inbox_loses_are_told(begun: Callable[..., Watcher]) -> None:
    watcher = begun()
    watcher.inbox.lost = 7
    until(lambda: watcher.trouble("inbox").startswith("7 events were lost"), what="word of the loss")


def test_a_full_inbox_keeps_commands_longer_than_readings_and_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sensord.run.daemon._INBOX", 3)
    inbox = Inbox()
    for _ in range(5):
        inbox.deliver(Observed(Reading("air", 0.0, 34.0)))
    assert inbox.lost == 2
    for _ in range(5):
        inbox.deliver(Tick(1.0))
    assert inbox.lost == 4
    taken = [inbox.take() for _ in range(7)]
    assert [isinstance(event, Observed) for event in taken] == [True] * 3 + [False] * 4
    assert taken[-1] is None
