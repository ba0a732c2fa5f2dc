"""The files of a Raspberry Pi in a folder, as the checkup looks at them; all well until something is changed.

Paths and contents follow the kernel's one-wire core, the firmware's device tree, hwmon and thermal interfaces.
"""

from collections.abc import Iterable
from pathlib import Path

from sensord.checks.checking import check_all
from sensord.checks.site import CheckFinding, Grade, Machine, Site
from sensord.clock import SystemClock
from sensord.demo.fake_tree import FakeProbe
from tests.helpers.failing_tree import FailingTree

AIR, PASTE = "28-00000bbb9b13", "28-0000072431ab"

CONFIG = """
[probes.air]
rom = "28-00000bbb9b13"
place = "brooder"
[probes.bowl]
rom = "28-0000072431ab"
place = "dish"
[brooders.crib]
probes = ["air"]
band = { low_celsius = 33.0, high_celsius = 36.0 }
[dishes.supper]
probe = "bowl"
[chime]
kind = "active"
pin = 18
factory = "native"
[buttons]
acknowledge_pin = 23
"""

_FILES = {
    "proc/device-tree/model": "Raspberry Pi Zero 2 W Rev 1.0\0",
    "boot/firmware/config.txt": "# pins\ndtparam=audio=on\n[all]\ndtoverlay=w1-gpio\n",
    "proc/modules": "w1_therm 28672 0 - Live 0x0\nw1_gpio 16384 0 - Live 0x0\nwire 40960 2 w1_therm,w1_gpio,\n",
    "sys/class/hwmon/hwmon1/name": "rpi_volt\n",
    "sys/class/hwmon/hwmon1/in0_lcrit_alarm": "0\n",
    "sys/class/thermal/thermal_zone0/temp": "48312\n",
    "run/systemd/timesync/synchronized": "",
    "etc/passwd": "root:x:0:0:root:/root:/bin/sh\nsensord:x:994:990::/:/usr/sbin/nologin\n",
    "etc/group": "root:x:0:\ngpio:x:993:sensord,keeper\nsensord:x:990:keeper\n",
    "etc/sensord/sensord.toml": CONFIG,
}


class FakePi:
    """A Pi in `root` with two probes; `tree` may be told to fail."""

    def __init__(self, root: Path, probes: Iterable[FakeProbe] | None = None, bulk: bool = True) -> None:
        self.root = root
        for name, text in _FILES.items():
            self.write(name, text)
        (root / "dev").mkdir()
        (root / "dev" / "gpiochip0").touch()
        (root / "dev" / "gpiochip0").chmod(0o666)
        state = root / "var" / "lib" / "sensord"
        state.mkdir(parents=True)
        state.chmod(0o777)
        self.state = state
        quick = [
            FakeProbe(rom=AIR, celsius=lambda _s: 34.5, bits=9),
            FakeProbe(rom=PASTE, celsius=lambda _s: 21.0, bits=9),
        ]
        self.tree = FailingTree(root / "sys", SystemClock(), quick if probes is None else probes, bulk=bulk)
        for file in (root / "sys" / "devices").glob("*/therm_bulk_read"):
            file.chmod(0o666)

    def write(self, name: str, text: str) -> None:
        path = self.root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)

    def site(self, **changes: object) -> Site:
        machine = Machine(self.root)
        given: dict[str, object] = {
            "machine": machine,
            "config_path": machine.at("/etc/sensord/sensord.toml"),
            "environment": {"XDG_RUNTIME_DIR": str(self.root / "run")},
            **changes,
        }
        return Site(**given)  # type: ignore[arg-type]  # the keys are the fields' names

    def findings(self, **changes: object) -> list[CheckFinding]:
        with self.tree:
            return [finding for _, finding in check_all(self.site(**changes))]


def of(findings: list[CheckFinding], check: str) -> CheckFinding:
    """The one finding of that name."""
    (found,) = [finding for finding in findings if finding.check == check]
    return found


def bad(findings: list[CheckFinding]) -> set[str]:
    """The names of all that has to be mended."""
    return {finding.check for finding in findings if finding.state is Grade.BAD}


def worth_a_look(findings: list[CheckFinding]) -> set[str]:
    """The names of all that is worth a look."""
    return {finding.check for finding in findings if finding.state is Grade.WARN}
