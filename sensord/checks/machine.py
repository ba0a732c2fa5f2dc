"""The machine that is looked at: its files under a root of one's choice, and who may do what with them.

Users and groups are read from the files under that root, so that the card of another Pi can be looked at too.
"""

import os
import stat
from dataclasses import dataclass
from pathlib import Path

__all__ = ["SERVICE_USER", "Machine", "User"]

SERVICE_USER = "sensord"


@dataclass(frozen=True, slots=True)
class User:
    """Somebody and the ids of all groups that they are in."""

    name: str
    uid: int
    groups: frozenset[int]


@dataclass(frozen=True, slots=True)
class Machine:
    """A file system tree as a Pi has it; `root` is `/` but for tests and for a card in a reader."""

    root: Path = Path("/")

    def at(self, path: Path | str) -> Path:
        """Where an absolute path lies under the root."""
        return self.root / str(path).lstrip("/")

    def text(self, path: Path | str) -> str | None:
        """What a file says, without the zero byte that device tree files end with; None where it cannot be read."""
        try:
            return self.at(path).read_text(encoding="utf-8", errors="replace").rstrip("\0\n")
        except OSError:
            return None

    @property
    def board(self) -> str | None:
        """The model of the Raspberry Pi; None on any other machine."""
        model = self.text("/proc/device-tree/model") or self.text("/sys/firmware/devicetree/base/model")
        return model if model and "Raspberry Pi" in model else None

    def daemon_user(self) -> User:
        """The user of the installed service; where there is none, whoever asks."""
        rows = [line.split(":") for line in (self.text("/etc/passwd") or "").splitlines()]
        for row in rows:
            if row[0] == SERVICE_USER and len(row) > 3 and row[2].isdigit() and row[3].isdigit():
                return User(SERVICE_USER, int(row[2]), self._groups_of(SERVICE_USER) | {int(row[3])})
        return User("you", os.geteuid(), frozenset({os.getegid(), *os.getgroups()}))

    def group(self, name: str) -> int | None:
        """The id of a group, or None."""
        return next((number for known, number, _ in self._group_rows() if known == name), None)

    def _groups_of(self, user: str) -> frozenset[int]:
        return frozenset(number for _, number, members in self._group_rows() if user in members)

    def _group_rows(self) -> list[tuple[str, int, list[str]]]:
        rows = [line.split(":") for line in (self.text("/etc/group") or "").splitlines()]
        return [(row[0], int(row[2]), row[3].split(",")) for row in rows if len(row) == 4 and row[2].isdigit()]

    def may(self, user: User, path: Path, want: int) -> bool:
        """Whether the mode bits let `user` do `want` (`os.R_OK`, `os.W_OK`, `os.X_OK`) with `path`.

        Access control lists and read-only mounts are not seen.
        """
        if user.uid == 0:
            return True
        status = path.stat()
        if status.st_uid == user.uid:
            bits = stat.S_IMODE(status.st_mode) >> 6
        elif status.st_gid in user.groups:
            bits = stat.S_IMODE(status.st_mode) >> 3
        else:
            bits = stat.S_IMODE(status.st_mode)
        return bits & want == want
