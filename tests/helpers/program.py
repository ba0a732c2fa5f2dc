"""The program as another process, from this checkout: `[*SENSORD, "run", ...]`, started in `ROOT`."""

import sys
from pathlib import Path

__all__ = ["CODE", "ROOT", "SENSORD"]

ROOT = Path(__file__).parents[2]
CODE = "from sensord.cli import main; raise SystemExit(main())"
SENSORD = [sys.executable, "-c", CODE]
