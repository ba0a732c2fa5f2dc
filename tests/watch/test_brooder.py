"""The brooder machine: what stands, and when."""

from collections.abc import Iterable

from sensord.readings import Band, Fault, FaultKind, Observation, Reading
from sensord.watch.brooder import Brooder, BrooderSettings, ConditionChanged, begin, gap, observe, tick, view
from sensord.watch.effects import Note, Noted, Verdict
from sensord.watch.events import Condition

SETTINGS = BrooderSettings("brooder", ("air",), Band(33.0, 36.0))


def steady(celsius: float, start: float, stop: float, probe: str = "air") -> list[Observation]:
    return [Reading(probe, float(s), celsius) for s in range(int(start), int(stop), 5)]


def run(
    observations: Iterable[Observation], settings: BrooderSettings = SETTINGS, brooder: Brooder | None = None
) -> tuple[Brooder, list[ConditionChanged]]:
    brooder = brooder or begin(settings)
    changes: list[ConditionChanged] = []
    for observation in observations:
        brooder, outcomes = observe(settings, brooder, observation)
        changes += [each for each in outcomes if isinstance(each, ConditionChanged)]
    return brooder, changes


def told(changes: list[ConditionChanged]) -> list[tuple[Condition, bool]]:
    return [(change.condition, change.standing) for change in changes]


def test_cold_air_for_longer_than_the_delay_stands_and_goes_when_it_is_warm_again() -> None:
    _, changes = run([*steady(34.0, 0, 600), *steady(32.0, 600, 1200), *steady(34.5, 1200, 1800)])
    assert told(changes) == [(Condition.TOO_COLD, True), (Condition.TOO_COLD, False)]
    assert changes[0].seconds >= 600 + SETTINGS.on_delay_seconds


def test_danger_stands_soon_on_either_side() -> None:
    _, cold = run([*steady(34.0, 0, 300), *steady(29.0, 300, 400)])
    _, warm = run([*steady(34.0, 0, 300), *steady(38.6, 300, 400)])
    assert told(cold) == [(Condition.DANGEROUSLY_COLD, True)]
    assert told(warm) == [(Condition.DANGEROUSLY_WARM, True)]


def test_silence_of_a_probe_stands_as_late() -> None:
    brooder, _ = run(steady(34.0, 0, 100))
    brooder, outcomes = tick(SETTINGS, brooder, 140.0)
    assert ConditionChanged(140.0, "brooder", Condition.READINGS_LATE, True, 34.0) in outcomes
    _, changes = run(steady(34.0, 145, 200), brooder=brooder)
    assert told(changes) == [(Condition.READINGS_LATE, False)]


def test_a_few_bad_readings_are_no_alarm_but_a_dead_probe_is() -> None:
    single = [*steady(34.0, 0, 100), Fault("air", 100.0, FaultKind.CRC_ERROR), *steady(34.0, 105, 200)]
    dead = [Fault("air", float(s), FaultKind.NO_RESPONSE) for s in range(200, 300, 5)]
    _, changes = run([*single, *dead])
    assert told(changes) == [(Condition.PROBE_FAULT, True)]


def test_one_failed_probe_does_not_blind_the_other() -> None:
    settings = BrooderSettings("brooder", ("air", "floor"), Band(33.0, 36.0))
    brooder, _ = run([*steady(34.0, 0, 100), *steady(34.2, 100, 200, "floor")], settings)
    observations: list[Observation] = []
    for s in range(200, 600, 5):
        observations += [Fault("air", float(s), FaultKind.NO_RESPONSE), Reading("floor", float(s), 28.0)]
    _, changes = run(observations, settings, brooder)
    assert (Condition.DANGEROUSLY_COLD, True) in told(changes)
    assert (Condition.PROBE_FAULT, True) in told(changes)


def test_a_power_gap_is_told_and_goes() -> None:
    brooder, _ = run(steady(34.0, 0, 100))
    brooder, outcomes = gap(SETTINGS, brooder, 4000.0, 3900.0)
    assert Noted(4000.0, "air", Note.POWER_GAP, gap_seconds=3900.0) in outcomes
    assert ConditionChanged(4000.0, "brooder", Condition.POWER_GAP, True, None) in outcomes
    _, changes = run(steady(34.0, 4005, 4700), brooder=brooder)
    assert told(changes) == [(Condition.POWER_GAP, False)]


def test_the_view_says_where_the_air_is() -> None:
    brooder, _ = run(steady(34.0, 0, 100))
    shown = view(SETTINGS, brooder, 100.0)
    assert shown.celsius == 34.0
    assert shown.verdict is Verdict.IN_BAND
    assert view(SETTINGS, brooder, 1000.0).celsius is None
