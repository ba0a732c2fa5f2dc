"""Score the brooder's alarms: `python -m tests.bench.score_brooders FOLDER`, or `--simulated 5` without a folder.

FOLDER holds `index.jsonl` with `NAME.readings.csv.gz` beside it (simulated brooder days and what really happened, see
`tests/data/brooder/README.md`). Prints one table: sensord beside a plain limit and a limit with five minutes' delay.

Words: an alarm is a line with state `unacknowledged`. An excursion is one stay of the true air outside the allowed
range; a warranted one ought to be alarmed by its due time. An alarm belongs to an excursion of its side from a quarter
of an hour before it until two minutes after it. A heater failure is one warranted excursion while a heater is broken;
it counts as warned when a forecast or an alarm of its side came before the band was left.
"""

import argparse
import csv
import gzip
import json
import statistics
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from sensord.config import settings as assembly
from sensord.config.sections import BandSection
from sensord.readings import Fault, FaultKind, Observation, Reading
from sensord.run import replaying as replay
from sensord.watch.conditions import Condition
from sensord.watch.effects import AlarmChanged, AlarmState, Forecast
from tests.bench.brooder_simulator import FAMILIES, Day, Excursion, Trouble, simulate

__all__ = ["Alarm", "Score", "days_of", "five_minutes", "main", "plain_limit", "score", "sensord_says", "table"]

COLD = {Condition.TOO_COLD, Condition.DANGEROUSLY_COLD, Condition.LOSING_HEAT}
WARM = {Condition.TOO_WARM, Condition.DANGEROUSLY_WARM, Condition.GAINING_HEAT}
PROBE = {Condition.PROBE_FAULT, Condition.READINGS_LATE, Condition.PROBE_DISPLACED, Condition.PROBES_DISAGREE}
BEFORE_SECONDS = 900.0
AFTER_SECONDS = 120.0


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm that began at `start`: kind is low, high, probe, gap or chick."""

    kind: str
    start: float
    stop: float
    condition: str = ""


@dataclass(frozen=True, slots=True)
class Told:
    """A forecast: the band will be left on `side` between `low` and `high`."""

    side: str
    at: float
    low: float
    high: float


Said = tuple[list[Alarm], list[Told]]


@dataclass(slots=True)
class Score:
    """Sums over days; `table` says what each becomes."""

    days: float = 0.0
    warranted: int = 0
    missed: int = 0
    in_time: int = 0
    alarms: int = 0
    false: int = 0
    nuisance: int = 0
    failures: int = 0
    leads: list[float] = field(default_factory=list)
    covered: list[bool] = field(default_factory=list)
    troubles: list[bool] = field(default_factory=list)
    gaps: list[bool] = field(default_factory=list)
    chick: list[int] = field(default_factory=list)
    chick_named: list[bool] = field(default_factory=list)


def days_of(folder: Path) -> Iterator[Day]:
    """Every day that `folder/index.jsonl` names, with its truth."""
    for line in (folder / "index.jsonl").read_text().splitlines():
        entry = json.loads(line)
        day = Day(entry["name"], entry["family"], entry["hours"], tuple(entry["allowed_c"]))
        with gzip.open(folder / f"{entry['name']}.readings.csv.gz", "rt") as file:
            for row in csv.DictReader(file):
                text = row["reading"]
                day.rows.append((float(row["time_s"]), text if text[:1].isalpha() else float(text)))
        day.excursions = [
            Excursion(e["side"], e["start_s"], e["end_s"], e["depth_c"], e["label"], e["due_s"])
            for e in entry["excursions"]
        ]
        day.troubles = [
            Trouble(w["cause"], w["from_s"], w["due_s"], w["until_s"])
            for w in entry["warranted"]
            if w["cause"] not in ("low", "high")
        ]
        for event in entry["events"]:
            until = event.get("until_s") or entry["hours"] * 3600
            if event["kind"] in ("heater_loose", "heater_open", "heater_dead"):
                day.failures_s.append(("low", event["t_s"], until))
            elif event["kind"] == "heater_stuck_on":
                day.failures_s.append(("high", event["t_s"], until))
            elif event["kind"] == "thermostat_drift":
                day.failures_s.append(("low" if event["c_per_hour"] < 0 else "high", event["t_s"], until))
            elif event["kind"] == "chick_on_probe":
                day.chick_s.append((event["t_s"], until))
        yield day


def _observations(day: Day) -> list[Observation]:
    return [
        Fault("brooder", t, FaultKind(value)) if isinstance(value, str) else Reading("brooder", t, value)
        for t, value in day.rows
    ]


def sensord_says(day: Day) -> Said:
    """The whole of sensord, by replay."""
    band = BandSection(low_celsius=day.allowed_c[0], high_celsius=day.allowed_c[1], source="replay")
    config = replay.only(replay.config_for(None, brooder_band=band), {"brooder"})
    alarms: list[Alarm] = []
    open_since: dict[Condition, tuple[float, int]] = {}
    told: list[Told] = []
    for effect in replay.run(assembly.nursery_settings(config), _observations(day)):
        if isinstance(effect, Forecast):
            side = "low" if effect.condition is Condition.TOO_COLD else "high"
            told.append(
                Told(
                    side,
                    effect.seconds,
                    effect.seconds + effect.in_seconds.low,
                    effect.seconds + effect.in_seconds.high,
                )
            )
        elif isinstance(effect, AlarmChanged):
            if effect.state is AlarmState.UNACKNOWLEDGED:
                open_since[effect.condition] = (effect.seconds, len(alarms))
                alarms.append(Alarm(_kind(effect.condition), effect.seconds, 1e12, str(effect.condition)))
            elif effect.condition in open_since:
                start, index = open_since.pop(effect.condition)
                alarms[index] = Alarm(_kind(effect.condition), start, effect.seconds, str(effect.condition))
    return alarms, told


def _kind(condition: Condition) -> str:
    if condition in COLD:
        return "low"
    if condition in WARM:
        return "high"
    if condition in PROBE:
        return "probe"
    return {Condition.POWER_GAP: "gap", Condition.CHICK_ON_PROBE: "chick"}.get(condition, "other")


def _limit(day: Day, delay: float) -> Said:
    """A limit with a delay and no deadband; a reading that cannot be used changes nothing."""
    alarms: list[Alarm] = []
    side, since, start = "", 0.0, None
    for t, value in day.rows:
        if isinstance(value, str) or value == 85.0:
            continue
        now = "low" if value < day.allowed_c[0] else "high" if value > day.allowed_c[1] else ""
        if now != side:
            if start is not None:
                alarms.append(Alarm(side, start, t))
            side, since, start = now, t, None
        if side and start is None and t - since >= delay:
            start = t
    if start is not None:
        alarms.append(Alarm(side, start, 1e12))
    return alarms, []


def plain_limit(day: Day) -> Said:
    """An alarm at each reading outside."""
    return _limit(day, 0.0)


def five_minutes(day: Day) -> Said:
    """An alarm once readings have been outside for five minutes."""
    return _limit(day, 300.0)


def score(days: Iterable[Day], judge: Callable[[Day], Said]) -> Score:
    """What `judge` makes of the days."""
    total = Score()
    for day in days:
        _score_day(total, day, *judge(day))
    return total


def _score_day(total: Score, day: Day, alarms: list[Alarm], told: list[Told]) -> None:
    total.days += day.hours / 24
    claimed: set[Alarm] = set()
    for excursion in day.excursions:
        if excursion.label == "warranted":
            _score_excursion(total, day, excursion, alarms, told, claimed)
    for trouble in day.troubles:
        kinds = {"gap": ("gap",), "probe": ("probe",), "low_or_probe": ("low", "probe", "high")}[trouble.cause]
        mine = [a for a in alarms if a.kind in kinds and trouble.from_s <= a.start <= trouble.until_s + AFTER_SECONDS]
        claimed |= set(mine)
        good = any(a.start <= max(trouble.due_s, trouble.from_s) for a in mine)
        (total.gaps if trouble.cause == "gap" else total.troubles).append(good)
    if day.chick_s:
        mine = [a for a in alarms if any(start <= a.start <= stop + 60 for start, stop in day.chick_s)]
        mine = [a for a in mine if a not in claimed]
        total.chick.append(len(mine))
        total.chick_named += [a.kind == "chick" for a in mine]
        claimed |= set(mine)
    for alarm in alarms:
        if alarm in claimed:
            continue
        hit = next((e for e in day.excursions if _near(e, alarm)), None)
        if hit is None:
            total.false += 1
        elif hit.label == "nuisance":
            total.nuisance += 1
    for each in told:
        exit_s = next((e.start_s for e in day.excursions if e.side == each.side and e.start_s >= each.at - 60), None)
        hit_it = exit_s is not None and each.low <= exit_s <= each.high
        total.covered.append(hit_it)


def _near(excursion: Excursion, alarm: Alarm) -> bool:
    end = 1e12 if excursion.end_s is None else excursion.end_s
    return excursion.side == alarm.kind and excursion.start_s - BEFORE_SECONDS <= alarm.start <= end + AFTER_SECONDS


def _score_excursion(
    total: Score, day: Day, excursion: Excursion, alarms: list[Alarm], told: list[Told], claimed: set[Alarm]
) -> None:
    total.warranted += 1
    end = 1e12 if excursion.end_s is None else excursion.end_s
    earlier = [
        e.end_s for e in day.excursions if e.side == excursion.side and e.start_s < excursion.start_s and e.end_s
    ]
    floor = max([excursion.start_s - BEFORE_SECONDS, *(min(e + 60, excursion.start_s) for e in earlier[-1:])])
    watched = _watched_from(day, excursion)
    mine = [a for a in alarms if a.kind == excursion.side and floor <= a.start <= end + AFTER_SECONDS]
    standing = [a for a in alarms if a.kind == excursion.side and a.start < excursion.start_s < a.stop]
    claimed |= set(mine)
    total.alarms += len(mine)
    if not mine and not standing:
        total.missed += 1
    due = max(excursion.due_s or 0.0, watched + 60)
    if standing or any(a.start <= due for a in mine):
        total.in_time += 1
    broken = [f for f in day.failures_s if f[0] == excursion.side and f[1] - 5 <= excursion.start_s <= f[2]]
    if broken:
        total.failures += 1
        since = max(broken[-1][1], excursion.start_s - 7200, *(e for e in earlier[-1:]), 0.0)
        warnings = [t.at for t in told if t.side == excursion.side]
        warnings += [a.start for a in alarms if a.kind == excursion.side]
        warnings += [excursion.start_s for _ in standing]
        early = [w for w in warnings if since <= w <= excursion.start_s]
        if early:
            total.leads.append(excursion.start_s - min(early))


def _watched_from(day: Day, excursion: Excursion) -> float:
    """When somebody could first have known: after a power cut, when readings are back."""
    back = [t.from_s for t in day.troubles if t.cause == "gap" and t.from_s >= excursion.start_s]
    end = 1e12 if excursion.end_s is None else excursion.end_s
    return back[0] if back and back[0] < end and _was_off(day, excursion.start_s) else 0.0


def _was_off(day: Day, at: float) -> bool:
    return not any(at <= t <= at + 240 for t, _ in day.rows)


def table(scores: dict[str, Score]) -> str:
    """The figures side by side."""

    def share(hits: int, of: int) -> str:
        return f"{hits / of:.0%}" if of else "-"

    figures: list[tuple[str, Callable[[Score], str]]] = [
        ("warranted excursions missed", lambda s: f"{s.missed} of {s.warranted}"),
        ("raised by the time it is due", lambda s: share(s.in_time, s.warranted)),
        ("alarms per warranted excursion", lambda s: f"{s.alarms / s.warranted:.2f}" if s.warranted else "-"),
        ("false alarms a day", lambda s: f"{s.false / s.days:.2f}"),
        ("nuisance alarms a day", lambda s: f"{s.nuisance / s.days:.2f}"),
        ("heater failures warned before the band is left", lambda s: share(len(s.leads), s.failures)),
        ("  median lead time, s", lambda s: f"{statistics.median(s.leads):.0f}" if s.leads else "-"),
        ("coverage of a forecast's 90 % interval", lambda s: share(sum(s.covered), len(s.covered))),
        ("  of so many forecasts", lambda s: str(len(s.covered))),
        ("probe troubles noticed in time", lambda s: share(sum(s.troubles), len(s.troubles))),
        ("alarms while a chick lies on the probe, most in one", lambda s: f"{max(s.chick)}" if s.chick else "-"),
        ("  of them named as such", lambda s: share(sum(s.chick_named), len(s.chick_named))),
        ("power cuts told on return", lambda s: share(sum(s.gaps), len(s.gaps))),
    ]  # fmt: skip
    width = max(len(name) for name, _ in figures)
    lines = [" " * width + "".join(f"  {name:>14}" for name in scores)]
    lines += [f"{name:{width}}" + "".join(f"  {figure(s):>14}" for s in scores.values()) for name, figure in figures]
    return "\n".join(lines)


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", nargs="*", type=Path)
    parser.add_argument("--simulated", type=int, default=0, metavar="N", help="N days of each family of our own")
    parser.add_argument("--first", type=int, default=0, metavar="SEED", help="first seed of --simulated")
    options = parser.parse_args(arguments)
    days = [day for folder in options.folder for day in days_of(folder)]
    days += [simulate(f, s) for f in FAMILIES for s in range(options.first, options.first + options.simulated)]
    judges = {"sensord": sensord_says, "plain limit": plain_limit, "5 min delay": five_minutes}
    scores = {name: score(days, judge) for name, judge in judges.items()}
    print(table(scores))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
