"""Where the files are that travel with the package: profiles and the example config."""

from pathlib import Path

__all__ = ["shipped"]


def shipped(name: str) -> Path:
    """The path of a shipped file or folder (`profiles`, `sensord.toml`), in an installed wheel or in a checkout."""
    inside = Path(__file__).parent / "shipped" / name
    return inside if inside.exists() else Path(__file__).parent.parent / "config" / name
