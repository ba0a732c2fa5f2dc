"""The control socket against real Unix sockets: answers, refusals, pushes, and clients that behave badly."""

import contextlib
import json
import os
import socket
import stat
import threading
import tracemalloc
from collections.abc import Iterator
from pathlib import Path
from queue import Queue

import pytest

from sensord import __version__
from sensord.clock import SystemClock
from sensord.control import control_server
from sensord.control.control_client import ControlClient, DaemonAwayError, Missed
from sensord.control.control_server import MOST_CLIENTS, ControlServer
from sensord.control.control_wire import LINE_LIMIT_BYTES, Code
from sensord.control.view_wire import snapshot_json
from sensord.errors import CommandError, ConfigError
from sensord.readings import Reading
from sensord.watch.command_table import Acknowledge, Shelve
from sensord.watch.cues import Cue
from sensord.watch.effects import Answered, Cued, Measured
from sensord.watch.events import Command, Event, Origin
from sensord.watch.views import Snapshot
from tests.helpers.fake_clock import FakeClock
from tests.screens.invented import SNAPSHOTS

EFFECT = Cued(1.0, Cue.READY, "dish")


class Daemon:
    """As much of a daemon as the socket sees: takes commands and answers them, unless told not to."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.clock = FakeClock(monotonic_seconds=100.0)
        self.commands: Queue[Command] = Queue()
        self.refuse = ""
        self.mute = False
        self.server = ControlServer(path, self.clock, self.deliver)

    def deliver(self, event: Event) -> None:
        assert isinstance(event, Acknowledge | Shelve)
        self.commands.put(event)
        if not self.mute:
            verb = type(event).__name__.lower()
            self.server.handle(
                Answered(
                    seconds=100.0,
                    request=event.request,
                    origin=event.origin,
                    verb=verb,
                    done=not self.refuse,
                    reason=self.refuse,
                )
            )


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[Daemon]:
    daemon = Daemon(tmp_path / "run" / "control.sock")
    yield daemon
    daemon.server.close()


class Raw:
    """A client that says exactly what it is told to."""

    def __init__(self, path: Path) -> None:
        self.socket = socket.socket(socket.AF_UNIX)
        self.socket.settimeout(30)
        self.socket.connect(str(path))
        self.file = self.socket.makefile("rb")

    def __enter__(self) -> "Raw":
        return self

    def __exit__(self, *_: object) -> None:
        self.file.close()
        self.socket.close()

    def say(self, data: bytes) -> None:
        self.socket.sendall(data)

    def hear(self) -> dict[str, object]:
        answer: dict[str, object] = json.loads(self.file.readline())
        return answer

    def error_of(self, data: bytes) -> tuple[object, int, str]:
        self.say(data)
        answer = self.hear()
        error = answer["error"]
        assert isinstance(error, dict)
        return answer["id"], error["code"], error["message"]


def test_the_folder_and_the_socket_are_for_owner_and_group_only(daemon: Daemon) -> None:
    assert stat.S_IMODE(daemon.path.parent.stat().st_mode) == 0o750
    assert stat.S_IMODE(daemon.path.stat().st_mode) == 0o660


@pytest.mark.parametrize("name", SNAPSHOTS)
def test_a_snapshot_arrives_unchanged(daemon: Daemon, name: str) -> None:
    daemon.server.handle(SNAPSHOTS[name])
    with ControlClient(daemon.path) as client:
        assert client.snapshot() == SNAPSHOTS[name]


def test_before_the_first_snapshot_the_client_is_told_to_ask_again(daemon: Daemon) -> None:
    with ControlClient(daemon.path) as client, pytest.raises(CommandError, match="only just started"):
        client.snapshot()


def test_a_command_reaches_the_daemon_with_its_time_and_origin(daemon: Daemon) -> None:
    with ControlClient(daemon.path) as client:
        assert client.call("shelve", place="brooder", for_seconds=300) == ""
    command = daemon.commands.get(timeout=30)
    assert isinstance(command, Shelve)
    assert (command.place, command.for_seconds, command.seconds) == ("brooder", 300.0, 100.0)
    assert command.origin is Origin.CONTROL


def test_the_daemons_refusal_reaches_the_client_with_its_reason(daemon: Daemon) -> None:
    daemon.refuse = "no alarm stands there"
    with ControlClient(daemon.path) as client, pytest.raises(CommandError, match="no alarm stands there"):
        client.call("acknowledge", place="brooder")


def test_a_bad_command_is_refused_before_it_reaches_the_daemon(daemon: Daemon) -> None:
    with ControlClient(daemon.path) as client, pytest.raises(CommandError, match="unknown field 'attic'"):
        client.call("shelve", place="brooder", attic=1)
    assert daemon.commands.empty()


@pytest.fixture
def hasty(monkeypatch: pytest.MonkeyPatch) -> None:
    """A daemon that is waited for, and clients that may be idle, for a moment only."""
    monkeypatch.setattr(control_server, "ANSWER_WITHIN_SECONDS", 0.05)
    monkeypatch.setattr(control_server, "IDLE_SECONDS", 0.1)
    monkeypatch.setattr(control_server, "GIVES_WAY_SECONDS", 0.0)


@pytest.mark.usefixtures("hasty")
def test_a_daemon_that_does_not_answer_is_told_of_after_the_time(daemon: Daemon) -> None:
    daemon.mute = True
    with Raw(daemon.path) as raw:
        raw.say(b'{"id": 1, "method": "acknowledge"}\n')
        answer = raw.hear()
    assert answer["id"] == 1
    assert isinstance(answer["error"], dict)
    assert answer["error"]["code"] == Code.NO_ANSWER


def test_an_answer_goes_to_the_client_that_asked(daemon: Daemon) -> None:
    daemon.mute = True
    with Raw(daemon.path) as first, Raw(daemon.path) as second:
        first.say(b'{"id": "a", "method": "acknowledge"}\n')
        one = daemon.commands.get(timeout=30)
        second.say(b'{"id": "b", "method": "acknowledge"}\n')
        two = daemon.commands.get(timeout=30)
        for command in (two, one):
            daemon.server.handle(
                Answered(seconds=1.0, request=command.request, origin=Origin.CONTROL, verb="acknowledge", done=True)
            )
        assert first.hear()["id"] == "a"
        assert second.hear()["id"] == "b"


@pytest.mark.parametrize(
    ("line", "request_id", "code"),
    [
        (b"what?\n", None, Code.NOT_JSON),
        (b"[" * 60_000 + b"\n", None, Code.NOT_JSON),
        (b"[1, 2]\n", None, Code.NOT_A_REQUEST),
        (b'{"method": "version"}\n', None, Code.NOT_A_REQUEST),
        (b'{"id": true, "method": "version"}\n', None, Code.NOT_A_REQUEST),
        (b'{"id": 3, "method": 7}\n', 3, Code.NOT_A_REQUEST),
        (b'{"id": 4, "method": "version", "params": [1]}\n', 4, Code.NOT_A_REQUEST),
        (b'{"id": 5, "method": "boil"}\n', 5, Code.UNKNOWN_METHOD),
        (b'{"id": 6, "method": "shelve", "params": {"place": "brooder", "for": 1}}\n', 6, Code.BAD_PARAMS),
        (b'{"id": 7, "method": "shelve", "params": {"place": "brooder", "for_seconds": NaN}}\n', 7, Code.BAD_PARAMS),
    ],
)
def test_nonsense_is_answered_with_a_code_and_the_connection_goes_on(
    daemon: Daemon, line: bytes, request_id: object, code: Code
) -> None:
    with Raw(daemon.path) as raw:
        assert raw.error_of(line)[:2] == (request_id, code)
        raw.say(b'\n{"id": 8, "method": "version"}\n')
        assert raw.hear()["result"] == {"version": __version__}


def test_a_line_without_end_is_cut_off(daemon: Daemon) -> None:
    with Raw(daemon.path) as raw:
        assert raw.error_of(b"x" * (LINE_LIMIT_BYTES + 1))[1] == Code.NOT_A_REQUEST
        assert raw.file.readline() == b""


def test_what_changes_the_rules_is_for_the_owner_only(daemon: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sensord.control.control_server.peer_user", lambda _connected: 4711)
    monkeypatch.setattr("sensord.control.control_server.os.geteuid", lambda: 4712)
    with ControlClient(daemon.path) as client:
        with pytest.raises(CommandError, match="only root"):
            client.call("out-of-service", place="brooder", condition="too-cold")
        client.call("acknowledge")


def test_a_subscriber_sees_what_stands_and_then_what_comes(daemon: Daemon) -> None:
    first, second = SNAPSHOTS["hot"], SNAPSHOTS["ready"]
    daemon.server.handle(first)
    with ControlClient(daemon.path) as client:
        pushes = client.subscribe()
        assert next(pushes) == first
        daemon.server.handle(Measured(Reading("dish", 1.0, 37.0), 0.5))
        daemon.server.handle(EFFECT)
        assert next(pushes) == EFFECT
        daemon.server.handle(second)
        assert next(pushes) == second


def test_quiet_is_told_from_an_end(daemon: Daemon) -> None:
    with ControlClient(daemon.path) as client:
        pushes = client.subscribe(quiet_seconds=0.01)
        assert next(pushes) is None
        daemon.server.close()
        with pytest.raises(DaemonAwayError, match="has stopped"):
            list(pushes)


def test_a_slow_subscriber_gets_the_newest_picture_and_the_count_of_what_it_missed(daemon: Daemon) -> None:
    snapshot = SNAPSHOTS["many"]
    with ControlClient(daemon.path) as client:
        pushes = client.subscribe()
        daemon.server.handle(snapshot)
        assert isinstance(next(pushes), Snapshot)
        with ControlClient(daemon.path) as other:
            for turn in range(3000):
                daemon.server.handle(EFFECT)
                if turn % 50 == 0:
                    daemon.server.handle(snapshot)
                    other.version()  # until the thread has passed these on
        daemon.server.handle(SNAPSHOTS["cold"])
        seen: list[object] = []
        while not seen or seen[-1] != SNAPSHOTS["cold"]:
            seen.append(next(pushes))
    missed = sum(push.effects for push in seen if isinstance(push, Missed))
    assert missed > 0
    assert missed + seen.count(EFFECT) == 3000


@pytest.mark.usefixtures("hasty")
def test_clients_that_never_read_are_let_go_and_hold_up_nobody(daemon: Daemon) -> None:
    stuck = [Raw(daemon.path) for _ in range(4)]
    for raw in stuck:
        raw.say(b'{"id": 1, "method": "subscribe"}\n')
    with ControlClient(daemon.path) as client:
        for _ in range(200):
            daemon.server.handle(SNAPSHOTS["many"])
            client.version()
        assert client.snapshot() == SNAPSHOTS["many"]
    while any(client.subscribed for client in list(daemon.server._clients)):
        daemon.server.handle(SNAPSHOTS["many"])
    for raw in stuck:
        while raw.file.readline():
            pass
        raw.__exit__()


@pytest.mark.usefixtures("hasty")
def test_a_lone_surrogate_is_answered_and_ends_nothing(daemon: Daemon) -> None:
    with Raw(daemon.path) as raw:
        raw.say(b'{"id": "\\ud800", "method": "boil\\udfff"}\n{"id": "\\ud800", "method": "version"}\n')
        assert raw.hear()["id"] == "\ud800"
        assert raw.hear()["result"] == {"version": __version__}
        raw.say(b'{"id": 3, "method": "shelve", "params": {"place": "\\ud800"}}\n')
        assert isinstance(raw.hear()["error"], dict)
        daemon.refuse = "no \ud800"
        raw.say(b'{"id": "\\ud800", "method": "acknowledge"}\n')
        assert raw.hear()["id"] == "\ud800"
        daemon.mute = True
        raw.say(b'{"id": "\\udfff", "method": "acknowledge"}\n')
        assert raw.hear()["id"] == "\udfff"
    with ControlClient(daemon.path) as client:
        assert client.version() == __version__


def test_an_item_that_cannot_be_shown_is_told_and_the_socket_goes_on(daemon: Daemon) -> None:
    with ControlClient(daemon.path) as client:
        pushes = client.subscribe(quiet_seconds=0.01)
        assert next(pushes) is None
        with pytest.raises(AssertionError):
            daemon.server.handle(object())  # type: ignore[arg-type]
        daemon.server.handle(SNAPSHOTS["cold"])
        assert next(push for push in pushes if push is not None) == SNAPSHOTS["cold"]


@pytest.mark.usefixtures("hasty")
def test_an_idle_client_is_let_go(daemon: Daemon) -> None:
    with Raw(daemon.path) as idle, Raw(daemon.path) as halfway:
        halfway.say(b'{"id": 1, ')
        assert idle.file.readline() == b""
        assert halfway.file.readline() == b""


def test_where_all_places_are_taken_the_idlest_gives_way(daemon: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    idle = [ControlClient(daemon.path) for _ in range(MOST_CLIENTS)]
    for client in idle:
        client.version()
    with ControlClient(daemon.path) as late, pytest.raises((CommandError, DaemonAwayError)):
        late.version()
    monkeypatch.setattr(control_server, "GIVES_WAY_SECONDS", 0.0)
    with ControlClient(daemon.path) as later:
        assert later.version() == __version__
    with pytest.raises(DaemonAwayError):
        idle[0].version()
    for client in idle[1:]:
        assert client.version() == __version__


def test_a_subscriber_and_one_that_waits_for_its_answer_give_way_to_nobody(
    daemon: Daemon, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(control_server, "GIVES_WAY_SECONDS", 0.0)
    daemon.mute = True
    with ControlClient(daemon.path) as watching, Raw(daemon.path) as asking:
        pushes = watching.subscribe(quiet_seconds=0.01)
        assert next(pushes) is None
        asking.say(b'{"id": 1, "method": "acknowledge"}\n')
        command = daemon.commands.get(timeout=30)
        others = [ControlClient(daemon.path) for _ in range(2 * MOST_CLIENTS)]
        assert others[-1].version() == __version__
        answer = Answered(seconds=1.0, request=command.request, origin=Origin.CONTROL, verb="acknowledge", done=True)
        daemon.server.handle(answer)
        assert asking.hear()["id"] == 1
        assert next(push for push in pushes if push is not None) == answer
        for client in others:
            client.close()


def test_places_are_kept_for_the_owner(daemon: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    user = [4711]
    monkeypatch.setattr("sensord.control.control_server.peer_user", lambda _connected: user[0])
    monkeypatch.setattr("sensord.control.control_server.os.geteuid", lambda: 4712)
    strangers = [ControlClient(daemon.path) for _ in range(MOST_CLIENTS - 4)]
    for client in strangers:
        client.version()
    with Raw(daemon.path) as refused:
        assert "all places are taken by clients that are busy" in str(refused.hear()["error"])
    user[0] = 4712
    with ControlClient(daemon.path) as owner:
        assert owner.version() == __version__
    for client in strangers:
        client.close()


def test_clients_that_ask_and_never_read_cost_little_and_give_it_back(daemon: Daemon) -> None:
    daemon.server.handle(SNAPSHOTS["many"])
    with ControlClient(daemon.path) as client:
        client.snapshot()
        tracemalloc.start()
        before = tracemalloc.get_traced_memory()[0]
        greedy = [Raw(daemon.path) for _ in range(MOST_CLIENTS - 1)]
        for raw in greedy:
            raw.socket.setblocking(False)
            with contextlib.suppress(BlockingIOError):
                for _ in range(100):
                    raw.socket.send(b'{"id": 1, "method": "snapshot"}\n' * 2000)
        for _ in range(50):
            client.version()
        during = tracemalloc.get_traced_memory()[0]
        for raw in greedy:
            raw.__exit__()
        for _ in range(50):
            client.version()
        del greedy
        after = tracemalloc.get_traced_memory()[0]
        tracemalloc.stop()
    answer = len(snapshot_json(SNAPSHOTS["many"]))
    assert during - before < (MOST_CLIENTS - 1) * (2 * answer + 3 * LINE_LIMIT_BYTES)
    assert after - before < 256 * 1024


def refusal(client: ControlClient) -> str:
    try:
        return client.call("acknowledge")
    except CommandError as error:
        return str(error).split(":")[0]


def test_a_flood_of_commands_is_stopped_at_the_budget(daemon: Daemon) -> None:
    with ControlClient(daemon.path) as client:
        for _ in range(60):
            client.call("acknowledge")
        assert "too many commands" in [refusal(client) for _ in range(60)]


def test_behind_a_crowd_at_the_door_a_client_waits_for_its_turn(tmp_path: Path) -> None:
    path = tmp_path / "control.sock"
    door = socket.socket(socket.AF_UNIX)
    door.bind(str(path))
    door.listen(0)
    with socket.socket(socket.AF_UNIX) as crowd:
        crowd.connect(str(path))

        def let_in() -> None:
            for _ in range(2):
                door.accept()[0].close()

        timer = threading.Timer(0.1, let_in)
        timer.start()
        ControlClient(path).close()
        timer.join()
    door.close()


def test_a_second_daemon_is_refused_while_the_first_lives(daemon: Daemon) -> None:
    with pytest.raises(ConfigError, match="another sensord is already running"):
        Daemon(daemon.path)
    with ControlClient(daemon.path) as client:
        assert client.version() == __version__


def test_the_socket_of_a_killed_daemon_is_replaced(tmp_path: Path) -> None:
    path = tmp_path / "control.sock"
    left_behind = socket.socket(socket.AF_UNIX)
    left_behind.bind(str(path))
    left_behind.close()
    with pytest.raises(DaemonAwayError, match=r"no daemon answers at .*start it with"):
        ControlClient(path)
    daemon = Daemon(path)
    with ControlClient(path) as client:
        assert client.version() == __version__
    daemon.server.close()
    assert not path.exists()


def test_a_file_in_the_way_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "control.sock"
    path.write_text("a keeper's notes")
    with pytest.raises(ConfigError, match="in the way"):
        Daemon(path)
    assert path.read_text() == "a keeper's notes"


def test_a_path_too_long_for_a_socket_is_named(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="too long"):
        Daemon(tmp_path / ("x" * 120))


def test_a_client_without_the_right_is_told_which_group(daemon: Daemon) -> None:
    daemon.path.chmod(0)
    before = os.geteuid()
    if before == 0:  # root may open everything
        os.seteuid(65534)
    try:
        with pytest.raises(DaemonAwayError, match="usermod"):
            ControlClient(daemon.path)
    finally:
        os.seteuid(before)


def test_no_thread_and_no_socket_stays_behind(tmp_path: Path) -> None:
    before = threading.active_count()
    daemon = Daemon(tmp_path / "control.sock")
    with ControlClient(daemon.path) as client:
        client.version()
        daemon.server.close()
        daemon.server.handle(EFFECT)  # late effects after the end are no error
    assert threading.active_count() == before
    assert not daemon.path.exists()


def test_the_real_clock_serves_where_none_is_given(tmp_path: Path) -> None:
    server = ControlServer(tmp_path / "control.sock", SystemClock(), lambda _event: None)
    with ControlClient(tmp_path / "control.sock") as client:
        assert client.version() == __version__
    server.close()
