"""The simulated bowl and brooder obey what is known of heat; a simulation, not a kitchen."""

import pytest

from sensord.demo.simulator import Air, AirMake, BowlMake, ProbeMake, SimulatedBowl, saturation_pascal

STILL = ProbeMake(noise_celsius=0.0, stem_share=0.0)


@pytest.mark.parametrize(("celsius", "pascal"), [(0.01, 611.7), (20.0, 2339.2), (40.0, 7384.4)])
def test_the_vapour_pressure_is_that_of_the_steam_tables(celsius: float, pascal: float) -> None:
    # IAPWS-IF97 saturation pressures; the Magnus form is good to half a percent between 0 and 50 °C (WMO-No. 8).
    assert saturation_pascal(celsius) == pytest.approx(pascal, rel=0.005)


def test_a_bowl_as_warm_as_a_damp_room_stays_as_it_is() -> None:
    bowl = SimulatedBowl(BowlMake(celsius=21.0, bowl_celsius=21.0, room_celsius=21.0, humidity=1.0, probe=STILL))
    bowl.advance(1800)
    assert bowl.mean_celsius == pytest.approx(21.0, abs=0.01)


def test_a_hot_bowl_cools_towards_the_room_ever_more_slowly() -> None:
    bowl = SimulatedBowl(BowlMake(celsius=50.0, probe=STILL), seed=1)
    bowl.stir(True)
    temperatures = []
    for _ in range(6):
        bowl.advance(600)
        temperatures.append(bowl.mean_celsius)
    drops = [before - after for before, after in zip([50.0, *temperatures], temperatures, strict=False)]
    assert drops == sorted(drops, reverse=True)
    assert all(drop > 0 for drop in drops)
    assert temperatures[-1] > 15.0  # evaporation may take it below the room's 21 °C, but not to the wet-bulb's end


def test_paste_and_a_cold_bowl_meet_where_their_heats_are_equal() -> None:
    # By hand: 61.8 g of paste (3.75 J/gK) at 50 °C and 120 g of ceramic (0.9 J/gK) at 21 °C; the room takes little.
    settled = (61.8 * 3.75 * 50.0 + 120 * 0.9 * 21.0) / (61.8 * 3.75 + 120 * 0.9)
    make = BowlMake(
        millilitres=60.0, celsius=50.0, bowl_grams=120.0, bowl_celsius=21.0, room_celsius=settled, humidity=1.0
    )
    bowl = SimulatedBowl(make)
    bowl.stir(True)
    bowl.advance(420)
    assert bowl.mean_celsius == pytest.approx(settled, abs=0.4)


def test_water_that_is_stirred_in_shares_its_heat_with_the_paste() -> None:
    # Energy by hand: 61.8 g of paste (3.75 J/gK) at 50 °C and 10 g of water (4.18 J/gK) at 20 °C.
    bowl = SimulatedBowl(BowlMake(millilitres=60.0, celsius=50.0, bowl_celsius=50.0, probe=STILL))
    bowl.add_water(10.0, 20.0)
    mixed = (61.8 * 3.75 * 50.0 + 10.0 * 4.18 * 20.0) / (61.8 * 3.75 + 10.0 * 4.18)
    bowl.stir(True)
    bowl.advance(20)
    assert bowl.mean_celsius == pytest.approx(mixed, abs=0.8)


def test_a_dipped_probe_follows_with_its_own_lag() -> None:
    bowl = SimulatedBowl(BowlMake(celsius=40.0, bowl_celsius=40.0, room_celsius=40.0, humidity=1.0, probe=STILL))
    bowl.tip = bowl.stem = 20.0
    bowl.dip()
    bowl.stir(True)
    bowl.advance(STILL.time_constant_seconds)
    assert bowl.read() == pytest.approx(40.0 - 20.0 / 2.718, abs=0.3)  # one time constant leaves 1/e
    assert bowl.read() * 16 % 1 == 0


def test_a_thermostat_holds_the_air_and_a_lid_lets_it_out_for_a_moment() -> None:
    air = Air(AirMake(noise_celsius=0.0))
    for _ in range(60):
        air.advance(60)
        assert abs(air.probe - 35.0) < 1.0
    air.lid_open = True
    air.advance(45)
    assert air.celsius < 33.0
    air.lid_open = False
    air.advance(600)
    assert abs(air.probe - 35.0) < 1.0


def test_a_heater_that_fails_lets_the_air_sink_to_the_room_and_a_stuck_one_does_not_stop() -> None:
    failed, stuck = Air(AirMake()), Air(AirMake())
    failed.heater_works, stuck.heater_stuck = False, True
    for air in (failed, stuck):
        air.advance(600)
    assert failed.celsius < 34.0
    assert stuck.celsius > 36.5
    failed.advance(12 * 3600)
    assert failed.celsius == pytest.approx(21.0, abs=0.5)
