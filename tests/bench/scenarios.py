"""Scenario folders of simulated dishes: readings, the truth beside them, and what `index.jsonl` says of each."""

import csv
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sensord.readings import Fault, FaultKind, Observation, Reading

__all__ = ["Scenario", "Stay", "load"]


@dataclass(frozen=True, slots=True)
class Stay:
    """One stay of the true mean in the band; `leave` is None where the record ends first."""

    enter: float
    entered_from: str
    leave: float | None
    left_to: str | None


@dataclass(frozen=True, slots=True)
class Scenario:
    """One dish. `truth` holds one row a second: mean, coldest, hottest, place of the probe, stirring."""

    name: str
    family: str
    duration: float
    uncertainty: float
    band: tuple[float, float]
    stays: tuple[Stay, ...]
    events: tuple[dict[str, Any], ...]
    observations: tuple[Observation, ...]
    truth: tuple[tuple[float, float, float, str, bool], ...]

    def at(self, seconds: float) -> tuple[float, float, float, str, bool]:
        """The truth at an instant, means interpolated between whole seconds."""
        first = min(max(int(seconds), 0), len(self.truth) - 1)
        second = min(first + 1, len(self.truth) - 1)
        share = min(max(seconds - first, 0.0), 1.0)
        a, b = self.truth[first], self.truth[second]
        mean, cold, hot = (x + (y - x) * share for x, y in zip(a[:3], b[:3], strict=True))
        return mean, cold, hot, a[3], a[4]

    def outside(self, seconds: float) -> float:
        """How far the true mean lies outside the band, in Celsius; 0 inside."""
        mean = self.at(seconds)[0]
        return max(0.0, self.band[0] - mean, mean - self.band[1])

    def of_kind(self, *kinds: str) -> list[dict[str, Any]]:
        return [event for event in self.events if event["kind"] in kinds]


def load(folder: Path) -> Iterator[Scenario]:
    """Every scenario that `folder/index.jsonl` names, in its order."""
    for line in (folder / "index.jsonl").read_text().splitlines():
        entry = json.loads(line)
        yield Scenario(
            entry["name"],
            entry["family"],
            entry["duration_s"],
            entry["probe_uncertainty_c"],
            (entry["band_c"][0], entry["band_c"][1]),
            tuple(Stay(s["enter_s"], s["entered_from"], s["leave_s"], s["left_to"]) for s in entry["in_band"]),
            tuple(entry["events"]),
            tuple(_observations(folder / f"{entry['name']}.readings.csv")),
            tuple(_truth(folder / f"{entry['name']}.truth.csv")),
        )


def _observations(path: Path) -> Iterator[Observation]:
    with path.open(newline="") as file:
        for row in csv.DictReader(file):
            seconds, probe, text = float(row["time_s"]), row["probe"], row["reading"]
            if text[:1].isalpha():
                yield Fault(probe, seconds, FaultKind(text))
            else:
                yield Reading(probe, seconds, float(text))


def _truth(path: Path) -> Iterator[tuple[float, float, float, str, bool]]:
    with path.open(newline="") as file:
        for row in csv.DictReader(file):
            yield (
                float(row["mean_c"]),
                float(row["coldest_c"]),
                float(row["hottest_c"]),
                row["probe_place"],
                row["stirring"] == "1",
            )
