"""Finds and reads profile files: the shipped ones by name, a keeper's own by path."""

import tomllib
from pathlib import Path

from sensord.care.profile import Profile, parse_profile
from sensord.config.shipping import shipped
from sensord.errors import ConfigError, unreadable

__all__ = ["load_profile", "shipped_profiles"]


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
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"{path}: not valid TOML: {error}") from error
    return parse_profile(data, path.stem, str(path))
