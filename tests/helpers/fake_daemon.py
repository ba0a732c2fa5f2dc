"""As much of a daemon as its control socket shows: invented snapshots out, commands in and answered.

To look at the dashboard without any probe, from the project's folder:

    python -m tests.helpers.fake_daemon /run/user/1000/sensord/control.sock cold
"""

import sys
import threading
from dataclasses import replace
from pathlib import Path
from queue import Queue
from typing import cast

from sensord.clock import Clock, SystemClock
from sensord.control.control_server import ControlServer
from sensord.watch.effects import Answered
from sensord.watch.events import Command, Event
from sensord.watch.views import Snapshot
from tests.helpers.fake_clock import FakeClock
from tests.screens.invented import SNAPSHOTS

__all__ = ["FakeDaemon"]


class FakeDaemon:
    """Answers every command with done, or with `refuse` as the reason where that is set."""

    def __init__(self, path: Path, clock: Clock | None = None) -> None:
        self.path = path
        self.clock = clock or FakeClock(monotonic_seconds=100.0)
        self.commands: Queue[Command] = Queue()
        self.refuse = ""
        self.server = ControlServer(path, self.clock, self._deliver)

    def _deliver(self, event: Event) -> None:
        command = cast("Command", event)  # the socket delivers nothing else
        self.commands.put(command)
        verb = type(command).__name__.lower()
        self.server.handle(
            Answered(
                seconds=command.seconds,
                request=command.request,
                origin=command.origin,
                verb=verb,
                done=not self.refuse,
                reason=self.refuse,
            )
        )

    def show(self, snapshot: Snapshot) -> None:
        """Let the clients see `snapshot`, as if it were taken now."""
        now = self.clock.monotonic_seconds()
        later = now - snapshot.seconds
        alarms = (
            replace(
                view,
                since_seconds=view.since_seconds + later,
                began_seconds=None if view.began_seconds is None else view.began_seconds + later,
            )
            for view in snapshot.alarms
        )
        self.server.handle(
            replace(
                snapshot,
                seconds=now,
                alarms=tuple(alarms),
                utc_seconds=None if snapshot.utc_seconds is None else self.clock.utc_seconds(),
            )
        )

    def close(self) -> None:
        self.server.close()


def main(path: str, *names: str) -> None:
    """Show the named snapshots in turn, each for ten seconds, or all of them, until Ctrl-C."""
    clock = SystemClock()
    shown = [SNAPSHOTS[name] for name in names or tuple(SNAPSHOTS)]
    places = [view.name for snapshot in shown for view in snapshot.brooders]
    places += [view.name for snapshot in shown for view in snapshot.dishes]
    daemon = FakeDaemon(Path(path), clock)
    seconds = 0
    try:
        while True:
            daemon.show(shown[seconds // 10 % len(shown)])
            clock.wait(threading.Event(), 1.0)
            seconds += 1
    finally:
        daemon.close()


if __name__ == "__main__":
    try:
        main(*sys.argv[1:])
    except KeyboardInterrupt:
        sys.exit(130)
