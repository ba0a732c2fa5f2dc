"""The recipes of DEVELOPERS.md, followed to a working toy: each in a copy of the package, by no more than it names."""

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from sensord.clock import SystemClock
from sensord.demo.fake_tree import FakeProbe, FakeTree
from tests.helpers.program import CODE, ROOT


class Workshop:
    """A copy of the package to try a recipe in."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        for name in ("sensord", "config"):
            shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))

    def write(self, file: str, text: str) -> None:
        """A new file."""
        assert not (self.folder / file).exists()
        (self.folder / file).write_text(text)

    def add(self, file: str, anchor: str, text: str) -> None:
        """Text behind the only place where `anchor` stands."""
        before = (self.folder / file).read_text()
        assert before.count(anchor) == 1, f"{anchor!r} stands {before.count(anchor)} times in {file}"
        (self.folder / file).write_text(before.replace(anchor, anchor + text))

    def python(self, code: str, *words: str, **more: str) -> str:
        """What a program prints that runs on the copy; it has to succeed."""
        environment = {**os.environ, "PYTHONPATH": str(self.folder), "NO_COLOR": "1", "COLUMNS": "120", **more}
        command = [sys.executable, "-c", code, *words]
        done = subprocess.run(
            command, cwd=self.folder, env=environment, capture_output=True, text=True, timeout=60, check=False
        )
        assert done.returncode == 0, done.stderr
        return done.stdout

    def sensord(self, *words: str, **more: str) -> str:
        """What a command prints, run on the copy."""
        return self.python(CODE, *words, **more)


@pytest.fixture
def workshop(tmp_path: Path) -> Workshop:
    return Workshop(tmp_path / "workshop")


def test_a_probe_type(workshop: Workshop, tmp_path: Path) -> None:
    """A toy of a family that the library knows, whose register counts in thirty-seconds of a degree."""
    workshop.add(
        "sensord/probes/scratchpad.py",
        "DECODERS: dict[str, Callable[[bytes, str], Decoded]] = {\n",
        '    "3b": lambda scratchpad, raw: _within_span(int.from_bytes(scratchpad[:2], "little") / 32, 12, raw),\n',
    )
    probe = FakeProbe(rom="3b-00000000000a", celsius=lambda _s: 70.0)
    with FakeTree(tmp_path / "tree", SystemClock(), [probe]) as tree:
        said = json.loads(workshop.sensord("probes", "--json", "--one-wire-root", str(tree.root)))
    assert [(one["rom"], one["celsius"]) for one in said["probes"]] == [("3b-00000000000a", 35.0)]


def test_an_output(workshop: Workshop, tmp_path: Path) -> None:
    """A toy that writes down what becomes of the dish."""
    workshop.write("sensord/run/diary.py", _DIARY)
    workshop.add(
        "sensord/run/service.py", "from sensord.run.daemon import Daemon, Inbox, ReaderState, Source\n", _IMPORT
    )
    workshop.add(
        "sensord/run/service.py",
        "    outputs += [Chime(config.chime, clock), *more]\n",
        "    outputs.append(Diary(places.state / 'diary.txt'))\n",
    )
    workshop.sensord("demo", "--speed", "60", "--for", "3m", "--plain", "--state", str(tmp_path / "state"))
    assert "hot" in (tmp_path / "state" / "diary.txt").read_text()


_IMPORT = "from sensord.run.diary import Diary\n"
_DIARY = """
class Diary:
    name = "diary"

    def __init__(self, path):
        self._path = path

    def handle(self, item):
        if type(item).__name__ == "DishChanged":
            with self._path.open("a") as file:
                print(round(item.seconds), item.state, file=file)

    def words(self):
        return ""

    def close(self):
        pass
"""


def test_a_profile(workshop: Workshop) -> None:
    head = 'title = "Gulls"\nmove = "step"\nrate_celsius_per_day = 0.5\nrate_source = "common practice, no source"\n'
    bands = """
[[bands]]
stage = "hatchling"
from_day = 0
to_day = 6
low_celsius = 32.0
high_celsius = 34.0
signs = "Too cold: huddled. Too warm: panting."
source = "common practice, no source"
checked = false
"""
    workshop.write("config/profiles/gulls.toml", f"{head}{bands}")
    said = workshop.sensord("brooder", "--profile", "gulls", "--stage", "hatchling")
    assert "32.0–34.0 °C" in said
    assert "common practice, no source" in said


def test_a_condition(workshop: Workshop) -> None:
    """A toy that stands whenever the air is felt at all: topics, hub, sounds and screens follow from its row."""
    row = """
    TOY = Row(
        word="toy", places=_BROODER, priority=Priority.MEDIUM, shout="a toy", seen="There is air",
        do_first="Look at the chick; where it is limp call an avian vet.",
    )
"""
    workshop.add("sensord/watch/conditions.py", "    row: Row\n", "")  # the members stand below it
    workshop.add("sensord/watch/conditions.py", "        condition.row = row\n        return condition\n", row)
    workshop.add(
        "sensord/watch/brooder/air_watch.py",
        "    standing = []\n",
        "    if brooder.celsius is not None:\n        standing.append(Condition.TOY)\n",
    )
    readings = "time_s,probe,reading\n" + "".join(f"{second},brooder,34.5\n" for second in range(30))
    workshop.write("air.csv", readings)
    alarms = [json.loads(line) for line in workshop.sensord("replay", "air.csv").splitlines() if '"alarm"' in line]
    assert [(one["condition"], one["priority"], one["state"]) for one in alarms] == [
        ("toy", "medium", "unacknowledged")
    ]
    assert "There is air" in workshop.sensord("demo", "--speed", "60", "--for", "3m", "--plain")
    known = "from sensord.watch.conditions import alarms_of; print(alarms_of(['nest'], []))"
    assert "'nest', <Condition.TOY: 'toy'>" in workshop.python(known)


def test_a_command(workshop: Workshop) -> None:
    """A toy that has the 'not ready' tone played: the broker, the socket and the command line take it from its row."""
    table = "sensord/watch/command_table.py"
    value = '@dataclass(frozen=True, slots=True, kw_only=True)\nclass Ring(Command):\n    """Ring once."""\n\n\n'
    workshop.add(table, "_OWNER = Giver.OWNER\n", f"\n\n{value}")
    workshop.add(table, "COMMANDS: Mapping[str, CommandRow] = MappingProxyType(\n    {\n", _RING_ROW)
    obeying = "sensord/watch/obeying.py"
    workshop.add(obeying, "from sensord.watch.command_table import (\n", "    Ring,\n")
    workshop.add(
        obeying,
        "    match command:\n",
        "        case Ring():\n            return nursery, (Cued(now, Cue.NOT_READY),)\n",
    )
    workshop.add("sensord/commands/command_verbs.py", "FIELDS = {\n", '    "ring": "",\n')
    workshop.add("sensord/commands/command_verbs.py", "_DONE = {\n", '    "ring": "rung",\n')
    workshop.add("sensord/cli.py", "VERBS: dict[str, Verb] = {\n", _RING_VERB)
    assert "sensord ring" in workshop.sensord("ring", "--help")
    assert workshop.python(_RING) == "(<Cue.NOT_READY: 'not-ready'>, True)\n"


_RING_ROW = '        "ring": CommandRow(value=Ring, givers=_ALL),\n'
_RING_VERB = '    "ring": Verb("command_verbs", "ring once", "sensord ring"),\n'
_RING = """
from sensord.config.settings import nursery_settings
from sensord.gate.command_gate import read_payload
from sensord.run.replaying import config_for
from sensord.watch.command_table import Giver
from sensord.watch.nursery import step
from sensord.watch.state import first_nursery
settings = nursery_settings(config_for(None))
_, effects = step(settings, first_nursery(settings, 0.0), read_payload("ring", b"", 1.0, Giver.BROKER))
(cue,), (answer,) = ([one for one in effects if type(one).__name__ == name] for name in ("Cued", "Answered"))
print((cue.cue, answer.done))
"""


def test_a_verb(workshop: Workshop) -> None:
    workshop.write(
        "sensord/commands/hello.py",
        "def arguments(parser):\n    parser.add_argument('who')\n\n\n"
        "def run(options):\n    print('hello', options.who)\n    return 0\n",
    )
    workshop.add(
        "sensord/cli.py",
        "VERBS: dict[str, Verb] = {\n",
        '    "hello": Verb("hello", "greet a chick", "sensord hello pip"),\n',
    )
    assert workshop.sensord("hello", "pip") == "hello pip\n"
    assert "greet a chick" in workshop.sensord("--help")


def test_the_recipes_are_the_ones_of_the_page() -> None:
    page = (ROOT / "DEVELOPERS.md").read_text().split("## How to add")[1].split("\n## ")[0]
    told = re.findall(r"^- \*\*(A[n]? [a-z ]+)\.\*\*", page, re.M)
    followed = [name.removeprefix("test_").replace("_", " ") for name in globals() if re.match(r"test_an?_", name)]
    assert sorted(one.lower() for one in told) == sorted(followed)
