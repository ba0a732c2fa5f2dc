"""What stands below the answer and between the places: alarms with what to do first, troubles, chicks, probes."""

from rich.text import Text

from sensord.durations import countdown, duration
from sensord.screens.chick_words import by_hunger, fed_words, feed_words, is_due, weight_words
from sensord.screens.page import PRIORITY_STYLES, QUIET, Look, line, wrapped
from sensord.screens.words import (
    alarm_state_words,
    alarm_time_words,
    condition_words,
    for_the_keeper,
    hidden_words,
    marks,
)
from sensord.watch.views import AlarmView, ProbeView, Snapshot

_METHODS = {"bulk": "one conversion for all", "parallel": "each in a thread", "serial": "one after the other"}


def _lines(text: str, look: Look, indent: str, style: str = "", first: str = "") -> list[Text]:
    """`text` over as many lines as it needs, each after `indent`, the first one after `first` where that is given."""
    rows = [row for row in wrapped(text, look.width - len(indent) - 1) if row]
    return [
        line(look, look.width, first if first and number == 0 else indent, (row, style))
        for number, row in enumerate(rows)
    ]


def alarm_rows(snapshot: Snapshot, look: Look, in_full: int) -> list[Text]:
    """All alarms, those for the keeper first; the first `in_full` of those that stand with what to do."""
    rows: list[Text] = []
    for number, alarm in enumerate(for_the_keeper(snapshot.alarms)):
        rows.append(_alarm_title(alarm, snapshot, look))
        if alarm.standing and number < in_full:
            rows += _lines(alarm.seen, look, "    ")
            rows += _lines(alarm.do_first, look, "      ", "bold", first="    → ")
    return rows + [line(look, look.width, (f"    {words}", QUIET)) for words in hidden_words(snapshot)]


def _alarm_title(alarm: AlarmView, snapshot: Snapshot, look: Look) -> Text:
    title = f"{marks(alarm.priority):>3} {alarm.place} {condition_words(alarm.condition)}"
    since = f"{alarm_time_words(alarm, snapshot.seconds)} · {alarm_state_words(alarm)}"
    return line(look, look.width, (title, f"bold {PRIORITY_STYLES[alarm.priority]}"), since)


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
        rows += _probe_trouble(probe, look)
    if snapshot.utc_seconds is None:
        rows.append(line(look, look.width, "  ", ("clock not set", "bold"), ": times of day are left out until it is"))
    return rows


def _probe_trouble(probe: ProbeView, look: Look) -> list[Text]:
    if probe.fault is None:
        return []
    times = probe.faults.get(probe.fault, 0)
    counted = f", {times} times so far" if times > 1 else ""
    title = (f"probe {probe.name}: {probe.fault.value.replace('_', ' ')}", "bold yellow")
    return [line(look, look.width, "  ", title, counted), *_lines(probe.remedy, look, "    ")]


def chick_rows(snapshot: Snapshot, look: Look, in_full: bool) -> list[Text]:
    """One row for each chick, the hungriest first, and its reasons to look; `in_full` adds weights and a count.

    A stale picture still tells when a feed is due: that does not wait for the daemon.
    """
    rows: list[Text] = []
    now = snapshot.utc_seconds
    longest = max((len(chick.name) for chick in snapshot.chicks), default=0)
    for chick in by_hunger(snapshot.chicks):
        due = (feed_words(chick, now, look.zone), "bold yellow" if is_due(chick, now) else "")
        told = [fed_words(chick, now), *(weight_words(chick) if in_full else [])]
        quiet = "".join(f" · {part}" for part in told)
        rows.append(line(look, look.width, "  ", (f"{chick.name:<{longest}}   ", "bold"), due, (quiet, QUIET)))
        for reason in chick.look:
            rows += _lines(reason, look, "    ", "bold")
    if in_full and snapshot.chicks:
        rows.append(line(look, look.width, (f"  alarms today: {snapshot.alarms_today}", QUIET)))
    return rows


def probe_rows(snapshot: Snapshot, look: Look, one_by_one: bool) -> list[Text]:
    """How the probes are read, in one row or a row for each; nothing where the picture is stale."""
    if look.stale_seconds is not None:
        return []
    if not snapshot.probes:
        return [line(look, look.width, ("  no probe is configured: see `sensord probes`", "bold"))]
    if not one_by_one:
        return [line(look, look.width, (_probe_summary(snapshot), QUIET))]
    longest = max(len(probe.name) for probe in snapshot.probes)
    return [
        line(look, look.width, (f"  {probe.name:<{longest}}  {_probe_words(probe)}", QUIET))
        for probe in snapshot.probes
    ]


def _probe_summary(snapshot: Snapshot) -> str:
    ages = [probe.age_seconds for probe in snapshot.probes if probe.age_seconds is not None]
    well = sum(probe.fault is None and probe.age_seconds is not None for probe in snapshot.probes)
    oldest = f", the oldest reading {duration(max(ages))} old" if ages else ""
    methods = " and ".join(sorted({_method_words(probe.method) for probe in snapshot.probes if probe.method}))
    return f"  {well} of {len(snapshot.probes)} probes read{oldest}{' · ' if methods else ''}{methods}"


def _probe_words(probe: ProbeView) -> str:
    celsius = (
        "  no reading  " if probe.celsius is None else f"{probe.celsius:5.1f} ± {probe.uncertainty_celsius:.1f} °C"
    )
    age = "never read" if probe.age_seconds is None else f"{duration(probe.age_seconds)} ago"
    failed = sum(probe.faults.values()) or "none"
    counted = f"{probe.readings} readings, {failed} failed"
    parts = [celsius, age, _method_words(probe.method), counted, probe.calibrated or "not calibrated"]
    return " · ".join(part for part in parts if part)


def _method_words(method: str) -> str:
    return _METHODS.get(method, method)
