"""Everything that the checks may ask about: the machine, the config if it is sound, and the daemon if it runs."""

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

from sensord.checks.machine import Machine, User
from sensord.clock import Clock, SystemClock
from sensord.config.folders import SERVICE_STATE, user_state
from sensord.config.loading import DEFAULT_PATH, load
from sensord.config.sections import Config
from sensord.control.control_client import ControlClient
from sensord.control.control_wire import client_path
from sensord.errors import ConfigError, SensordError
from sensord.history.history_writer import FILE_NAME
from sensord.watch.views import Snapshot

__all__ = ["Site"]


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
