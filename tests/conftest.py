"""What holds for every test: examples may be slow on a busy machine, and are the same in CI each time."""

import os

from hypothesis import settings

settings.register_profile("here", deadline=None)
settings.register_profile("ci", deadline=None, derandomize=True)
settings.load_profile("ci" if os.environ.get("CI") == "true" else "here")
