"""The state folder: nothing odd in it stops a start, and what the daemon makes there is its user's and its group's."""

import os
import shutil
import signal
from pathlib import Path

import pytest

from sensord.probes.calibrations import FILE_NAME as CALIBRATIONS
from tests.helpers.daemon_house import House
from tests.mqtt.mosquitto import until

NOBODY = 9
"""A port where no broker listens: its outbox is made all the same."""


def watches(house: House) -> None:
    until(lambda: "34.5 °C" in house.ask("watch", "--once").stdout, 20, "the first reading")


@pytest.fixture(scope="module")
def usual(tmp_path_factory: pytest.TempPathFactory) -> dict[str, int]:
    """Every file that a daemon makes in its state folder, with its rights."""
    with House(tmp_path_factory.mktemp("usual"), NOBODY) as house:
        house.run()
        watches(house)
        until(lambda: (house.state / "history.db-wal").exists(), 40, "the history")
        found = {path.name: path.stat().st_mode & 0o777 for path in house.state.iterdir()}
        found["."] = house.state.stat().st_mode & 0o777
    return found


def test_what_a_daemon_started_by_hand_keeps_is_for_its_user_and_group(usual: dict[str, int]) -> None:
    assert usual.pop(".") == 0o750
    assert {"history.db", "history.db.lock", "history.db-wal"} <= set(usual)
    assert {name: oct(mode) for name, mode in usual.items() if mode & 0o137} == {}


@pytest.mark.parametrize("odd", ["pipe", "folder", "device", "noise", "nothing"])
def test_a_state_folder_full_of_odd_files_stops_no_start(tmp_path: Path, odd: str, usual: dict[str, int]) -> None:
    with House(tmp_path, NOBODY) as house:
        house.state.mkdir()
        for name in {*usual, CALIBRATIONS, f"{CALIBRATIONS}.new"} - {"."}:
            path = house.state / name
            if odd == "pipe":
                os.mkfifo(path)
            elif odd == "folder":
                path.mkdir()
            elif odd == "device":
                path.symlink_to("/dev/full")
            else:
                path.write_bytes(os.urandom(9000) if odd == "noise" else b"")
        process = house.run()
        watches(house)
        house.air = 30.0
        until(lambda: "cold" in house.ask("watch", "--once").stdout, 20, "an alarm")
        process.send_signal(signal.SIGTERM)
        _, log = process.communicate(timeout=30)
    assert process.returncode == 0, log
    assert "Traceback" not in log
    if odd != "nothing":
        assert "set aside" in log


def test_a_state_folder_that_vanishes_under_the_daemon_is_made_anew(tmp_path: Path) -> None:
    with House(tmp_path) as house:
        process = house.run()
        watches(house)
        assert house.ask("chick", "pip").returncode == 0
        shutil.rmtree(house.state)
        refused = house.ask("weigh", "pip", "45.2")
        assert (refused.returncode, "there is no chick 'pip'" in refused.stdout) == (1, True)
        assert house.ask("chick", "pip").returncode == 0
        assert (house.state / "history.db").exists()
        process.terminate()
        _, log = process.communicate(timeout=30)
    assert "was moved, removed or changed by somebody else" in log
    assert "Traceback" not in log
