"""How far a kitchen is from what was entered, and how far that carries a temperature off."""

from collections.abc import Callable
from dataclasses import dataclass, fields

from sensord.physics.conformity import NINETY_PERCENT


@dataclass(frozen=True, slots=True, kw_only=True)
class Slips:
    """How far the kitchen is from what was entered; all 0 where it is exactly that.

    Celsius for temperatures, a share (0.1 is 10 % more) for amounts and heats, joules per gram of dry formula for the
    heat that it gives off when wetted.
    """

    hot_celsius: float = 0.0
    cool_celsius: float = 0.0
    dry_celsius: float = 0.0
    room_celsius: float = 0.0
    bowl_celsius: float = 0.0
    dry_share: float = 0.0
    hot_share: float = 0.0
    cool_share: float = 0.0
    bowl_share: float = 0.0
    loss_share: float = 0.0
    dry_heat_share: float = 0.0
    wetting_joules_per_gram: float = 0.0


AS_ENTERED = Slips()

# Standard uncertainties of a careful keeper with a kitchen scale and a measuring jug. Common practice, no source,
# except the heat of the dry formula: simple equations for it spread by 7 % (Siebel, Chen, Earle, Heldman-Singh). The
# heat of wetting is from memory: starch gives off some tens of joules a gram when bone dry, little at 8 % moisture,
# and takes some up where hot water swells it, so its sign is not known.
HONEST = Slips(
    hot_celsius=2.0,
    cool_celsius=1.0,
    dry_celsius=1.5,
    room_celsius=1.5,
    bowl_celsius=1.0,
    dry_share=0.02,
    hot_share=0.03,
    cool_share=0.03,
    bowl_share=0.2,
    loss_share=0.4,
    dry_heat_share=0.04,
    wetting_joules_per_gram=8.0,
)


def spread_celsius(celsius: Callable[[Slips], float], honest: Slips) -> float:
    """Half the 90 % interval that slips of the sizes in `honest` (standard uncertainties, independent) leave.

    Each slip is tried both ways and the greater change counts; they add as squares (JCGM 100, clause 5.1).
    """
    middle = celsius(AS_ENTERED)
    squares = 0.0
    for field in fields(Slips):
        size = getattr(honest, field.name)
        if size:
            squares += max(abs(celsius(Slips(**{field.name: sign * size})) - middle) for sign in (1, -1)) ** 2
    return NINETY_PERCENT * float(squares**0.5)
