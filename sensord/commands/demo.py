"""`sensord demo`: the real daemon on simulated probes; needs no Pi, no broker and no config."""

import argparse
import contextlib
import signal
import sys
import tempfile
import threading
from datetime import UTC, datetime
from pathlib import Path

from sensord.clock import Clock, FastClock
from sensord.commands.given import host_port, number
from sensord.commands.run import stop_daemon_on_signals
from sensord.config.folders import Places
from sensord.config.sections import Config
from sensord.demo.fake_tree import FakeTree
from sensord.demo.scene import CONFIG, Scene
from sensord.durations import duration_seconds
from sensord.errors import BrokerError, DataError
from sensord.mqtt.publishing import forget_unit
from sensord.run.daemon import Daemon
from sensord.run.journal import INFO, Journal
from sensord.run.service import build
from sensord.screens.lines import effect_line
from sensord.watch.effects import Effect
from sensord.watch.views import Snapshot

_STALL_SECONDS = 0.5
"""How long a busy laptop may keep a thread waiting, in life's seconds; faster than life that is no silent probe."""


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--speed", type=number, default=1.0, metavar="N", help="N times as fast as life (1 to 120)")
    parser.add_argument("--for", dest="duration", metavar="DURATION", help="end after so long of the demo's time: 40m")
    parser.add_argument("--broker", metavar="HOST:PORT", help="publish to this MQTT broker")
    parser.add_argument("--state", type=Path, metavar="DIR", help="keep the history there, for `sensord report`")
    parser.add_argument("--plain", action="store_true", help="lines instead of the dashboard")


def run(options: argparse.Namespace) -> int:
    if not 1 <= options.speed <= 120:
        raise DataError(f"--speed {options.speed:g}: give 1 (as in life) to 120")
    seconds = None if options.duration is None else duration_seconds(options.duration)
    _leave_nothing_on_signals()
    clock = FastClock(options.speed)
    scene = Scene()
    with tempfile.TemporaryDirectory(prefix="sensord-demo-") as folder:
        tree = FakeTree(Path(folder) / "one-wire", clock, scene.probes)
        scene.play_on(tree)
        config = _config(tree.root, options.broker, options.speed)
        places = Places(options.state or Path(folder) / "state", Path(folder) / "control.sock")
        shows = sys.stdout.isatty() and not options.plain
        with tree, (Path(folder) / "journal.log").open("w") as hidden:
            journal = Journal(hidden) if shows else _PlainLines(clock)
            daemon = build(config, clock, places, journal, _STALL_SECONDS * options.speed)
            stop_daemon_on_signals(daemon)
            if seconds is not None:
                _stop_after(daemon, clock, seconds)
            if shows:
                _show(daemon, places.socket)
            else:
                daemon.run()
        if config.mqtt is not None:
            # Nothing invented stays behind, at the broker or in a hub; where the broker has gone there is nothing.
            with contextlib.suppress(BrokerError):
                forget_unit(config, config.mqtt, places.state)
    return 0


class _PlainLines(Journal):
    """A journal on the screen: what happens, in a keeper's words and with the demo's own time of day."""

    def __init__(self, clock: Clock) -> None:
        super().__init__(sys.stdout)
        self._clock = clock

    def handle(self, item: Effect | Snapshot) -> None:
        if isinstance(item, Snapshot):
            super().handle(item)
        elif line := effect_line(item):
            self.write(INFO, line)

    def write(self, level: int, text: str) -> None:
        at = datetime.fromtimestamp(self._clock.utc_seconds(), UTC).astimezone()
        super().write(level, "\n".join(f"{at:%H:%M:%S} {line}" for line in text.splitlines()))


def _leave_nothing_on_signals() -> None:
    """Until the daemon takes over the signals, one of them unwinds through here, and the temporary folder goes."""
    if threading.current_thread() is threading.main_thread():
        for number in (signal.SIGTERM, signal.SIGQUIT, signal.SIGHUP):
            signal.signal(number, lambda number, _frame: sys.exit(128 + number))


def _config(root: Path, broker: str | None, speed: float) -> Config:
    # Faster than life, a moment in which this machine is busy counts for many seconds: it must not look like a fault.
    deadline_seconds = min(60.0, max(5.0, speed))
    raw = {**CONFIG, "one_wire": {"root": root, "deadline_seconds": deadline_seconds}}
    if broker is not None:
        host, port = host_port(broker)
        raw["mqtt"] = {"host": host, "port": port}
    return Config.model_validate(raw)


def _stop_after(daemon: Daemon, clock: FastClock, seconds: float) -> None:
    """End after `seconds` of the demo's own time, however fast the machine lets it run."""
    end = clock.monotonic_seconds() + seconds

    def wait() -> None:
        never = threading.Event()
        while clock.monotonic_seconds() < end:
            clock.wait(never, end - clock.monotonic_seconds())
        daemon.stop()

    threading.Thread(target=wait, name="end-of-demo", daemon=True).start()


def _show(daemon: Daemon, socket: Path) -> None:
    """The dashboard in front, the daemon behind it; either one's end is the other's."""
    from sensord.commands.watch import show

    thread = threading.Thread(target=daemon.run, name="daemon")
    thread.start()
    try:
        show(socket, until=lambda: not thread.is_alive())
    finally:
        daemon.stop()
        thread.join()
