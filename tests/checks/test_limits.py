"""Where a check changes its mind: heat, room on the disk, pins that others want, and what a running daemon says."""

import shutil
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from sensord import __version__
from sensord.checks.board_check import board, disk
from sensord.checks.bus_check import bus
from sensord.checks.checking import daemon
from sensord.checks.pin_check import wishes
from sensord.checks.site import Grade, Site
from sensord.watch.conditions import Condition
from sensord.watch.cues import Priority
from sensord.watch.views import OutputView, Snapshot
from tests.checks.fake_pi import CONFIG, FakePi
from tests.screens.invented import alarm, night


@pytest.fixture
def pi(tmp_path: Path) -> FakePi:
    return FakePi(tmp_path)


def with_daemon(pi: FakePi, snapshot: Snapshot) -> Site:
    """A Pi whose daemon runs and shows `snapshot`."""
    site = pi.site()
    site.__dict__["running"] = snapshot
    return site


@pytest.mark.parametrize(
    ("millidegrees", "grade"), [(69_999, Grade.OK), (70_000, Grade.WARN), (79_999, Grade.WARN), (80_000, Grade.BAD)]
)
def test_heat(pi: FakePi, millidegrees: int, grade: Grade) -> None:
    pi.write("sys/class/thermal/thermal_zone0/temp", f"{millidegrees}\n")
    assert [one.state for one in board(pi.site()) if one.check == "board.heat"] == [grade]


@pytest.mark.parametrize(
    ("megabytes", "grade"), [(301, Grade.OK), (299, Grade.WARN), (51, Grade.WARN), (49, Grade.BAD)]
)
def test_room_on_the_disk(pi: FakePi, monkeypatch: pytest.MonkeyPatch, megabytes: int, grade: Grade) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda _path: SimpleNamespace(free=megabytes * 1_000_000))
    assert [one.state for one in disk(pi.site()) if one.check == "disk.space"] == [grade]


@pytest.mark.parametrize(
    ("pin", "line", "clash"),
    [
        (5, "dtoverlay=w1-gpio", False),
        (7, "dtparam=spi=on", True),
        (7, "dtparam=spi=off", False),
        (7, "#dtparam=spi=on", False),
        (14, "enable_uart=1", True),
    ],
)
def test_pins_that_the_firmware_wants(pi: FakePi, pin: int, line: str, clash: bool) -> None:
    pi.write("etc/sensord/sensord.toml", CONFIG.replace("pin = 18", f"pin = {pin}"))
    pi.write("boot/firmware/config.txt", f"{line}\n")
    assert ("pins.conflict" in {one.check for one in wishes(pi.site())}) is clash


def test_the_overlays_own_pin_is_told_where_none_is_named(pi: FakePi) -> None:
    # The firmware's overlays/README: gpiopin of w1-gpio is 4 by default.
    (found,) = [one for one in bus(pi.site()) if one.check == "one-wire.overlay"]
    assert found.sentence.endswith("asks for the one-wire overlay (GPIO 4)")


def test_the_daemons_own_hold_on_its_pins_is_no_fault(pi: FakePi) -> None:
    pi.write("sys/kernel/debug/gpio", " gpio-535 (GPIO23              |sensord             ) in  hi\n")
    assert "pins.held" in {one.check for one in wishes(pi.site())}
    assert {one.check for one in wishes(with_daemon(pi, night()))} == {"pins.free"}


def test_what_a_running_daemon_says_is_taken_up(pi: FakePi) -> None:
    cold = alarm(Condition.TOO_COLD, Priority.MEDIUM)
    well = replace(night(), version=__version__)
    assert {one.check: one.state for one in daemon(with_daemon(pi, well))} == {"daemon.running": Grade.OK}
    troubled = replace(
        well,
        version="0.0.1",
        outputs=(OutputView("mqtt", False, "no broker"), OutputView("chime", True)),
        alarms=(cold, replace(cold, condition=Condition.TOO_WARM, standing=False)),
    )
    found = list(daemon(with_daemon(pi, troubled)))
    assert [(one.check, one.state) for one in found] == [
        ("daemon.version", Grade.WARN),
        ("daemon.mqtt", Grade.BAD),
        ("daemon.alarm", Grade.WARN),
    ]
    assert cold.do_first in found[-1].remedy
