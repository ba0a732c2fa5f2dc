"""What needs a person on the dashboard: alarms with what to do first, faulty probes, outputs in trouble."""

from rich.text import Text

from sensord.durations import duration
from sensord.screens.page import PRIORITY_STYLES, Look, line, wrapped
from sensord.screens.ruler import QUIET
from sensord.screens.words import (
    alarm_state_words,
    alarm_time_words,
    condition_words,
    countdown,
    for_the_keeper,
    hidden_words,
    marks,
)
from sensord.watch.views import AlarmView, ProbeView, Snapshot

__all__ = ["alarm_rows", "probe_rows", "trouble_rows"]

_METHODS = {"bulk": "one conversion for all", "parallel": "each in a thread", "serial": "one after the other"}


def alarm_rows(snapshot: Snapshot, look: Look, in_full: int) -> list[Text]:
    """All alarms, those for the keeper first; the first `in_full` of those that stand with what to do."""
    rows: list[Text] = []
    for number, alarm in enumerate(for_the_keeper(snapshot.alarms)):
        full = alarm.standing and number < in_full
        rows += _alarm_in_full(alarm, snapshot, look) if full else [_alarm_title(alarm, snapshot, look)]
    return rows + [line(look, look.width, (f"    {words}", QUIET)) for words in hidden_words(snapshot)]


def _alarm_title(alarm: AlarmView, snapshot: Snapshot, look: Look) -> Text:
    style = PRIORITY_STYLES[alarm.priority]
    return line(
        look,
        look.width,
        (f"{marks(alarm.priority):>3} ", f"bold {style}"),
        (f"{alarm.place} {condition_words(alarm.condition)}", f"bold {style}"),
        f"{alarm_time_words(alarm, snapshot.seconds)} · {alarm_state_words(alarm)}",
    )


def _alarm_in_full(alarm: AlarmView, snapshot: Snapshot, look: Look) -> list[Text]:
    rows = [_alarm_title(alarm, snapshot, look)]
    rows += [line(look, look.width, "    ", row) for row in wrapped(alarm.seen, look.width - 5) if row]
    first, *more = wrapped(alarm.do_first, look.width - 7)
    rows.append(line(look, look.width, "    → ", (first, "bold")))
    return [*rows, *(line(look, look.width, "      ", (row, "bold")) for row in more)]


def trouble_rows(snapshot: Snapshot, look: Look) -> list[Text]:
    """What of the watch itself needs a person: probes with a fault, outputs in trouble, a paused horn, no clock."""
    rows = []
    if snapshot.audio_paused_left_seconds is not None:
        left = countdown(snapshot.audio_paused_left_seconds)
        rows.append(line(look, look.width, "  ", (f"sound paused, back in {left}", "bold yellow")))
    for output in snapshot.outputs:
        if not output.working:
            first, *more = wrapped(f"{output.name} does not work: {output.words}", look.width - 5)
            rows.append(line(look, look.width, "  ", (first, "bold yellow")))
            rows += [line(look, look.width, "    ", row) for row in more]
    for probe in snapshot.probes:
        if probe.fault is not None:
            rows += _probe_trouble(probe, look)
    if snapshot.utc_seconds is None:
        rows.append(line(look, look.width, "  ", ("clock not set", "bold"), ": times of day are left out until it is"))
    return rows


def _probe_trouble(probe: ProbeView, look: Look) -> list[Text]:
    assert probe.fault is not None
    times = probe.faults.get(probe.fault, 0)
    counted = f", {times} times so far" if times > 1 else ""
    rows = [
        line(
            look,
            look.width,
            "  ",
            (f"probe {probe.name}: {probe.fault.value.replace('_', ' ')}", "bold yellow"),
            counted,
        )
    ]
    return [*rows, *(line(look, look.width, "    ", row) for row in wrapped(probe.remedy, look.width - 5) if row)]


def _probe_summary(snapshot: Snapshot, look: Look) -> Text:
    if not snapshot.probes:
        return line(look, look.width, ("  no probe is configured: see `sensord probes`", "bold"))
    ages = [probe.age_seconds for probe in snapshot.probes if probe.age_seconds is not None]
    well = sum(probe.fault is None and probe.age_seconds is not None for probe in snapshot.probes)
    oldest = f", the oldest reading {duration(max(ages))} old" if ages else ""
    methods = " and ".join(sorted({_method_words(probe.method) for probe in snapshot.probes if probe.method}))
    told = f"  {well} of {len(snapshot.probes)} probes read{oldest}{' · ' if methods else ''}{methods}"
    return line(look, look.width, (told, QUIET))


def probe_rows(snapshot: Snapshot, look: Look, one_by_one: bool) -> list[Text]:
    """How the probes are read, in one row or a row for each; nothing where the picture is stale."""
    if look.stale_seconds is not None:
        return []
    if not one_by_one or not snapshot.probes:
        return [_probe_summary(snapshot, look)]
    longest = max(len(probe.name) for probe in snapshot.probes)
    rows = []
    for probe in snapshot.probes:
        celsius = (
            "  no reading  " if probe.celsius is None else f"{probe.celsius:5.1f} ± {probe.uncertainty_celsius:.1f} °C"
        )
        age = "never read" if probe.age_seconds is None else f"{duration(probe.age_seconds)} ago"
        failed = sum(probe.faults.values())
        counted = f"{probe.readings} readings, {failed} failed" if failed else f"{probe.readings} readings, none failed"
        parts = [celsius, age, _method_words(probe.method), counted, probe.calibrated or "not calibrated"]
        told = " · ".join(part for part in parts if part)
        rows.append(line(look, look.width, (f"  {probe.name:<{longest}}  {told}", QUIET)))
    return rows


def _method_words(method: str) -> str:
    return _METHODS.get(method, method)
