"""A daemon process on a fake one-wire tree, in a folder of its own: `with House(folder) as house: house.run()`."""

import os
import subprocess
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import Self

from sensord.clock import SystemClock
from sensord.demo.fake_tree import FakeProbe, FakeTree
from tests.helpers.program import ROOT, SENSORD

__all__ = ["AIR", "KEEPALIVE_SECONDS", "PASTE", "House"]

AIR, PASTE = "28-00000000000a", "28-00000000000b"

_CONFIG = """
[unit]
name = "attic"
[one_wire]
root = "{root}"
interval_seconds = 0.5
[probes.air]
rom = "28-00000000000a"
place = "brooder"
[probes.bowl]
rom = "28-00000000000b"
place = "dish"
[brooders.brooder]
probes = ["air"]
band = {{ low_celsius = 33.0, high_celsius = 36.0 }}
on_delay_seconds = 0
off_delay_seconds = 0
[dishes.supper]
probe = "bowl"
[chime]
kind = "active"
pin = 18
factory = "mock"
self_test = false
"""

_MQTT = """
[mqtt]
host = "127.0.0.1"
port = {port}
interval_seconds = 1
keepalive_seconds = {keepalive}
"""

KEEPALIVE_SECONDS = 5
_ENDS_WITHIN_SECONDS = 15.0


class House:
    """Tree, config, socket and state of one daemon; `air` and `paste` are what its probes feel, in Celsius.

    With `port` it publishes to the broker there. At the end every daemon that still runs is killed.
    """

    def __init__(self, folder: Path, port: int | None = None, environment: Mapping[str, str] | None = None) -> None:
        self.air, self.paste = 34.5, 21.0
        self.tree = FakeTree(
            folder / "tree",
            SystemClock(),
            [FakeProbe(rom=AIR, celsius=lambda _s: self.air), FakeProbe(rom=PASTE, celsius=lambda _s: self.paste)],
        )
        self.config, self.socket, self.state = folder / "sensord.toml", folder / "control.sock", folder / "state"
        mqtt = "" if port is None else _MQTT.format(port=port, keepalive=KEEPALIVE_SECONDS)
        self.config.write_text(_CONFIG.format(root=self.tree.root) + mqtt)
        self._environment = {**os.environ, **(environment or {})}
        self._started: list[subprocess.Popen[str]] = []

    @property
    def command(self) -> list[str]:
        """The command line of the daemon."""
        places = ["--config", str(self.config), "--socket", str(self.socket), "--state", str(self.state)]
        return [*SENSORD, "run", *places]

    def run(self) -> subprocess.Popen[str]:
        """Start a daemon; its standard error can be read."""
        process = subprocess.Popen(self.command, stderr=subprocess.PIPE, text=True, cwd=ROOT, env=self._environment)
        self._started.append(process)
        return process

    def stop(self) -> None:
        """End the daemon in order."""
        self._started[-1].terminate()
        self._started[-1].wait(_ENDS_WITHIN_SECONDS)

    def kill(self) -> None:
        """Let the daemon die as in a power cut."""
        self._started[-1].kill()
        self._started[-1].wait(_ENDS_WITHIN_SECONDS)

    def ask(self, *words: str) -> subprocess.CompletedProcess[str]:
        """Run a client verb against it, to its end."""
        return subprocess.run(
            [*SENSORD, *words, "--socket", str(self.socket)],
            capture_output=True,
            text=True,
            cwd=ROOT,
            timeout=30,
            check=False,
        )

    def __enter__(self) -> Self:
        self.tree.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for process in self._started:
            if process.poll() is None:
                process.kill()
            process.communicate(timeout=_ENDS_WITHIN_SECONDS)
        self.tree.close()
