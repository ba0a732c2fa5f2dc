"""Where files are: what travels with the package, profiles, what a daemon keeps, and commands beside it look for."""

import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from sensord.care.profile import Profile, parse_profile
from sensord.config.sections import Config
from sensord.errors import ConfigError, unreadable

_PACKAGE = Path(__file__).parent.parent

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


def shipped(name: str) -> Path:
    """The path of a shipped file or folder (`profiles`, `sensord.toml`), in an installed wheel or in a checkout."""
    inside = _PACKAGE / "shipped" / name
    return inside if inside.exists() else _PACKAGE.parent / "config" / name


def shipped_profiles() -> tuple[str, ...]:
    """The names of the profiles that travel with the package."""
    return tuple(sorted(path.stem for path in shipped("profiles").glob("*.toml")))


def load_profile(name: str, beside: Path | None = None) -> Profile:
    """The profile of a name, or of a path ending in `.toml` (relative to the folder `beside`).

    Raises `ConfigError` naming the file and the remedy.
    """
    if name.endswith(".toml"):
        path = (beside or Path()) / name
    elif name in shipped_profiles():
        path = shipped("profiles") / f"{name}.toml"
    else:
        known = ", ".join(shipped_profiles())
        raise ConfigError(f"there is no profile '{name}': use one of {known}, or the path of your own .toml file")
    try:
        with path.open("rb") as file:
            data = tomllib.load(file)
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(f"{path}: {unreadable(error)}; check the path in 'profile'") from error
    except (ValueError, RecursionError) as error:
        raise ConfigError(f"{path}: not valid TOML: {error}") from error
    return parse_profile(data, path.stem, str(path))
