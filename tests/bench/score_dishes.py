"""Score the ready tone: `python -m tests.bench.score_dishes FOLDER`, or `--simulated 114` without a folder.

FOLDER holds `index.jsonl` with `NAME.readings.csv` and `NAME.truth.csv` beside it (a simulated dish and its truth, see
`tests/data/dish/README.md`). Prints one table: sensord beside the plain rules 'reading in the band' and 'in the band
for 10 s'. Families `wall` and `hot_spots` are left out of every row but their own, as no reading of a probe
at rest tells a wall.

Words: a tone is an entry into ready. An opportunity is one stay of the true mean in the band. A delay counts from the
later of the true entry and the first instant at which the probe had been in the paste.
"""

import argparse
import statistics
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

from tests.bench.judges import Estimate, Said, plain_rule, sensord_says
from tests.bench.make_dishes import make_many
from tests.bench.scenarios import Scenario, Stay, load

__all__ = ["Score", "main", "score", "table"]

LEFT_OUT = ("wall", "hot_spots")
LUMP_CELSIUS = 40.0


@dataclass(slots=True)
class Score:
    """Sums over dishes; see `table` for what each becomes."""

    dishes: int = 0
    hours: float = 0.0
    tones: int = 0
    tones_off: dict[float, int] = field(default_factory=lambda: {0.1: 0, 0.25: 0, 0.5: 0})
    tones_out_of_paste: int = 0
    ready_seconds: float = 0.0
    ready_seconds_off: float = 0.0
    stays: int = 0
    long_stays: int = 0
    missed: int = 0
    delays: dict[str, list[float]] = field(default_factory=lambda: {"watched": [], "water": [], "dip": []})
    window_seconds: float = 0.0
    window_used: float = 0.0
    ready_errors: dict[float, list[float]] = field(default_factory=lambda: {0.25: [], 0.5: [], 0.75: []})
    ready_covered: list[bool] = field(default_factory=list)
    ready_asked: int = 0
    window_errors: list[float] = field(default_factory=list)
    window_covered: list[bool] = field(default_factory=list)
    found: dict[str, list[bool]] = field(default_factory=dict)
    false_notes: dict[str, int] = field(default_factory=dict)
    hot_spots: list[bool] = field(default_factory=list)
    lumps_under_tone: list[bool] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)


def score(scenarios: Iterable[Scenario], judge: Callable[[Scenario], Said]) -> Score:
    """What `judge` makes of the dishes."""
    total = Score()
    for scenario in scenarios:
        said = judge(scenario)
        total.lumps_under_tone.append(_lump_under_tone(scenario, said))
        if scenario.family == "hot_spots":
            total.hot_spots.append(any(what == "uneven" for _, what, _ in said.notes))
        if scenario.family in LEFT_OUT:
            continue
        total.dishes += 1
        total.hours += scenario.duration / 3600.0
        _score_tones(total, scenario, said)
        _score_stays(total, scenario, said)
        _score_forecasts(total, scenario, said)
        _score_notes(total, scenario, said)
    return total


def _lump_under_tone(scenario: Scenario, said: Said) -> bool:
    return any(scenario.at(start)[2] > LUMP_CELSIUS for start, _ in said.ready)


def _score_tones(total: Score, scenario: Scenario, said: Said) -> None:
    for start, end in said.ready:
        total.tones += 1
        off = scenario.outside(start)
        for limit in total.tones_off:
            total.tones_off[limit] += off > limit
        if off > 0.25:
            total.remarks.append(f"{scenario.name} at {start:.0f} s by {off:.2f}")
        if scenario.at(start)[3] not in ("paste", "wall"):
            total.tones_out_of_paste += 1
            total.remarks.append(f"{scenario.name} at {start:.0f} s out of the paste")
        total.ready_seconds += end - start
        second = start
        while second < end:
            total.ready_seconds_off += scenario.outside(second) > 0.25
            second += 1.0


def _in_paste_from(scenario: Scenario, stay: Stay, leave: float) -> float | None:
    """First instant of the stay with the probe in the paste."""
    second = stay.enter
    while second < leave:
        if scenario.at(second)[3] in ("paste", "wall"):
            return second
        second += 1.0
    return None


def _score_stays(total: Score, scenario: Scenario, said: Said) -> None:
    for stay in scenario.stays:
        leave = scenario.duration if stay.leave is None else stay.leave
        watched = _in_paste_from(scenario, stay, leave)
        if watched is None:
            continue
        total.stays += 1
        inside = [(max(a, watched), min(b, leave)) for a, b in said.ready if a < leave and b > watched]
        total.window_seconds += leave - watched
        total.window_used += sum(b - a for a, b in inside)
        if leave - watched < 45.0:
            continue
        total.long_stays += 1
        if not inside:
            total.missed += 1
            total.remarks.append(f"{scenario.name}: missed the stay from {watched:.0f} s to {leave:.0f} s")
            continue
        kind = "watched"
        if watched - stay.enter > 1.5 or stay.entered_from == "start":
            kind = "dip"
        elif any(-5.0 <= stay.enter - e["t_s"] <= 30.0 for e in scenario.of_kind("add_cool", "add_hot")):
            kind = "water"
        total.delays[kind].append(inside[0][0] - watched)


def _score_forecasts(total: Score, scenario: Scenario, said: Said) -> None:
    for stay in scenario.stays:
        starts = [
            e["t_s"]
            for e in scenario.of_kind("dip", "add_cool", "add_hot", "bath_in", "bath_out")
            if e["t_s"] < stay.enter
        ]
        if stay.entered_from == "start" or not starts:
            continue
        start = max(starts)
        if stay.enter - start < 40.0:
            continue
        for share in total.ready_errors:
            moment = start + share * (stay.enter - start)
            if scenario.at(moment)[3] != "paste":
                continue
            given = [e for e in said.estimates if e.seconds <= moment]
            total.ready_asked += 1
            if not given or given[-1].ready is None:
                continue
            actual = stay.enter - given[-1].seconds
            value, low, high = given[-1].ready
            total.ready_errors[share].append(abs(value - actual) / actual)
            total.ready_covered.append(low <= actual <= high)
        first = next((a for a, _ in said.ready if stay.enter - 60.0 <= a < (stay.leave or scenario.duration)), None)
        if first is not None and stay.leave is not None and not _disturbed(scenario, first, stay.leave):
            _score_window(total, said.estimates, first, stay.leave)


def _disturbed(scenario: Scenario, start: float, end: float) -> bool:
    return any(start <= e["t_s"] <= end for e in scenario.of_kind("add_cool", "add_hot", "bath_in", "bath_out", "lift"))


def _score_window(total: Score, estimates: list[Estimate], first: float, leave: float) -> None:
    given = [e for e in estimates if abs(e.seconds - first) < 0.5]
    if not given or given[-1].window is None or leave <= first:
        return
    value, low, high = given[-1].window
    actual = leave - first
    total.window_errors.append(abs(value - actual) / actual)
    total.window_covered.append(low <= actual <= high)


WATER_SECONDS, LIFT_SECONDS, DIP_SECONDS = 45.0, 30.0, 30.0


def _score_notes(total: Score, scenario: Scenario, said: Said) -> None:
    used: set[int] = set()

    def look(kind: str, seconds: float, limit: float, *words: str, early: float = 2.0) -> None:
        hits = [
            i
            for i, (at, what, _) in enumerate(said.notes)
            if what in words and seconds - early <= at <= seconds + limit
        ]
        used.update(hits)
        total.found.setdefault(kind, []).append(bool(hits))
        if not hits:
            total.remarks.append(f"{scenario.name}: not found: {kind}, at {seconds:.0f} s")

    for event in scenario.events:
        at, kind = event["t_s"], event["kind"]
        if kind == "dip":
            look("dips", at, DIP_SECONDS, "dip")
        elif kind in ("add_cool", "add_hot"):
            look("added water within 45 s", at, WATER_SECONDS, "cool_water" if kind == "add_cool" else "hot_water")
        elif kind == "lift":
            look("lifts within 30 s", at, LIFT_SECONDS, "lift")
        elif kind == "frozen_start":
            look("frozen within 120 s", at, 120.0, "probe_fault")
        elif kind.startswith("fault_"):
            look("outages", at, event["until_s"] - at + 15.0, "probe_fault")
    _score_false(total, scenario, said, used)


def _score_false(total: Score, scenario: Scenario, said: Said, used: set[int]) -> None:
    stirs = [e["t_s"] for e in scenario.events if e["kind"] not in ("trap",) and not e["kind"].startswith("fault_")]
    faults = [
        (e["t_s"], e.get("until_s", scenario.duration))
        for e in scenario.events
        if e["kind"].startswith("fault_") or e["kind"] == "frozen_start"
    ]
    single = {o.seconds for o in scenario.observations if hasattr(o, "kind")}
    for i, (at, what, _) in enumerate(said.notes):
        if i in used or what not in ("dip", "disturbed", "uneven", "probe_fault"):
            continue
        if what == "disturbed" and any(-2.0 <= at - s <= 45.0 for s in stirs):
            continue
        if what == "probe_fault" and (at in single or any(a <= at <= b + 15.0 for a, b in faults)):
            continue
        total.false_notes[what] = total.false_notes.get(what, 0) + 1
        total.remarks.append(f"{scenario.name}: false {what} at {at:.0f} s")


def _percent(count: float, of: float) -> str:
    return "-" if not of else f"{100.0 * count / of:.1f} %"


def _quantile(values: list[float], share: float) -> str:
    if not values:
        return "-"
    ordered = sorted(values)
    return f"{ordered[min(len(ordered) - 1, int(share * len(ordered)))]:.0f}"


def _median(values: list[float]) -> str:
    return f"{statistics.median(values):.2f}" if values else "-"


def rows(s: Score, ten_seconds: Score) -> list[tuple[str, str]]:
    """Name and value of each row for one judge; `ten_seconds` is the rule that the standing time is compared with."""
    delays = s.delays
    made = [
        ("dishes / opportunities / tones", f"{s.dishes} / {s.stays} / {s.tones}"),
        ("tones off by > 0.1 °C", _percent(s.tones_off[0.1], s.tones)),
        ("tones off by > 0.25 °C", _percent(s.tones_off[0.25], s.tones)),
        ("tones off by > 0.5 °C; out of the paste", f"{s.tones_off[0.5]}; {s.tones_out_of_paste}"),
        (
            "ready standing while off by > 0.25 °C, of the 10 s rule's",
            f"{s.ready_seconds_off / max(ten_seconds.ready_seconds_off, 1.0):.3f} ({s.ready_seconds_off:.0f} s)",
        ),
        ("tones per opportunity", f"{s.tones / max(s.stays, 1):.2f}"),
        ("stays of 45 s and more missed", _percent(s.missed, s.long_stays)),
        (
            "delay after true entry, watched: median / p90, s",
            f"{_quantile(delays['watched'], 0.5)} / {_quantile(delays['watched'], 0.9)} ({len(delays['watched'])})",
        ),
        (
            "delay after water; after a dip: median, s",
            (
                f"{_quantile(delays['water'], 0.5)} ({len(delays['water'])}); "
                f"{_quantile(delays['dip'], 0.5)} ({len(delays['dip'])})"
            ),
        ),
        ("share of the window lost", _percent(s.window_seconds - s.window_used, s.window_seconds)),
        ("ready-time error at 25 / 50 / 75 %", " / ".join(_median(v) for v in s.ready_errors.values())),
        ("forecasts given, of those asked", _percent(len(s.ready_covered), s.ready_asked)),
        ("window error at ready", f"{_median(s.window_errors)} ({len(s.window_errors)})"),
        (
            "coverage of the 90 % intervals: ready; window",
            (
                f"{_percent(sum(s.ready_covered), len(s.ready_covered))}; "
                f"{_percent(sum(s.window_covered), len(s.window_covered))}"
            ),
        ),
    ]
    for kind in ("dips", "added water within 45 s", "lifts within 30 s", "frozen within 120 s", "outages"):
        hits = s.found.get(kind, [])
        made.append((f"found: {kind}", f"{_percent(sum(hits), len(hits))} ({len(hits)})"))
    made.append(("hot-spot dishes flagged", f"{_percent(sum(s.hot_spots), len(s.hot_spots))} ({len(s.hot_spots)})"))
    made.append(
        ("dishes with a lump over 40 °C under the tone", f"{sum(s.lumps_under_tone)} of {len(s.lumps_under_tone)}")
    )
    kinds = ("dip", "disturbed", "uneven", "probe_fault")
    made.extend((f"false {what} an hour", f"{s.false_notes.get(what, 0) / max(s.hours, 1e-9):.2f}") for what in kinds)
    made.append(("false events an hour together", f"{sum(s.false_notes.values()) / max(s.hours, 1e-9):.2f}"))
    return made


def table(columns: dict[str, Score]) -> str:
    """The table as Markdown."""
    ten = columns["in band 10 s"]
    made = {name: rows(column, ten) for name, column in columns.items()}
    lines = ["| figure | " + " | ".join(made) + " |", "|---" * (len(made) + 1) + "|"]
    for index, (label, _) in enumerate(next(iter(made.values()))):
        lines.append(f"| {label} | " + " | ".join(column[index][1] for column in made.values()) + " |")
    return "\n".join(lines)


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.score_dishes", description=__doc__)
    parser.add_argument("folders", nargs="*", type=Path)
    parser.add_argument("--simulated", type=int, default=0, metavar="N", help="N dishes of our own simulator")
    parser.add_argument("--seed", type=int, default=1, help="of --simulated")
    parser.add_argument(
        "--every", action="store_true", help="also list each wrong tone, missed stay, missed and false event"
    )
    parser.add_argument("--uptake", type=float, default=0.0, help="uptake seconds (default 0, as the truth has none)")
    parser.add_argument("--probability", type=float, default=0.95, help="of conformity, for the trade-off curve")
    options = parser.parse_args(arguments)
    scenarios = [scenario for folder in options.folders for scenario in load(folder)]
    scenarios += make_many(options.simulated, options.seed)
    columns = {
        "sensord": score(scenarios, lambda s: sensord_says(s, options.uptake, options.probability)),
        "reading in band": score(scenarios, lambda s: plain_rule(s, 0.0)),
        "in band 10 s": score(scenarios, lambda s: plain_rule(s, 10.0)),
    }
    print(table(columns))
    if options.every:
        print("\n".join(columns["sensord"].remarks))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
