"""Heat balances against textbook problems, the plan of a batch, and what the plan promises."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sensord.errors import DataError
from sensord.physics import paste, water
from sensord.physics.heat import (
    Bowl,
    Food,
    Material,
    Solid,
    Stuff,
    Water,
    lost_joules,
    open_air_loss,
    settled_celsius,
)
from sensord.physics.mixing import (
    HIGHEST_SOLIDS,
    Kitchen,
    Plan,
    Recipe,
    Refusal,
    check_millilitres,
    check_solids,
    crossing,
    outcome,
    plan,
)
from sensord.physics.slips import HONEST, Slips
from sensord.readings import Band
from tests.helpers.checks import row

BAND = Band(36.0, 38.0)
STEEL = Bowl(Material.STEEL, 90)
KITCHEN = Kitchen(hot_celsius=95, cool_celsius=18, dry_celsius=21, room_celsius=21, bowl=STEEL)


def near(name: str) -> Any:
    check = row(name)
    return pytest.approx(check["expected"], abs=check["tolerance"])


def planned(answer: Plan | Refusal) -> Plan:
    assert isinstance(answer, Plan), answer
    return answer


def test_water_poured_into_a_hot_aluminium_pan() -> None:
    given = row("MIX-01")["given"]
    parts: list[tuple[Stuff, float]] = [
        (Solid(250, given["c_water"] / 1000), 20),
        (Solid(500, given["c_al"] / 1000), 150),
    ]
    assert settled_celsius(parts) == near("MIX-01")


def test_the_steel_that_warmed_the_water_was_that_hot() -> None:
    steel, wet = Solid(360, 0.449), Solid(425, row("MIX-02")["given"]["c_water"])
    assert settled_celsius([(steel, row("MIX-02")["expected"]), (wet, 24.0)]) == pytest.approx(42.7, abs=0.06)


def test_the_copper_that_warmed_the_water_was_that_hot() -> None:
    copper, wet = Solid(248, 0.385), Solid(390, row("MIX-03")["given"]["c_water"])
    assert settled_celsius([(copper, row("MIX-03")["expected"]), (wet, 22.6)]) == pytest.approx(39.9, abs=0.06)


def test_hot_copper_into_water() -> None:
    given = row("MIX-04")["given"]
    assert settled_celsius([(Solid(248, given["c_cu"]), 314), (Solid(390, given["c_water"]), 22.6)]) == near("MIX-04")


def test_ice_takes_its_heat_of_fusion_from_the_drink() -> None:
    given = row("MIX-05")["given"]
    drink = settled_celsius(
        [(Solid(250, given["c_water"] / 1000), 20), (Solid(18, given["c_water"] / 1000), 0)], -0.018 * given["L_f"]
    )
    assert drink == near("MIX-05")
    given = row("MIX-06")["given"]
    cold = -0.05 * (given["L_f"] + 30 * given["c_ice"])
    parts: list[tuple[Stuff, float]] = [
        (Solid(400, given["c_water"] / 1000), 35),
        (Solid(50, given["c_water"] / 1000), 0),
    ]
    assert settled_celsius(parts, cold) == near("MIX-06")


def test_two_waters() -> None:
    assert settled_celsius([(Solid(100, 4.18), 95), (Solid(270, 4.18), 25)]) == near("MIX-07")
    # By enthalpy it comes out 0.05 °C warmer: hot water holds a little more heat a degree.
    assert settled_celsius([(Water(100), 95), (Water(270), 25)]) == pytest.approx(43.92, abs=0.06)


def test_hot_and_cool_grams_for_a_bottle_of_38_degrees() -> None:
    for name, wet in (("MIX-08", lambda grams: Solid(grams, 4.18)), ("MIX-09", Water)):
        hot, cool = row(name)["expected"]
        parts: list[tuple[Stuff, float]] = [(wet(hot), 90), (wet(cool), 20)]
        assert settled_celsius(parts) == pytest.approx(38.0, abs=0.004)


def test_a_constant_specific_heat_costs_three_hundredths() -> None:
    assert settled_celsius([(Water(51.43), 90), (Water(148.57), 20)]) == near("MIX-10")


def test_hot_water_measured_by_volume_is_lighter() -> None:
    hot, cool = Water(0.300 * water.water_density(90)), Water(0.700 * water.water_density(20))
    assert settled_celsius([(hot, 90), (cool, 20)]) == near("MIX-11")


def test_a_glass_bowl_is_counted() -> None:
    bowl = Bowl(Material.GLASS, 150).solid()
    assert settled_celsius([(Solid(200, 4.18), 45), (bowl, 20)]) == near("MIX-12")


def test_water_for_powder_and_bowl() -> None:
    given, hot = row("MIX-13")["given"], row("MIX-13")["expected"]
    parts: list[tuple[Stuff, float]] = [
        (Solid(50, given["cp_powder"]), 20),
        (Solid(150, given["c_bowl"]), 20),
        (Solid(150, given["c_water"]), hot),
    ]
    assert settled_celsius(parts) == pytest.approx(38.0, abs=0.01)


def test_powder_and_water_of_the_husbandry_example() -> None:
    # 30 g powder at 22 °C (1.85) + 70 g water (4.18) of 44.01 °C, 60 % of it from 60 and 40 % from 20 °C: 40.5 °C.
    wet = settled_celsius([(Solid(42, 4.18), 60), (Solid(28, 4.18), 20)])
    assert wet == pytest.approx(44.0, abs=0.02)
    assert settled_celsius([(Solid(30, 1.85), 22), (Solid(70, 4.18), 44.01)]) == pytest.approx(40.5, abs=0.01)


def test_cooling_equal_water() -> None:
    added = row("MIX-15")["expected"]
    assert settled_celsius([(Solid(180, 4.18), 95), (Solid(added, 4.18), 23)]) == pytest.approx(60, abs=0.01)


def test_hot_water_under_the_target_is_refused_with_the_reason() -> None:
    # MIX-14: target 38, hot 35, cool 20.
    answer = plan(100, 0.25, replace(KITCHEN, hot_celsius=35, cool_celsius=20), Band(37, 39))
    assert isinstance(answer, Refusal)
    assert "not above the 38.0 °C" in answer.reason
    assert answer.remedy == "heat it"


@pytest.mark.parametrize("bowl", [None, STEEL, Bowl(Material.PLASTIC, 30)])
def test_equal_measures_of_powder_and_boiled_water_come_out_too_hot(bowl: Bowl | None) -> None:
    # Common practice, no source: 20 ml level dry + 20 ml near-boiling + 15 ml tap water gives about 40 ml of paste
    # above the band, to be cooled. 0.45 g/ml is the middle of what such powders weigh loose.
    recipe = Recipe(20 * 0.45, 20 * water.water_density(95) / 1000, 15 * water.water_density(18) / 1000)
    grams = recipe.dry_grams + recipe.hot_grams + recipe.cool_grams
    food = paste.paste_of(paste.DEFAULT_FORMULA, recipe.dry_grams / grams)
    assert grams / paste.paste_density(food, 40) * 1000 == pytest.approx(40, abs=2)
    kitchen = replace(KITCHEN, bowl=bowl)
    result = outcome(recipe, kitchen, paste.DEFAULT_FORMULA)
    assert result.fed_celsius > 38
    assert outcome(recipe, kitchen, paste.DEFAULT_FORMULA, Slips(hot_celsius=-4)).fed_celsius > 38


def test_a_plan_lands_mid_band_when_fed_and_starts_warmer() -> None:
    batch = planned(plan(40, 0.25, KITCHEN, BAND))
    assert batch.fed_celsius == pytest.approx(37.0, abs=1e-6)
    assert batch.mixed_celsius > batch.fed_celsius + 0.5
    assert batch.worked_celsius > batch.mixed_celsius
    assert batch.low_celsius < 37.0 < batch.high_celsius


def test_a_plan_yields_what_was_asked_with_the_solids_that_were_asked() -> None:
    batch = planned(plan(300 / 1.0753, 0.30, KITCHEN, BAND))
    recipe = batch.recipe
    total = recipe.dry_grams + recipe.hot_grams + recipe.cool_grams
    assert recipe.dry_grams / total == pytest.approx(0.30)
    # 300 g at 30 % solids, the dry powder taken as all solids: 90 g of powder and 210 g of water.
    whole = planned(plan(1000, 0.30, KITCHEN, BAND)).recipe
    scale = 300 / (whole.dry_grams + whole.hot_grams + whole.cool_grams)
    assert whole.dry_grams * scale == pytest.approx(90)
    assert (whole.hot_grams + whole.cool_grams) * scale == pytest.approx(210)
    food = paste.paste_of(paste.DEFAULT_FORMULA, 0.30)
    assert total / paste.paste_density(food, 37) * 1000 == pytest.approx(batch.yield_millilitres)


def test_a_heavier_bowl_asks_for_more_hot_water() -> None:
    bare = planned(plan(40, 0.25, replace(KITCHEN, bowl=None), BAND))
    heavy = planned(plan(40, 0.25, replace(KITCHEN, bowl=Bowl(Material.CERAMIC, 200)), BAND))
    assert heavy.hot_millilitres > bare.hot_millilitres + 3


def test_a_bowl_that_eats_all_the_heat_is_refused_with_what_helps() -> None:
    answer = plan(15, 0.30, replace(KITCHEN, hot_celsius=60, bowl=Bowl(Material.CERAMIC, 400)), BAND)
    assert isinstance(answer, Refusal)
    assert "hot water alone" in answer.reason
    assert "warm the bowl" in answer.remedy


def test_cool_water_that_is_too_warm_is_refused() -> None:
    answer = plan(40, 0.10, replace(KITCHEN, cool_celsius=60), BAND)
    assert isinstance(answer, Refusal)
    assert answer.remedy == "use cooler water"


kitchens = st.builds(
    Kitchen,
    hot_celsius=st.floats(70, 98),
    cool_celsius=st.floats(5, 28),
    dry_celsius=st.floats(10, 30),
    room_celsius=st.floats(12, 30),
    bowl=st.one_of(st.none(), st.builds(Bowl, st.sampled_from(Material), st.floats(20, 120))),
    work_seconds=st.floats(0, 120),
    wait_seconds=st.floats(0, 300),
)
directions = st.lists(st.floats(-1, 1), min_size=12, max_size=12).filter(lambda v: sum(x * x for x in v) > 1e-3)


@settings(max_examples=60, deadline=None)
@given(kitchens, st.floats(20, 300), st.floats(0.05, 0.40), directions)
def test_honest_slips_stay_inside_the_stated_spread(
    kitchen: Kitchen, millilitres: float, solids: float, direction: list[float]
) -> None:
    batch = plan(millilitres, solids, kitchen, BAND)
    if isinstance(batch, Refusal):
        return
    # Any mix of slips whose size, counted in standard uncertainties, is 1.5: inside the 90 % interval (1.645).
    size = 1.5 / sum(x * x for x in direction) ** 0.5
    names = list(Slips.__dataclass_fields__)
    slips = Slips(**{name: x * size * getattr(HONEST, name) for name, x in zip(names, direction, strict=True)})
    fed = outcome(batch.recipe, kitchen, paste.DEFAULT_FORMULA, slips).fed_celsius
    assert batch.low_celsius <= fed <= batch.high_celsius


@settings(max_examples=80, deadline=None)
@given(kitchens, st.floats(1, 60), st.floats(0, 100), st.floats(0, 100))
def test_no_heat_is_made_or_lost_on_the_way(kitchen: Kitchen, dry: float, hot: float, cool: float) -> None:
    result = outcome(Recipe(dry, hot, cool), kitchen, paste.DEFAULT_FORMULA)
    things: list[tuple[Stuff, float]] = [
        (Food(dry, paste.DEFAULT_FORMULA), kitchen.dry_celsius),
        (Water(hot), kitchen.hot_celsius),
        (Water(cool), kitchen.cool_celsius),
    ]
    if kitchen.bowl is not None:
        things.append((kitchen.bowl.solid(), kitchen.room_celsius))
    before = sum(stuff.joules(celsius) for stuff, celsius in things)
    after = sum(stuff.joules(result.fed_celsius) for stuff, _ in things)
    assert before == pytest.approx(after + result.lost_joules, abs=1e-6 * max(1.0, abs(before)))
    temperatures = [celsius for _, celsius in things] + [kitchen.room_celsius]
    assert min(temperatures) - 1e-9 <= result.fed_celsius <= max(temperatures) + 1e-9


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"hot_celsius": 120}, "hot water of 120 °C"),
        ({"cool_celsius": -5}, "cool water of -5 °C"),
        ({"room_celsius": 80}, "room of 80 °C"),
        ({"dry_celsius": float("nan")}, "dry formula of nan °C"),
        ({"cool_celsius": 96}, "not warmer than the cool"),
        ({"wait_seconds": -1}, "0 seconds or more"),
    ],
)
def test_an_impossible_kitchen_is_refused(change: dict[str, float], words: str) -> None:
    with pytest.raises(DataError, match=words):
        replace(KITCHEN, **change)  # type: ignore[arg-type]


@pytest.mark.parametrize("solids", [0.0, -0.1, 0.601, float("nan")])
def test_solids_that_make_no_paste_are_refused(solids: float) -> None:
    with pytest.raises(DataError, match="more than 0 and at most 60 %"):
        plan(40, solids, KITCHEN, BAND)


@pytest.mark.parametrize("millilitres", [0.0, -10.0, 20_001, float("nan")])
def test_volumes_that_no_bowl_holds_are_refused(millilitres: float) -> None:
    with pytest.raises(DataError, match="more than 0 and at most 20000 ml"):
        plan(millilitres, 0.25, KITCHEN, BAND)


@pytest.mark.parametrize("grams", [0.0, -1.0, float("nan")])
def test_a_bowl_of_no_mass_is_refused(grams: float) -> None:
    with pytest.raises(DataError, match="weigh it empty"):
        Bowl(Material.GLASS, grams)


def test_an_empty_bowl_has_no_temperature() -> None:
    with pytest.raises(DataError, match="mass above 0"):
        settled_celsius([])


def test_a_plan_says_its_water_as_volume_at_its_own_temperature() -> None:
    batch = planned(plan(40, 0.25, KITCHEN, BAND))
    assert batch.hot_millilitres * water.water_density(95) / 1000 == pytest.approx(batch.recipe.hot_grams)
    assert batch.cool_millilitres * water.water_density(18) / 1000 == pytest.approx(batch.recipe.cool_grams)
    assert (batch.hot_celsius, batch.cool_celsius, batch.wait_seconds) == (95, 18, KITCHEN.wait_seconds)


def by_hand(recipe: Recipe, kitchen: Kitchen, slips: Slips) -> tuple[float, float, float]:
    """Worked, mixed and fed, step by step: settle, cool by Newton's law in the room, settle again, cool again."""
    powder = Food(recipe.dry_grams * (1 + slips.dry_share), paste.DEFAULT_FORMULA, 1 + slips.dry_heat_share)
    hot, cool = Water(recipe.hot_grams * (1 + slips.hot_share)), Water(recipe.cool_grams * (1 + slips.cool_share))
    room, loss = kitchen.room_celsius + slips.room_celsius, 1 + slips.loss_share
    things: list[tuple[Stuff, float]] = [
        (powder, kitchen.dry_celsius + slips.dry_celsius),
        (hot, min(kitchen.hot_celsius + slips.hot_celsius, 101.0)),
    ]
    if kitchen.bowl is not None:
        things.append((kitchen.bowl.solid(1 + slips.bowl_share), kitchen.room_celsius + slips.bowl_celsius))

    def stood(parts: list[Stuff], celsius: float, seconds: float, grams: float) -> float:
        capacity = sum(stuff.joules_per_kelvin(celsius) for stuff in parts)
        lost = lost_joules(celsius, room, capacity, loss * open_air_loss(grams), seconds)
        return settled_celsius([(stuff, celsius) for stuff in parts], -lost)

    base = [stuff for stuff, _ in things]
    worked = settled_celsius(things, slips.wetting_joules_per_gram * powder.grams)
    worked = stood(base, worked, kitchen.work_seconds, powder.grams + hot.grams)
    cool_celsius = max(kitchen.cool_celsius + slips.cool_celsius, 0.0)
    mixed = settled_celsius([*((stuff, worked) for stuff in base), (cool, cool_celsius)])
    fed = stood([*base, cool], mixed, kitchen.wait_seconds, powder.grams + hot.grams + cool.grams)
    return worked, mixed, fed


@pytest.mark.parametrize("name", [None, *Slips.__dataclass_fields__])
@pytest.mark.parametrize("sign", [-1.0, 1.0])
@pytest.mark.parametrize("bowl", [None, STEEL])
def test_each_slip_moves_the_batch_as_the_heat_balance_says(name: str | None, sign: float, bowl: Bowl | None) -> None:
    slips = Slips() if name is None else Slips(**{name: sign * getattr(HONEST, name)})
    recipe, kitchen = Recipe(10.0, 20.0, 12.0), replace(KITCHEN, bowl=bowl)
    result = outcome(recipe, kitchen, paste.DEFAULT_FORMULA, slips)
    assert (result.worked_celsius, result.mixed_celsius, result.fed_celsius) == pytest.approx(
        by_hand(recipe, kitchen, slips)
    )


def test_water_never_leaves_the_liquid_range_by_a_slip() -> None:
    kitchen = replace(KITCHEN, hot_celsius=100.5, cool_celsius=0.5)
    recipe = Recipe(10.0, 20.0, 12.0)
    for slips in (Slips(hot_celsius=2.0), Slips(cool_celsius=-1.0)):
        result = outcome(recipe, kitchen, paste.DEFAULT_FORMULA, slips)
        assert result.fed_celsius == pytest.approx(by_hand(recipe, kitchen, slips)[2])


def test_the_spread_is_the_root_of_the_squares_of_the_greater_changes() -> None:
    """JCGM 100, clause 5.1; 1.645 is the 95th percentile of the normal distribution."""
    batch = planned(plan(40, 0.25, KITCHEN, BAND))
    squares = 0.0
    for name in Slips.__dataclass_fields__:
        moved = (by_hand(batch.recipe, KITCHEN, Slips(**{name: sign * getattr(HONEST, name)}))[2] for sign in (-1, 1))
        squares += max(abs(each - batch.fed_celsius) for each in moved) ** 2
    half = 1.645 * squares**0.5
    assert (37.0 - batch.low_celsius, batch.high_celsius - 37.0) == pytest.approx((half, half), rel=1e-6)
    # A careful keeper's batch is known to a few degrees, no better and no worse.
    assert 1.0 < half < 4.0


@pytest.mark.parametrize(
    ("change", "words"),
    [
        *[({"hot_celsius": 101.0}, ""), ({"hot_celsius": 101.1}, "hot water of 101.1 °C")],
        *[({"cool_celsius": 0.0}, ""), ({"cool_celsius": -0.1}, "cool water")],
        *[({"dry_celsius": -30.0}, ""), ({"dry_celsius": -30.1}, "dry formula")],
        *[({"dry_celsius": 60.0}, ""), ({"dry_celsius": 60.1}, "dry formula")],
        *[({"room_celsius": -10.0}, ""), ({"room_celsius": -10.1}, "room")],
        *[({"room_celsius": 50.0}, ""), ({"room_celsius": 50.1}, "room")],
        *[({"cool_celsius": 95}, "exchange them"), ({"cool_celsius": 94.9}, "")],
        *[({"work_seconds": 0.0, "wait_seconds": 0.0}, ""), ({"work_seconds": -0.1}, "0 seconds or more")],
    ],
)
def test_the_ends_of_what_a_kitchen_can_be(change: dict[str, float], words: str) -> None:
    if words:
        with pytest.raises(DataError, match=words):
            replace(KITCHEN, **change)  # type: ignore[arg-type]
    else:
        assert replace(KITCHEN, **change).dry_celsius == change.get("dry_celsius", 21)  # type: ignore[arg-type]


def test_the_ends_of_what_a_paste_can_be() -> None:
    check_solids(HIGHEST_SOLIDS)
    check_millilitres(20_000)
    with pytest.raises(DataError, match="solids of 61 %"):
        check_solids(0.61)
    with pytest.raises(DataError, match="20001 ml"):
        check_millilitres(20_001)


def test_a_crossing_is_found_to_the_last_digits_or_is_the_nearer_end() -> None:
    assert crossing(lambda x: x**3 - 0.2) == pytest.approx(0.2 ** (1 / 3), abs=1e-8)
    assert crossing(lambda x: (x - 2.0) ** 9 - 0.5, 0.0, 4.0) == pytest.approx(2.0 + 0.5 ** (1 / 9), abs=1e-6)
    assert crossing(lambda x: x + 1.0, 0.0, 5.0) == 0.0
    assert crossing(lambda x: x - 9.0, 0.0, 5.0) == 5.0
    assert crossing(lambda x: x, 0.0, 5.0) == 0.0
    asked = 0

    def steep(x: float) -> float:
        nonlocal asked
        asked += 1
        return float(x**20 - 0.5)

    assert crossing(steep) == pytest.approx(0.5 ** (1 / 20), abs=1e-8)
    assert asked < 40  # regula falsi without the Illinois step needs hundreds


@pytest.mark.parametrize(("power", "most"), [(3, 12), (20, 22), (0.2, 14)])
def test_a_crossing_is_found_in_a_few_steps_on_bent_functions(power: float, most: int) -> None:
    """The Illinois step halves the end that stays: convergence of order 1.44 (Dowell and Jarratt 1971)."""

    def early(x: float) -> float:
        return float(x**power - 0.5)

    def late(x: float) -> float:
        return float(0.5 - (1.0 - x) ** power)

    for rising in (early, late):
        asked: list[float] = []

        def noted(x: float, rising: Callable[[float], float] = rising, asked: list[float] = asked) -> float:
            asked.append(x)
            return rising(x)

        assert abs(rising(crossing(noted))) < 1e-8
        assert len(asked) <= most
