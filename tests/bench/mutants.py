"""Mutation testing of every folder: `python -m tests.bench.mutants [FOLDER ...] [--sample 40] [--seed 1]`.

Needs the extra `mutation`. cosmic-ray makes the slips and tries each on a copy of this checkout; coverage.py has noted
once which tests come by which line, so a slip meets only those. Prints for each folder the share that was noticed with
its 95 % interval, and each survivor with its change; `docs/mutation.md` judges them. Answers 1 when a share is under
90 %.
"""

import argparse
import ast
import difflib
import json
import math
import os
import random
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from functools import partial
from multiprocessing import get_context
from pathlib import Path

try:
    from cosmic_ray.ast import ast_nodes, get_ast
    from cosmic_ray.mutating import mutate_and_test, mutate_code
    from cosmic_ray.plugins import get_operator, operator_names
    from cosmic_ray.work_item import MutationSpec, TestOutcome
    from coverage import CoverageData
except ImportError as missing:
    print(f"{missing}: pip install -e '.[test,mutation]'", file=sys.stderr)
    raise SystemExit(2) from None

TOP = Path(__file__).parents[2]
WANTED = 0.90
TIMEOUT_SECONDS = 120
FOLDERS = sorted(path.parent.name for path in (TOP / "sensord").glob("*/__init__.py"))
MORE_TESTS = {
    "care": ["tests/watch/brooder", "tests/report", "tests/commands/test_brooder_command.py"],
    "config": ["tests/commands/test_config_command.py", "tests/gate"],
    "control": ["tests/commands/test_alarm_commands.py", "tests/commands/test_watch.py"],
    "demo": ["tests/commands/test_demo.py", "tests/probes"],
    "gate": ["tests/control"],
    "log": ["tests/history", "tests/watch/test_nursery_times.py"],
    "physics": ["tests/commands/test_mix.py", "tests/commands/test_correct.py", "tests/commands/test_calibrate.py"],
    "screens": ["tests/commands/test_watch.py"],
    "watch": ["tests/run/test_replay.py", "tests/run/test_memory.py", "tests/screens"],
}
"""Tests beside `tests/FOLDER` that know the folder's code."""
_PYTEST = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:randomly", "-p", "no:cacheprovider", "--no-header"]
_NUMBERS = {"Add", "Sub", "Mul", "Div", "FloorDiv", "Mod", "Pow"}


def mutants_of(path: str) -> list[MutationSpec]:
    """Every slip in one module that is worth a run."""
    source = (TOP / path).read_text()
    nodes, idle = list(ast_nodes(get_ast(source))), list(_idle(ast.parse(source)))
    found = []
    for name in operator_names():
        if get_operator(name).arguments() or _left_out(name):
            continue
        operator = get_operator(name)()
        places = (place for node in nodes for place in operator.mutation_positions(node))
        for number, (start, end) in enumerate(places):
            if start < end and not any(one <= start < other for one, other in idle):
                found.append(MutationSpec(path, name, number, start, end))
    return found


def _left_out(name: str) -> bool:
    """Slips that nobody makes and that fall over at once (`+` made `<<`, `<` made `is`): each would flatter."""
    if "Comparison" not in name and "BinaryOperator" not in name:
        return False
    *_, before, after = name.split("_")
    if "Comparison" in name:
        return before.startswith("Is") != after.startswith("Is")
    return (before in _NUMBERS) != (after in _NUMBERS)


def _idle(tree: ast.Module) -> Iterator[tuple[tuple[int, int], tuple[int, int]]]:
    """Where a change changes nothing that runs: types, flags of decorators, `strict` of `zip`, stars, patterns."""
    for node in ast.walk(tree):
        spans: list[ast.AST | None] = []
        match node:
            case ast.AnnAssign() | ast.arg():
                spans = [node.annotation]
            case ast.FunctionDef():
                spans = [node.returns]
            case ast.ClassDef():
                spans = [flag for one in node.decorator_list if isinstance(one, ast.Call) for flag in one.keywords]
            case ast.Call():
                spans = [flag for flag in node.keywords if flag.arg in ("strict", None)]
            case ast.Starred() | ast.match_case():
                spans = [node.pattern if isinstance(node, ast.match_case) else node]
            case ast.Module():  # `Effect = A | B`: a type's name
                values = [one.value for one in node.body if isinstance(one, ast.Assign)]
                spans = [one for one in values if isinstance(one, ast.BinOp) and isinstance(one.op, ast.BitOr)]
            case _:
                pass
        for span in spans:
            if span is not None:
                end = (getattr(span, "end_lineno", 0), getattr(span, "end_col_offset", 0))
                yield (getattr(span, "lineno", 0), getattr(span, "col_offset", 0)), end


def tests_of(folder: str) -> list[str]:
    """The files and folders of tests for one folder of the package."""
    own = [f"tests/{folder}"] if (TOP / "tests" / folder).exists() else []
    return [*own, *(one for one in MORE_TESTS.get(folder, ()) if (TOP / one).exists())]


def look(folder: str) -> dict[str, dict[int, list[str]]]:
    """By module and line the tests that come by it, '' for a line that runs while the module is loaded."""
    data = TOP / ".cache" / f"mutants-{folder}.coverage"
    data.parent.mkdir(exist_ok=True)
    settings = data.with_suffix(".rc")
    settings.write_text(
        f"[run]\ndata_file = {data}\nsource = sensord/{folder}\ndynamic_context = test_function\n"
        "disable_warnings = no-data-collected\n"
    )
    cover = [sys.executable, "-m", "coverage", "run", f"--rcfile={settings}", *_PYTEST[1:]]
    # Under coverage.py everything takes several times as long: no place for a test that times something.
    done = subprocess.run(
        [*cover, "-k", "not less_than and not within_the_time", *tests_of(folder)], cwd=TOP, check=False, env=_env()
    )
    if done.returncode:
        raise RuntimeError(f"the tests of {folder} fail with nothing changed")
    found = CoverageData(str(data))
    found.read()
    return {
        str(Path(file).relative_to(TOP)): {
            line: sorted(tests) for line, tests in found.contexts_by_lineno(file).items()
        }
        for file in found.measured_files()
    }


def _env() -> dict[str, str]:
    return {**os.environ, "CI": "true", "PYTHONDONTWRITEBYTECODE": "1"}


def _copy() -> None:
    """Work in a copy of the checkout from here on: a slip is written to the disk."""
    there = Path(tempfile.mkdtemp(prefix="mutants-"))
    files = subprocess.run(["git", "ls-files", "-co", "--exclude-standard"], cwd=TOP, capture_output=True, check=True)
    for name in files.stdout.decode().splitlines():
        if (TOP / name).exists():
            (there / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(TOP / name, there / name)
    os.chdir(there)
    os.environ.update(_env(), PYTHONPATH=str(there))


def attempt(seen: dict[str, dict[int, list[str]]], folder: str, one: MutationSpec) -> tuple[MutationSpec, str]:
    """Try one slip: noticed, survived, or uncovered."""
    lines = seen.get(str(one.module_path), {})
    tests = {test for line in range(one.start_pos[0], one.end_pos[0] + 1) for test in lines.get(line, ())}
    if not tests:
        return one, "uncovered"
    names = []
    if "" not in tests:
        for test in sorted(tests):  # tests.watch.test_band.test_it
            module, _, function = test.rpartition(".")
            while module and not (TOP / f"{module.replace('.', '/')}.py").exists():
                module, _, function = module.rpartition(".")[0], "", ""
            if module:
                names.append(f"{module.replace('.', '/')}.py" + (f"::{function}" if function else ""))
    result = mutate_and_test(
        [one], shlex.join([*_PYTEST, *(dict.fromkeys(names) or tests_of(folder))]), TIMEOUT_SECONDS
    )
    outcome = {TestOutcome.KILLED: "noticed", TestOutcome.SURVIVED: "survived"}
    return one, outcome.get(result.test_outcome, f"broken: {result.output}")


def wilson(share: float, tried: int, z: float = 1.959964) -> tuple[float, float]:
    """The 95 % interval of a share by Wilson's score (Brown, Cai & DasGupta 2001, formula 4)."""
    middle = (share + z * z / (2 * tried)) / (1 + z * z / tried)
    half = z / (1 + z * z / tried) * math.sqrt(share * (1 - share) / tried + z * z / (4 * tried * tried))
    return middle - half, middle + half


def _changed(one: MutationSpec) -> str:
    source = (TOP / one.module_path).read_text()
    slip = str(mutate_code(source, get_operator(one.operator_name)(), one.occurrence))
    lines = difflib.unified_diff(source.splitlines(), slip.splitlines(), lineterm="", n=0)
    return "\n".join(f"    {line}" for line in lines if re.match(r"[+-](?![+-]{2})", line))


def run(folder: str, sample: int, seed: int, workers: int) -> bool:
    """Try a sample of one folder and tell; whether enough were noticed."""
    everything = [
        mutant
        for path in sorted((TOP / "sensord" / folder).rglob("*.py"))
        for mutant in mutants_of(str(path.relative_to(TOP)))
    ]
    chosen = random.Random(seed).sample(everything, min(sample or len(everything), len(everything)))
    seen = look(folder)
    with get_context("fork").Pool(workers, _copy) as pool:
        tried = list(pool.imap_unordered(partial(attempt, seen, folder), chosen))
    broken = [one for one in tried if one[1].startswith("broken")]
    tried = [one for one in tried if one not in broken]
    noticed = sum(outcome == "noticed" for _, outcome in tried)
    share = noticed / len(tried)
    low, high = wilson(share, len(tried))
    print(
        f"| `{folder}` | {len(everything)} | {seed} | {len(tried)} | {noticed} | {100 * share:.0f} % "
        f"| {100 * low:.0f} to {100 * high:.0f} % |"
    )
    for one, outcome in sorted(tried, key=lambda each: (str(each[0].module_path), each[0].start_pos)):
        if outcome != "noticed":
            print(f"{one.module_path}:{one.start_pos[0]} {one.operator_name} {outcome}\n{_changed(one)}")
    for one, said in broken:
        print(f"{one.module_path}:{one.start_pos[0]} {json.dumps(said)}")
    sys.stdout.flush()
    return share >= WANTED


def main() -> int:
    """Choose, try, tell."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.mutants", description=__doc__)
    parser.add_argument("folders", nargs="*", metavar="FOLDER", help=f"default: all of {', '.join(FOLDERS)}")
    parser.add_argument("--sample", type=int, default=40, help="slips a folder, 0 for all (default: %(default)s)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=1)
    options = parser.parse_args()
    unknown = set(options.folders) - set(FOLDERS)
    if unknown:
        parser.error(f"no folder {', '.join(sorted(unknown))}; there are: {', '.join(FOLDERS)}")
    good = [run(one, options.sample, options.seed, options.workers) for one in options.folders or FOLDERS]
    return 0 if all(good) else 1


if __name__ == "__main__":
    raise SystemExit(main())
