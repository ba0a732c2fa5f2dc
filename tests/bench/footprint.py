"""Import time and resident memory of `sensord run` beside a plain loop: `python -m tests.bench.footprint`.

The plain loop imports what any script for this job imports (w1thermsensor, paho-mqtt, gpiozero) and the config checker
that the project is bound to (pydantic), reads two probes one after the other, publishes each and switches a buzzer pin.
"""

import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import IO

from sensord.clock import SystemClock
from sensord.demo.fake_tree import FakeProbe, FakeTree
from tests.bench.table import Ratio, show, target
from tests.helpers.program import SENSORD

MOST_TIMES_IMPORT, MOST_TIMES_MEMORY = 2.5, 1.3
PLAIN_LOOP = """
import os, sys, time
os.environ["W1THERMSENSOR_NO_KERNEL_MODULE"] = "1"
import gpiozero, paho.mqtt.client, pydantic, w1thermsensor
from pathlib import Path
from gpiozero.pins.mock import MockFactory
gpiozero.Device.pin_factory = MockFactory()
pydantic.TypeAdapter(int)
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

RUN = "import sensord.commands.run, sensord.mqtt.publishing, w1thermsensor"
"""What a running daemon has imported with a broker (w1thermsensor comes with the first look at the bus)."""

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


def measure(runs: int = 5) -> tuple[Ratio, Ratio]:
    """The least CPU of `runs` imports of each; memory after three seconds of running, median of three by turns."""
    ours, others = list[float](), list[float]()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        probes = [FakeProbe(rom=rom, celsius=lambda _s: 34.5) for rom in ("28-00000000000a", "28-00000000000b")]
        with FakeTree(folder / "tree", SystemClock(), probes) as tree:
            (folder / "sensord.toml").write_text(CONFIG.format(root=tree.root))
            loop = [sys.executable, "-c", PLAIN_LOOP, str(tree.root)]
            daemon = [*SENSORD, "run", "--config", str(folder / "sensord.toml"), "--state", name]
            daemon += ["--socket", str(folder / "c.sock")]
            for _ in range(3):
                others.append(_resident(loop, _reads))
                ours.append(_resident(daemon, lambda _out: _answers(folder / "c.sock")))
    imports = [_imports(runs, code) for code in (RUN, "import gpiozero, paho.mqtt.client, w1thermsensor, pydantic")]
    memory = statistics.median(ours), statistics.median(others)
    return (
        Ratio("CPU of the imports, s", imports[0], imports[1], f"at most {MOST_TIMES_IMPORT:g}"),
        Ratio("resident memory, MB", memory[0], memory[1], f"at most {MOST_TIMES_MEMORY:g}"),
    )


def _imports(runs: int, code: str) -> float:
    """CPU seconds of the quickest of `runs` interpreters that do no more than `code`, less those of an empty one."""

    def quickest(what: str) -> float:
        environment = {**os.environ, "W1THERMSENSOR_NO_KERNEL_MODULE": "1"}
        times = []
        for _ in range(runs):
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            subprocess.run([sys.executable, "-c", what], check=True, env=environment)
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            times.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
        return min(times)

    return quickest(code) - quickest("pass")


def _resident(command: list[str], begun: Callable[[IO[str]], bool]) -> float:
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as process:
        assert process.stdout is not None
        while not begun(process.stdout):
            time.sleep(0.01)
        time.sleep(3)
        status = Path(f"/proc/{process.pid}/status").read_text()
        resident = next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmRSS"))
        process.terminate()
    return resident / 1024


def _reads(out: IO[str]) -> bool:
    return bool(out.readline())


def _answers(path: Path) -> bool:
    """Whether the daemon's snapshot holds a reading of every probe."""
    from sensord.control.control_client import ControlClient
    from sensord.errors import SensordError

    try:
        seen = ControlClient(path).snapshot()
    except (SensordError, OSError):
        return False
    return all(probe.celsius is not None for probe in seen.probes)


def main() -> int:
    """Measure and print; 1 where a target is missed."""
    os.environ.setdefault("PYTHONPATH", str(Path(__file__).parents[2]))
    imports, memory = measure()
    show([imports, memory])
    met = [
        target(f"CPU of imports at most {MOST_TIMES_IMPORT:g} times the loop's", imports.ratio <= MOST_TIMES_IMPORT),
        target(f"memory at most {MOST_TIMES_MEMORY:g} times the loop's", memory.ratio <= MOST_TIMES_MEMORY),
    ]
    return 0 if all(met) else 1


if __name__ == "__main__":
    raise SystemExit(main())
