"""What `tests.bench.instructions` counts, in a process of its own: `python -m tests.bench.instructions_child DO N`.

Each does its start, and then its work N times; the difference between N and 2N is what N times the work costs.
"""

import sys
from collections.abc import Callable
from io import StringIO
from pathlib import Path
from tempfile import TemporaryDirectory

TOP = Path(__file__).parents[2]
_DATA = TOP / "tests" / "data"
_WARM_UP = 100
"""Readings before the counted ones: the probe has been dipped, the estimator knows the dish."""


def _readings(file: Path, count: int) -> None:
    """The rules alone: `count` readings after the warm-up, with no ticks between them."""
    from sensord.config import settings as assembly
    from sensord.run import replaying as replay
    from sensord.watch import nursery as whole
    from sensord.watch.events import Observed

    recording = replay.read(file)
    observations = recording.observations[: _WARM_UP + count]
    assert len(observations) == _WARM_UP + count, file
    settings = assembly.nursery_settings(replay.only(replay.config_for(None), recording.probes))
    state = whole.first_nursery(settings, observations[0].seconds)
    for observation in observations:
        state, _ = whole.step(settings, state, Observed(observation))


def _dish(count: int) -> None:
    _readings(_DATA / "dish" / "p002-plain_stirred.readings.csv", count)


def _brooder(count: int) -> None:
    """The file is much longer than what is asked for; reading it whole costs the same for every count."""
    _readings(_DATA / "brooder" / "pb04-heater_open.readings.csv.gz", count)


def _ticks(count: int) -> None:
    """A tick and the snapshot after it, as the daemon does each second, with one dish and one brooder."""
    from sensord.config import settings as assembly
    from sensord.run import replaying as replay
    from sensord.watch import nursery as whole
    from sensord.watch.events import Observed, Tick

    settings = assembly.nursery_settings(replay.config_for(None))
    state = whole.first_nursery(settings, 0.0)
    dish = replay.read(_DATA / "dish" / "p002-plain_stirred.readings.csv").observations[:_WARM_UP]
    for observation in dish:
        state, _ = whole.step(settings, state, Observed(observation))
    for second in range(count):
        now = dish[-1].seconds + second / 100  # before any reading is late
        state, _ = whole.step(settings, state, Tick(now, None))
        whole.snapshot(settings, state, now, "counted")


def _redraws(count: int) -> None:
    """The whole dashboard at 80x24, written to a terminal that throws it away."""
    from rich.console import Console

    from sensord.screens.dashboard import dashboard
    from sensord.screens.page import Look
    from tests.screens.invented import SNAPSHOTS

    console = Console(file=StringIO(), width=80, height=24, force_terminal=True, color_system="standard")
    for _ in range(count):
        console.print(dashboard(SNAPSHOTS["ready-but-cold"], Look(width=80, height=24)))


def _kept(count: int) -> None:
    """Readings into the history: 30 s of two probes at 1 Hz between two flushes."""
    from sensord.clock import FakeClock
    from sensord.config.sections import HistorySection
    from sensord.history.history_file import HistoryFile
    from sensord.history.history_writer import History
    from sensord.readings import Reading
    from sensord.watch.effects import Measured

    clock = FakeClock(0.0, 1_800_000_000.0)
    with TemporaryDirectory() as folder:
        history = History(HistoryFile(Path(folder), clock), HistorySection(flush_seconds=30), clock)
        for turn in range(count):
            clock.advance(0.5)
            celsius = 34.0 + (turn * 7 % 13) / 16
            history.handle(Measured(Reading(("air", "floor")[turn % 2], clock.monotonic_seconds(), celsius), 0.5))
        history.close()


def _published(count: int) -> None:
    """Snapshots of three probes over MQTT, each said in full; a line out for each, and one awaited before the next."""
    from sensord.clock import SystemClock
    from sensord.mqtt.broker import BrokerSettings
    from sensord.mqtt.outbox import Outbox
    from sensord.mqtt.publisher import Publisher
    from tests.mqtt.world import settings, snapshot

    clock, port = SystemClock(), int(sys.argv[3])
    with TemporaryDirectory() as folder:
        publisher = Publisher(
            settings(interval_seconds=0.0),
            BrokerSettings(host="127.0.0.1", port=port, client_id="sensord-nursery"),
            Outbox(Path(folder) / "outbox.db"),
            clock,
            print,
        )
        publisher.start()
        for turn in range(count):
            publisher.handle(snapshot(clock.monotonic_seconds(), celsius=34.0 + turn % 9 / 16))
            sys.stdin.readline()
        publisher.close()


DO: dict[str, Callable[[int], None]] = {
    "dish": _dish,
    "brooder": _brooder,
    "ticks": _ticks,
    "redraws": _redraws,
    "kept": _kept,
    "published": _published,
}


if __name__ == "__main__":
    DO[sys.argv[1]](int(sys.argv[2]))
