"""What holds for every test: examples may be slow on a busy machine and are the same in CI each time, and Ctrl-C
reaches the programs under test even where the tests run in the background of a shell, which ignores it there."""

import os
import signal

from hypothesis import settings

settings.register_profile("here", deadline=None)
settings.register_profile("ci", deadline=None, derandomize=True)
settings.load_profile("ci" if os.environ.get("CI") == "true" else "here")

# A signal that is ignored stays ignored in every program started from here (POSIX, exec); one that is handled does not.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
if signal.getsignal(signal.SIGQUIT) is signal.SIG_IGN:
    signal.signal(signal.SIGQUIT, signal.SIG_DFL)
