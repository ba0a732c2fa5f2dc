"""Replay: recorded readings through the same rules as live, on a virtual clock, at full speed.

Reads `time_s,probe,reading` (CSV, `.gz` accepted): seconds from the start, the probe's name, Celsius or a fault word.
Writes one JSON object a line, in time order. A hole in time is a hole: for the first minute of it the clock goes on
ticking (a probe's silence is noticed), a longer one is taken for a time when the daemon was off.
"""

import csv
import gzip
import json
import math
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TextIO

from sensord.config.sections import BandSection, Config, ProbeSection
from sensord.errors import DataError, quoted, unreadable
from sensord.readings import Fault, FaultKind, Observation, Place, Reading
from sensord.watch import nursery as whole
from sensord.watch.effects import AlarmChanged, DishChanged, DishEstimated, Effect, Forecast, Noted, columns_of
from sensord.watch.events import Event, Gap, Observed, Tick
from sensord.watch.state import Nursery, NurserySettings, first_nursery

OFF_AFTER_SECONDS = 60.0
"""A hole in which no probe at all was read for longer than this is taken for a stop of the daemon."""

_HEADER = ["time_s", "probe", "reading"]
_UTC_START = 0.0
_LONGEST_SECONDS = 100_000_000.0
"""Three years: no recording is longer, and a clock ticking towards a time beyond the floats would never get there."""


@dataclass(frozen=True, slots=True)
class BadRow:
    """A row that could not be understood: its line number in the file, and why."""

    line: int
    why: str


@dataclass(slots=True)
class Recording:
    """The rows of a file that could be understood, and the ones that could not."""

    observations: list[Observation] = field(default_factory=list)
    bad: list[BadRow] = field(default_factory=list)

    @property
    def probes(self) -> set[str]:
        return {one.probe for one in self.observations}


def read(path: Path, probes: Iterable[str] | None = None) -> Recording:
    """The recording in `path`; rows of probes outside `probes` (None: all are fine) count as bad.

    Raises `DataError` where the file cannot be read at all or is no recording.
    """
    known = None if probes is None else set(probes)
    try:
        with _open(path) as file:
            return _read(file, path, known)
    except (zlib.error, EOFError, gzip.BadGzipFile) as error:
        raise DataError(f"{path}: is damaged, or was not copied whole ({error}): get it anew") from error
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise DataError(f"{path}: {unreadable(error)}") from error


def _open(path: Path) -> TextIO:
    return gzip.open(path, "rt", encoding="utf-8") if path.suffix == ".gz" else path.open(encoding="utf-8", newline="")


def _read(file: TextIO, path: Path, known: set[str] | None) -> Recording:
    rows = csv.reader(file)
    header = next(rows, None)
    if header is None or [name.strip() for name in header] != _HEADER:
        raise DataError(f"{path}: line 1: a recording starts with the line {','.join(_HEADER)}")
    recording = Recording()
    latest: dict[str, float] = {}
    for row in rows:
        if not row:
            continue
        try:
            observation = _observation(row, known)
            now, last = observation.seconds, max(latest.values(), default=-math.inf)
            if now < last:
                raise DataError(f"time runs back from {last:g} s to {now:g} s")
            if now == latest.get(observation.probe):
                raise DataError(f"a second reading of {quoted(observation.probe)} at {now:g} s")
        except DataError as error:
            recording.bad.append(BadRow(rows.line_num, str(error)))
            continue
        latest[observation.probe] = now
        recording.observations.append(observation)
    return recording


def _observation(row: list[str], known: set[str] | None) -> Observation:
    if len(row) != len(_HEADER):
        raise DataError(f"{len(row)} columns instead of {len(_HEADER)}")
    time_text, probe, text = row[0], row[1].strip(), row[2].strip()
    try:
        seconds = float(time_text)
    except ValueError:
        seconds = math.nan
    if not math.isfinite(seconds) or seconds < 0:
        raise DataError(f"{quoted(time_text)} is no time in seconds from the start")
    if seconds > _LONGEST_SECONDS:
        raise DataError(f"{seconds:g} s from the start is longer than any recording ({_LONGEST_SECONDS:g} s at most)")
    if known is not None and probe not in known:
        raise DataError(f"unknown probe {quoted(probe)}; known: {', '.join(sorted(known))}")
    try:
        celsius = float(text)
    except ValueError:
        return Fault(probe, seconds, _fault_kind(text))
    if not math.isfinite(celsius):
        raise DataError(f"{quoted(text)} is no temperature in Celsius")
    return Reading(probe, seconds, celsius)


def _fault_kind(text: str) -> FaultKind:
    try:
        return FaultKind(text)
    except ValueError:
        raise DataError(f"{quoted(text)} is neither a temperature nor a fault word ({', '.join(FaultKind)})") from None


def config_for(
    config: Config | None,
    *,
    dish_band: BandSection | None = None,
    brooder_band: BandSection | None = None,
    uncertainty_celsius: float | None = None,
    uptake_seconds: float | None = None,
) -> Config:
    """The config of a replay: `config`, or one probe `dish` and one probe `brooder`; the options override its keys."""
    config = config or _default_config()
    dish_changes: dict[str, Any] = {}
    if dish_band is not None:
        dish_changes["band"] = dish_band
    if uptake_seconds is not None:
        dish_changes["uptake_seconds"] = uptake_seconds
    brooder_changes: dict[str, Any] = {} if brooder_band is None else {"band": brooder_band}
    probe_changes: dict[str, Any] = {} if uncertainty_celsius is None else {"uncertainty_celsius": uncertainty_celsius}
    return config.model_copy(
        update={
            "probes": {name: one.model_copy(update=probe_changes) for name, one in config.probes.items()},
            "dishes": {name: one.model_copy(update=dish_changes) for name, one in config.dishes.items()},
            "brooders": {name: one.model_copy(update=brooder_changes) for name, one in config.brooders.items()},
        }
    )


def _default_config() -> Config:
    return Config.model_validate(
        {
            "unit": {"name": "replay"},
            "probes": {
                "dish": ProbeSection(rom="28-000000000001", place=Place.DISH),
                "brooder": ProbeSection(rom="28-000000000002", place=Place.BROODER),
            },
            "dishes": {"dish": {"probe": "dish"}},
            "brooders": {"brooder": {"probes": ["brooder"], "band": {"low_celsius": 33.2, "high_celsius": 35.8}}},
        }
    )


def only(config: Config, probes: set[str]) -> Config:
    """The part of a config that a recording can say something about."""
    brooders = {
        name: one.model_copy(update={"probes": [probe for probe in one.probes if probe in probes]})
        for name, one in config.brooders.items()
        if probes & set(one.probes)
    }
    return config.model_copy(
        update={
            "probes": {name: one for name, one in config.probes.items() if name in probes},
            "dishes": {name: one for name, one in config.dishes.items() if one.probe in probes},
            "brooders": brooders,
        }
    )


def events(observations: Iterable[Observation], tick_seconds: float) -> Iterator[Event]:
    """What the daemon would have seen: the observations, ticks between them, and a Gap after a long hole."""
    clock = None
    for observation in observations:
        now = observation.seconds
        if clock is None:
            clock = now
            yield Tick(now, _UTC_START + now)
        gap = now - clock
        until = now if gap <= OFF_AFTER_SECONDS else clock + OFF_AFTER_SECONDS
        while clock + tick_seconds <= until:
            clock += tick_seconds
            yield Tick(clock, _UTC_START + clock)
        if gap > OFF_AFTER_SECONDS:
            yield Gap(now, gap)
            clock = now
            yield Tick(now, _UTC_START + now)
        yield Observed(observation)


def run(settings: NurserySettings, observations: list[Observation]) -> Iterator[Effect]:
    """All effects of a recording, in time order."""
    if not observations:
        return
    tick_seconds = 1.0 if settings.dishes else 5.0
    state: Nursery = first_nursery(settings, observations[0].seconds)
    for event in events(observations, tick_seconds):
        state, effects = whole.step(settings, state, event)
        yield from effects


def _ends(path: str, *keys: str) -> str:
    return " ".join(f"{key}={path}.{end}" for key, end in zip(keys, ("middle", "low", "high"), strict=True))


_PASTE = _ends("estimate_celsius", "celsius", "low", "high")
_READY = _ends("outlook.ready_in_seconds", "ready_in_s", "ready_low_s", "ready_high_s")
_OPEN = _ends("outlook.open_for_seconds", "open_for_s", "open_low_s", "open_high_s")
_LINES: dict[type, tuple[str, str]] = {
    DishChanged: ("dish", f"probe state {_PASTE}"),
    DishEstimated: ("estimate", f"probe {_PASTE} {_READY} never=outlook.never {_OPEN}"),
    Noted: ("note", "probe what fault seconds=gap_seconds"),
    AlarmChanged: ("alarm", "place condition priority=priority.word state celsius"),
    Forecast: ("forecast", "place condition " + _ends("in_seconds", "in_s", "low_s", "high_s")),
}


def replay_object(effect: Effect) -> dict[str, Any] | None:
    """The effect as one object of the replay format; None for effects that it does not hold."""
    if type(effect) not in _LINES:
        return None
    kind, columns = _LINES[type(effect)]
    told = columns_of(effect, columns)
    if isinstance(effect, Noted):  # says only what there is to say
        told = {key: value for key, value in told.items() if value is not None}
    return {"time_s": round(effect.seconds, 2), "kind": kind} | {key: _rounded(key, told[key]) for key in told}


def _rounded(key: str, value: Any) -> Any:
    """Hundredths of a second, thousandths of a degree."""
    return round(value, 2 if key.endswith(("_s", "seconds")) else 3) if isinstance(value, float) else value


def replay_line(effect: Effect) -> str | None:
    """The effect as a line of JSON, without its line end; None where the format does not hold it."""
    told = replay_object(effect)
    return None if told is None else json.dumps(told, separators=(", ", ": "))
