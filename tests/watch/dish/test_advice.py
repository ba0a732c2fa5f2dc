"""While a dish is off, its view carries what would bring it back."""

import pytest

from sensord.care.formula import Bowlful
from sensord.config.kitchen import bowlful
from sensord.config.sections import Config
from sensord.readings import Reading
from sensord.watch.dish import paste_watch as dish
from sensord.watch.dish.dish_state import Dish, DishSettings
from sensord.watch.dish.dish_view import dish_seen
from sensord.watch.effects import DishState
from sensord.watch.views import DishView
from tests.helpers.usual import usual_dish

SETTINGS = usual_dish(name="dish", probe="dish", bowlful=bowlful(Config()))


def seen(celsius: float, settings: DishSettings = SETTINGS) -> DishView:
    """The view after ten minutes in paste of a steady temperature, dipped from a room of 21 °C."""
    state = Dish()
    for second in range(600):
        reading = Reading("dish", float(second), 21.0 if second < 20 else celsius)
        state, _ = dish.dish_observed(settings, state, reading)
    return dish_seen(settings, state, 600.0)


@pytest.mark.parametrize(("celsius", "state", "words"), [
    (41.0, DishState.HOT, "of cool water (18 °C)"),
    (33.0, DishState.COOL, "of hot water (96 °C)"),
])  # fmt: skip
def test_an_off_dish_says_what_water_would_help(celsius: float, state: DishState, words: str) -> None:
    view = seen(celsius)
    assert view.state is state
    assert view.advice.startswith("for 40 ml: stir in ")
    assert words in view.advice


def test_a_dish_in_its_band_needs_no_advice() -> None:
    assert seen(37.0).advice == ""


def test_without_knowing_the_bowl_no_advice_is_given() -> None:
    assert isinstance(SETTINGS.bowlful, Bowlful)
    assert seen(41.0, usual_dish(name="dish", probe="dish")).advice == ""
