"""Ready only in paste: what a hand, a tap, a plate and a lossy wire may not bring about, and a keeper's press may."""

import random
from collections.abc import Iterable

import pytest

from sensord.demo.simulator import BowlMake, SimulatedBowl
from sensord.readings import Fault, FaultKind, Observation, Reading
from sensord.watch.cues import Cue
from sensord.watch.dish.dish_state import Dish, DishSettings
from sensord.watch.dish.paste_proof import (
    CREDIT_SECONDS,
    Paste,
    PasteProof,
    dipped,
    disturbed,
    in_paste_shown,
    lifted,
    watered,
)
from sensord.watch.dish.paste_watch import dish_observed, empty_dish, start_batch
from sensord.watch.effects import Cued, DishState, Effect
from tests.helpers.not_paste import KINDS, held
from tests.helpers.usual import usual_dish

SETTINGS = usual_dish(name="dish", probe="dish", uncertainty_celsius=0.1)


def watched(observations: Iterable[Observation], settings: DishSettings = SETTINGS) -> tuple[Dish, list[Effect], int]:
    """The dish after the observations, everything said, and how many of them found it ready."""
    dish, said, ready = empty_dish(settings), list[Effect](), 0
    for one in observations:
        dish, effects = dish_observed(settings, dish, one)
        said += effects
        ready += dish.state is DishState.READY
    return dish, said, ready


def tones(said: list[Effect]) -> list[Cue]:
    return [one.cue for one in said if isinstance(one, Cued) and one.cue in (Cue.READY, Cue.NOT_READY)]


def bowl_readings(celsius: float, seconds: int, bath: float | None = None, seed: int = 3) -> list[Reading]:
    """A bowl of so warm paste, dipped into at 20 s and stirred for 12 s of every 40."""
    bowl, readings = SimulatedBowl(BowlMake(celsius=celsius, bowl_celsius=celsius - 1.0), seed), []
    bowl.bath(bath)
    for second in range(seconds):
        if second == 20:
            bowl.dip()
        bowl.stir(second >= 20 and second % 40 < 12)
        bowl.advance(1.0)
        readings.append(Reading("dish", bowl.seconds, bowl.read()))
    return readings


@pytest.mark.parametrize("kind", KINDS)
def test_a_probe_that_is_not_in_paste_is_hardly_ever_ready(kind: str) -> None:
    """Of 40 hands, taps and plates of 10 minutes each, drawn by a seed that no rule was worked out on."""
    runs = [held(kind, 770_000 + n, 600.0) for n in range(40)]
    ready = [watched(run.readings)[2] for run in runs]
    assert sum(seconds > 0 for seconds in ready) <= 3
    assert sum(ready) < 0.01 * 40 * 600


def test_paste_that_a_bath_holds_is_asked_for_and_one_press_at_the_unit_settles_it() -> None:
    """It reads like a tap. The press starts no batch, so the uptake is not waited for again."""
    readings = bowl_readings(37.0, 400, bath=44.5)
    dish, said, ready = watched(readings)
    now = readings[-1].seconds
    assert (ready, tones(said)) == (0, [])
    assert dish.state is DishState.UNKNOWN
    assert "is it formula?" in dish.why
    confirmed, effects = start_batch(SETTINGS, dish, now)
    assert confirmed.state is DishState.READY
    assert tones(list(effects)) == [Cue.READY]
    assert confirmed.batch_seconds == dish.batch_seconds
    again, _ = start_batch(SETTINGS, confirmed, now + 1.0)
    assert (again.batch_seconds, again.state) == (now + 1.0, DishState.UPTAKE)


def test_the_network_does_not_say_that_it_is_paste() -> None:
    dish, _, _ = watched(bowl_readings(37.0, 400, bath=44.5))
    after, _ = start_batch(SETTINGS, dish, 400.0, at_unit=False)
    assert (after.batch_seconds, after.state) == (400.0, DishState.UPTAKE)


def test_an_ordinary_bowl_needs_no_press() -> None:
    for seed in range(4):
        dish, said, ready = watched(bowl_readings(41.0, 700, seed=seed))
        assert dish.proof.shown
        assert Cue.READY in tones(said)
        assert ready > 60


def test_a_hand_that_takes_the_probe_out_of_the_bowl_is_not_the_bowl() -> None:
    """Out of paste of 37 °C into a fist that reads 34 at first and warms to 36.6."""
    readings = bowl_readings(40.0, 500)
    skin = [
        Reading("dish", 500.0 + n, 34.0 + 2.6 * (1.0 - 2.0 ** (-n / 60.0)) + 0.0625 * (n % 2)) for n in range(1, 500)
    ]
    fall = [Reading("dish", 500.0 + n, 34.0 + 2.5 * 2.0 ** (-n / 7.0)) for n in range(1, 30)]
    _, said, _ = watched(readings)
    assert Cue.READY in tones(said)
    _, said, _ = watched([*readings, *fall, *skin])
    assert tones(said).count(Cue.READY) == tones(watched(readings)[1]).count(Cue.READY)
    assert tones(said)[-1] is Cue.NOT_READY


# --- the proof itself


@pytest.mark.parametrize(("celsius", "back"), [(37.0, True), (36.0, True), (34.9, False), (38.0, False)])
def test_paste_that_was_left_is_known_again_by_where_it_must_be(celsius: float, back: bool) -> None:
    """A minute later, in a room of 21 °C: usual losses are 0.0006 a second of 16 °C, 0.6 °C a minute; 2.5 times that
    and 0.6 °C of doubt may be missing."""
    proof = dipped(lifted(PasteProof(shown=True), Paste(100.0, 37.0)), 160.0, new_bowl=False)
    assert in_paste_shown(proof, 161.0, celsius, 21.0) is back
    new = dipped(lifted(PasteProof(shown=True), Paste(100.0, 37.0)), 160.0, new_bowl=True)
    assert in_paste_shown(new, 161.0, 60.0, 21.0)
    unknown = dipped(lifted(PasteProof(), Paste(100.0, 37.0)), 160.0, new_bowl=False)
    assert not in_paste_shown(unknown, 161.0, 37.0, 21.0)


def test_what_had_shown_itself_has_credit_after_a_disturbance_and_nothing_else() -> None:
    paste = Paste(100.0, 37.0)
    held_up = disturbed(PasteProof(shown=True), 100.0, paste)
    assert in_paste_shown(held_up, 100.0 + CREDIT_SECONDS - 1.0, 37.0, 21.0)
    assert not in_paste_shown(held_up, 100.0 + CREDIT_SECONDS, 37.0, 21.0)
    assert not in_paste_shown(disturbed(PasteProof(), 100.0, paste), 101.0, 37.0, 21.0)
    assert in_paste_shown(disturbed(PasteProof(confirmed=True), 100.0, paste), 9000.0, 37.0, 21.0)


@pytest.mark.parametrize(("change", "credit"), [(4.1, True), (-4.1, True), (3.9, False), (-3.9, False)])
def test_only_water_that_no_hand_or_plate_can_feign_has_credit(change: float, credit: bool) -> None:
    assert in_paste_shown(watered(PasteProof(), 50.0, change), 51.0, 37.0, 21.0) is credit


# --- a lossy wire


@pytest.mark.parametrize("kind", [FaultKind.CRC_ERROR, FaultKind.NO_RESPONSE, FaultKind.POWER_ON_VALUE])
def test_a_wire_that_loses_every_third_reading_makes_one_tone(kind: FaultKind) -> None:
    """A bowl that a bath holds in the band; one reading in three is lost by chance. It was 124 tones in 1,000 s."""
    chance = random.Random(5)
    readings = bowl_readings(41.0, 1400, bath=44.5, seed=4)
    lossy = [Fault("dish", r.seconds, kind) if r.seconds > 60 and chance.random() < 1 / 3 else r for r in readings]
    dish, said, ready = watched(lossy)
    assert tones(said) == [Cue.READY]
    assert ready > 200
    assert dish.state is (DishState.READY if isinstance(lossy[-1], Reading) else DishState.UNKNOWN)


def test_a_wire_that_breaks_takes_ready_away_at_once_and_calls_back_after_a_quarter_of_a_minute() -> None:
    dish, now = empty_dish(SETTINGS), 0.0
    for reading in bowl_readings(41.0, 1400):
        dish, _ = dish_observed(SETTINGS, dish, reading)
        now = reading.seconds
        if dish.state is DishState.READY:
            break
    said: list[tuple[float, Cue]] = []
    for n in range(1, 30):
        dish, effects = dish_observed(SETTINGS, dish, Fault("dish", now + n, FaultKind.NO_RESPONSE))
        assert dish.state is DishState.UNKNOWN
        said += [(float(n), cue) for cue in tones(list(effects))]
    assert said == [(15.0, Cue.NOT_READY)]
