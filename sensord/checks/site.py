"""Everything that the checks may ask about, and what a check finds.

The machine, with its files under a root of one's choice and who may do what with them (users and groups are read from
the files under that root, so that the card of another Pi can be looked at too); the config if it is sound; the daemon
if it runs.
"""

import os
import stat
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum, unique
from functools import cached_property
from pathlib import Path

from sensord.clock import Clock, SystemClock
from sensord.config import DEFAULT_PATH
from sensord.config.folders import SERVICE_STATE, user_state
from sensord.config.loading import load
from sensord.config.sections import Config
from sensord.control.control_client import ControlClient
from sensord.control.control_wire import client_path
from sensord.errors import ConfigError, SensordError
from sensord.history.history_file import FILE_NAME
from sensord.watch.views import Snapshot

SERVICE_USER = "sensord"


@unique
class Grade(StrEnum):
    """`warn` is worth a look and may stay; `bad` has to be mended before the watch can be relied on."""

    OK = "ok"
    WARN = "warn"
    BAD = "bad"


@dataclass(frozen=True, slots=True)
class CheckFinding:
    """One thing looked at. `check` names it for programs and stays the same over versions; `remedy` is empty if ok."""

    check: str
    state: Grade
    sentence: str
    remedy: str = ""


def fine(check: str, sentence: str) -> CheckFinding:
    """All is well here."""
    return CheckFinding(check, Grade.OK, sentence)


def warn(check: str, sentence: str, remedy: str) -> CheckFinding:
    """Worth a look."""
    return CheckFinding(check, Grade.WARN, sentence, remedy)


def bad(check: str, sentence: str, remedy: str) -> CheckFinding:
    """Has to be mended."""
    return CheckFinding(check, Grade.BAD, sentence, remedy)


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


@dataclass(frozen=True, kw_only=True)
class Site:
    """What is looked at. Without a config file (or with a broken one) the checks go by the defaults."""

    machine: Machine = field(default_factory=Machine)
    config_path: Path = DEFAULT_PATH
    one_wire: Path | None = None
    """Another one-wire tree than the config's."""
    clock: Clock = field(default_factory=SystemClock)
    environment: Mapping[str, str] = field(default_factory=lambda: os.environ)

    @cached_property
    def _loaded(self) -> Config | ConfigError:
        try:
            return load(self.config_path)
        except ConfigError as error:
            return error

    @property
    def config(self) -> Config:
        return self._loaded if isinstance(self._loaded, Config) else Config()

    @property
    def config_trouble(self) -> ConfigError | None:
        return self._loaded if isinstance(self._loaded, ConfigError) else None

    @cached_property
    def user(self) -> User:
        return self.machine.daemon_user()

    @property
    def one_wire_root(self) -> Path:
        return self.one_wire or self.machine.at(self.config.one_wire.root)

    @property
    def state_folder(self) -> Path:
        """Where the history is kept: by the config, else the service's, else the user's own."""
        if self.config.unit.state_folder is not None:
            return self.machine.at(self.config.unit.state_folder)
        installed = self.machine.at(SERVICE_STATE)
        if installed.is_dir():
            return installed
        return user_state(self.environment)

    @property
    def history(self) -> Path:
        return self.state_folder / FILE_NAME

    @cached_property
    def running(self) -> Snapshot | SensordError:
        """What the daemon sees, or why it cannot be asked."""
        try:
            with ControlClient(self.config.unit.socket or client_path(self.environment)) as client:
                return client.snapshot()
        except SensordError as error:
            return error

    @property
    def snapshot(self) -> Snapshot | None:
        return self.running if isinstance(self.running, Snapshot) else None
