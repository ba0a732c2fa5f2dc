"""How many machine instructions the work takes, and what they mean on a Pi Zero 2 W.

    python -m tests.bench.instructions

Counted by valgrind (`apt install valgrind`; a tool for developers, nothing else needs it), so the figures do not depend
on how fast or how busy this machine is. Each work is done N and 2N times in processes of their own; the difference over
N is one of it, without the start. The daemon row is the real `sensord run`: reader, rules, history, control socket,
MQTT with a real broker and simulated pins, on a fake one-wire tree, at the pace of life. About eight minutes.

Counted is what runs in user mode; the kernel's own work is not seen. See docs/benchmarks.md for what is assumed.
"""

import math
import os
import re
import shutil
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from subprocess import DEVNULL, PIPE

from sensord.clock import SystemClock
from sensord.control.control_client import ControlClient
from sensord.demo.fake_tree import FakeProbe, FakeTree
from sensord.errors import SensordError
from tests.bench.footprint import RUN
from tests.helpers.program import ROOT, SENSORD
from tests.mqtt.mosquitto import Broker, free_port, until
from tests.mqtt.world import TOPICS

__all__ = ["Count", "count", "main", "pi_seconds"]

PI_HERTZ = 1e9
"""Cortex-A53 of the Pi Zero 2 W."""
PI_INSTRUCTIONS_PER_CYCLE = (0.4, 0.8)
"""For an interpreter on an in-order core: a value from memory. The core can issue two at most."""
PI_INSTRUCTIONS_FOR_ONE = (0.9, 1.2)
"""AArch64 instructions for one of x86-64 in the same C program: an assumption."""

_VALGRIND = ["valgrind", "--tool=cachegrind", "--cache-sim=no", "--cachegrind-out-file=/dev/null", "--fair-sched=try"]
_PATIENCE_SECONDS = 300.0
_CONFIG = """
[one_wire]
root = "{root}"
{probes}
[brooders.nest]
probes = [{nest}]
band = {{ low_celsius = 33.0, high_celsius = 36.0 }}
[dishes.supper]
probe = "bowl"
[probes.bowl]
rom = "28-0000000000ff"
place = "dish"
[chime]
kind = "active"
pin = 18
factory = "mock"
self_test = false
[mqtt]
host = "127.0.0.1"
port = {port}
"""


@dataclass(frozen=True, slots=True)
class Count:
    """Millions of instructions for one of something; `each_second` where life asks for it once a second."""

    what: str
    millions: float
    each_second: bool = False


def pi_seconds(millions: float) -> tuple[float, float]:
    """The least and the most seconds of one core of a Pi Zero 2 W for so many instructions of here."""
    least, most = PI_INSTRUCTIONS_FOR_ONE
    slow, quick = PI_INSTRUCTIONS_PER_CYCLE
    return millions * 1e6 * least / quick / PI_HERTZ, millions * 1e6 * most / slow / PI_HERTZ


def count(do: str, times: int, *more: str, answer: Callable[[], None] | None = None) -> int:
    """Instructions of a child that does something `times` times; `answer` is called once for each of them."""
    command = ["-m", "tests.bench.instructions_child", do, str(times), *more]
    return _counted_python(command, times if answer is not None else 0, answer or (lambda: None))


def _counted_python(arguments: list[str], times: int = 0, answer: Callable[[], None] = lambda: None) -> int:
    command = [*_VALGRIND, sys.executable, *arguments]
    with subprocess.Popen(command, cwd=ROOT, env=_environment(), stdin=PIPE, stderr=PIPE, text=True) as process:
        assert process.stdin is not None
        for _ in range(times):
            answer()
            process.stdin.write("\n")
            process.stdin.flush()
        _, words = process.communicate()
    assert process.returncode == 0, words
    return _counted(words)


def _environment() -> dict[str, str]:
    return {**os.environ, "PYTHONHASHSEED": "0", "W1THERMSENSOR_NO_KERNEL_MODULE": "1", "PYTHONPATH": str(ROOT)}


def _counted(words: str) -> int:
    found = re.search(r"I\s+refs:\s+([\d,]+)", words)
    assert found is not None, words
    return int(found[1].replace(",", ""))


def _one(do: str, times: int) -> float:
    """Millions of instructions for one."""
    return (count(do, 2 * times) - count(do, times)) / times / 1e6


def _one_publication(times: int, folder: Path) -> float:
    from paho.mqtt.client import Client
    from paho.mqtt.enums import CallbackAPIVersion

    broker = Broker(folder / "broker", ["set_tcp_nodelay true"], free_port()).start()
    heard = threading.Semaphore(0)
    listener = Client(CallbackAPIVersion.VERSION2)
    listener.on_message = lambda *_: heard.release()
    listener.connect("127.0.0.1", broker.port)
    listener.subscribe(TOPICS.brooder("brooder"), 1)
    listener.loop_start()

    def answer() -> None:
        assert heard.acquire(timeout=_PATIENCE_SECONDS)

    try:
        twice, once = (count("published", n, str(broker.port), answer=answer) for n in (2 * times, times))
    finally:
        listener.loop_stop()
        broker.kill()
    return (twice - once) / times / 1e6


def _daemon(brooder_probes: int, seconds: float, folder: Path) -> int:
    """Instructions of a whole daemon from its start until `seconds` after it has a reading of every probe."""
    clock = SystemClock()
    started = clock.monotonic_seconds()
    names = [f"air{number}" for number in range(1, brooder_probes + 1)]
    roms = [f"28-{number:012x}" for number in range(1, brooder_probes + 1)]
    # The paste is dipped into from the start and cools slowly: the estimator works all the time.
    probes = [FakeProbe(rom=rom, celsius=lambda s: 34.5 + 0.4 * math.sin(s / 60)) for rom in roms]
    probes.append(FakeProbe(rom="28-0000000000ff", celsius=lambda s: 22.0 + 26.0 * math.exp(-(s - started) / 1200)))
    broker = Broker(folder / "broker", [], free_port()).start()
    sections = "\n".join(
        f'[probes.{name}]\nrom = "{rom}"\nplace = "brooder"' for name, rom in zip(names, roms, strict=True)
    )
    nest = ", ".join(f'"{name}"' for name in names)
    with FakeTree(folder / "tree", clock, probes) as tree:
        config = folder / "sensord.toml"
        config.write_text(_CONFIG.format(root=tree.root, probes=sections, nest=nest, port=broker.port))
        socket = folder / "control.sock"
        command = [*_VALGRIND, *SENSORD, "run", "--config", str(config), "--socket", str(socket)]
        command += ["--state", str(folder / "state")]
        with subprocess.Popen(command, cwd=ROOT, env=_environment(), stdout=DEVNULL, stderr=PIPE, text=True) as process:
            try:
                until(lambda: _reads(socket), _PATIENCE_SECONDS, "a reading of every probe")
                threading.Event().wait(seconds)
            finally:
                process.terminate()
            _, words = process.communicate()
    broker.kill()
    return _counted(words)


def _reads(path: Path) -> bool:
    try:
        with ControlClient(path) as client:
            return all(probe.celsius is not None for probe in client.snapshot().probes)
    except SensordError:
        return False


def _daemon_second(brooder_probes: int) -> float:
    """Millions of instructions of a whole daemon in one second."""
    counts = {}
    for seconds in (40.0, 100.0):
        with tempfile.TemporaryDirectory(prefix="count-") as folder:
            counts[seconds] = _daemon(brooder_probes, seconds, Path(folder))
    return (counts[100.0] - counts[40.0]) / 60.0 / 1e6


def measure() -> list[Count]:
    """All rows, each told as soon as it is known."""
    found: list[Count] = []

    def told(what: str, millions: float, each_second: bool = False) -> None:
        found.append(Count(what, millions, each_second))
        print(_row(found[-1]), flush=True)

    print(_HEAD)
    nothing, imports = (_counted_python(["-c", code]) for code in ("pass", RUN))
    told("start of the interpreter", nothing / 1e6)
    told("start of `sensord run`: its imports", (imports - nothing) / 1e6)
    told("a dish reading through the rules", _one("dish", 300), True)
    told("a brooder reading through the rules", _one("brooder", 300), True)
    told("a tick and its snapshot (one dish, one brooder)", _one("ticks", 200), True)
    told("a reading into the history", _one("kept", 600), True)
    with tempfile.TemporaryDirectory(prefix="count-") as folder:
        told("a snapshot of three probes over MQTT, said in full", _one_publication(40, Path(folder)))
    told("a redraw of the dashboard, 80x24", _one("redraws", 20), True)
    two = _daemon_second(1)
    told("the whole daemon for a second, dish and brooder probe", two, True)
    told("  each further brooder probe", (_daemon_second(5) - two) / 4, True)
    return found


_HEAD = f"{'':58}{'million':>9}{'Pi Zero 2 W, one core':>24}{'at 1 Hz':>13}"


def _row(one: Count) -> str:
    least, most = pi_seconds(one.millions)
    share = f"{100 * least:.1f} to {100 * most:.1f} %" if one.each_second else ""
    unit, factor = ("s", 1.0) if most >= 1 else ("ms", 1000.0)
    return f"{one.what:58}{one.millions:9.2f}{f'{factor * least:.1f} to {factor * most:.1f} {unit}':>24}{share:>16}"


def main() -> int:
    """Count and print; 2 where there is no valgrind."""
    if shutil.which("valgrind") is None:
        print("instructions: valgrind counts them and is not installed here: `apt install valgrind`", file=sys.stderr)
        return 2
    measure()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
