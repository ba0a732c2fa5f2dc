"""Every benchmark, one after the other: `python -m tests.bench`, or some of them by name; about ten minutes for all.

Each runs in a process of its own, so that none warms another's caches. Figures are ratios measured side by side where
there is something to compare with; the machine's own speed is in none of them. `--write docs/benchmarks.md` makes the
page of them, and asks for all.
"""

import argparse
import os
import platform
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

TOP = Path(__file__).parents[2]


BENCHMARKS: dict[str, tuple[str, ...]] = {
    "probe_cycle": ("One cycle over the probes of a bus, beside reading one after the other",),
    "footprint": ("Import time and memory, beside a plain loop",),
    "quick_verbs": ("CPU of a verb, beside a Python that imports argparse, json and socket",),
    "estimator": ("What a reading costs the rules",),
    "dashboard": ("Start and drawing of the dashboard",),
    "mqtt_cost": ("What MQTT costs, beside a bare publish", "--seconds", "40"),
    "history_size": ("How large the history gets and what it writes", "--days", "12"),
}
"""By name: what is measured, then the options."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a benchmark said, and its exit code."""

    name: str
    lines: tuple[str, ...]
    code: int

    @property
    def targets(self) -> list[tuple[str, str]]:
        """Each target in words, and whether it was met."""
        said = [line.removeprefix("target: ") for line in self.lines if line.startswith("target: ")]
        return [(words, verdict) for words, _, verdict in (line.rpartition(": ") for line in said)]


def run(name: str) -> Outcome:
    """Run one, its lines shown as they come."""
    print(f"\n== {name}", flush=True)
    command = [sys.executable, "-u", "-m", f"tests.bench.{name}", *BENCHMARKS[name][1:]]
    lines = []
    with subprocess.Popen(command, cwd=TOP, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        for line in process.stdout:
            print(line, end="", flush=True)
            lines.append(line.rstrip())
    return Outcome(name, tuple(lines), process.returncode)


def page(outcomes: list[Outcome], minutes: float, load: tuple[float, float]) -> str:
    """The benchmark page as Markdown; `load` of the machine before and after."""
    rows = [
        f"| [{one.name}](#{one.name}) | {words} | {verdict} |" for one in outcomes for words, verdict in one.targets
    ]
    head = _HEAD.format(
        minutes=minutes,
        cores=os.cpu_count(),
        machine=platform.machine(),
        python=platform.python_version(),
        before=load[0],
        after=load[1],
    )
    parts = [head + "| benchmark | target | |\n| --- | --- | --- |\n" + "\n".join(rows)]
    for one in outcomes:
        title, *options = BENCHMARKS[one.name]
        command = " ".join(["python -m", f"tests.bench.{one.name}", *options])
        shown = [line for line in one.lines if not line.startswith("target: ")]
        text = "\n".join(shown).strip("\n")
        parts.append(f"## {one.name}\n\n{title}: `{command}`\n\n```\n{text}\n```")
    return "\n\n".join(parts) + "\n"


_HEAD = """# Benchmarks

Written by `python -m tests.bench --write docs/benchmarks.md` in {minutes:.0f} minutes on {cores} cores
({machine}) with Python {python}. Nothing here ran on a Pi or wrote to an SD card. The load of the machine was
{before:.1f} before and {after:.1f} after; over 1 before means that other work ran beside, and that times are longer
than they need be, ratios less so.

How dishes and brooders score stands in [dish-scores.md](dish-scores.md) and [brooder.md](brooder.md).

"""


def main() -> int:
    """Run the named ones, or all; 1 where one of them failed or missed its target."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help=", ".join(BENCHMARKS))
    parser.add_argument("--write", type=Path, metavar="FILE", help="write the benchmark page there")
    options = parser.parse_args()
    unknown = [name for name in options.names if name not in BENCHMARKS]
    if unknown:
        parser.error(f"no benchmark {', '.join(unknown)}; there are: {', '.join(BENCHMARKS)}")
    began, before = time.monotonic(), os.getloadavg()[0]
    outcomes = [run(name) for name in options.names or BENCHMARKS]
    if options.write is not None:
        options.write.write_text(page(outcomes, (time.monotonic() - began) / 60, (before, os.getloadavg()[0])))
    failed = [one.name for one in outcomes if one.code]
    print(
        f"\n{len(outcomes) - len(failed)} of {len(outcomes)} done"
        + (f"; look at {', '.join(failed)}" if failed else "")
    )
    return 1 if failed else 0


if __name__ == "__main__":
    raise SystemExit(main())
