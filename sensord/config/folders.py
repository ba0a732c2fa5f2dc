"""Where a daemon keeps its things, and where a command beside it finds them."""

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from sensord.config.sections import Config

__all__ = ["SERVICE_STATE", "Places", "state_beside", "user_state"]

SERVICE_STATE = Path("/var/lib/sensord")
"""The state folder of the installed service (`StateDirectory=` of its unit)."""


@dataclass(frozen=True, slots=True)
class Places:
    """The folder of history and other lasting files, and the control socket."""

    state: Path
    socket: Path

    @classmethod
    def of(cls, config: Config, socket: Path, environment: Mapping[str, str] = os.environ) -> "Places":
        """The config's own, else what systemd hands out (`$STATE_DIRECTORY`), else the user's state folder."""
        given = environment.get("STATE_DIRECTORY")
        state = config.unit.state_folder or (Path(given) if given else user_state(environment))
        return cls(state, config.unit.socket or socket)


def user_state(environment: Mapping[str, str]) -> Path:
    """The state folder of a daemon that a user started by hand (XDG Base Directory Specification 0.8)."""
    return Path(environment.get("XDG_STATE_HOME") or Path.home() / ".local" / "state") / "sensord"


def state_beside(config: Config, holding: str = "", environment: Mapping[str, str] = os.environ) -> Path:
    """Where a command looks for the daemon's lasting files.

    As the daemon would, but the installed service's folder comes before the user's own, where it is there (and has the
    file `holding`).
    """
    said = config.unit.state_folder is not None or "STATE_DIRECTORY" in environment
    if not said and (SERVICE_STATE / holding).exists():
        return SERVICE_STATE
    return Places.of(config, Path(), environment).state
