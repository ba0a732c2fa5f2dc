"""Mutation testing of the pure core: `python -m tests.bench.mutants [--sample 150] [--seed 1] [--minutes 20]`.

Needs the extra `mutation` (cosmic-ray). The package is copied first, so that nothing here is ever a mutant. A random
sample of all mutants of `watch` and `physics` is tried against the tests of the core; type annotations are left
alone, because `A | None` made `A + None` changes nothing that runs. Survivors are printed with their change;
`docs/mutation.md` judges them. `--sample 0` tries all, which takes a day.
"""

import argparse
import json
import random
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from collections import Counter
from contextlib import closing
from pathlib import Path

__all__ = ["main"]

TOP = Path(__file__).parents[2]
PARTS = ("sensord/watch", "sensord/physics")
# Quick ones first: a mutant is dead at the first test that fails.
TESTS = (
    "tests/test_conformity.py tests/test_water.py tests/test_paste.py tests/test_sounds.py tests/test_correcting.py"
    " tests/test_calibrating.py tests/test_mixing.py tests/test_replay.py tests/watch"
)
_CONFIG = """
[cosmic-ray]
module-path = {parts}
timeout = 90.0
excluded-modules = ["sensord/watch/__init__.py", "sensord/physics/__init__.py"]
test-command = "{python} -m pytest -x -q -p no:cacheprovider {tests}"
[cosmic-ray.distributor]
name = "local"
"""


def _sample(session: Path, size: int, seed: int) -> Counter[str]:
    """Leave only a random sample in the session; how many mutants there were, by part."""
    with closing(sqlite3.connect(session)) as connection, connection:
        everything = connection.execute(
            "SELECT job_id, module_path FROM mutation_specs WHERE operator_name NOT LIKE '%BitOr%' ORDER BY 2, 1"
        ).fetchall()
        chosen = everything if size == 0 else random.Random(seed).sample(everything, min(size, len(everything)))
        keep = {job for job, _ in chosen}
        for table in ("mutation_specs", "work_items"):
            gone = [(job,) for (job,) in connection.execute(f"SELECT job_id FROM {table}") if job not in keep]
            connection.executemany(f"DELETE FROM {table} WHERE job_id = ?", gone)
    return Counter(_part(path) for _, path in everything)


def _part(path: str) -> str:
    return path.split("/")[1]


def _told(session: Path, total: Counter[str]) -> None:
    """Print counts by part, and each survivor with its change."""
    with closing(sqlite3.connect(session)) as connection:
        rows = connection.execute(
            "SELECT s.module_path, s.start_pos_row, s.operator_name, r.test_outcome, r.worker_outcome, r.diff"
            " FROM mutation_specs s JOIN work_results r USING (job_id) ORDER BY 1, 2"
        ).fetchall()
    tried, dead = (
        Counter(_part(row[0]) for row in rows),
        Counter(_part(row[0]) for row in rows if "SURVIVED" not in str(row[3])),
    )
    for part in total:
        share = 100 * dead[part] / tried[part] if tried[part] else float("nan")
        print(f"{part}: {total[part]} mutants, {tried[part]} tried, {dead[part]} killed ({share:.0f} %)")
    for path, line, operator, outcome, _, diff in rows:
        if "SURVIVED" in str(outcome):
            changed = [one for one in diff.splitlines() if one[:1] in "+-" and one[:3] not in ("+++", "---")]
            print(f"\n{path}:{line} {operator.removeprefix('core/')}")
            print("\n".join(f"    {one}" for one in changed))


def main() -> int:
    """Copy, mutate, test, tell."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--sample", type=int, default=150)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=20.0, help="stop after so long (default: %(default)g)")
    parser.add_argument("--cosmic-ray", default="cosmic-ray", metavar="PROGRAM")
    options = parser.parse_args()
    program = shutil.which(options.cosmic_ray) or shutil.which(str(Path(sys.executable).with_name(options.cosmic_ray)))
    if program is None:
        print("cosmic-ray is not installed: pip install -e '.[test,mutation]'", file=sys.stderr)
        return 2
    with tempfile.TemporaryDirectory(prefix="mutants-") as text:
        folder = Path(text)
        for name in ("sensord", "tests", "config", "docs", "pyproject.toml", "hardware.md"):
            source = TOP / name
            if source.is_dir():
                shutil.copytree(source, folder / name)
            else:
                shutil.copy(source, folder / name)
        config = folder / "mutants.toml"
        config.write_text(_CONFIG.format(parts=json.dumps(PARTS), python=sys.executable, tests=TESTS))
        session = folder / "session.sqlite"
        subprocess.run([program, "init", str(config), str(session)], check=True, cwd=folder)
        total = _sample(session, options.sample, options.seed)
        try:
            command = [program, "exec", str(config), str(session)]
            subprocess.run(command, check=True, cwd=folder, timeout=60 * options.minutes)
        except subprocess.TimeoutExpired:
            print("stopped: the time is up")
        _told(session, total)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
