"""The config: sections, what refuses them, and the settings that everything else is handed."""

from pathlib import Path
from typing import Final

DEFAULT_PATH: Final = Path("/etc/sensord/sensord.toml")
