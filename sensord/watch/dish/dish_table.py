"""Which state a dish is in, as one table: the first row whose condition holds decides. `docs/dish.md` is drawn from it.

A decision list instead of arrows between states: every reading and every tick walks it anew, so there is no path on
which an old `ready` survives a new reason against it.
"""

from collections.abc import Callable
from dataclasses import dataclass

from sensord.readings import FaultKind
from sensord.watch.effects import DishState


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """What is known of a dish at one instant. `enters`/`stays` are the two probabilities of conformity, met or not."""

    fault: FaultKind | None = None
    late: bool = False
    in_paste: bool = False
    uptake_left_seconds: float = 0.0
    too_old: bool = False
    uneven: bool = False
    disturbed: bool = False
    settled: bool = False
    provable: bool = True
    unstirred: bool = False
    paste_shown: bool = False
    was_ready: bool = False
    enters: bool = False
    stays: bool = False
    warmer_than_middle: bool = False


@dataclass(frozen=True, slots=True)
class StateRow:
    """One row: the state, the condition, its words for the docs, and what the keeper is told."""

    state: DishState
    holds: Callable[[Findings], bool]
    when: str
    why: str


IS_IT_PASTE = StateRow(
    DishState.UNKNOWN,
    lambda f: (f.enters or (f.was_ready and f.stays)) and not f.paste_shown,
    "the paste would be ready, but the probe may be in a hand or under a tap: nothing has shown that it is in paste",
    "right for feeding, but is it formula? If the probe is in the bowl, press the batch button, or send `batch`",
)
"""The question that `batch` at the unit answers."""

TABLE: tuple[StateRow, ...] = (
    StateRow(
        DishState.UNKNOWN,
        lambda f: f.fault is not None,
        "the last observation of the probe was a fault",
        "the probe gives no reading",
    ),
    StateRow(
        DishState.UNKNOWN,
        lambda f: f.late,
        "no reading has come for longer than allowed",
        "no fresh reading from the probe",
    ),
    StateRow(
        DishState.AWAY,
        lambda f: not f.in_paste,
        "no dip was found, or a lift was found since",
        "the probe is not in the formula",
    ),
    StateRow(
        DishState.OLD,
        lambda f: f.too_old,
        "the batch is older than its limit",
        "this bowl has stood too long: mix a fresh one",
    ),
    StateRow(
        DishState.UPTAKE,
        lambda f: f.uptake_left_seconds > 0.0,
        "the uptake time since mixing (or the dip) has not passed",
        "the dry formula is still taking up water",
    ),
    StateRow(
        DishState.UNEVEN,
        lambda f: f.uneven,
        "readings jumped while stirring as they do beside a lump that is much hotter or colder",
        "there is a hot or cold spot: stir well, right to the bottom",
    ),
    StateRow(
        DishState.UNKNOWN,
        lambda f: f.disturbed,
        "the readings move faster than resting paste can: water added, or the probe is leaving",
        "something has just changed: wait for the probe to follow",
    ),
    StateRow(
        DishState.UNKNOWN,
        lambda f: not f.settled,
        "the probe has not yet followed the paste closely enough to say anything",
        "the probe is still settling",
    ),
    StateRow(
        DishState.UNKNOWN,
        lambda f: not f.provable,
        "the guarded interval is empty: the uncertainty eats the whole band",
        "known too poorly to prove a band this narrow: stir, or calibrate the probe",
    ),
    StateRow(
        DishState.UNKNOWN,
        lambda f: f.enters and f.unstirred and not f.was_ready,
        "the paste would be ready, but nobody has stirred it for eight minutes",
        "stood too long for one spot to tell: stir; if that does not help, lift the probe and dip it again",
    ),
    IS_IT_PASTE,
    StateRow(
        DishState.READY,
        lambda f: f.enters or (f.was_ready and f.stays),
        "the paste lies in the band with the configured probability (a little more is asked to enter than to stay)",
        "in the band",
    ),
    StateRow(
        DishState.HOT,
        lambda f: f.warmer_than_middle,
        "none of the above, and the estimate is above the middle of the band",
        "too hot, or not proven to be cool enough",
    ),
    StateRow(
        DishState.COOL,
        lambda f: not f.warmer_than_middle,
        "none of the above, and the estimate is below the middle of the band",
        "too cool, or not proven to be warm enough",
    ),
)


def decide(findings: Findings) -> StateRow:
    """The first row of `TABLE` that holds. The last two rows complement each other, so one always does."""
    return next(row for row in TABLE if row.holds(findings))
