"""What brings an off dish back, and that it never makes it wrong in another way."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sensord.errors import DataError
from sensord.physics import paste, water
from sensord.physics.correcting import Bath, DishToCorrect, Nothing, Splash, Supplies, Temper, correct
from sensord.physics.heat import Bowl, Food, Material, Stuff, Water, open_air_loss, pool_square_metres, settled_celsius
from sensord.physics.mixing import Refusal
from sensord.physics.slips import HONEST
from sensord.readings import Band

BAND = Band(36.0, 38.0)
SUPPLIES = Supplies(hot_celsius=95, cool_celsius=18, room_celsius=21)
STEEL = Bowl(Material.STEEL, 90)


def test_a_dish_in_its_band_is_left_alone() -> None:
    assert correct(DishToCorrect(37.2, 40, 0.25, STEEL), SUPPLIES, BAND) == Nothing(37.2)


@pytest.mark.parametrize("celsius", [31.0, 35.5, 38.5, 42.0, 50.0])
def test_water_lands_the_dish_mid_band_by_the_heat_balance(celsius: float) -> None:
    dish = DishToCorrect(celsius, 40, 0.25, STEEL)
    answer = correct(dish, SUPPLIES, BAND)
    assert isinstance(answer, Splash)
    assert answer.temper is (Temper.COOL if celsius > 38 else Temper.WARM)
    food = paste.paste_of(paste.DEFAULT_FORMULA, 0.25)
    grams = 40 * paste.paste_density(food, celsius) / 1000
    added = answer.millilitres * water.water_density(answer.water_celsius) / 1000
    parts: list[tuple[Stuff, float]] = [
        (Food(grams, food), celsius),
        (Water(added), answer.water_celsius),
        (STEEL.solid(), celsius),
    ]
    # The half minute of stirring takes a few tenths more.
    assert 37.0 < settled_celsius(parts) < 37.6
    assert answer.celsius == pytest.approx(37.0, abs=1e-6)
    assert answer.low_celsius < 37.0 < answer.high_celsius
    assert answer.solids == pytest.approx(0.25 * grams / (grams + added))


def test_a_dish_that_water_would_make_too_thin_gets_a_bath_instead() -> None:
    answer = correct(DishToCorrect(46, 40, 0.25, STEEL), SUPPLIES, BAND, (0.20, 0.30))
    assert isinstance(answer, Bath)
    assert answer.temper is Temper.COOL
    assert answer.bath_celsius == 18
    assert answer.low_seconds < answer.seconds < answer.high_seconds
    assert "thin it to 17 %, under the 20 % allowed" in answer.because
    assert answer.solids == 0.25


def test_a_warm_bath_can_never_bring_paste_to_the_burn_limit() -> None:
    answer = correct(DishToCorrect(30, 40, 0.20, STEEL), SUPPLIES, BAND, (0.20, 0.30))
    assert isinstance(answer, Bath)
    assert answer.temper is Temper.WARM
    assert answer.bath_celsius == 42.0


def test_thick_walls_and_more_paste_take_longer_in_the_bath() -> None:
    def seconds(millilitres: float, material: Material) -> float:
        answer = correct(DishToCorrect(46, millilitres, 0.25, Bowl(material, 90)), SUPPLIES, BAND, (0.24, 0.30))
        assert isinstance(answer, Bath)
        return answer.seconds

    assert seconds(40, Material.STEEL) < seconds(40, Material.CERAMIC)
    assert seconds(40, Material.STEEL) < seconds(200, Material.STEEL)


def test_what_cannot_be_done_is_refused_with_the_reason() -> None:
    warm_tap = Supplies(hot_celsius=95, cool_celsius=37.5, room_celsius=30)
    answer = correct(DishToCorrect(45, 40, 0.25), warm_tap, BAND)
    assert isinstance(answer, Refusal)
    assert "the cool water (38 °C) is not below 37.0 °C" in answer.reason
    tepid = Supplies(hot_celsius=36.5, cool_celsius=18, room_celsius=21)
    answer = correct(DishToCorrect(30, 40, 0.25), tepid, BAND)
    assert isinstance(answer, Refusal)
    assert "fresh batch" in answer.remedy
    thick = correct(DishToCorrect(40, 40, 0.55), SUPPLIES, BAND, (0.20, 0.30))
    assert isinstance(thick, Refusal)
    free = correct(DishToCorrect(40, 40, 0.55), SUPPLIES, BAND)
    assert isinstance(free, Splash)
    assert f"even thinned it would be {100 * free.solids:.0f} %, over the 30 % allowed" in thick.reason


supplies = st.builds(Supplies, st.floats(20, 100), st.floats(2, 40), st.floats(10, 35))
bowls = st.one_of(st.none(), st.builds(Bowl, st.sampled_from(Material), st.floats(20, 300)))
dishes = st.builds(DishToCorrect, st.floats(5, 90), st.floats(5, 500), st.floats(0.05, 0.5), bowls)


@settings(max_examples=150, deadline=None)
@given(dishes, supplies, st.floats(0.05, 0.3), st.floats(0.0, 0.3))
def test_a_correction_never_leaves_the_solids_allowed_silently(
    dish: DishToCorrect, at_hand: Supplies, low: float, width: float
) -> None:
    answer = correct(dish, at_hand, BAND, (low, low + width))
    match answer:
        case Splash():
            assert low <= answer.solids <= low + width
            assert answer.celsius in BAND
            assert answer.millilitres > 0
        case Bath():
            assert answer.because
            assert answer.solids == dish.solids
            assert answer.bath_celsius <= 42.0
            assert 0 < answer.seconds <= 1200
        case Nothing():
            assert dish.celsius in BAND
        case Refusal():
            assert answer.reason
            assert answer.remedy


@pytest.mark.parametrize(
    ("celsius", "millilitres", "solids", "words"),
    [
        (120, 40, 0.25, "paste of 120 °C"),
        (float("nan"), 40, 0.25, "paste of nan °C"),
        (37, -4, 0.25, "-4 ml of paste"),
        (37, 40, 0.0, "solids of 0 %"),
        (37, 40, 0.7, "solids of 70 %"),
    ],
)
def test_a_dish_that_cannot_be_is_refused(celsius: float, millilitres: float, solids: float, words: str) -> None:
    with pytest.raises(DataError, match=words):
        DishToCorrect(celsius, millilitres, solids)


def test_water_and_rooms_that_cannot_be_are_refused() -> None:
    for bad in ((120.0, 18.0, 21.0), (95.0, -1.0, 21.0), (95.0, 18.0, 70.0)):
        with pytest.raises(DataError, match="impossible"):
            Supplies(*bad)


def settled_and_stirred(dish: DishToCorrect, at_hand: Supplies, added: float, **off: float) -> float:
    """The dish after `added` grams of hot or cool water and half a minute's stirring, by Newton's law of cooling.

    `off`: how far the kitchen is from what was entered.
    """
    food = paste.paste_of(paste.DEFAULT_FORMULA, dish.solids)
    entered = dish.millilitres * paste.paste_density(food, dish.celsius) / 1000
    own = dish.celsius + off.get("probe", 0.0)
    poured = at_hand.cool_celsius if dish.celsius > 38.0 else at_hand.hot_celsius
    parts: list[tuple[Stuff, float]] = [
        (Food(entered * (1 + off.get("amount", 0.0)), food), own),
        (Water(added * (1 + off.get("share", 0.0))), poured + off.get("water", 0.0)),
    ]
    if dish.bowl is not None:
        parts.append((dish.bowl.solid(1 + off.get("bowl", 0.0)), own))
    mixed = settled_celsius(parts)
    capacity = sum(stuff.joules_per_kelvin(mixed) for stuff, _ in parts)
    pace = (1 + off.get("loss", 0.0)) * open_air_loss(entered + added) / capacity
    room = at_hand.room_celsius + off.get("room", 0.0)
    return room + (mixed - room) * math.exp(-pace * 30.0)


@pytest.mark.parametrize(("celsius", "room"), [(31.0, 5.0), (31.0, 35.0), (46.0, 5.0), (46.0, 35.0)])
def test_the_room_takes_heat_while_the_water_is_stirred_in(celsius: float, room: float) -> None:
    dish, at_hand = DishToCorrect(celsius, 40, 0.25, STEEL), Supplies(90, 18, room)
    answer = correct(dish, at_hand, BAND)
    assert isinstance(answer, Splash)
    added = answer.millilitres * water.water_density(answer.water_celsius) / 1000
    assert settled_and_stirred(dish, at_hand, added) == pytest.approx(37.0, abs=1e-6)


@pytest.mark.parametrize("celsius", [31.0, 46.0])
@pytest.mark.parametrize("bowl", [None, STEEL])
def test_the_spread_of_a_correction_is_the_root_of_the_squares_of_all_that_is_unsure(
    celsius: float, bowl: Bowl | None
) -> None:
    """JCGM 100, clause 5.1: one after the other, each standard uncertainty tried both ways."""
    dish, at_hand = DishToCorrect(celsius, 40, 0.25, bowl), Supplies(90, 18, 21)
    answer = correct(dish, at_hand, BAND)
    assert isinstance(answer, Splash)
    added = answer.millilitres * water.water_density(answer.water_celsius) / 1000
    cool = celsius > 38.0
    # A probe as bought is 0.5 °C (k = 2), the paste left is judged by eye to a tenth; the others are `HONEST`.
    unsure = {
        "probe": 0.25,
        "amount": 0.1,
        "water": HONEST.cool_celsius if cool else HONEST.hot_celsius,
        "share": HONEST.cool_share if cool else HONEST.hot_share,
        "bowl": HONEST.bowl_share,
        "loss": HONEST.loss_share,
        "room": HONEST.room_celsius,
    }
    squares = 0.0
    for name, size in unsure.items():
        moved = (settled_and_stirred(dish, at_hand, added, **{name: sign * size}) - 37.0 for sign in (1, -1))
        squares += max(abs(each) for each in moved) ** 2
    half = 1.645 * math.sqrt(squares)
    assert (37.0 - answer.low_celsius, answer.high_celsius - 37.0) == pytest.approx((half, half), rel=1e-6)
    quick = correct(dish, at_hand, BAND, honest=None)
    assert isinstance(quick, Splash)
    assert (quick.low_celsius, quick.high_celsius) == (quick.celsius, quick.celsius)
    assert quick.millilitres == answer.millilitres


def test_a_splash_says_how_much_paste_there_is_afterwards() -> None:
    dish = DishToCorrect(46, 40, 0.25, STEEL)
    answer = correct(dish, SUPPLIES, BAND)
    assert isinstance(answer, Splash)
    before = paste.paste_of(paste.DEFAULT_FORMULA, 0.25)
    after = paste.paste_of(paste.DEFAULT_FORMULA, answer.solids)
    grams = 40 * paste.paste_density(before, 46) / 1000 + answer.millilitres * water.water_density(18) / 1000
    assert answer.dish_millilitres == pytest.approx(grams / paste.paste_density(after, 37.0) * 1000, rel=1e-6)


@pytest.mark.parametrize("bowl", [STEEL, Bowl(Material.PLASTIC, 60), None])
@pytest.mark.parametrize(("celsius", "bath", "room"), [(46.0, 18.0, 30.0), (46.0, 18.0, 5.0), (35.0, 42.0, 24.0)])
def test_a_bath_takes_as_long_as_the_heat_flows(celsius: float, bath: float, room: float, bowl: Bowl | None) -> None:
    """dT/dt = -(wall (T - bath) + air (T - room)) / capacity, by Euler; half the bowl's air loss remains, the top."""
    dish = DishToCorrect(celsius, 40, 0.25, bowl)
    answer = correct(dish, Supplies(95, 18, room), BAND, (0.245, 0.30))
    assert isinstance(answer, Bath)
    assert answer.bath_celsius == bath
    food = paste.paste_of(paste.DEFAULT_FORMULA, 0.25)
    capacity = Food(40 * paste.paste_density(food, celsius) / 1000, food).joules_per_kelvin(37.0)
    material = Material.CERAMIC  # taken where no bowl is known
    if bowl is not None:
        capacity, material = capacity + bowl.solid().joules_per_kelvin(37.0), bowl.material
    wall = pool_square_metres(40)[1] * material.bath_watts_per_square_metre_kelvin
    air = open_air_loss(40) / 2
    now, seconds, step = celsius, 0.0, 0.02
    while (now - 37.0) * (celsius - 37.0) > 0:
        now -= (wall * (now - bath) + air * (now - room)) / capacity * step
        seconds += step
    assert answer.seconds == pytest.approx(seconds, rel=2e-3)
    # Films are known to a third (textbooks): 0.3 as standard uncertainty, 90 % either way.
    assert (answer.low_seconds, answer.high_seconds) == pytest.approx((seconds / 1.4935, seconds * 1.4935), rel=2e-3)
    assert answer.celsius == 37.0


def test_a_bath_too_near_the_target_or_too_slow_is_refused() -> None:
    narrow = (0.249, 0.30)
    near = correct(DishToCorrect(46, 40, 0.25, STEEL), Supplies(95, 35.1, 21), BAND, narrow)
    assert isinstance(near, Refusal)
    assert "a bath of 35 °C is too close to 37.0 °C" in near.reason
    assert "cooler water" in near.remedy
    assert isinstance(correct(DishToCorrect(46, 40, 0.25, STEEL), Supplies(95, 35.0, 21), BAND, narrow), Bath)
    tepid = correct(DishToCorrect(30, 40, 0.25, STEEL), Supplies(38.9, 18, 21), BAND, narrow)
    assert isinstance(tepid, Refusal)
    assert "a bath of 39 °C is too close" in tepid.reason
    assert tepid.remedy == "mix a fresh batch"
    assert isinstance(correct(DishToCorrect(30, 40, 0.25, STEEL), Supplies(39.0, 18, 21), BAND, narrow), Bath)
    slow = correct(DishToCorrect(10, 2000, 0.25, Bowl(Material.PLASTIC, 300)), SUPPLIES, BAND, narrow)
    assert isinstance(slow, Refusal)
    minutes = int(slow.reason.split("would take ")[1].split(" ")[0])
    assert 60 < minutes < 200  # two kilograms through plastic; twenty minutes are the longest worth the wait
    cold = correct(DishToCorrect(30, 40, 0.25, Bowl(Material.PLASTIC, 60)), Supplies(95, 18, 5), BAND, narrow)
    assert isinstance(cold, Refusal)
    assert "would settle short of the band" in cold.reason


def test_four_times_the_dish_in_water_is_the_most() -> None:
    answer = correct(DishToCorrect(90, 40, 0.25), Supplies(95, 30, 21), BAND)
    assert isinstance(answer, Refusal | Bath)
    reason = answer.because if isinstance(answer, Bath) else answer.reason
    grams = 40 * paste.paste_density(paste.paste_of(paste.DEFAULT_FORMULA, 0.25), 90) / 1000
    assert f"{4 * grams:.0f} ml of cool water at 30 °C would still not bring it to 37.0 °C" in reason


def test_the_ends_of_what_can_be_are_believed() -> None:
    for celsius in (0.0, water.HIGHEST_CELSIUS):
        assert DishToCorrect(celsius, 40, 0.25).celsius == celsius
        assert Supplies(celsius, celsius, 21).hot_celsius == celsius
    for room in (-10.0, 50.0):
        assert Supplies(95, 18, room).room_celsius == room
    for room in (-10.5, 50.5, math.nan):
        with pytest.raises(DataError, match="give -10 to 50 °C"):
            Supplies(95, 18, room)
    for celsius in (-0.5, 101.5):
        with pytest.raises(DataError, match="give 0 to 101 °C"):
            DishToCorrect(celsius, 40, 0.25)
        with pytest.raises(DataError, match="hot water"):
            Supplies(celsius, 18, 21)


def test_solids_at_the_ends_of_what_is_allowed_are_allowed() -> None:
    dish = DishToCorrect(40, 40, 0.25, STEEL)
    free = correct(dish, SUPPLIES, BAND)
    assert isinstance(free, Splash)
    assert isinstance(correct(dish, SUPPLIES, BAND, (free.solids, 0.25)), Splash)
    assert isinstance(correct(dish, SUPPLIES, BAND, (0.0, free.solids)), Splash)
