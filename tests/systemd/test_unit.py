"""The unit file by systemd's own judgement, and what no tool of systemd can know of it."""

import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from sensord.run.daemon import CLOSING_SECONDS

TOP = Path(__file__).parents[2]
FOLDER = TOP / "systemd"
UNIT = FOLDER / "sensord.service"


@pytest.fixture(autouse=True)
def _systemd() -> None:
    if shutil.which("systemd-analyze") is None:
        if os.environ.get("CI") == "true":
            pytest.fail("systemd-analyze is not installed, and CI is true")
        pytest.skip("systemd-analyze is not installed")


def verified(text: str, folder: Path) -> str:
    """What `systemd-analyze verify` says of a unit whose program exists."""
    path = folder / "sensord.service"
    path.write_text(text.replace("/opt/sensord/bin/sensord", shutil.which("true") or "/bin/true"))
    done = subprocess.run(["systemd-analyze", "verify", path], capture_output=True, text=True, check=False)
    return done.stderr if done.returncode == 0 else f"{done.returncode}: {done.stderr}"


def test_the_unit_verifies_without_a_word_and_a_slip_would_be_seen(tmp_path: Path) -> None:
    assert verified(UNIT.read_text(), tmp_path) == ""
    assert "Restarts" in verified(UNIT.read_text().replace("Restart=always", "Restarts=always"), tmp_path)


def test_the_exposure_is_at_most_one_and_a_half() -> None:
    command = ["systemd-analyze", "security", "--offline=true", "--threshold=15", "--no-pager", str(UNIT)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-300:]


def test_what_pins_and_probes_need_stays_open() -> None:
    lines = UNIT.read_text().splitlines()
    # The pin library reads /proc/device-tree (gpiozero/pins/local.py, get_pi_revision); with ProcSubset=pid it is gone.
    assert "ProcSubset=pid" not in lines
    # It would hide /dev/gpiochip0 in spite of DeviceAllow (systemd.exec(5)).
    assert "PrivateDevices=yes" not in lines
    assert "DeviceAllow=char-gpiochip rw" in lines
    assert any(line.startswith("ReadWritePaths=-/sys/devices/w1_bus_master1") for line in lines)


def test_a_stopped_watch_is_tried_again_for_ever() -> None:
    lines = UNIT.read_text().splitlines()
    assert {"Restart=always", "StartLimitIntervalSec=0", "Type=notify", "NotifyAccess=main"} <= set(lines)
    assert not [line for line in lines if line.startswith("After=") and ("network" in line or "time" in line)]


def test_a_daemon_that_leaks_is_ended_before_the_pi_is_full_and_one_that_does_not_is_left_alone() -> None:
    limits = dict(
        line.split("=", 1) for line in UNIT.read_text().splitlines() if line[:9] in ("MemoryMax", "TasksMax=")
    )
    # Not ru_maxrss: that begins with what the test's own process had when it made this one.
    asked = "import sensord.run.service, sensord.mqtt.publishing; print(open('/proc/self/status').read())"
    done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True, cwd=TOP)
    (peak,) = re.findall(r"VmHWM:\s+(\d+) kB", done.stdout)
    needed, most = int(peak) / 1024, int(limits["MemoryMax"].removesuffix("M"))
    assert 3 * needed < most <= 512 / 2, "a Pi Zero 2 W has 512 MB"
    assert int(limits["TasksMax"]) >= 2 * 17, "seventeen threads in the soak of docs/appliance.md"


def test_systemd_waits_longer_than_the_daemon_needs_for_an_orderly_end() -> None:
    """Up to 2 s for each of two buses that hang (`ProbeReader.close`), then the outputs, then the interpreter's end."""
    (line,) = [line for line in UNIT.read_text().splitlines() if line.startswith("TimeoutStopSec=")]
    assert float(line.partition("=")[2]) >= 2 * 2.0 + CLOSING_SECONDS + 5.0


@pytest.mark.parametrize("name", ["install", "uninstall"])
def test_the_scripts_are_sound_shell_and_explain_themselves(name: str) -> None:
    script = FOLDER / name
    assert os.access(script, os.X_OK)
    assert subprocess.run(["sh", "-n", script], check=False).returncode == 0
    told = subprocess.run(["sh", script, "--help"], capture_output=True, text=True, check=True).stdout
    assert "--yes" in told
    assert "set -eu" not in told
    wrong = subprocess.run(["sh", script, "--fast"], capture_output=True, text=True, check=False)
    assert (wrong.returncode, "--fast: no such option" in wrong.stderr) == (2, True)


def test_installer_and_unit_agree_on_every_path() -> None:
    install, unit = (FOLDER / "install").read_text(), UNIT.read_text()
    for path in ("/opt/sensord", "/etc/sensord/sensord.toml", "/etc/sensord/mqtt-password"):
        assert path in install
        assert path in unit


def _pinned(name: str) -> dict[str, list[str]]:
    """Versions with their hashes, as pip reads them from a file of requirements."""
    text = (FOLDER / name).read_text().replace("\\\n", " ")
    lines = [line.split() for line in text.splitlines() if line and not line.startswith("#")]
    return {requirement: hashes for requirement, *hashes in lines}


@pytest.mark.parametrize(
    ("name", "table"),
    [
        ("requirements.txt", "project.dependencies"),
        ("requirements-build.txt", "build-system.requires"),
        ("requirements-pins.txt", "project.optional-dependencies.pi"),
    ],
)
def test_the_installer_takes_exact_versions_by_their_hashes_and_no_others(name: str, table: str) -> None:
    pinned = {}
    for requirement, hashes in _pinned(name).items():
        package, _, version = requirement.partition("==")
        pinned[canonicalize_name(package)] = version
        assert hashes, f"{requirement} has no hash"
        assert all(re.fullmatch("--hash=sha256:[0-9a-f]{64}", one) for one in hashes)
    wanted = tomllib.loads((TOP / "pyproject.toml").read_text())
    for key in table.split("."):
        wanted = wanted[key]
    for line in wanted:
        dependency = Requirement(str(line))
        assert dependency.specifier.contains(pinned[canonicalize_name(dependency.name)]), line
        assert any(part.operator == "<" for part in dependency.specifier), f"{line}: a major version may break it"
    pips = re.findall(r"^\s*(?:pip install|/opt/sensord/bin/python -m pip).*$", (FOLDER / "install").read_text(), re.M)
    assert all("--require-hashes" in line or "--no-index" in line for line in pips)
    assert pips


def test_root_follows_no_link_that_the_service_s_user_may_have_put_into_its_folder(tmp_path: Path) -> None:
    if os.geteuid() != 0:
        pytest.skip("giving files to another user needs root")
    for script in ("install", "uninstall"):
        text = (FOLDER / script).read_text()
        assert "chown -R" not in text
        assert not re.search(r"install [^\n]*\$state/", text), "root reads and writes nothing in the state folder"
    secret, state = tmp_path / "shadow", tmp_path / "state"
    secret.write_text("root only")
    (state / "inner").mkdir(parents=True)
    (state / "history.db").write_text("rows")
    (state / "inner" / "link").symlink_to(secret)
    os.link(secret, state / "hard")
    (line,) = re.findall(r"find -P .*", (FOLDER / "uninstall").read_text())
    command = line.replace('"$state"', str(state)).replace("root:root", "65534:65534")
    subprocess.run(["sh", "-c", command], check=True)
    assert (state / "history.db").stat().st_uid == 65534
    assert secret.stat().st_uid == 0
