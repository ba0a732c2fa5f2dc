"""Every kind of unit that the config allows, for the checks of hub discovery."""

from collections.abc import Iterator
from itertools import product

from sensord.mqtt.discovery import Announcement
from sensord.mqtt.messages import Topics
from sensord.watch.conditions import alarms_of

__all__ = ["all_units"]

NAMES = ("air", "floor-2", "a_b", "0", "z" * 32)
STAGES = ("hatchling", "pin-feathered", "feathered", "weaned")


def all_units() -> Iterator[Announcement]:
    """Forms, rights, numbers of probes and places, stages, bases; each unit has a name of its own."""
    numbers = product(
        ("device", "entity"),
        (False, True),
        (0, 1, 5),
        (0, 1, 2),
        (0, 1, 3),
        (False, True),
        ("sensord", "städt/rescue.7"),
    )
    for number, (form, read_only, probes, dishes, brooders, staged, base) in enumerate(numbers):
        places = tuple(f"dish-{name}" for name in NAMES[:dishes])
        homes = NAMES[:brooders]
        yield Announcement(
            topics=Topics(base, f"unit-{number}"),
            form=form,  # type: ignore[arg-type]  # product loses the literal
            version="1.2.3" if number % 2 else "",
            read_only=read_only,
            probes=NAMES[:probes],
            dishes=places,
            brooders=homes,
            stages=dict.fromkeys(homes, STAGES) if staged else None,
            alarms=alarms_of(homes, places),
            expiry_seconds=60 + number,
        )
