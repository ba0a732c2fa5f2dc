"""Disk, state folder, history: can what is seen also be kept?"""

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

from sensord.checks.findings import Finding, bad, fine, warn
from sensord.checks.site import Site
from sensord.errors import StorageError
from sensord.history.history_reader import HistoryReader

__all__ = ["disk", "history"]

_MEGABYTE = 1_000_000
# A year of minutes of four probes takes some 100 MB (tests/bench); below the first figure the disk may fill up soon.
_LITTLE, _TOO_LITTLE = 300 * _MEGABYTE, 50 * _MEGABYTE


def disk(site: Site) -> Iterator[Finding]:
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


def history(site: Site) -> Iterator[Finding]:
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
