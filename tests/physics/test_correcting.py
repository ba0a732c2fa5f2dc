"""What brings an off dish back, and that it never makes it wrong in another way."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sensord.errors import DataError
from sensord.physics import paste, water
from sensord.physics.correcting import Bath, Dish, Nothing, Splash, Supplies, Temper, correct
from sensord.physics.heat import Bowl, Food, Material, Stuff, Water, settled_celsius
from sensord.physics.mixing import Refusal
from sensord.readings import Band

BAND = Band(36.0, 38.0)
SUPPLIES = Supplies(hot_celsius=95, cool_celsius=18, room_celsius=21)
STEEL = Bowl(Material.STEEL, 90)


def test_a_dish_in_its_band_is_left_alone() -> None:
    assert correct(Dish(37.2, 40, 0.25, STEEL), SUPPLIES, BAND) == Nothing(37.2)


@pytest.mark.parametrize("celsius", [31.0, 35.5, 38.5, 42.0, 50.0])
def test_water_lands_the_dish_mid_band_by_the_heat_balance(celsius: float) -> None:
    dish = Dish(celsius, 40, 0.25, STEEL)
    answer = correct(dish, SUPPLIES, BAND)
    assert isinstance(answer, Splash)
    assert answer.temper is (Temper.COOL if celsius > 38 else Temper.WARM)
    food = paste.paste_of(paste.DEFAULT_FORMULA, 0.25)
    grams = 40 * paste.density(food, celsius) / 1000
    added = answer.millilitres * water.density(answer.water_celsius) / 1000
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
    answer = correct(Dish(46, 40, 0.25, STEEL), SUPPLIES, BAND, (0.20, 0.30))
    assert isinstance(answer, Bath)
    assert answer.temper is Temper.COOL
    assert answer.bath_celsius == 18
    assert answer.low_seconds < answer.seconds < answer.high_seconds
    assert "thin it to 17 %, under the 20 %" in answer.because
    assert answer.solids == 0.25


def test_a_warm_bath_can_never_bring_paste_to_the_burn_limit() -> None:
    answer = correct(Dish(30, 40, 0.20, STEEL), SUPPLIES, BAND, (0.20, 0.30))
    assert isinstance(answer, Bath)
    assert answer.temper is Temper.WARM
    assert answer.bath_celsius == 42.0


def test_thick_walls_and_more_paste_take_longer_in_the_bath() -> None:
    def seconds(millilitres: float, material: Material) -> float:
        answer = correct(Dish(46, millilitres, 0.25, Bowl(material, 90)), SUPPLIES, BAND, (0.24, 0.30))
        assert isinstance(answer, Bath)
        return answer.seconds

    assert seconds(40, Material.STEEL) < seconds(40, Material.CERAMIC)
    assert seconds(40, Material.STEEL) < seconds(200, Material.STEEL)


def test_what_cannot_be_done_is_refused_with_the_reason() -> None:
    warm_tap = Supplies(hot_celsius=95, cool_celsius=37.5, room_celsius=30)
    answer = correct(Dish(45, 40, 0.25), warm_tap, BAND)
    assert isinstance(answer, Refusal)
    assert "the cool water (38 °C) is not below 37.0 °C" in answer.reason
    tepid = Supplies(hot_celsius=36.5, cool_celsius=18, room_celsius=21)
    answer = correct(Dish(30, 40, 0.25), tepid, BAND)
    assert isinstance(answer, Refusal)
    assert "fresh batch" in answer.remedy
    thick = correct(Dish(40, 40, 0.55), SUPPLIES, BAND, (0.20, 0.30))
    assert isinstance(thick, Refusal)
    assert "over the 30 % allowed" in thick.reason


supplies = st.builds(Supplies, st.floats(20, 100), st.floats(2, 40), st.floats(10, 35))
bowls = st.one_of(st.none(), st.builds(Bowl, st.sampled_from(Material), st.floats(20, 300)))
dishes = st.builds(Dish, st.floats(5, 90), st.floats(5, 500), st.floats(0.05, 0.5), bowls)


@settings(max_examples=150, deadline=None)
@given(dishes, supplies, st.floats(0.05, 0.3), st.floats(0.0, 0.3))
def test_a_correction_never_leaves_the_solids_allowed_silently(
    dish: Dish, at_hand: Supplies, low: float, width: float
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
        Dish(celsius, millilitres, solids)


def test_water_and_rooms_that_cannot_be_are_refused() -> None:
    for bad in ((120.0, 18.0, 21.0), (95.0, -1.0, 21.0), (95.0, 18.0, 70.0)):
        with pytest.raises(DataError, match="impossible"):
            Supplies(*bad)
