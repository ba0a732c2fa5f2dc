"""What MQTT costs: added latency against a bare publish, bytes on the wire a day, CPU at one reading a second.

python -m tests.bench.mqtt_cost
"""

import argparse
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import replace
from pathlib import Path

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from tests.bench.table import target
from tests.mqtt.mosquitto import Broker, free_port, until
from tests.mqtt.world import TOPICS, alarm_changed, publisher_at, snapshot

ROOT = Path(__file__).parents[2]
MOST_TIMES = 2.0

PUBLISHING = """
import resource, sys, threading
from pathlib import Path
from sensord.clock import SystemClock
from tests.mqtt.world import publisher_at, snapshot
port, folder, interval, seconds = int(sys.argv[1]), Path(sys.argv[2]), float(sys.argv[3]), int(sys.argv[4])
clock, pause = SystemClock(), threading.Event()
publisher = publisher_at(port, folder / "outbox.db", interval_seconds=interval)
publisher.start()
publisher.handle(snapshot(clock.monotonic_seconds()))
pause.wait(3)
print("settled", flush=True)
def used():
    use = resource.getrusage(resource.RUSAGE_SELF)
    return use.ru_utime + use.ru_stime
before = used()
for turn in range(seconds):
    publisher.handle(snapshot(clock.monotonic_seconds(), celsius=34.0 + turn % 9 / 16))
    pause.wait(1)
print(100 * (used() - before) / seconds)
publisher.close()
"""


class Gauge:
    """Carries a TCP connection and counts its bytes."""

    def __init__(self, behind: int) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self._behind = behind
        self.port: int = self._server.getsockname()[1]
        self.out = self.back = 0
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        client, _ = self._server.accept()
        broker = socket.create_connection(("127.0.0.1", self._behind))
        threading.Thread(target=self._carry, args=(client, broker, "out"), daemon=True).start()
        threading.Thread(target=self._carry, args=(broker, client, "back"), daemon=True).start()

    def _carry(self, source: socket.socket, sink: socket.socket, way: str) -> None:
        try:
            while data := source.recv(65536):
                sink.sendall(data)
                setattr(self, way, getattr(self, way) + len(data))
            sink.shutdown(socket.SHUT_WR)
        except OSError:
            pass


def _without_delay(client: Client) -> None:
    """The bare client gets the same socket option as ours, so that only the work between is compared."""
    sock = client.socket()
    assert isinstance(sock, socket.socket)
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


class Stopwatch:
    """A bare subscriber that notes when each message came."""

    def __init__(self, port: int, topic: str) -> None:
        self.arrived = threading.Event()
        self.at = 0.0
        ready = threading.Event()
        self._client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv311)
        self._client.on_connect = lambda client, *_: client.subscribe(topic, 1)
        self._client.on_subscribe = lambda *_: ready.set()
        self._client.on_message = self._note
        self._client.connect("127.0.0.1", port)
        _without_delay(self._client)
        self._client.loop_start()
        assert ready.wait(10)

    def _note(self, *_: object) -> None:
        self.at = time.perf_counter()
        self.arrived.set()

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def latencies(broker: Broker, folder: Path, times: int) -> dict[str, list[float]]:
    """Milliseconds from the call to the subscriber, the three ways by turns so that all meet the same machine."""
    publisher = publisher_at(broker.port, folder / "outbox.db", alarms=frozenset(), interval_seconds=0.0)
    publisher.start()
    until(lambda: publisher.working)
    bare = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    bare.connect("127.0.0.1", broker.port)
    _without_delay(bare)
    bare.loop_start()
    payload = b"x" * 350
    took: dict[str, list[float]] = {"bare": [], "bare QoS 1": [], "reading": [], "event": []}
    watches = {
        "bare": Stopwatch(broker.port, "bare/0"),
        "bare QoS 1": Stopwatch(broker.port, "bare/1"),
        "reading": Stopwatch(broker.port, TOPICS.probe("air")),
        "event": Stopwatch(broker.port, TOPICS.event),
    }
    time.sleep(0.5)
    for turn in range(times):
        for way, watch in watches.items():
            watch.arrived.clear()
            whole = snapshot(float(turn), celsius=34.0 + turn % 7 / 16)
            one = replace(whole, probes=whole.probes[:1], dishes=(), brooders=())
            began = time.perf_counter()
            match way:
                case "bare":
                    bare.publish("bare/0", payload)
                case "bare QoS 1":
                    bare.publish("bare/1", payload, qos=1)
                case "reading":
                    publisher.handle(one)
                case _:
                    publisher.handle(alarm_changed(float(turn)))
            assert watch.arrived.wait(5)
            took[way].append(1000 * (watch.at - began))
            time.sleep(0.01)
    for watch in watches.values():
        watch.close()
    bare.disconnect()
    bare.loop_stop()
    publisher.close()
    return took


def measured_process(port: int, folder: Path, interval: float, seconds: int, gauge: Gauge | None = None) -> float:
    """CPU percent of a process that handles one snapshot a second; `gauge` counts from when all was said once."""
    folder.mkdir()
    words = [sys.executable, "-c", PUBLISHING, str(port), str(folder), str(interval), str(seconds)]
    with subprocess.Popen(words, cwd=ROOT, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        process.stdout.readline()
        if gauge is not None:
            gauge.out = gauge.back = 0
        return float(process.stdout.readline())


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--times", type=int, default=300)
    parser.add_argument("--seconds", type=int, default=60)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="cost-") as name:
        folder = Path(name)
        broker = Broker(folder / "broker", ["set_tcp_nodelay true"], free_port()).start()
        took = latencies(broker, folder / "latency", options.times)
        median = {way: statistics.median(values) for way, values in took.items()}
        for way, values in took.items():
            ninety_nine = sorted(values)[int(0.99 * len(values))]
            print(f"{way:<11} median {median[way]:.2f} ms, p99 {ninety_nine:.2f} ms")
        ratio = median["reading"] / median["bare"]
        print(f"ratio reading / bare publish: {ratio:.2f}")
        print(f"ratio event on disk / bare publish QoS 1: {median['event'] / median['bare QoS 1']:.2f}")
        gauge = Gauge(broker.port)
        percent = measured_process(gauge.port, folder / "default", 10.0, options.seconds, gauge)
        day = 86_400 / options.seconds
        print(
            f"default settings, three probes: {gauge.out * day / 1e6:.1f} MB a day out,"
            f" {gauge.back * day / 1e6:.2f} MB back ({gauge.out} bytes in {options.seconds} s); CPU {percent:.2f} %"
        )
        percent = measured_process(broker.port, folder / "quick", 1.0, options.seconds)
        print(f"every probe said once a second: CPU {percent:.2f} % of a core")
        broker.kill()
    return 0 if target(f"a reading at most {MOST_TIMES:g} times as late as a bare publish", ratio <= MOST_TIMES) else 1


if __name__ == "__main__":
    raise SystemExit(main())
