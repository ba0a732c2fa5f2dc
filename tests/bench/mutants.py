"""Mutation testing of the pure core: `python -m tests.bench.mutants [--sample 400] [--seed 1] [--module watch/band]`.

Needs the extra `mutation` (cosmic-ray makes the mutants, coverage.py says which tests concern them). Prints the share
killed in `watch` and in `physics` with its interval, and each survivor with its change; `docs/mutation.md` judges them.
Answers 1 when the lower end of an interval is under 90 %.
"""

import argparse
import json
import math
import multiprocessing
import os
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterable
from dataclasses import asdict
from hashlib import sha256
from pathlib import Path

try:
    from tests.bench.mutant_list import Mutant, changed_lines, mutants_of, sample
    from tests.bench.mutant_runner import Outcome, Runner
except ImportError as missing:
    print(f"{missing}: pip install -e '.[test,mutation]'", file=sys.stderr)
    raise SystemExit(2) from None

__all__ = ["main"]

TOP = Path(__file__).parents[2]
PARTS = ("sensord/watch", "sensord/physics")
WANTED = 0.90
# The tests that run the core within their own process; those that start the program see nothing of a mutant.
TESTS = (
    *("tests/physics", "tests/watch", "tests/care", "tests/physics/test_cooling.py", "tests/watch/dish/test_rounds.py"),
    *("tests/watch/alarms/test_alarms_page.py", "tests/run/test_replay.py", "tests/run/test_memory.py"),
    *("tests/screens/test_chicks.py", "tests/screens/test_dashboard.py", "tests/screens/test_lines.py"),
    *("tests/screens/test_watching_page.py", "tests/commands/test_mix.py", "tests/commands/test_correct.py"),
    *("tests/commands/test_calibrate.py", "tests/commands/test_brooder_command.py"),
)
# One that took the process down counts as survived: who knows whether a test would have failed.
DEAD = ("killed", "timeout")
_OUTCOMES = (*DEAD, "survived", "died", "uncovered", "broken")

_runner: list[Runner] = []


def _run(mutant: Mutant) -> tuple[Mutant, Outcome]:
    return mutant, _runner[0].run(mutant)


def wilson(share: float, tried: int, z: float = 1.959964) -> tuple[float, float]:
    """The 95 % interval of a share by Wilson's score (Brown, Cai & DasGupta 2001, formula 4)."""
    middle = (share + z * z / (2 * tried)) / (1 + z * z / tried)
    half = z / (1 + z * z / tried) * math.sqrt(share * (1 - share) / tried + z * z / (4 * tried * tried))
    return middle - half, middle + half


class _Kept:
    """Results in a file, one JSON line each, so that a run can be stopped and gone on with."""

    def __init__(self, file: Path, again: bool) -> None:
        self.file = file
        self.known: dict[str, Outcome] = {}
        if file.exists():
            self.read()
        if again:
            self.known = {key: outcome for key, outcome in self.known.items() if outcome.what in DEAD}

    def read(self) -> None:
        """Take in what this process or a fork of it has written; the last line of a mutant counts."""
        for row in map(json.loads, self.file.read_text().splitlines()):
            self.known[row["key"]] = Outcome(row["what"], row["by"], row["seconds"])

    def key(self, mutant: Mutant) -> str:
        """Holds while the module is the same."""
        module = sha256((TOP / mutant.path).read_bytes()).hexdigest()[:12]
        return f"{mutant.path}:{mutant.line}:{mutant.column}:{mutant.operator}:{mutant.occurrence}:{module}"

    def add(self, mutant: Mutant, outcome: Outcome) -> None:
        """Note one, at once."""
        with self.file.open("a") as lines:
            lines.write(json.dumps({"key": self.key(mutant), **asdict(outcome)}) + "\n")


def _try(mutants: list[Mutant], kept: _Kept, tests: list[str], workers: int, minutes: float) -> None:
    left = [one for one in mutants if kept.key(one) not in kept.known]
    random.Random(len(left)).shuffle(left)  # a run that is stopped has tried some of each
    print(f"{len(mutants)} mutants chosen, {len(left)} to run", flush=True)
    if not left:
        return
    runner = Runner(tests, PARTS, print)
    control = runner.control()
    if control.what != "survived":
        raise RuntimeError(f"the tests fail with nothing changed: {control}")
    _runner[:] = [runner]
    until = time.monotonic() + 60 * minutes
    loading = [one for one in left if runner.needs_loading(one)]
    _in_forks([one for one in left if one not in set(loading)], kept, workers, until, runner.with_all_loaded)
    _in_forks(loading, kept, workers, until, lambda work: work())


def _in_forks(
    left: list[Mutant], kept: _Kept, workers: int, until: float, around: Callable[[Callable[[], None]], None]
) -> None:
    def work() -> None:
        with multiprocessing.get_context("fork").Pool(workers) as pool:
            for count, (mutant, outcome) in enumerate(pool.imap_unordered(_run, left), 1):
                kept.add(mutant, outcome)
                if count % 50 == 0:
                    print(f"{count} of {len(left)}: {mutant.path}:{mutant.line} {outcome.what}", flush=True)
                if time.monotonic() > until:
                    print("stopped: the time is up")
                    pool.terminate()
                    break

    if left:
        around(work)
        kept.read()


def _told(everything: list[Mutant], tried: list[tuple[Mutant, Outcome]]) -> bool:
    """Print the figures and the survivors; whether all parts reach what is wanted."""
    good = True
    for part in sorted({one.part for one in everything}):
        of_part = [outcome for mutant, outcome in tried if mutant.part == part]
        if not of_part:
            print(f"{part}: none tried")
            good = False
            continue
        counts = {what: sum(one.what == what for one in of_part) for what in _OUTCOMES}
        share = sum(counts[what] for what in DEAD) / len(of_part)
        low, high = wilson(share, len(of_part))
        total = sum(one.part == part for one in everything)
        ran = [one.seconds for one in of_part if one.what not in ("uncovered", "broken")]
        print(
            f"{part}: {total} mutants, {len(of_part)} tried, "
            + ", ".join(f"{count} {what}" for what, count in counts.items())
            + f"; {100 * share:.1f} % killed, 95 % interval {100 * low:.1f} to {100 * high:.1f} %"
            + f"; median {statistics.median(ran or [0]):.1f} s, mean {statistics.fmean(ran or [0]):.1f} s"
        )
        good = good and low > WANTED
    for mutant, outcome in sorted(tried, key=lambda one: one[0]):
        if outcome.what not in DEAD:
            print(f"\n{mutant.path}:{mutant.line} {mutant.operator} {mutant.occurrence} {outcome.what} {outcome.by}")
            print("\n".join(f"    {line}" for line in changed_lines(mutant, (TOP / mutant.path).read_text())))
    return good


def _modules(wanted: Iterable[str]) -> list[str]:
    paths = (path.relative_to(TOP) for part in PARTS for path in sorted((TOP / part).glob("*.py")))
    found = [str(path) for path in paths if path.name != "__init__.py"]
    names = [one.removesuffix(".py").replace(".", "/") for one in wanted]
    return [
        path
        for path in found
        if not names or path.split("/")[1] in names or any(path.removesuffix(".py").endswith(name) for name in names)
    ]


def main() -> int:
    """Choose, try, tell."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--sample", type=int, default=400, help="mutants per part, 0 for all (default: %(default)s)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--module", action="append", default=[], help="only this part or module, as in watch or watch/band"
    )
    parser.add_argument("--minutes", type=float, default=600.0, help="stop after so long (default: %(default)g)")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--results", type=Path, help="keep the results in this file, and go on from it")
    parser.add_argument("--again", action="store_true", help="try the survivors of the results again")
    parser.add_argument("--tests", nargs="+", help="only these tests, while closing a gap")
    options = parser.parse_args()
    os.chdir(TOP)
    everything = [one for path in _modules(options.module) for one in mutants_of(path, (TOP / path).read_text())]
    mutants = sample(everything, options.sample, options.seed)
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        return _run_all(everything, mutants, _Kept(options.results or Path(folder) / "results", options.again), options)


def _run_all(everything: list[Mutant], mutants: list[Mutant], kept: _Kept, options: argparse.Namespace) -> int:
    _try(mutants, kept, options.tests or list(TESTS), options.workers, options.minutes)
    tried = [(one, kept.known[kept.key(one)]) for one in mutants if kept.key(one) in kept.known]
    return 0 if _told(everything, tried) else 1


if __name__ == "__main__":
    raise SystemExit(main())
