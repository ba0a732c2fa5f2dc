"""The board: power, heat, clock, disk, and whether what is seen can also be kept."""

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

from sensord.checks.site import CheckFinding, Site, bad, fine, warn
from sensord.clock import rfc3339
from sensord.errors import StorageError
from sensord.history.history_reader import HistoryReader

# The firmware slows a Pi down from 80 °C on, some models from 60 °C (makers' documentation, from memory).
_HOT_CELSIUS, _WARM_CELSIUS = 80.0, 70.0
_MEGABYTE = 1_000_000
# A year of minutes of four probes takes some 100 MB (tests/bench); below the first figure the disk may fill up soon.
_LITTLE, _TOO_LITTLE = 300 * _MEGABYTE, 50 * _MEGABYTE
_POWER = "use the maker's own supply and a short thick cable, and plug other devices elsewhere"
# Bits of get_throttled (raspberrypi firmware): under-voltage now, and since the start.
_UNDER_VOLTAGE_NOW, _UNDER_VOLTAGE_SINCE_START = 1 << 0, 1 << 16


def board(site: Site) -> Iterator[CheckFinding]:
    """Which board, is its supply strong enough, is it too warm?"""
    machine = site.machine
    if machine.board is None:
        yield warn(
            "board.model",
            "this machine is no Raspberry Pi: one-wire bus, pins and power are not looked for here",
            "run it on the Pi; `sensord demo` shows everything without one",
        )
        return
    yield fine("board.model", machine.board)
    yield _voltage(site)
    text = machine.text("/sys/class/thermal/thermal_zone0/temp")
    if text is not None and text.strip().isdigit():
        celsius = int(text) / 1000
        if celsius >= _HOT_CELSIUS:
            yield bad("board.heat", f"the Pi is at {celsius:.0f} °C and slows down", "take it out of the warm air")
        elif celsius >= _WARM_CELSIUS:
            yield warn("board.heat", f"the Pi is warm: {celsius:.0f} °C", "give it air, away from the brooder")
        else:
            yield fine("board.heat", f"the Pi is at {celsius:.0f} °C")


def _voltage(site: Site) -> CheckFinding:
    flags = site.machine.text("/sys/devices/platform/soc/soc:firmware/get_throttled")
    now, since = None, False
    if flags is not None:
        try:
            bits = int(flags, 16)
            now, since = bool(bits & _UNDER_VOLTAGE_NOW), bool(bits & _UNDER_VOLTAGE_SINCE_START)
        except ValueError:
            now = None
    alarm = _voltage_alarm(site)
    now = alarm if now is None else now or bool(alarm)
    if now is None:
        return warn("board.power", "whether the supply is strong enough cannot be seen on this kernel", _POWER)
    if now:
        return bad("board.power", "the supply is too weak right now: probes and radio fail first", _POWER)
    if since:
        return warn("board.power", "the supply was too weak at some time since the start", _POWER)
    return fine("board.power", "the supply is strong enough")


def _voltage_alarm(site: Site) -> bool | None:
    """Whether the supply's monitor says that it is too weak now; None where there is no monitor."""
    machine = site.machine
    for folder in sorted(machine.at("/sys/class/hwmon").glob("hwmon*")):
        monitor = Path("/sys/class/hwmon") / folder.name
        if machine.text(monitor / "name") == "rpi_volt":
            return machine.text(monitor / "in0_lcrit_alarm") == "1"
    return None


def wall_clock(site: Site) -> Iterator[CheckFinding]:
    """Is the wall clock set, and not before the history's last entry?"""
    synchronised = site.machine.at("/run/systemd/timesync/synchronized").exists()
    battery = site.machine.at("/dev/rtc0").exists()
    if synchronised:
        yield fine("clock.set", "the clock was set by a time service")
    elif battery or site.clock.wall_clock_trusted():
        yield fine("clock.set", "the clock is kept by a battery")
    else:
        yield warn(
            "clock.set",
            "nobody has set the clock since the start: alarms work all the same, but times in the history may be wrong",
            "check the network, and `timedatectl`: 'System clock synchronized' should say yes",
        )
    now = site.clock.utc_seconds()
    last = _last_written(site)
    if last is not None and last > now + 60:
        yield bad(
            "clock.back",
            f"it is {rfc3339(now)}, but the history goes on to {rfc3339(last)}: the clock stands too early",
            "let the time service set it (timedatectl set-ntp true)",
        )


def _last_written(site: Site) -> float | None:
    try:
        with HistoryReader(site.history, untouched=True) as reader:
            seen = reader.last_seen()
    except StorageError:
        return None
    return seen.utc_seconds if seen is not None and seen.sure else None


def disk(site: Site) -> Iterator[CheckFinding]:
    """Is there room, and may the daemon write?"""
    folder = site.state_folder
    there = _nearest(folder)
    try:
        free = shutil.disk_usage(there).free
        read_only = bool(os.statvfs(there).f_flag & os.ST_RDONLY)
    except OSError as error:
        yield bad("disk.there", f"{there} cannot be looked at: {error.strerror}", "check the card")
        return
    words = f"{free / _MEGABYTE:,.0f} MB free at {there}".replace(",", " ")
    if read_only:
        yield bad(
            "disk.writable",
            f"the disk under {there} is read-only: nothing is kept",
            "a worn card turns read-only: copy the history off, replace the card",
        )
    elif free < _TOO_LITTLE:
        yield bad("disk.space", f"only {words}", "delete what is large: sudo apt clean; journalctl --vacuum-size=50M")
    elif free < _LITTLE:
        yield warn("disk.space", f"only {words}", "sudo apt clean; sudo journalctl --vacuum-size=50M")
    else:
        yield fine("disk.space", words)
    if not folder.exists():
        yield warn("disk.folder", f"{folder} does not exist yet", "it is made by systemd/install or the first start")
        return
    if site.machine.may(site.user, folder, os.W_OK | os.X_OK):
        yield fine("disk.folder", f"{folder} can be written to by {site.user.name}")
    else:
        yield bad(
            "disk.folder",
            f"{folder} cannot be written to by {site.user.name}: no history is kept",
            f"sudo chown -R {site.user.name}: {folder}",
        )


def _nearest(path: Path) -> Path:
    while not path.exists() and path != path.parent:
        path = path.parent
    return path


def history(site: Site) -> Iterator[CheckFinding]:
    """Is the history whole, and was one ever found damaged?"""
    if not site.config.history.enabled:
        yield warn("history.kept", "the history is switched off: no morning report", "set [history] enabled = true")
        return
    path = site.history
    try:
        found = path.exists()
        aside = sorted(path.parent.glob(f"{path.name}.damaged-*")) if path.parent.is_dir() else []
    except PermissionError:
        yield warn("history.whole", f"you may not look into {path.parent}", "sudo sensord checkup")
        return
    if not found:
        yield warn("history.whole", f"no history yet at {path}", "the daemon begins one when it starts")
    else:
        try:
            with HistoryReader(path, untouched=True) as reader:
                reader.check()
                seen = reader.last_seen()
            size = path.stat().st_size / _MEGABYTE
            end = "" if seen is None or seen.orderly or site.snapshot else "; the last run was cut off, nothing is lost"
            yield fine("history.whole", f"the history is whole ({size:.1f} MB){end}")
        except StorageError as error:
            yield bad("history.whole", str(error), "the daemon sets it aside at its start and begins a new one")
    mains = [one for one in aside if not one.name.endswith(("-wal", "-shm"))]
    if mains:
        yield warn(
            "history.aside",
            f"{len(mains)} damaged history was set aside, the newest is {mains[-1].name}",
            "a card that damages files wears out: replace it; the file can be kept or deleted",
        )
