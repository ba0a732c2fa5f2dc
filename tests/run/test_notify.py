"""The service manager hears: ready, alive while the rules turn, stopping; and nothing once the owner thread is stuck.

The socket and its messages as in sd_notify(3).
"""

import os
import signal
import socket
import threading
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from sensord.clock import FastClock, SystemClock
from sensord.config.loading import parse
from sensord.config.settings import nursery_settings
from sensord.run.daemon import Daemon, Inbox, ReaderState
from sensord.run.journal import Notifier
from tests.helpers.daemon_house import House
from tests.mqtt.mosquitto import until

SETTINGS = nursery_settings(parse('unit.name = "attic"', "sensord.toml"))


class Manager:
    """Listens as systemd does; what it heard, and when."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.heard: list[tuple[float, str]] = []
        self._clock = SystemClock()
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(path))
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        while (text := self._socket.recv(4096).decode()) != "END":
            self.heard.append((self._clock.monotonic_seconds(), text))

    def count(self, word: str) -> int:
        return sum(word in text for _, text in list(self.heard))

    def close(self) -> None:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
            out.sendto(b"END", str(self.path))
        self._thread.join()
        self._socket.close()


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Manager]:
    made = Manager(tmp_path / "notify")
    yield made
    made.close()


def environment_of(manager: Manager) -> dict[str, str]:
    return {"NOTIFY_SOCKET": str(manager.path), "WATCHDOG_USEC": "30000000"}


def test_the_process_says_ready_keeps_saying_alive_and_says_goodbye(tmp_path: Path, manager: Manager) -> None:
    with House(tmp_path, environment=environment_of(manager)) as house:
        process = house.run()
        until(lambda: manager.count("READY=1"), 60, "ready")
        until(lambda: manager.count("WATCHDOG=1") >= 4, 60, "four signs of life")
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=60)
    assert process.returncode == 0
    assert manager.heard[-1][1] == "STOPPING=1"
    alive = [seconds for seconds, text in manager.heard if text == "WATCHDOG=1"]
    # systemd.service(5): at the latest after half of WATCHDOG_USEC
    assert max(later - earlier for earlier, later in pairwise(alive)) < 15


class Stuck:
    """A reader's state that can be asked for until `hold` is set: then whoever asks hangs."""

    def __init__(self) -> None:
        self.hold = threading.Event()
        self.release = threading.Event()
        self.alive = True

    def __call__(self) -> ReaderState:
        if self.hold.is_set():
            self.release.wait()
        return ReaderState(self.alive, {})


@pytest.fixture
def stuck(manager: Manager) -> Iterator[Stuck]:
    """A running daemon, twenty times as fast as life, whose owner thread can be made to hang."""
    state = Stuck()
    notifier = Notifier(environment_of(manager))
    daemon = Daemon(SETTINGS, FastClock(20), Inbox(), notifier=notifier, reader_state=state)
    thread = threading.Thread(target=daemon.run)
    thread.start()
    until(lambda: manager.count("WATCHDOG=1") >= 3)
    yield state
    state.release.set()
    daemon.stop()
    thread.join(60)
    assert not thread.is_alive()


def ticks_pass(count: int = 10) -> None:
    """So many seconds of a daemon that is twenty times as fast as life."""
    threading.Event().wait(count / 20)


def test_nobody_feeds_the_watchdog_while_the_owner_thread_is_stuck(manager: Manager, stuck: Stuck) -> None:
    stuck.hold.set()
    ticks_pass(2)
    before = manager.count("WATCHDOG=1")
    ticks_pass()
    assert manager.count("WATCHDOG=1") == before


def test_nobody_feeds_the_watchdog_while_a_bus_thread_is_dead(manager: Manager, stuck: Stuck) -> None:
    stuck.alive = False
    ticks_pass(2)
    before = manager.count("WATCHDOG=1")
    ticks_pass()
    assert manager.count("WATCHDOG=1") == before
    stuck.alive = True
    until(lambda: manager.count("WATCHDOG=1") > before)


def test_without_systemd_nothing_is_said(tmp_path: Path) -> None:
    notifier = Notifier({})
    notifier.ready("nobody hears")
    notifier.alive()
    gone = Notifier({"NOTIFY_SOCKET": str(tmp_path / "gone"), "WATCHDOG_USEC": "x"})
    gone.alive()
    assert gone.watchdog_seconds is None


def test_an_abstract_socket_is_reached(tmp_path: Path) -> None:
    name = f"sensord-test-{os.getpid()}-{tmp_path.name}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(f"\0{name}")
        listening.settimeout(30)
        Notifier({"NOTIFY_SOCKET": f"@{name}"}).status("hello")
        assert listening.recv(100) == b"STATUS=hello"
