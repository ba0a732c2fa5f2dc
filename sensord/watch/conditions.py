"""What each alarm says to a tired person: what is seen, and what to look at first. And how urgent it is.

The signs in the chick are from the hand-rearing literature (Duerr and Gage, Hand-Rearing Birds, 2nd ed., ch 40 p 619
and the vulture chapter p 322; extension advice for poultry); the orders of work are common practice, no source.
Priorities: high for what can kill soon, medium for what needs a look now, low for what needs to be known.
"""

from dataclasses import dataclass
from typing import Final

from sensord.watch.effects import Priority
from sensord.watch.events import Condition

__all__ = ["WORDS", "Words", "seen"]


@dataclass(frozen=True, slots=True)
class Words:
    """`seen` and `do_first` are one line each; `seen` may be given a temperature by `seen()`."""

    priority: Priority
    seen: str
    do_first: str


WORDS: Final[dict[Condition, Words]] = {
    Condition.TOO_WARM: Words(
        Priority.MEDIUM,
        "The brooder is warmer than its band",
        "Check the heater's setting, sun and covers. Panting, drooped wings or red dry skin mean too hot:"
        " cool the air slowly, and call an avian vet if panting goes on.",
    ),
    Condition.TOO_COLD: Words(
        Priority.MEDIUM,
        "The brooder is colder than its band",
        "Check lid, plug and heater. A chick that huddles, does not beg or feels cool is chilled:"
        " warm it before any food, and call an avian vet if it stays limp.",
    ),
    Condition.DANGEROUSLY_WARM: Words(
        Priority.HIGH,
        "The brooder is dangerously warm",
        "Switch the heater off and open the lid now. Look for gasping, sprawling, red wrinkled skin:"
        " overheating kills young chicks quickly, call an avian vet at once.",
    ),
    Condition.DANGEROUSLY_COLD: Words(
        Priority.HIGH,
        "The brooder is dangerously cold",
        "Close the lid, get heat back, or carry the chick to a warm place now. No food until it is warm again;"
        " call an avian vet if it is limp or grey.",
    ),
    Condition.LOSING_HEAT: Words(
        Priority.MEDIUM,
        "The brooder loses heat and will leave its band soon",
        "Look whether the heater is lit and the plug is in, then lid and draught. Feel the chick:"
        " cool to the touch or not begging means warm it first; a limp chick needs an avian vet.",
    ),
    Condition.GAINING_HEAT: Words(
        Priority.MEDIUM,
        "The brooder gains heat and will leave its band soon",
        "Look whether the heater stays on and its thermostat or sensor has slipped. Panting or drooped wings"
        " mean too hot: open the lid; a sprawled chick needs an avian vet.",
    ),
    Condition.PROBES_DISAGREE: Words(
        Priority.MEDIUM,
        "The probes of this brooder disagree: one of them is wrong or has moved",
        "Check that each probe hangs at chick height and none lies in litter or under a chick."
        " Until then go by the chick: huddling is cold, panting is hot; in doubt ask an avian vet.",
    ),
    Condition.PROBE_FAULT: Words(
        Priority.MEDIUM,
        "A probe gives no usable reading",
        "Check its plug and cable, then `sensord probes`. Put a thermometer beside the chick and look at it:"
        " huddling is cold, panting is hot; a limp chick needs an avian vet.",
    ),
    Condition.PROBE_DISPLACED: Words(
        Priority.MEDIUM,
        "The reading fell at once and stays: the probe has fallen out or lies in litter, or the lid is open",
        "Close the lid, or hang the probe back at chick height. Until then nobody knows the air: look at the chick,"
        " huddling is cold, panting is hot; a limp chick needs an avian vet.",
    ),
    Condition.CHICK_ON_PROBE: Words(
        Priority.LOW,
        "The probe shows a chick's warmth, not the air: one seems to lie on it",
        "Move the probe out of the chicks' reach at their height. Chicks piled on one spot may be cold;"
        " if they stay piled in a warm brooder ask an avian vet.",
    ),
    Condition.READINGS_LATE: Words(
        Priority.MEDIUM,
        "No readings arrive: this brooder is not watched",
        "Check the probe cable and `sensord probes`. Look at the chick and a second thermometer:"
        " huddling is cold, panting is hot; a limp chick needs an avian vet.",
    ),
    Condition.POWER_GAP: Words(
        Priority.MEDIUM,
        "The watch was off for a while: nobody saw the brooder",
        "Check that heater and lamp are on again. Feel the chick: cool and not begging means warm it before food;"
        " a limp chick needs an avian vet.",
    ),
    Condition.SCALDING: Words(
        Priority.HIGH,
        "The formula is hot enough to scald",
        "Do not feed. Stir, cool and measure again. If it was fed already, call an avian vet at once:"
        " a crop burn shows only days later.",
    ),
    Condition.FEED_OVERDUE: Words(
        Priority.LOW,
        "A feed is overdue",
        "Feel the crop first: feed when it has emptied as it should."
        " A crop that stays full, or a chick that does not beg, is for an avian vet.",
    ),
    Condition.OUTPUT_FAILED: Words(
        Priority.LOW,
        "A part of the watch does not work, so some warnings may not reach you",
        "Look at the dashboard's list of outputs and follow its remedy. Look at the chick yourself meanwhile;"
        " signs of cold or heat are for an avian vet when they stay.",
    ),
}
"""One row for every condition; a test sees to it that none is missing."""


def seen(condition: Condition, celsius: float | None) -> str:
    """The first line, with the temperature in Celsius where there is one."""
    words = WORDS[condition].seen
    return f"{words}." if celsius is None else f"{words} ({celsius:.1f} °C)."
