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

SETTLING_SECONDS, FOLLOWED_SECONDS = 30.0, 60.0
"""After a dip, until falls are looked for, and until any probe has followed, so that a climb is the paste's."""
CREDIT_SECONDS, WATER_CREDIT_SECONDS = 120.0, 240.0
"""In which a usual bowl has shown itself after a dip, and after water, which takes its time to be stirred in."""
RISE_CELSIUS = 0.3
"""A climb that ends all credit: skin that warms."""
WATER_CELSIUS = 4.0
"""The least change by water that a shifted grip, or a step from paste of 37 °C to a hand, does not make."""
MEAN_SECONDS = 8.0
"""Over which readings are averaged: noise of 0.05 becomes 0.02 °C."""
FALL_SHARE, FALL_LEAST_CELSIUS, FALL_OVER_CLIMB = 0.04, 0.3, 1.5
"""The fall that shows paste, as a share of its warmth over the room (what the usual losses take in 67 s), and as a
multiple of the largest climb: vessels in a hand and a tap's mixer swing by as much, but come back."""
SLOWEST_LOSS = 0.25
"""Of the usual losses; what falls more slowly is a hand in which blood is kept back."""
FIRM = 2.5
"""So many times that fall is believed whatever climbs later."""
CLIMB_CELSIUS, CLIMB_STIRS, CLIMB_GOES_ON = 2.0, 2, 0.8
"""The climb and the stirs in it that show paste in a bath. It is as fast as it was in its first half, or nearly."""
STIRS_FROM, STIRS_BELOW = 0.6, 0.2
"""Probabilities at which a stir begins and is over."""
COURSE_SECONDS, COURSE_LENGTH = 30.0, 40
LEFT_LOSSES, LEFT_CELSIUS = 2.5, 0.6
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

    `course` is the mean each half minute since the probe has followed, `climb` the largest one so far, from `lowest`.
    `firm`: only a disturbance takes back what has been shown. `confirmed`: the keeper has said that it is the bowl.
    `paste` is what had shown itself last; `back`: after a dip, it is still to be seen whether this is it.
    """

    since_seconds: float = 0.0
    credit_until: float = -math.inf
    paste: Paste | None = None
    back: bool = False
    course: tuple[float, ...] = ()
    highest: float = -math.inf
    highest_seconds: float = 0.0
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


def vouched_for(before: PasteProof) -> PasteProof:
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
    if now - proof.since_seconds < SETTLING_SECONDS or proof.firm:
        return proof
    if proof.back and proof.paste is not None:
        back = proof.paste.may_be(celsius, now, room_celsius)
        return replace(proof, back=False, shown=back, firm=back)
    latest = [r.celsius for r in recent if r.seconds > now - MEAN_SECONDS]
    mean = math.fsum(latest) / len(latest)
    highest, since = (mean, now) if mean > proof.highest else (proof.highest, proof.highest_seconds)
    lowest = mean if mean == highest else min(proof.lowest, mean)
    climb = max(proof.climb, mean - lowest, mean - proof.lowest if mean == highest else 0.0)
    course, due = proof.course, proof.since_seconds + FOLLOWED_SECONDS + COURSE_SECONDS * len(proof.course)
    if now > due and len(course) < COURSE_LENGTH:
        course = (*course, mean)
    rise = mean - course[0] if course else 0.0
    climb = max(climb, rise)
    stirs = proof.stirs + (stirring > STIRS_FROM and not proof.stirring)
    warmth, fall = mean - room_celsius, highest - mean
    enough = max(FALL_LEAST_CELSIUS, FALL_SHARE * warmth, SLOWEST_LOSS * USUAL_LOSS_PER_SECOND * warmth * (now - since))
    cooled = fall > enough and fall > FALL_OVER_CLIMB * climb
    warmed = stirs >= CLIMB_STIRS and rise > CLIMB_CELSIUS and _goes_on(course, mean)
    return PasteProof(
        since_seconds=proof.since_seconds,
        credit_until=-math.inf if rise > RISE_CELSIUS else proof.credit_until,
        paste=proof.paste,
        course=course,
        highest=highest,
        highest_seconds=since,
        lowest=lowest,
        climb=climb,
        stirs=stirs,
        stirring=stirring > STIRS_FROM or (proof.stirring and stirring > STIRS_BELOW),
        shown=cooled or warmed or (proof.shown and fall > climb),
        firm=warmed or (cooled and fall > FIRM * enough),
        confirmed=proof.confirmed,
    )


def _goes_on(course: tuple[float, ...], mean: float) -> bool:
    """Whether a climb is as fast as in its first half: a bath's is, skin that warms slows down."""
    middle = course[len(course) // 2]
    return mean - middle > CLIMB_GOES_ON * (middle - course[0])


def in_paste_shown(proof: PasteProof, seconds: float, celsius: float, room_celsius: float) -> bool:
    """Whether the probe may be believed to be in paste; `celsius` is the estimate."""
    if proof.back and proof.paste is not None:
        return proof.paste.may_be(celsius, seconds, room_celsius)
    return proof.confirmed or proof.shown or seconds < proof.credit_until
