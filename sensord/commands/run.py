"""`sensord run`: the daemon in the foreground, as the service manager starts it."""

import argparse
import os
import signal
import sys
import threading
from pathlib import Path

from sensord.clock import SystemClock
from sensord.config import DEFAULT_PATH
from sensord.config.folders import Places
from sensord.config.loading import load
from sensord.control.control_wire import daemon_path
from sensord.run.daemon import Daemon
from sensord.run.journal import Journal
from sensord.run.service import build


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--config", type=Path, default=DEFAULT_PATH, metavar="FILE", help="default: %(default)s")
    parser.add_argument("--one-wire-root", type=Path, metavar="DIR", help="another tree of the kernel's shape")
    parser.add_argument("--socket", type=Path, metavar="PATH", help="the control socket")
    parser.add_argument("--state", type=Path, metavar="DIR", help="where history is kept")


def run(options: argparse.Namespace) -> int:
    os.umask(0o027)  # as the service does: what is kept is for the user and the group
    config = load(options.config)
    if options.one_wire_root is not None:
        one_wire = config.one_wire.model_copy(update={"root": options.one_wire_root})
        config = config.model_copy(update={"one_wire": one_wire})
    places = Places.of(config, Path(daemon_path(os.environ)))
    places = Places(options.state or places.state, options.socket or places.socket)
    journal = Journal(sys.stderr)
    journal.adopt()
    daemon = build(config, SystemClock(), places, journal)
    stop_daemon_on_signals(daemon)
    daemon.run()
    return 0


def stop_daemon_on_signals(daemon: Daemon) -> None:
    """An orderly end on SIGTERM, SIGINT, SIGQUIT and a closed terminal: pins low, database closed, broker told."""
    if threading.current_thread() is threading.main_thread():
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGQUIT, signal.SIGHUP):
            signal.signal(number, lambda *_: daemon.stop())
