"""Where the files are that travel with the package: profiles and the example config."""

from pathlib import Path

__all__ = ["shipped"]

_PACKAGE = Path(__file__).parent.parent


def shipped(name: str) -> Path:
    """The path of a shipped file or folder (`profiles`, `sensord.toml`), in an installed wheel or in a checkout."""
    inside = _PACKAGE / "shipped" / name
    return inside if inside.exists() else _PACKAGE.parent / "config" / name
