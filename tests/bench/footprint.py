"""Start-up time and resident memory of `sensord run` beside a plain loop over the same libraries.

The plain loop imports what any script for this job imports (w1thermsensor, paho-mqtt, gpiozero), reads two probes one
after the other, publishes each and switches a buzzer pin. Run with `python -m tests.bench.footprint`.
"""

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from sensord.clock import SystemClock
from sensord.fake_tree import FakeProbe, FakeTree
from tests.bench.table import Ratio, show

PLAIN_LOOP = """
import os, sys, time
os.environ["W1THERMSENSOR_NO_KERNEL_MODULE"] = "1"
import gpiozero, paho.mqtt.client, w1thermsensor
from pathlib import Path
from gpiozero.pins.mock import MockFactory
gpiozero.Device.pin_factory = MockFactory()
class Probe(w1thermsensor.W1ThermSensor):
    BASE_DIRECTORY = Path(sys.argv[1])
buzzer = gpiozero.Buzzer(18)
client = paho.mqtt.client.Client(paho.mqtt.client.CallbackAPIVersion.VERSION2)
client.connect_async("127.0.0.1", 9)
client.loop_start()
while True:
    for probe in Probe.get_available_sensors():
        celsius = probe.get_temperature()
        client.publish(f"plain/{probe.id}", celsius)
        print(celsius, flush=True)
        buzzer.value = 36 <= celsius <= 38
    time.sleep(1)
"""

CONFIG = """
[one_wire]
root = "{root}"
[probes.brooder]
rom = "28-00000000000a"
place = "brooder"
[probes.dish]
rom = "28-00000000000b"
place = "dish"
[brooders.brooder]
probes = ["brooder"]
band = {{ low_celsius = 33.0, high_celsius = 36.0 }}
[dishes.dish]
probe = "dish"
[chime]
kind = "active"
pin = 18
factory = "mock"
self_test = false
[mqtt]
host = "127.0.0.1"
port = 9
[history]
enabled = false
"""


def measure(runs: int = 5) -> list[Ratio]:
    """Medians over `runs` starts of each, in turn."""
    ours: list[tuple[float, float]] = []
    plain: list[tuple[float, float]] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        probes = [FakeProbe(rom, lambda _s: 34.5) for rom in ("28-00000000000a", "28-00000000000b")]
        with FakeTree(folder / "tree", SystemClock(), probes) as tree:
            config = folder / "sensord.toml"
            config.write_text(CONFIG.format(root=tree.root))
            loop = folder / "loop.py"
            loop.write_text(PLAIN_LOOP)
            daemon = [sys.executable, "-c", "from sensord.cli import main; raise SystemExit(main())", "run"]
            options = ["--config", str(config), "--socket", str(folder / "c.sock"), "--state", str(folder)]
            for _ in range(runs):
                plain.append(_one([sys.executable, str(loop), str(tree.root)], lambda out: bool(out.readline())))
                ours.append(_one([*daemon, *options], lambda _out: _answers(folder / "c.sock")))
    return [
        Ratio("start to first reading, s", *_medians(ours, plain, 0), target="at most 1.5"),
        Ratio("resident memory, MB", *_medians(ours, plain, 1), target="at most 1.5"),
    ]


def _medians(ours: list[tuple[float, float]], plain: list[tuple[float, float]], index: int) -> tuple[float, float]:
    return statistics.median(one[index] for one in ours), statistics.median(one[index] for one in plain)


def _one(command: list[str], begun) -> tuple[float, float]:  # type: ignore[no-untyped-def]
    started = time.perf_counter()
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as process:
        while not begun(process.stdout):
            time.sleep(0.01)
        seconds = time.perf_counter() - started
        time.sleep(3)
        status = Path(f"/proc/{process.pid}/status").read_text()
        resident = next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmRSS"))
        process.terminate()
    return seconds, resident / 1024


def _answers(path: Path) -> bool:
    """Whether the daemon's snapshot holds a reading of every probe."""
    from sensord.edges.control_client import ControlClient
    from sensord.errors import SensordError

    try:
        seen = ControlClient(path).snapshot()
    except (SensordError, OSError):
        return False
    return all(probe.celsius is not None for probe in seen.probes)


if __name__ == "__main__":
    os.environ.setdefault("PYTHONPATH", str(Path(__file__).parents[2]))
    show(measure())
