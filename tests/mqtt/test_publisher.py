"""The MQTT output against a real mosquitto, heard by a plain subscriber."""

import contextlib
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from sensord.mqtt.broker import Received
from sensord.mqtt.publisher import Publisher
from sensord.readings import FaultKind
from sensord.watch.command_table import Acknowledge
from sensord.watch.conditions import Condition
from sensord.watch.effects import AlarmState, Answered, DishState
from sensord.watch.events import Origin
from tests.mqtt.conftest import Daemon
from tests.mqtt.listener import Listener
from tests.mqtt.mosquitto import Broker, free_port, until
from tests.mqtt.world import TOPICS, alarm_changed, alarm_view, snapshot

ROOT = Path(__file__).parents[2]
Start = Callable[..., Daemon]
TOO_COLD = TOPICS.alarm("brooder", Condition.TOO_COLD)


def test_birth_and_every_state_are_there_for_whoever_comes_later(broker: Broker, daemon: Start) -> None:
    started = daemon(broker.port)
    with Listener(broker.port) as early:
        started.publisher.handle(snapshot(alarms=(alarm_view(),)))
        early.wait(TOPICS.probe("paste"))
    with Listener(broker.port) as listener:
        listener.wait_payload(TOPICS.status, b"online")
        (air,) = listener.wait(TOPICS.probe("air"))
        assert air.retained
        assert air.fields | {"time": "", "clock_trusted": None, "sequence": 0} == {
            "version": 1, "time": "", "clock_trusted": None, "sequence": 0,
            "value": 34.5, "unit": "Cel", "expanded_uncertainty": 0.2, "k": 2, "quality": "good",
            "probe": "air", "place": "brooder", "fault": None, "remedy": "", "readings": 7, "faults": 1,
        }  # fmt: skip
        assert listener.wait(TOPICS.dish("dish"))[0].fields["state"] == "away"
        assert listener.wait(TOPICS.brooder("brooder"))[0].fields["band"]["low"] == 33.2
        alarm = listener.wait(TOO_COLD)[0].fields
        assert (alarm["state"], alarm["active"], alarm["priority"]) == ("unacknowledged", True, "medium")
        warm = listener.wait(TOPICS.alarm("brooder", Condition.TOO_WARM))[0].fields
        assert (warm["state"], warm["active"]) == ("normal", False)


def test_a_lost_probe_is_null_and_never_the_last_value(broker: Broker, daemon: Start) -> None:
    started = daemon(broker.port)
    with Listener(broker.port) as listener:
        started.publisher.handle(snapshot(0.0))
        listener.wait(TOPICS.probe("air"))
        started.publisher.handle(snapshot(1.0, celsius=34.5, fault=FaultKind.CRC_ERROR))
        air = listener.wait(TOPICS.probe("air"), 2)[-1].fields
        assert (air["value"], air["expanded_uncertainty"], air["quality"]) == (None, None, "fault")
        assert air["fault"] == "crc_error"


def test_numbers_alone_are_told_at_the_interval_but_a_change_of_state_at_once(broker: Broker, daemon: Start) -> None:
    started = daemon(broker.port)
    with Listener(broker.port) as listener:
        for second in range(5):
            started.publisher.handle(snapshot(second, celsius=34.5 + second / 10))
        started.publisher.handle(snapshot(5.0, dish=DishState.READY))
        until(lambda: [m.fields["state"] for m in listener.on(TOPICS.dish("dish"))][-1:] == ["ready"])
        listener.wait(TOPICS.probe("air"))
        assert {m.fields["value"] for m in listener.on(TOPICS.probe("air"))} == {34.5}


def test_events_are_numbered_in_order_and_leave_the_outbox(broker: Broker, daemon: Start) -> None:
    started = daemon(broker.port)
    with Listener(broker.port) as listener:
        for second in range(50):
            started.publisher.handle(alarm_changed(second))
        events = listener.wait(TOPICS.event, 50)
        assert [event.fields["number"] for event in events] == list(range(1, 51))
        assert {event.qos for event in events} == {1}
        assert not any(event.retained for event in events)
        assert events[0].fields["kind"] == "alarm"
        until(lambda: len(started.publisher._outbox) == 0, seconds=20)


def test_what_happens_without_a_broker_is_told_when_there_is_one(daemon: Start, tmp_path: Path) -> None:
    port = free_port()
    started = daemon(port)
    for second in range(30):
        started.publisher.handle(alarm_changed(second))
    until(lambda: "nobody listens there" in started.publisher.words())
    assert "mqtt.host and mqtt.port" in started.publisher.words()
    broker = Broker(tmp_path / "late", port=port).start()
    try:
        with Listener(port) as listener:
            assert [e.fields["number"] for e in listener.wait(TOPICS.event, 30)] == list(range(1, 31))
    finally:
        broker.kill()


def test_a_command_is_delivered_and_its_answer_told(broker: Broker, daemon: Start) -> None:
    started = daemon(broker.port)
    with Listener(broker.port) as listener:
        listener.wait_payload(TOPICS.status, b"online")  # said after it has asked for its topics
        listener.send(TOPICS.command("acknowledge"), '{"place": "brooder", "request": "a1"}')
        until(lambda: bool(started.delivered))
        (command,) = started.delivered
        assert isinstance(command, Acknowledge)
        assert (command.place, command.origin, command.request) == ("brooder", Origin.MQTT, "a1")
        started.publisher.handle(Answered(seconds=1.0, request="a1", origin=Origin.MQTT, verb="acknowledge", done=True))
        answer = listener.wait(TOPICS.done)[0].fields
        assert (answer["request"], answer["verb"], answer["done"]) == ("a1", "acknowledge", True)

        listener.send(TOPICS.command("acknowledge"), '{"place": "brooder", "request": "a1"}')
        assert listener.wait(TOPICS.done, 2)[1].fields["done"] is True
        assert len(started.delivered) == 1, "a repeated request must not be carried out twice"


def test_a_refused_command_is_answered_with_the_reason(broker: Broker, daemon: Start) -> None:
    started = daemon(broker.port)
    with Listener(broker.port) as listener:
        listener.wait_payload(TOPICS.status, b"online")  # said after it has asked for its topics
        listener.send(TOPICS.command("shelve"), '{"place": "brooder", "for_seconds": -9, "request": "x"}')
        answer = listener.wait(TOPICS.done)[0].fields
        assert (answer["done"], answer["request"]) == (False, "x")
        assert "at least 1" in answer["reason"]
        assert not started.delivered


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_a_command_retained_before_we_came_is_never_carried_out(broker: Broker, daemon: Start, version: str) -> None:
    with Listener(broker.port) as listener:
        listener.send(TOPICS.command("acknowledge"), "PRESS", retain=True)
        started = daemon(broker.port, version=version)
        listener.wait_payload(TOPICS.status, b"online")
        listener.send(TOPICS.command("batch"), "PRESS")
        until(lambda: bool(started.delivered))
        assert [type(command).__name__ for command in started.delivered] == ["StartBatch"]


def test_a_command_published_as_retained_while_we_listen_is_refused(broker: Broker, daemon: Start) -> None:
    started = daemon(broker.port, version="5")
    with Listener(broker.port) as listener:
        listener.wait_payload(TOPICS.status, b"online")  # said after it has asked for its topics
        listener.send(TOPICS.command("acknowledge"), "PRESS", retain=True)
        assert "never carried out" in listener.wait(TOPICS.done)[0].fields["reason"]
        assert not started.delivered


def test_a_read_only_unit_takes_no_commands(broker: Broker, daemon: Start) -> None:
    daemon(broker.port, read_only=True)
    with Listener(broker.port) as listener:
        listener.wait_payload(TOPICS.status, b"online")  # said after it has asked for its topics
        listener.send(TOPICS.command("acknowledge"), "PRESS")
        assert "mqtt.read_only" in listener.wait(TOPICS.done)[0].fields["reason"]


def test_a_clean_goodbye_says_offline(broker: Broker, daemon: Start) -> None:
    started = daemon(broker.port)
    with Listener(broker.port) as listener:
        listener.wait_payload(TOPICS.status, b"online")
        started.publisher.close()
        listener.wait_payload(TOPICS.status, b"offline", seconds=2)


CHILD = """
import sys, threading
from pathlib import Path
from tests.mqtt.world import alarm_view, publisher_at, snapshot
publisher = publisher_at(int(sys.argv[1]), Path(sys.argv[2]), keepalive_seconds=5)
publisher.start()
publisher.handle(snapshot(alarms=(alarm_view(),)))
threading.Event().wait()
"""


def test_the_will_comes_after_kill_and_the_next_life_leaves_nothing_stale(
    broker: Broker, daemon: Start, tmp_path: Path
) -> None:
    outbox = tmp_path / "state" / "outbox.db"
    with Listener(broker.port) as listener:
        with subprocess.Popen([sys.executable, "-c", CHILD, str(broker.port), str(outbox)], cwd=ROOT) as child:
            listener.wait_payload(TOPICS.status, b"online")
            assert listener.wait(TOO_COLD)[-1].fields["active"] is True
            listener.wait(TOPICS.probe("paste"))
            child.send_signal(signal.SIGKILL)
        listener.wait_payload(TOPICS.status, b"offline")  # a closed connection, or 1.5 keep-alives [MQTT-3.1.2-24]
        started = daemon(broker.port)
        # In its next life the unit has no probe called floor any more, and the alarm has gone.
        now = snapshot()
        started.publisher.handle(type(now)(unit="nursery", seconds=0.0, utc_seconds=None, probes=now.probes[:1]))
        listener.wait_payload(TOPICS.status, b"online")
        listener.wait_payload(TOPICS.probe("floor"), b"")
        until(lambda: listener.on(TOO_COLD)[-1].fields["active"] is False)
    with Listener(broker.port) as later:
        later.wait(TOPICS.status)
        later.send("the/end", "")
        later.wait("the/end")
        topics = {heard.topic for heard in later.heard}
        assert TOPICS.probe("air") in topics
        assert not topics & {TOPICS.probe("floor"), TOPICS.dish("dish"), TOPICS.brooder("brooder")}


def old_broker(refusal: bytes, behind: int) -> int:
    """A broker that knows 3.1.1 only: answers MQTT 5 with `refusal` and hangs up, carries the rest to `behind`."""
    server = socket.create_server(("127.0.0.1", 0))

    def carry(source: socket.socket, sink: socket.socket) -> None:
        try:
            while data := source.recv(4096):
                sink.sendall(data)
        except OSError:
            pass
        finally:
            for end in (source, sink):
                with contextlib.suppress(OSError):
                    end.shutdown(socket.SHUT_RDWR)

    def serve() -> None:
        while True:
            client, _ = server.accept()
            first = client.recv(4096)
            if first[8] == 5:  # the protocol level: byte 9 of CONNECT with a one-byte length (MQTT 5.0, 3.1.2.2)
                client.sendall(refusal)
                client.close()
                continue
            upstream = socket.create_connection(("127.0.0.1", behind))
            upstream.sendall(first)
            threading.Thread(target=carry, args=(client, upstream), daemon=True).start()
            threading.Thread(target=carry, args=(upstream, client), daemon=True).start()

    threading.Thread(target=serve, daemon=True).start()
    port: int = server.getsockname()[1]
    return port


@pytest.mark.parametrize("refusal", [b"\x20\x02\x00\x01", b""], ids=["refuses", "hangs up"])
def test_an_old_broker_is_spoken_to_in_its_own_version(broker: Broker, daemon: Start, refusal: bytes) -> None:
    started = daemon(old_broker(refusal, broker.port))
    until(lambda: started.publisher.working)
    assert started.publisher.words().endswith("MQTT 3.1.1")
    with Listener(broker.port) as listener:
        started.publisher.handle(snapshot())
        assert listener.wait(TOPICS.probe("air"))[0].fields["value"] == 34.5


@pytest.mark.parametrize("failure", [RuntimeError, SystemExit])
def test_an_exception_in_our_own_code_does_not_end_the_connection(
    broker: Broker, daemon: Start, monkeypatch: pytest.MonkeyPatch, failure: type[BaseException]
) -> None:
    started = daemon(broker.port)
    until(lambda: started.publisher.working)

    def broken(_self: Publisher, _message: Received) -> None:
        raise failure("a bug")

    with Listener(broker.port) as listener:
        listener.wait_payload(TOPICS.status, b"online")
        with monkeypatch.context() as patch:
            patch.setattr(Publisher, "received", broken)
            listener.send(TOPICS.command("batch"), "PRESS")
            until(lambda: failure.__name__ in started.publisher.words())
        listener.send(TOPICS.command("batch"), "PRESS")
        until(lambda: len(started.delivered) == 1)


def test_alarm_goes_back_to_normal_for_whoever_looks(broker: Broker, daemon: Start) -> None:
    started = daemon(broker.port)
    with Listener(broker.port) as listener:
        for second, state in enumerate((AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)):
            started.publisher.handle(snapshot(second, alarms=(alarm_view(state),)))
            assert listener.wait(TOO_COLD, second + 1)[-1].fields["state"] == state
        started.publisher.handle(snapshot(3.0))
        until(lambda: listener.on(TOO_COLD)[-1].fields["state"] == "normal")
