"""The checkup on a Pi made of files: every fault is found, named and has a remedy; nothing is ever changed."""

import json
import os
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from sensord.checks.checking import CheckSection, check_all, well
from sensord.checks.probe_check import authenticity_hints
from sensord.checks.site import Grade, Machine, Site
from sensord.cli import main
from sensord.clock import SystemClock
from sensord.config.sections import HistorySection
from sensord.demo.fake_tree import FakeProbe, scratchpad_of
from sensord.history.history_file import HistoryFile
from sensord.history.history_writer import History
from sensord.readings import Reading
from sensord.watch.effects import Measured
from tests.checks.fake_pi import AIR, CONFIG, PASTE, FakePi, bad, of, worth_a_look
from tests.helpers.failing_tree import Failure
from tests.helpers.fake_clock import FakeClock


@pytest.fixture
def pi(tmp_path: Path) -> FakePi:
    return FakePi(tmp_path)


def tree_of(root: Path) -> dict[str, tuple[int, int, bytes]]:
    """Everything that a file system remembers about the files under `root`, but for what the kernel itself changes."""
    found = {}
    for path in sorted(root.rglob("*")):
        if path.is_file() and path.name not in ("w1_slave", "therm_bulk_read"):
            status = path.stat()
            found[str(path)] = (status.st_mode, status.st_mtime_ns, path.read_bytes())
    return found


def history_in(folder: Path, utc_seconds: float) -> Path:
    clock = FakeClock(0.0, utc_seconds)
    file = HistoryFile(folder, clock)
    history = History(file, HistorySection(), clock)
    history.handle(Measured(Reading("air", 0.0, 34.5), 0.5))
    history.close()
    return file.path


def test_a_pi_in_order_has_nothing_to_mend_and_is_left_as_it_was(pi: FakePi) -> None:
    history_in(pi.state, SystemClock().utc_seconds() - 60)
    before = tree_of(pi.root)
    findings = pi.findings()
    assert not bad(findings)
    assert worth_a_look(findings) == {"daemon.running"}
    assert tree_of(pi.root) == before
    assert of(findings, "board.model").sentence == "Raspberry Pi Zero 2 W Rev 1.0"
    assert "all probes of w1_bus_master1 at once works" in of(findings, "bulk.works").sentence


Change = Callable[[FakePi], object]

FAULTS: list[tuple[str, Change, str, Grade]] = [
    (
        "no overlay",
        lambda pi: pi.write("boot/firmware/config.txt", "#dtoverlay=w1-gpio\n"),
        "one-wire.overlay",
        Grade.BAD,
    ),
    ("no modules", lambda pi: pi.write("proc/modules", "snd 1 0 - Live 0x0\n"), "one-wire.modules", Grade.BAD),
    ("noise", lambda pi: (pi.tree.root / "00-800000000000").mkdir(), "one-wire.pull-up", Grade.BAD),
    ("a switch", lambda pi: (pi.tree.root / "29-000000000001").mkdir(), "one-wire.stranger", Grade.WARN),
    ("unplugged", lambda pi: pi.tree.fail(PASTE, Failure.VANISHED), "one-wire.missing", Grade.BAD),
    ("shorted", lambda pi: pi.tree.fail(AIR, Failure.SHORTED), "probe.reading", Grade.BAD),
    ("no supply", lambda pi: pi.tree.fail(AIR, Failure.NO_POWER), "probe.reading", Grade.BAD),
    ("silent", lambda pi: pi.tree.fail(AIR, Failure.EMPTY), "probe.reading", Grade.BAD),
    ("damaged", lambda pi: pi.tree.fail(AIR, Failure.CRC_MISMATCH), "probe.reading", Grade.BAD),
    ("weak supply", lambda pi: pi.write("sys/class/hwmon/hwmon1/in0_lcrit_alarm", "1\n"), "board.power", Grade.BAD),
    (
        "weak supply once",
        lambda pi: pi.write("sys/devices/platform/soc/soc:firmware/get_throttled", "10000\n"),
        "board.power",
        Grade.WARN,
    ),
    ("hot", lambda pi: pi.write("sys/class/thermal/thermal_zone0/temp", "82000\n"), "board.heat", Grade.BAD),
    ("no time", lambda pi: (pi.root / "run/systemd/timesync/synchronized").unlink(), "clock.set", Grade.WARN),
    (
        "a clash",
        lambda pi: pi.write("boot/firmware/config.txt", "dtoverlay=w1-gpio,gpiopin=18\n"),
        "pins.conflict",
        Grade.BAD,
    ),
    (
        "a holder",
        lambda pi: pi.write("sys/kernel/debug/gpio", " gpio-535 (GPIO23              |fan                 ) in  hi\n"),
        "pins.held",
        Grade.BAD,
    ),
    ("no chip", lambda pi: (pi.root / "dev/gpiochip0").unlink(), "pins.chip", Grade.BAD),
    ("chip of root", lambda pi: (pi.root / "dev/gpiochip0").chmod(0o600), "pins.chip", Grade.BAD),
    (
        "bulk file of root",
        lambda pi: (pi.root / "sys/devices/w1_bus_master1/therm_bulk_read").chmod(0o644),
        "bulk.file",
        Grade.WARN,
    ),
    ("state of root", lambda pi: pi.state.chmod(0o700), "disk.folder", Grade.BAD),
    (
        "damaged history",
        lambda pi: (pi.state / "history.db").write_bytes(b"no database" * 99),
        "history.whole",
        Grade.BAD,
    ),
    ("an old one", lambda pi: (pi.state / "history.db.damaged-x").touch(), "history.aside", Grade.WARN),
    ("typo", lambda pi: pi.write("etc/sensord/sensord.toml", CONFIG + "colour = 1\n"), "config.file", Grade.BAD),
    ("no config", lambda pi: (pi.root / "etc/sensord/sensord.toml").unlink(), "config.file", Grade.BAD),
    ("no places", lambda pi: pi.write("etc/sensord/sensord.toml", "[unit]\n"), "config.places", Grade.BAD),
]


@pytest.mark.parametrize(("name", "change", "check", "state"), FAULTS, ids=[row[0] for row in FAULTS])
def test_each_fault_is_found_with_a_remedy(pi: FakePi, name: str, change: Change, check: str, state: Grade) -> None:
    change(pi)
    found = [finding for finding in pi.findings() if finding.check == check and finding.state is state]
    assert found, name
    assert all(finding.remedy for finding in found)


def test_a_probe_without_its_supply_wire_is_told_what_127_degrees_mean(pi: FakePi) -> None:
    pi.tree.fail(AIR, Failure.NO_POWER)
    found = [f for f in pi.findings() if f.check == "probe.reading" and f.state is Grade.BAD]
    assert "127.94" in found[0].sentence
    assert "supply wire" in found[0].remedy


def test_a_probe_that_lives_on_the_data_wire_is_pointed_out(tmp_path: Path) -> None:
    pi = FakePi(tmp_path, [FakeProbe(rom=AIR, celsius=lambda _s: 34.5, powered=False)])
    assert "probe.parasite" in worth_a_look(pi.findings())


def test_a_hanging_bus_ends_the_wait_and_not_the_checkup(pi: FakePi, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sensord.checks.probe_check._DEADLINE_SECONDS", 1.5)
    pi.tree.fail(AIR, Failure.HANGING)
    findings = pi.findings()
    assert any("the bus hangs" in finding.sentence for finding in findings)
    assert "daemon.running" in worth_a_look(findings)


@pytest.mark.parametrize(
    ("rom", "scratchpad", "hints"),
    [
        # Scratchpads from data sheet and kernel driver: 25.0625 °C, byte 6 = 10h - low nibble of byte 0 when genuine.
        ("28-00000bbb9b13", scratchpad_of(25.0625), 0),
        ("28-0119135bcaff", scratchpad_of(25.0625), 1),  # family B of the study: another serial
        ("28-00000bbb9b13", scratchpad_of(25.0625, remainder=0x0C), 1),  # byte 6 constant
        ("28-6eb1d445f8dc", bytes([0x91, 0x01, 0x55, 0x00, 0x7F, 0x7E, 0x81, 0x66, 0x00]), 3),  # family D2
        ("22-0119135bcaff", scratchpad_of(25.0625, remainder=0x0C), 0),  # another chip has other habits
    ],
)
def test_clones_are_known_by_the_signs_of_the_counterfeit_study(rom: str, scratchpad: bytes, hints: int) -> None:
    assert len(authenticity_hints(rom, scratchpad, 12)) == hints


def test_a_clock_that_stands_before_the_history_is_bad(pi: FakePi) -> None:
    history_in(pi.state, 4_000_000_000.0)
    found = of(pi.findings(), "clock.back")
    assert "2096-10-02" in found.sentence


def test_a_history_that_was_cut_off_is_looked_at_and_left_as_it_is(pi: FakePi) -> None:
    path = history_in(pi.state, 1_700_000_000.0)
    with sqlite3.connect(path) as connection:  # never closed: the log beside the file stays, as after a kill
        connection.execute("UPDATE run SET stopped_ms = NULL")
        connection.commit()
        before = tree_of(pi.state)
        assert "cut off, nothing is lost" in of(pi.findings(), "history.whole").sentence
        assert {name: whole for name, whole in tree_of(pi.state).items() if not name.endswith("-shm")} == {
            name: whole for name, whole in before.items() if not name.endswith("-shm")
        }
    connection.close()


def test_a_laptop_is_told_kindly(tmp_path: Path) -> None:
    findings = [
        f for _, f in check_all(Site(machine=Machine(tmp_path), config_path=tmp_path / "none.toml", environment={}))
    ]
    assert "no one-wire bus here" in of(findings, "one-wire.bus").sentence
    assert "nothing to mend" in of(findings, "one-wire.bus").remedy


def test_a_check_that_stumbles_hides_no_other(pi: FakePi) -> None:
    def stumbles(_site: Site) -> list[object]:
        raise ZeroDivisionError("by accident")

    sections = [CheckSection("One", (stumbles,)), CheckSection("Two", (lambda _site: iter(()),))]  # type: ignore[arg-type]
    ((title, finding),) = check_all(pi.site(), sections)
    assert title == "One"
    assert "ZeroDivisionError: by accident" in finding.sentence
    assert not well([finding])


def test_the_command_tells_people_and_programs_the_same(pi: FakePi, capsys: pytest.CaptureFixture[str]) -> None:
    (pi.root / "dev/gpiochip0").chmod(0o600)
    with pi.tree:
        assert main(["checkup", "--root", str(pi.root), "--json"]) == 1
        told = json.loads(capsys.readouterr().out)
        assert main(["checkup", "--root", str(pi.root)]) == 1
    plain = " ".join(capsys.readouterr().out.split())
    assert told["well"] is False
    for row in told["findings"]:
        assert " ".join(row["sentence"].split()) in plain or "free at" in row["sentence"]
    assert "1 thing has to be mended" in plain
    assert {"section", "check", "state", "sentence", "remedy"} == set(told["findings"][0])


def test_usage_errors_are_met_with_a_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["checkup", "--root", str(tmp_path / "none")]) == 2
    assert "is no folder" in capsys.readouterr().err
    assert main(["checkup", "--json", "--ask"]) == 2
    assert "needs a terminal" in capsys.readouterr().err


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give up being root")
def test_the_modes_of_files_count_for_the_daemons_user_and_not_for_root(pi: FakePi) -> None:
    user = pi.site().user
    assert (user.name, user.uid, user.groups) == ("sensord", 994, frozenset({990, 993}))
    chip = pi.root / "dev/gpiochip0"
    chip.chmod(0o660)
    os.chown(chip, 0, 993)
    assert Machine(pi.root).may(user, chip, os.R_OK | os.W_OK)
    os.chown(chip, 0, 0)
    assert not Machine(pi.root).may(user, chip, os.R_OK)
