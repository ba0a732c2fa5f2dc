"""Whether the readings have shown that the probe is in paste, and not in a hand, under a tap or on a warm plate.

Paste in an open bowl cools, and goes on cooling: by half a degree in a minute. A hand that holds a probe warms it for
minutes and then wavers about one level, a tap does so from the start, a plate warms. So a fall that is large beside
every climb since the dip shows paste; so does a climb that goes on while the bowl is stirred again and again, as in a
warm bath. Nothing else does: paste that a bath holds at one level reads like a tap, and the keeper is asked.

After a dip there is a time in which nothing can have been shown. A bowl that was begun with this dip has credit for
so long (it counts only where the uptake time is shorter), and so has paste in which something happened after it had
shown itself. A probe that was lifted out of paste and comes back to where that paste must be by now is in it.
"""

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

from sensord.physics.regime import USUAL_LOSS_PER_SECOND
from sensord.readings import Reading

SETTLING_SECONDS = 30.0
"""After a dip, until the probe has followed: two of the longest time constants at rest."""
CREDIT_SECONDS, WATER_CREDIT_SECONDS = 120.0, 240.0
MEAN_SECONDS = 8.0
"""Over which readings are averaged: noise of 0.05 becomes 0.02 °C."""
FALL_SHARE, FALL_LEAST_CELSIUS = 0.04, 0.3
"""The fall that shows paste, as a share of its warmth over the room: what half the usual losses take in 100 s. Vessels
in a hand and a tap's mixer swing by as much in less time, but come back."""
FALL_OVER_CLIMB = 1.5
FIRM = 2.5
FOLLOWED_SECONDS = 60.0
RISE_CELSIUS = 0.3
WATER_CELSIUS = 4.0
CLIMB_CELSIUS, CLIMB_PER_SECOND, CLIMB_STIRS = 2.0, 0.007, 2
STIRS_FROM, STIRS_BELOW = 0.6, 0.2
LEFT_LOSSES = 2.5
LEFT_CELSIUS = 0.6
"""How far paste may be from where it was left: it may have lost this many usual losses, and it is known as well."""


class Paste(NamedTuple):
    """Paste that had shown itself, as it was believed to be at `seconds`: its mean, Celsius."""

    seconds: float
    celsius: float

    def may_be(self, celsius: float, seconds: float, room_celsius: float) -> bool:
        """Whether it can be at `celsius` by now."""
        lost = LEFT_LOSSES * USUAL_LOSS_PER_SECOND * max(0.0, self.celsius - room_celsius) * (seconds - self.seconds)
        return self.celsius - lost - LEFT_CELSIUS < celsius < self.celsius + LEFT_CELSIUS


@dataclass(frozen=True, slots=True, kw_only=True)
class PasteProof:
    """What has been seen since the dip or the last disturbance, at `since_seconds`; Celsius.

    `climb` is the largest one so far, from `lowest`. `confirmed`: the keeper has said that the probe is in the bowl.
    `paste` is what had shown itself last; `back`: after a dip, it is still to be seen whether this is it.
    """

    since_seconds: float = 0.0
    credit_until: float = -math.inf
    paste: Paste | None = None
    back: bool = False
    first: float | None = None
    highest: float = -math.inf
    lowest: float = math.inf
    climb: float = 0.0
    stirs: int = 0
    stirring: bool = False
    shown: bool = False
    firm: bool = False
    confirmed: bool = False


def dipped(before: PasteProof, seconds: float, new_bowl: bool) -> PasteProof:
    """After a dip at `seconds`: into a bowl of which nothing is known, or perhaps back into the paste of `before`."""
    if new_bowl:
        return PasteProof(since_seconds=seconds, credit_until=seconds + CREDIT_SECONDS)
    return PasteProof(since_seconds=seconds, paste=before.paste, back=before.paste is not None)


def disturbed(before: PasteProof, seconds: float, paste: Paste) -> PasteProof:
    """Something has happened to the bowl, or to the probe: what had shown itself has credit, and must do it anew."""
    held = before.shown or before.confirmed
    return PasteProof(
        since_seconds=seconds,
        credit_until=seconds + CREDIT_SECONDS if held else before.credit_until,
        paste=paste if held else before.paste,
        climb=before.climb,
        confirmed=before.confirmed,
    )


def watered(before: PasteProof, seconds: float, change_celsius: float) -> PasteProof:
    """Water was poured in, by the shape of it; a change that no hand and no plate makes has credit."""
    if abs(change_celsius) < WATER_CELSIUS:
        return before
    return replace(before, credit_until=max(before.credit_until, seconds + WATER_CREDIT_SECONDS), climb=0.0)


def confirmed(before: PasteProof) -> PasteProof:
    """The keeper has said that the probe is in the bowl."""
    return replace(before, confirmed=True)


def lifted(before: PasteProof, paste: Paste) -> PasteProof:
    """The probe has left `paste`; kept for the dip that may follow."""
    return PasteProof(paste=paste if before.shown or before.confirmed else before.paste)


def showing_paste(
    proof: PasteProof, recent: tuple[Reading, ...], celsius: float, stirring: float, room_celsius: float
) -> PasteProof:
    """Take in the newest of `recent`; `celsius` is the estimate of the paste, `stirring` the probability of a stir."""
    now = recent[-1].seconds
    if now - proof.since_seconds < SETTLING_SECONDS:
        return proof
    if proof.back and proof.paste is not None:
        back = proof.paste.may_be(celsius, now, room_celsius)
        return replace(proof, back=False, shown=back, firm=back)
    latest = [r.celsius for r in recent if r.seconds > now - MEAN_SECONDS]
    mean = math.fsum(latest) / len(latest)
    highest = max(proof.highest, mean)
    lowest = mean if mean == highest else min(proof.lowest, mean)
    climb = max(proof.climb, mean - lowest, mean - proof.lowest if mean == highest else 0.0)
    followed = now - proof.since_seconds > FOLLOWED_SECONDS
    first = mean if followed and proof.first is None else proof.first
    rise = 0.0 if first is None else mean - first
    climb = max(climb, rise)
    stirs = proof.stirs + (stirring > STIRS_FROM and not proof.stirring)
    fall, enough = highest - mean, max(FALL_LEAST_CELSIUS, FALL_SHARE * (mean - room_celsius))
    cooled = fall > enough and fall > FALL_OVER_CLIMB * climb
    warmed = stirs >= CLIMB_STIRS and rise > max(CLIMB_CELSIUS, CLIMB_PER_SECOND * (now - proof.since_seconds))
    return PasteProof(
        since_seconds=proof.since_seconds,
        credit_until=-math.inf if rise > RISE_CELSIUS else proof.credit_until,
        paste=proof.paste,
        first=first,
        highest=highest,
        lowest=lowest,
        climb=climb,
        stirs=stirs,
        stirring=stirring > STIRS_FROM or (proof.stirring and stirring > STIRS_BELOW),
        shown=cooled or warmed or proof.firm or (proof.shown and fall > climb),
        firm=proof.firm or warmed or (cooled and fall > FIRM * enough),
        confirmed=proof.confirmed,
    )


def in_paste_shown(proof: PasteProof, seconds: float, celsius: float, room_celsius: float) -> bool:
    """Whether the probe may be believed to be in paste; `celsius` is the estimate."""
    if proof.back and proof.paste is not None:
        return proof.paste.may_be(celsius, seconds, room_celsius)
    return proof.confirmed or proof.shown or seconds < proof.credit_until
