"""A real mosquitto of our own: free port, own config, own folder, real kills."""

import os
import shutil
import signal
import socket
import subprocess
import threading
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from sensord.clock import SystemClock

__all__ = ["DURABLE", "Broker", "find_mosquitto", "free_port", "until"]

DURABLE = ("persistence true", "autosave_interval 1", "autosave_on_changes true")
"""What config/mosquitto.conf.example asks for: every change goes to the disk."""


def find_mosquitto() -> str:
    """The path of the broker; the test is skipped without it, and fails where CI is set."""
    found = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
    if found is None:
        if os.environ.get("CI") == "true":
            pytest.fail("mosquitto is not installed, and CI is true")
        pytest.skip("mosquitto is not installed (apt install mosquitto)")
    return found


def free_port() -> int:
    """A TCP port that nobody listens on at this moment."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def until(met: Callable[[], object], seconds: float = 30.0, what: str = "") -> None:
    """Wait until `met` returns something true; fails after `seconds`."""
    clock = SystemClock()
    deadline = clock.monotonic_seconds() + seconds
    pause = threading.Event()
    while not met():
        assert clock.monotonic_seconds() < deadline, f"not within {seconds} s: {what or met}"
        pause.wait(0.01)


class Broker:
    """mosquitto in `folder`; `lines` go into its config beside the listener."""

    def __init__(self, folder: Path, lines: Sequence[str] = (), port: int | None = None) -> None:
        self.folder = folder
        self.port = port or free_port()
        self._binary = find_mosquitto()
        self._lines = lines
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> "Broker":
        """Start it and wait until it listens."""
        self.folder.mkdir(parents=True, exist_ok=True)
        config = self.folder / "mosquitto.conf"
        has_listener = any(line.startswith("listener") for line in self._lines)
        listener = [] if has_listener else [f"listener {self.port} 127.0.0.1"]
        access = [] if any(line.startswith("allow_anonymous") for line in self._lines) else ["allow_anonymous true"]
        user = ["user root"] if os.geteuid() == 0 else []
        text = [*user, *listener, *access, f"persistence_location {self.folder}/", *self._lines]
        config.write_text("\n".join(text).format(port=self.port, folder=self.folder) + "\n")
        with (self.folder / "mosquitto.log").open("ab") as log:
            self._process = subprocess.Popen([self._binary, "-c", str(config), "-v"], stdout=log, stderr=log)
        until(self._listens, what="mosquitto to listen")
        return self

    def kill(self) -> None:
        """SIGKILL: what it had not written is gone."""
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        """SIGTERM: it writes what it knows."""
        self._end(signal.SIGTERM)

    def log(self) -> str:
        return (self.folder / "mosquitto.log").read_text(errors="replace")

    def _end(self, number: signal.Signals) -> None:
        if self._process is not None and self._process.poll() is None:
            self._process.send_signal(number)
            self._process.wait(60)

    def _listens(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, self.log()
        try:
            socket.create_connection(("127.0.0.1", self.port), 0.2).close()
        except OSError:
            return False
        return True
