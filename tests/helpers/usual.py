"""What holds where a config says nothing: the settings of a brooder, a dish and their alarms, for tests to change."""

from dataclasses import replace
from typing import Any

from sensord.config.loading import parse
from sensord.config.settings import nursery_settings
from sensord.watch.alarms.alarm_book import AlarmSettings
from sensord.watch.brooder.brooder_rules import BrooderSettings
from sensord.watch.dish.dish_state import DishSettings

__all__ = ["USUAL", "usual_alarms", "usual_brooder", "usual_dish"]

USUAL = nursery_settings(
    parse(
        """
        [probes.air]
        rom = "28-00000000000a"
        place = "brooder"
        [probes.spoon]
        rom = "28-00000000000b"
        place = "dish"
        [brooders.nest]
        probes = ["air"]
        band = { low_celsius = 33.0, high_celsius = 36.0 }
        [dishes.supper]
        probe = "spoon"
        """,
        "sensord.toml",
    )
)


def usual_brooder(**changes: Any) -> BrooderSettings:
    """Of 33 to 36 °C, with one probe `air`."""
    return replace(USUAL.brooders["nest"], **changes)


def usual_dish(**changes: Any) -> DishSettings:
    """With the usual band, and no advice."""
    return replace(USUAL.dishes["supper"], **{"bowlful": None, **changes})


def usual_alarms(**changes: Any) -> AlarmSettings:
    return replace(USUAL.alarms, **changes)
