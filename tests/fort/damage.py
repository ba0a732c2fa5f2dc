"""Damaged, foreign and odd files: none may stop a start, and none may end a command in anything but a sentence."""

import contextlib
import gzip
import io
import os
import random
import resource
import shutil
import signal
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

from sensord.cli import main
from sensord.clock import SystemClock
from sensord.config.loading import load, parse
from sensord.errors import SensordError
from sensord.mqtt import publishing
from sensord.probes.calibrations import calibrated_settings
from tests.fort.rows import FortRow
from tests.helpers.fake_clock import FakeClock
from tests.history.test_history import UTC, Desk
from tests.history.test_history_file import opens_and_goes_on

__all__ = ["damaged_files"]

MOST_SECONDS = 20.0
_MOST_BYTES = 1 << 30
_CONFIG = """
[probes.air]
rom = "28-00000000000a"
place = "brooder"
[brooders.nest]
probes = ["air"]
band = { low_celsius = 33.0, high_celsius = 36.0 }
[mqtt]
host = "127.0.0.1"
port = 9
"""
_RECORD = (
    '{"rom": "28-00000000000a", "probe": "air", "kind": "comparison", "taken": "2026-05-01T08:00:00Z",'
    ' "offset_celsius": 0.1, "gain": 1.0, "expanded_uncertainty_celsius": 0.1}\n'
)


_OLD_RECORD = b'[[record]]\nrom = "28-00000000000a"\nprobe = "air"\nkind = "ice"\ntaken = 2026-05-01T08:00:00Z\n'


def _damaged(whole: bytes, chance: random.Random) -> bytes:
    """Flipped bits, cut short, zeroed, grown, emptied, or another file altogether."""
    text = bytearray(whole)
    match chance.randrange(8):
        case 0 | 1 | 2:
            for _ in range(chance.choice((1, 4, 32, 256))):
                text[chance.randrange(len(text))] ^= 1 << chance.randrange(8)
        case 3:
            del text[chance.randrange(len(text)) :]
        case 4:
            start = chance.randrange(len(text))
            text[start : start + 4096] = bytes(len(text[start : start + 4096]))
        case 5:
            text += chance.randbytes(chance.randrange(1, 9000))
        case 6:
            text[:] = chance.choice((b"", b"\0", b"[" * 100_000, b'{"rom": ' + b"9" * 5000 + b"}", b"\xff\xfe"))
        case _:
            text[:] = chance.randbytes(chance.randrange(1, 9000))
    return bytes(text)


def _put(path: Path, whole: bytes, chance: random.Random) -> None:
    """A damaged file at `path`, or now and then something that is none."""
    odd = chance.randrange(40)
    if odd == 0:
        path.mkdir()
    elif odd == 1:
        path.symlink_to("nowhere")
    elif odd == 2 and path.name in _OF_THE_STATE:  # a pipe is a good thing to replay
        os.mkfifo(path)
    elif odd == 3 and path.name in _OF_THE_STATE:
        path.symlink_to(chance.choice(("/dev/null", "/dev/zero")))
    else:
        path.write_bytes(_damaged(whole, chance))


def _command(*words: str) -> None:
    """A command on a file: exit code 0, 1 or 2, and no traceback."""
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        code = main(list(words))
    if code not in (0, 1, 2):
        raise AssertionError(f"exit code {code}")


def _outbox(folder: Path) -> None:
    config = parse(_CONFIG, "sensord.toml")
    assert config.mqtt is not None
    publishing.open_publisher(config, config.mqtt, folder, FakeClock(0.0, UTC), lambda _: None).close()


def _config(folder: Path) -> None:
    with contextlib.suppress(SensordError):
        load(folder / "sensord.toml")


def _calibrations(folder: Path) -> None:
    calibrated_settings(parse(_CONFIG, "sensord.toml"), folder, FakeClock(0.0, UTC))


_OPENED: dict[str, Callable[[Path], None]] = {
    "history.db": opens_and_goes_on,
    "outbox.db": _outbox,
    "calibrations.jsonl": _calibrations,
    "calibrations.toml": _calibrations,
    "sensord.toml": _config,
    "night.csv": lambda folder: _command("replay", str(folder / "night.csv")),
    "night.csv.gz": lambda folder: _command("replay", str(folder / "night.csv.gz")),
    "feeds.csv": lambda folder: _command("import", str(folder / "feeds.csv"), "--state", str(folder / "into")),
}


_OF_THE_STATE = ("history.db", "outbox.db", "calibrations.jsonl", "calibrations.toml")


def _whole(folder: Path) -> dict[str, bytes]:
    """A good file of each kind."""
    desk = Desk(folder)
    desk.add()
    for _ in range(4):
        desk.pass_seconds(40)
        desk.alarm("x" * 300)
        desk.weigh(40.0, sure=True)
    desk.history.close()
    _outbox(folder)
    readings = "time_s,probe,reading\n" + "".join(f"{second},brooder,{34 + second % 7 / 16}\n" for second in range(400))
    feeds = io.StringIO()
    with contextlib.redirect_stdout(feeds):
        main(["export", "weighing", "--state", str(folder)])
    return {
        "history.db": (folder / "history.db").read_bytes(),
        "outbox.db": (folder / "outbox.db").read_bytes(),
        "calibrations.jsonl": _RECORD.encode() * 5,
        "calibrations.toml": _OLD_RECORD,
        "sensord.toml": _CONFIG.encode(),
        "night.csv": readings.encode(),
        "night.csv.gz": gzip.compress(readings.encode()),
        "feeds.csv": feeds.getvalue().encode(),
    }


@contextlib.contextmanager
def _bounded() -> Iterator[None]:
    """With an alarm clock that can be set, and little more memory than is taken: /dev/zero has no end."""
    before, handler = resource.getrlimit(resource.RLIMIT_AS), signal.signal(signal.SIGALRM, _too_long)
    taken = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (taken + _MOST_BYTES, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_AS, before)
        signal.signal(signal.SIGALRM, handler)


def _too_long(*_: object) -> None:
    raise AssertionError(f"hangs: not done within {MOST_SECONDS:g} s")


def damaged_files(folder: Path, count: int) -> FortRow:
    """Open `count` damaged files, each in a folder of its own, as the daemon's start or as a command does."""
    whole, failures, clock, slowest = _whole(folder / "whole"), list[str](), SystemClock(), 0.0
    for number in range(count):
        chance = random.Random(number)
        name = list(_OPENED)[number % len(_OPENED)]
        with tempfile.TemporaryDirectory(dir=folder) as text, _bounded():
            there = Path(text)
            _put(there / name, whole[name], chance)
            started = clock.monotonic_seconds()
            signal.setitimer(signal.ITIMER_REAL, MOST_SECONDS)
            try:
                _OPENED[name](there)
            except Exception as error:  # a row of the table
                failures.append(f"{name}, seed {number}: {type(error).__name__}: {str(error)[:200]}")
            finally:
                signal.setitimer(signal.ITIMER_REAL, 0)
            slowest = max(slowest, clock.monotonic_seconds() - started)
    shutil.rmtree(folder / "whole")
    seen = f"{', '.join(_OPENED)}; the slowest took {slowest:.1f} s"
    return FortRow(attack="damaged files", count=count, failures=tuple(failures), seen=seen)
