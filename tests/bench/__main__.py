"""Every benchmark, one after the other: `python -m tests.bench`, or some of them by name.

Each runs in a process of its own, so that none warms another's caches. Figures are ratios measured side by side where
there is something to compare with; the machine's own speed is in none of them.
"""

import subprocess
import sys
from pathlib import Path

BENCHMARKS = {
    "probe_cycle": (),
    "pin_latency": (),
    "footprint": (),
    "dashboard": (),
    "fleet": (),
    "history_kills": (),
    "history_size": ("--days", "0.2"),
    "outbox_campaign": (),
    "score_dishes": ("tests/data/dish",),
    "score_brooders": ("tests/data/brooder",),
}


def main() -> int:
    """Run the named ones, or all; 1 where one of them failed or missed its target."""
    wanted = sys.argv[1:] or list(BENCHMARKS)
    unknown = [name for name in wanted if name not in BENCHMARKS]
    if unknown:
        print(f"no benchmark {', '.join(unknown)}; there are: {', '.join(BENCHMARKS)}", file=sys.stderr)
        return 2
    failed = []
    for name in wanted:
        print(f"\n== {name}", flush=True)
        command = [sys.executable, "-m", f"tests.bench.{name}", *BENCHMARKS[name]]
        if subprocess.run(command, cwd=Path(__file__).parents[2], check=False).returncode:
            failed.append(name)
    print(f"\n{len(wanted) - len(failed)} of {len(wanted)} done" + (f"; look at {', '.join(failed)}" if failed else ""))
    return 1 if failed else 0


if __name__ == "__main__":
    raise SystemExit(main())
