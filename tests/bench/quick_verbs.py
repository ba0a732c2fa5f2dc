"""What a verb costs before it does anything: its CPU as a ratio to a Python that imports argparse, json and socket.

    python -m tests.bench.quick_verbs [--rounds 10]

A stand-in for the daemon answers each command at once, so that only the verb is measured; the least of all rounds
counts, because other work on the machine can only add to it. `run` is measured by its imports and their memory against
the plain loop with pydantic, see `footprint`.
"""

import argparse
import json
import resource
import shlex
import socket
import subprocess
import sys
import tempfile
import threading
from pathlib import Path

from tests.bench.table import target

MOST_TIMES = 2.0
BASE = "import argparse, json, socket"
VERBS = (
    "feed pip 4.5 --crop empty --socket {socket}",
    "weigh pip 45.2 --socket {socket}",
    "acknowledge --socket {socket}",
    "shelve brooder --for 5m --socket {socket}",
    "mix --chicks 4 --feed-ml 8 --solids 25 --bowl steel:90",
    "correct --celsius 41 --ml 40 --solids 25 --bowl steel:90",
    "sounds",
)
MAIN = "import sys; from sensord.cli import main; sys.exit(main(sys.argv[1:]))"


def answer_all(server: socket.socket) -> None:
    """Say yes to every request, one connection after the other."""
    while True:
        connection, _ = server.accept()
        with connection, connection.makefile("rwb") as lines:
            request = json.loads(lines.readline())
            lines.write(json.dumps({"id": request["id"], "result": {"reason": ""}}).encode() + b"\n")


def cpu_seconds(words: list[str]) -> float:
    """User and system time of one run of Python. Raises where it does not end with 0."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, "-c", *words], stdout=subprocess.DEVNULL, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def ratios(rounds: int) -> dict[str, float]:
    """The cost of each verb in costs of the base, the rounds interleaved."""
    with tempfile.TemporaryDirectory() as folder, socket.socket(socket.AF_UNIX) as server:
        path = Path(folder) / "control.sock"
        server.bind(str(path))
        server.listen()
        threading.Thread(target=answer_all, args=(server,), daemon=True).start()
        runs = {line.split()[0]: [MAIN, *shlex.split(line.format(socket=path))] for line in VERBS}
        runs = {"base": [BASE], **runs}
        least = {name: min(cpu_seconds(words) for _ in range(2)) for name, words in runs.items()}
        for _ in range(rounds):
            least = {name: min(least[name], cpu_seconds(words)) for name, words in runs.items()}
    return {name: seconds / least["base"] for name, seconds in least.items() if name != "base"}


def main() -> int:
    """Print the table; 0 where every verb keeps within `MOST_TIMES`."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=10)
    found = ratios(parser.parse_args().rounds)
    for verb, ratio in found.items():
        print(f"{verb:12} {ratio:5.2f} times `{BASE}`")
    met = [target(f"`sensord {verb}` at most {MOST_TIMES:g} times", found[verb] <= MOST_TIMES) for verb in found]
    return 0 if all(met) else 1


if __name__ == "__main__":
    sys.exit(main())
