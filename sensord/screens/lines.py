"""What the dashboard says, as plain lines: for pipes, logs, screen readers and terminals that can do no more."""

from datetime import UTC, tzinfo

from sensord.durations import countdown, countdown_between, duration, foretold
from sensord.screens.chick_words import chick_words
from sensord.screens.words import (
    alarm_state_words,
    alarm_time_words,
    answer,
    brooder_band_words,
    brooder_words,
    condition_words,
    dish_band_words,
    dish_words,
    for_the_keeper,
    hidden_words,
    marks,
    state_words,
    wait_for_ready,
)
from sensord.watch.effects import (
    AlarmChanged,
    AlarmState,
    Answered,
    BandMoved,
    BatchStarted,
    Cued,
    DishChanged,
    DishState,
    Effect,
    Forecast,
    GapFound,
    Noted,
)
from sensord.watch.views import AlarmView, BrooderView, DishView, Snapshot


def snapshot_lines(snapshot: Snapshot, stale_seconds: float | None = None, zone: tzinfo = UTC) -> list[str]:
    """Everything worth saying of a snapshot, the answer first; `stale_seconds` as in `words.answer`."""
    lines = [answer(snapshot, stale_seconds, zone).sentence]
    was = "was " if stale_seconds is not None else ""
    for alarm in for_the_keeper(snapshot.alarms):
        lines += _alarm_lines(alarm, snapshot)
    lines += hidden_words(snapshot)
    lines += [_brooder_line(brooder, was) for brooder in snapshot.brooders]
    for dish in snapshot.dishes:
        lines += _dish_lines(dish, was)
    lines += [chick_words(chick, snapshot.utc_seconds, zone) for chick in snapshot.chicks]
    if snapshot.audio_paused_left_seconds is not None:
        lines.append(f"sound paused, back in {countdown(snapshot.audio_paused_left_seconds)}")
    lines += [f"{output.name} does not work: {output.words}" for output in snapshot.outputs if not output.working]
    for probe in snapshot.probes:
        if probe.fault is not None:
            lines.append(f"probe {probe.name}: {probe.fault.value.replace('_', ' ')}. {probe.remedy}".rstrip())
    if snapshot.utc_seconds is None:
        lines.append("clock not set: times of day are left out until it is")
    return [" ".join(line.split()) for line in lines]


def _alarm_lines(alarm: AlarmView, snapshot: Snapshot) -> list[str]:
    title = f"{marks(alarm.priority)} {alarm.place} {condition_words(alarm.condition)}"
    title += alarm_time_words(alarm, snapshot.seconds)
    lines = [f"{title}, {alarm_state_words(alarm)}"]
    return [*lines, f"→ {alarm.do_first}"] if alarm.standing else lines


def _brooder_line(view: BrooderView, was: str) -> str:
    celsius = "no reading" if view.celsius is None else f"{was}{view.celsius:.1f} °C"
    parts = [f"{view.name}: {celsius}", f"{was}{brooder_words(view)}", brooder_band_words(view)]
    if view.leaves_band_in_seconds is not None and not was:
        parts.append(f"may leave its band in about {duration(view.leaves_band_in_seconds)}")
    return ", ".join([*parts, *view.notes])


def _dish_lines(view: DishView, was: str) -> list[str]:
    celsius = "no reading" if view.reading_celsius is None else f"{was}{view.reading_celsius:.1f} °C"
    parts = [f"{view.name}: {celsius}", f"{was}{dish_words(view.state, view)}"]
    if was:
        return [", ".join(parts)]
    if view.why and view.state is not DishState.AWAY:
        parts.append(view.why)
    outlook = view.outlook
    if (wait := wait_for_ready(view)) is not None:
        parts.append(f"ready in {countdown_between(wait)}")
    if outlook.open_for_seconds is not None and view.state is DishState.READY:
        parts.append(f"open for {countdown_between(outlook.open_for_seconds)}")
    lines = [", ".join([*parts, dish_band_words(view)])]
    return [*lines, f"→ {view.advice}"] if view.advice else lines


def effect_line(effect: Effect) -> str | None:
    """One happening in one line; None for those that only repeat what a snapshot shows."""
    match effect:
        case AlarmChanged(state=AlarmState.UNACKNOWLEDGED):
            title = f"{marks(effect.priority)} {effect.place} {condition_words(effect.condition)}"
            return f"{title}: {effect.seen} → {effect.do_first}"
        case AlarmChanged(state=AlarmState.SHELVED, previous=AlarmState.NORMAL):
            return None  # a shelved place shelves all of its alarms: the answer to the command is the line
        case AlarmChanged(state=AlarmState.NORMAL, previous=AlarmState.SHELVED):
            return None
        case AlarmChanged():
            return f"{effect.place} {condition_words(effect.condition)}: {state_words(effect.state)}"
        case DishChanged():
            celsius = f", paste about {effect.estimate_celsius.middle:.1f} °C" if effect.estimate_celsius else ""
            why = f" ({effect.why})" if effect.why else ""
            return f"{effect.dish}: {dish_words(effect.state)}{celsius}{why}"
        case Noted():
            fault = f" {effect.fault.value.replace('_', ' ')}" if effect.fault else ""
            detail = f" ({effect.detail})" if effect.detail else ""
            return f"probe {effect.probe}: {effect.what.value.replace('_', ' ')}{fault}{detail}"
        case Forecast():
            when = foretold(effect.in_seconds)
            return f"{effect.place}: {condition_words(effect.condition)} expected {when}"
        case BandMoved():
            return f"{effect.place}: keep at {effect.band} now ({effect.band_source})"
        case BatchStarted():
            return f"{effect.dish}: a new bowl"
        case GapFound():
            length = "an unknown time" if effect.gap_seconds is None else duration(effect.gap_seconds)
            return f"nobody watched for {length}"
        case Cued():
            return f"sound: {effect.cue.value.replace('-', ' ')}" + (f", {effect.dish}" if effect.dish else "")
        case Answered(done=False):
            return f"{effect.verb} refused: {effect.reason}"
        case Answered():
            return f"{effect.verb} done"
        case _:
            return None
