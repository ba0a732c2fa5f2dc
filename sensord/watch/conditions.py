"""Everything that is known of a condition, one row each: what an alarm can be about, and what it says.

Alarms, sounds, screens, topics, a hub's entities and `docs/alarms.md` read these rows; a new condition is a new row,
and the rule that finds it in the machine of its place.

The signs in the chick are from the hand-rearing literature (Duerr and Gage, Hand-Rearing Birds, 2nd ed., ch 40 p 619
and the vulture chapter p 322; extension advice for poultry); the orders of work are common practice, no source.
Priorities: high for what can kill soon, medium for what needs a look now, low for what needs to be known.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum, StrEnum, auto, unique
from typing import Final

from sensord.watch.cues import Priority

UNIT_PLACE: Final = "unit"
"""The place of alarms that are about the daemon itself."""


@unique
class Where(Enum):
    """The kinds of places that a condition can be about."""

    BROODER = auto()
    DISH = auto()
    UNIT = auto()


_BROODER = frozenset({Where.BROODER})
_DISH = frozenset({Where.DISH})
_READ = _BROODER | _DISH
_UNIT = frozenset({Where.UNIT})


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """What is known of one condition: `word` on the wire, `shout` in large letters, `seen` and `do_first` a line each.

    `before_food`: it comes before a ready dish, for a chilled chick is warmed before it is fed. A hub is told of every
    condition, of an `is_diagnostic` one among what it keeps aside for whoever looks after the machine.
    """

    word: str
    places: frozenset[Where]
    priority: Priority
    shout: str
    seen: str
    do_first: str
    before_food: bool = False
    is_diagnostic: bool = False


@unique
class Condition(StrEnum):
    """What an alarm can be about. Values are the words on the wire (MQTT, replay, screens)."""

    row: Row

    def __new__(cls, row: Row) -> "Condition":
        condition = str.__new__(cls, row.word)
        condition._value_ = row.word
        condition.row = row
        return condition

    TOO_WARM = Row(
        word="too-warm",
        places=_BROODER,
        priority=Priority.MEDIUM,
        shout="too warm",
        seen="The brooder is warmer than its band",
        do_first="Check the heater's setting, sun and covers. Panting, drooped wings or red dry skin mean too hot:"
        " cool the air slowly, and call an avian vet if panting goes on.",
    )
    TOO_COLD = Row(
        word="too-cold",
        places=_BROODER,
        priority=Priority.MEDIUM,
        shout="too cold",
        seen="The brooder is colder than its band",
        do_first="Check lid, plug and heater. A chick that huddles, does not beg or feels cool is chilled:"
        " warm it before any food, and call an avian vet if it stays limp.",
        before_food=True,
    )
    DANGEROUSLY_WARM = Row(
        word="dangerously-warm",
        places=_BROODER,
        priority=Priority.HIGH,
        shout="danger hot",
        seen="The brooder is dangerously warm",
        do_first="Switch the heater off and open the lid now. Look for gasping, sprawling, red wrinkled skin:"
        " overheating kills young chicks quickly, call an avian vet at once.",
    )
    DANGEROUSLY_COLD = Row(
        word="dangerously-cold",
        places=_BROODER,
        priority=Priority.HIGH,
        shout="danger cold",
        seen="The brooder is dangerously cold",
        do_first="Close the lid, get heat back, or carry the chick to a warm place now. No food until it is warm again;"
        " call an avian vet if it is limp or grey.",
        before_food=True,
    )
    LOSING_HEAT = Row(
        word="losing-heat",
        places=_BROODER,
        priority=Priority.MEDIUM,
        shout="losing heat",
        seen="The brooder loses heat and will leave its band soon",
        do_first="Look whether the heater is lit and the plug is in, then lid and draught. Feel the chick:"
        " cool to the touch or not begging means warm it first; a limp chick needs an avian vet.",
    )
    GAINING_HEAT = Row(
        word="gaining-heat",
        places=_BROODER,
        priority=Priority.MEDIUM,
        shout="gaining heat",
        seen="The brooder gains heat and will leave its band soon",
        do_first="Look whether the heater stays on and its thermostat or sensor has slipped. Panting or drooped wings"
        " mean too hot: open the lid; a sprawled chick needs an avian vet.",
    )
    PROBES_DISAGREE = Row(
        word="probes-disagree",
        places=_BROODER,
        priority=Priority.MEDIUM,
        shout="probes differ",
        seen="The probes of this brooder disagree: one of them is wrong or has moved",
        do_first="Check that each probe hangs at chick height and none lies in litter or under a chick."
        " Until then go by the chick: huddling is cold, panting is hot; in doubt ask an avian vet.",
    )
    PROBE_FAULT = Row(
        word="probe-fault",
        places=_READ,
        priority=Priority.MEDIUM,
        shout="probe fault",
        seen="A probe gives no usable reading",
        do_first="Check its plug and cable, then `sensord probes`. Put a thermometer beside the chick and look at it:"
        " huddling is cold, panting is hot; a limp chick needs an avian vet.",
    )
    PROBE_DISPLACED = Row(
        word="probe-displaced",
        places=_BROODER,
        priority=Priority.MEDIUM,
        shout="probe moved",
        seen="The reading fell at once and stays: the probe has fallen out or lies in litter, or the lid is open",
        do_first="Close the lid, or hang the probe back at chick height. Until then nobody knows the air: look at the"
        " chick, huddling is cold, panting is hot; a limp chick needs an avian vet.",
    )
    CHICK_ON_PROBE = Row(
        word="chick-on-probe",
        places=_BROODER,
        priority=Priority.LOW,
        shout="chick on probe",
        seen="The probe shows a chick's warmth, not the air: one seems to lie on it",
        do_first="Move the probe out of the chicks' reach at their height. Chicks piled on one spot may be cold;"
        " if they stay piled in a warm brooder ask an avian vet.",
    )
    READINGS_LATE = Row(
        word="readings-late",
        places=_BROODER,
        priority=Priority.MEDIUM,
        shout="no readings",
        seen="No readings arrive: this brooder is not watched",
        do_first="Check the probe cable and `sensord probes`. Look at the chick and a second thermometer:"
        " huddling is cold, panting is hot; a limp chick needs an avian vet.",
    )
    POWER_GAP = Row(
        word="power-gap",
        places=_BROODER,
        priority=Priority.MEDIUM,
        shout="power was off",
        seen="The watch was off for a while: nobody saw the brooder",
        do_first="Check that heater and lamp are on again. Feel the chick: cool and not begging means warm it before"
        " food; a limp chick needs an avian vet.",
    )
    STAGE_UNCONFIRMED = Row(
        word="stage-unconfirmed",
        places=_BROODER,
        priority=Priority.LOW,
        shout="new stage",
        seen="A stage came over the network, and the band goes by it from now on",
        do_first="Look at the youngest chick: bare skin means that it still needs the warmer band. Acknowledge here if"
        " the stage is right, or set the right one with `sensord stage`; in doubt ask an avian vet.",
    )
    SCALDING = Row(
        word="scalding",
        places=_DISH,
        priority=Priority.HIGH,
        shout="do not feed",
        seen="The formula is hot enough to scald",
        do_first="Do not feed. Stir, cool and measure again. If it was fed already, call an avian vet at once:"
        " a crop burn shows only days later.",
    )
    FEED_OVERDUE = Row(
        word="feed-overdue",
        places=_UNIT,
        priority=Priority.LOW,
        shout="feed overdue",
        seen="A feed is overdue",
        do_first="Feel the crop first: feed when it has emptied as it should."
        " A crop that stays full, or a chick that does not beg, is for an avian vet.",
    )
    OUTPUT_FAILED = Row(
        word="output-failed",
        places=_UNIT,
        priority=Priority.LOW,
        shout="look here",
        seen="A part of the watch does not work, so some warnings may not reach you",
        do_first="Look at the dashboard's list of outputs and follow its remedy. Look at the chick yourself meanwhile;"
        " signs of cold or heat are for an avian vet when they stay.",
        is_diagnostic=True,
    )

    @property
    def priority(self) -> Priority:
        return self.row.priority

    @property
    def is_danger(self) -> bool:
        return self.row.priority is Priority.HIGH

    def seen(self, celsius: float | None, guess: str = "") -> str:
        """The first line, with a guess at what else it may be, and the temperature in Celsius where there is one."""
        said = f"{self.row.seen}, {guess}" if guess else self.row.seen
        return f"{said}." if celsius is None else f"{said} ({celsius:.1f} °C)."


@dataclass(frozen=True, slots=True, kw_only=True)
class ConditionChanged:
    """A condition of a place has come to stand, or has gone, delays served; `alarms.stand` takes it.

    `guess` is what else it may be (`or …`), for the alarm's first line.
    """

    seconds: float
    place: str
    condition: Condition
    standing: bool
    celsius: float | None = None
    guess: str = ""


def alarms_of(brooders: Iterable[str], dishes: Iterable[str]) -> frozenset[tuple[str, Condition]]:
    """Every alarm that a unit with these places can have: each place with the conditions that it can be in."""
    kinds = {UNIT_PLACE: Where.UNIT, **dict.fromkeys(dishes, Where.DISH), **dict.fromkeys(brooders, Where.BROODER)}
    return frozenset((name, each) for name, kind in kinds.items() for each in Condition if kind in each.row.places)
