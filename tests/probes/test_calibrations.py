"""The file of calibrations: an old one is still read, a damaged or odd one keeps nobody from watching."""

import json
import os
import threading
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import pytest

from sensord.config.loading import parse
from sensord.errors import StorageError
from sensord.probes.calibrations import (
    FILE_NAME,
    Record,
    calibrated_settings,
    keep_record,
    past_records,
)
from tests.helpers.fake_clock import FakeClock

ROM = "28-0000072431ab"
CONFIG = parse(f'[probes.paste]\nrom = "{ROM}"\nplace = "dish"\nuncertainty_celsius = 0.1\n', "sensord.toml")
KEPT = Record.model_validate(
    {
        "rom": ROM,
        "probe": 'the "old" one \\ \x7f',
        "kind": "ice",
        "taken": "2026-01-02T03:04:05Z",
        "due": "2026-07-03",
        "offset_celsius": -0.25,
        "gain": 1.0,
        "expanded_uncertainty_celsius": 0.35,
        "points": [{"reading_celsius": 0.25, "true_celsius": 0.0, "u_celsius": 0.11}],
    }
)
OF_EARLIER_VERSIONS = f"""# Written by `sensord calibrate`, newest last. To undo a calibration, take its [[record]] out.

[[record]]
rom = "{ROM}"
probe = "paste"
kind = "ice"
taken = 2026-01-01T00:00:00+00:00
due = 2026-07-02
offset_celsius = -0.5
gain = 1.0
points = [{{ reading_celsius = 0.5, true_celsius = 0.0, u_celsius = 0.11 }}]
"""


def pipe(file: Path) -> None:
    os.mkfifo(file)


def text(content: str) -> Callable[[Path], object]:
    return lambda file: file.write_text(content, encoding="utf-8")


NESTED = "[" * 1000 + "]" * 1000
LONG = "9" * 5000


@pytest.mark.parametrize(
    ("name", "made"),
    [
        (FILE_NAME, text(f'{{"rom": {NESTED}}}\n')),
        (FILE_NAME, text(f'{{"offset_celsius": {LONG}}}\n')),
        (FILE_NAME, text('{"rom": "28-0000072431ab", "offset_celsius": 1e999}\n')),
        (FILE_NAME, text("\x00\x00\x00")),
        (FILE_NAME, lambda file: file.write_bytes(b"\xff\xfe{}")),
        (FILE_NAME, lambda file: os.truncate(os.open(file, os.O_CREAT | os.O_RDWR), 1 << 40)),
        (FILE_NAME, pipe),
        (FILE_NAME, lambda file: file.mkdir()),
        (FILE_NAME, lambda file: file.symlink_to("/dev/zero")),
        (FILE_NAME, lambda file: file.symlink_to(file)),
        ("calibrations.toml", text(f"x = {NESTED}\n")),
        ("calibrations.toml", text(f"x = {LONG}\n")),
        ("calibrations.toml", text("[[record]]\nrom = 5\n")),
        ("calibrations.toml", pipe),
    ],
)
def test_a_damaged_or_odd_file_is_set_aside_and_told_and_the_watch_starts(
    name: str, made: Callable[[Path], object], tmp_path: Path
) -> None:
    made(tmp_path / name)
    with pytest.raises(StorageError, match=name.replace(".", r"\.")):
        past_records(tmp_path)
    found = []
    thread = threading.Thread(
        target=lambda: found.append(calibrated_settings(CONFIG, tmp_path, FakeClock())), daemon=True
    )
    thread.start()
    thread.join(timeout=60.0)
    ((settings, told),) = found
    assert settings.probes["paste"].calibration.uncertainty_celsius == 0.5
    assert str(tmp_path / name) in told
    assert f"{name}.damaged-1" in told
    assert [path.name for path in tmp_path.iterdir()] == [f"{name}.damaged-1"]

    # It is told at each start, and nothing is trusted that leaned on it, until something is kept anew.
    again, told = calibrated_settings(CONFIG, tmp_path, FakeClock())
    assert again == settings
    assert f"{name}.damaged-1" in told
    keep_record(tmp_path, KEPT)
    well, told = calibrated_settings(CONFIG, tmp_path, FakeClock())
    assert (well.probes["paste"].calibration.offset_celsius, told) == (-0.25, "")


def test_without_damage_the_config_s_own_word_for_a_probe_holds(tmp_path: Path) -> None:
    settings, told = calibrated_settings(CONFIG, tmp_path, FakeClock())
    assert (settings.probes["paste"].calibration.uncertainty_celsius, told) == (0.1, "")


@pytest.mark.parametrize(
    ("day", "words"), [("2026-07-03", "due 2026-07-03"), ("2026-07-04", "overdue since 2026-07-03")]
)
def test_a_calibration_holds_to_the_end_of_the_day_on_which_it_is_due(day: str, words: str, tmp_path: Path) -> None:
    keep_record(tmp_path, KEPT)
    clock = FakeClock(utc_seconds=datetime.fromisoformat(f"{day}T23:59:00+00:00").timestamp())
    assert calibrated_settings(CONFIG, tmp_path, clock)[0].probes["paste"].calibrated == f"ice, 2026-01-02, {words}"


def test_a_damaged_file_set_aside_takes_no_other_ones_place(tmp_path: Path) -> None:
    (tmp_path / f"{FILE_NAME}.damaged-1").write_text("the first", encoding="utf-8")
    (tmp_path / FILE_NAME).write_text("the second", encoding="utf-8")
    calibrated_settings(CONFIG, tmp_path, FakeClock())
    assert (tmp_path / f"{FILE_NAME}.damaged-1").read_text(encoding="utf-8") == "the first"
    assert (tmp_path / f"{FILE_NAME}.damaged-2").read_text(encoding="utf-8") == "the second"


def test_what_is_kept_is_read_again_after_what_an_earlier_version_kept(tmp_path: Path) -> None:
    (tmp_path / "calibrations.toml").write_text(OF_EARLIER_VERSIONS, encoding="utf-8")
    assert calibrated_settings(CONFIG, tmp_path, FakeClock())[0].probes["paste"].calibration.offset_celsius == -0.5
    file = keep_record(tmp_path, KEPT)
    assert past_records(tmp_path)[1:] == (KEPT,)
    assert calibrated_settings(CONFIG, tmp_path, FakeClock())[0].probes["paste"].calibration.offset_celsius == -0.25
    assert json.loads(file.read_text(encoding="utf-8"))["kind"] == "ice"
    assert (tmp_path / "calibrations.toml").read_text(encoding="utf-8") == OF_EARLIER_VERSIONS


def test_a_link_in_the_place_of_the_new_file_is_not_followed(tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.write_text("untouched", encoding="utf-8")
    (tmp_path / f"{FILE_NAME}.new").symlink_to(victim)
    keep_record(tmp_path, KEPT)
    assert victim.read_text(encoding="utf-8") == "untouched"
    assert past_records(tmp_path) == (KEPT,)


def test_after_damage_each_probe_counts_as_bought_until_it_is_calibrated_itself(tmp_path: Path) -> None:
    three = parse(
        "".join(
            f'[probes.{name}]\nrom = "{rom}"\nplace = "dish"\nuncertainty_celsius = 0.1\n{more}\n'
            for name, rom, more in (
                ("paste", ROM, ""),
                ("other", "28-0000000000aa", ""),
                ("own", "28-0000000000bb", "offset_celsius = 0.2"),
            )
        ),
        "sensord.toml",
    )
    (tmp_path / FILE_NAME).write_text("damaged", encoding="utf-8")
    for kept, bought in ((False, ["paste", "other"]), (True, ["other"])):
        if kept:
            keep_record(tmp_path, KEPT)
        settings, told = calibrated_settings(three, tmp_path, FakeClock())
        found = [name for name, each in settings.probes.items() if each.calibration.uncertainty_celsius == 0.5]
        assert found == bought
        assert f"{', '.join(bought)} count" in told


@pytest.mark.skipif(os.geteuid() != 0, reason="giving files to another user needs root")
def test_what_root_keeps_belongs_to_whoever_owns_the_folder(tmp_path: Path) -> None:
    os.chown(tmp_path, 65534, 65534)
    file = keep_record(tmp_path, KEPT)
    assert (file.stat().st_uid, file.stat().st_gid, file.stat().st_mode & 0o777) == (65534, 65534, 0o640)


def test_a_file_that_this_user_may_not_read_is_told_and_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = keep_record(tmp_path, KEPT)
    real = os.open

    def refused(path: Path, flags: int, *more: int) -> int:
        if Path(path) == file:
            raise PermissionError(13, "Permission denied", str(path))
        return real(path, flags, *more)

    monkeypatch.setattr(os, "open", refused)  # root may read everything
    settings, told = calibrated_settings(CONFIG, tmp_path, FakeClock())
    assert settings.probes["paste"].calibration.uncertainty_celsius == 0.5
    assert "cannot be read by this user" in told
    assert [path.name for path in tmp_path.iterdir()] == [FILE_NAME]
