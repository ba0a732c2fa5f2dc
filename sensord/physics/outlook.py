"""When the paste will enter a band, how long it will stay there, or that it will not get there on this course.

Looks ahead along the model of `physics.regime` with the bowl left as it is:

    d mean / dt = -loss k (mean - room) + soak exp(-t / T)

with the losses per kelvin of half-way to the band and of what the keeper has been doing; that has a closed solution.
Its spread is carried along from the covariance of mean, loss and soak. Intervals are 90 %: the times at which 5, 50
and 95 % of what is believed has crossed the edge of the band.
"""

import math
from dataclasses import dataclass

from sensord.physics.conformity import NINETY_PERCENT
from sensord.physics.cooling import Cooling
from sensord.physics.regime import BATH_SECONDS, LOSS, MEAN, SOAK, SOAK_SECONDS, USUAL_LOSS_PER_SECOND, warmth
from sensord.readings import Band, Interval

HORIZON_SECONDS = 7200.0
DRIFT_SHARE = 0.12
"""What the model leaves out (draughts, paste taken out, a hand round the bowl) as a share of the change that is still
to come; chosen so that 90 % intervals cover 90 % on simulated bowls."""

WINDOW_SHARE = 0.32
"""The same for the length of the window, which a single stir, draught or spoonful taken out changes more."""


@dataclass(frozen=True, slots=True)
class Outlook:
    """Where the paste goes: until its mean is in the band (0 when it is), and how long it stays from then on.

    None where not known; `never`: it won't get there on this course. Nobody looks further than `HORIZON_SECONDS`: an
    entry whose late end would lie beyond it, or never come, ends there.
    """

    ready_in_seconds: Interval | None = None
    open_for_seconds: Interval | None = None
    never: bool = False


NOTHING_KNOWN = Outlook()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Course:
    """The paste's mean as it will go, with all that is uncertain about it."""

    mean: float
    room: float
    loss: float
    soak: float
    covariance: tuple[tuple[float, float, float], ...]
    offset: float
    soak_seconds: float

    def at(self, seconds: float) -> float:
        k = max(self.loss, 0.02) * USUAL_LOSS_PER_SECOND
        kept = math.exp(-k * seconds)
        return self.room + (self.mean - self.room) * kept + self.soak * self._soaked(k, seconds)

    def _soaked(self, k: float, seconds: float) -> float:
        fade = 1.0 / self.soak_seconds - k
        if abs(fade) < 1e-9:
            return seconds * math.exp(-k * seconds)
        return (math.exp(-k * seconds) - math.exp(-seconds / self.soak_seconds)) / fade

    def slopes(self, seconds: float) -> tuple[float, float, float]:
        """How the mean at `seconds` depends on mean, loss and soak now."""
        k = max(self.loss, 0.02) * USUAL_LOSS_PER_SECOND
        kept = math.exp(-k * seconds)
        return (
            kept,
            -USUAL_LOSS_PER_SECOND * seconds * kept * (self.mean - self.room),
            self._soaked(k, seconds),
        )

    def spread(self, seconds: float) -> float:
        drift = DRIFT_SHARE * (self.at(seconds) - self.mean)
        return math.sqrt(self.covary(seconds, seconds) + self.offset**2 + drift**2)

    def covary(self, one: float, other: float) -> float:
        a, b = self.slopes(one), self.slopes(other)
        held = [row[0] * b[0] + row[1] * b[1] + row[2] * b[2] for row in self.covariance]
        return max(0.0, a[0] * held[0] + a[1] * held[1] + a[2] * held[2])

    def rate(self, seconds: float) -> float:
        return (self.at(seconds + 1.0) - self.at(seconds - 1.0)) / 2.0


def look_ahead(cooling: Cooling, band: Band, offset_celsius: float) -> Outlook:
    """The outlook for `band`; `offset_celsius` is the standard uncertainty of the probe itself."""
    low, high = band.low_celsius, band.high_celsius
    course = _course(cooling, min(max(cooling.celsius, low), high), offset_celsius)
    course_now = course.mean
    if course_now > high:
        ready = _crossing(course, high, falling=True)
    elif course_now < low:
        ready = _crossing(course, low, falling=False)
    else:
        ready = Interval(0.0, 0.0, _late(_already_in(course, band)))
    if ready is None:
        return Outlook(never=True)
    return Outlook(ready, _window(course, band, ready))


def _course(cooling: Cooling, target: float, offset: float) -> _Course:
    """The bank as one normal distribution of mean, loss on the way to `target` (Celsius) and soak."""
    on_the_way = cooling.habit * warmth((cooling.celsius + target) / 2.0)
    chosen = ((MEAN, 1.0), (LOSS, on_the_way), (SOAK, 1.0))
    middle = [sum(r.weight * scale * r.state[index] for r in cooling.bank) for index, scale in chosen]

    def covary(i: int, j: int) -> float:
        (row, row_scale), (column, column_scale) = chosen[i], chosen[j]
        return sum(
            r.weight
            * (
                row_scale * column_scale * r.covary(row, column)
                + (row_scale * r.state[row] - middle[i]) * (column_scale * r.state[column] - middle[j])
            )
            for r in cooling.bank
        )

    covariance = tuple((covary(i, 0), covary(i, 1), covary(i, 2)) for i in range(3))
    soak_seconds = BATH_SECONDS if cooling.bathed else SOAK_SECONDS
    return _Course(
        mean=middle[0],
        room=cooling.room_celsius,
        loss=middle[1],
        soak=middle[2],
        covariance=covariance,
        offset=offset,
        soak_seconds=soak_seconds,
    )


def _times() -> tuple[float, ...]:
    times, step = [0.0], 2.0
    while times[-1] < HORIZON_SECONDS:
        times.append(times[-1] + step)
        step *= 1.1
    return tuple(times)


_TIMES = _times()
"""At which a course is looked at, ever further apart; the step in which it crosses an edge is then halved."""


def _first(course: _Course, edge: float, falling: bool, spreads: float, start: float = 0.0) -> float | None:
    """First time from `start` on at which the course, so many spreads aside, is beyond `edge`; None if it never is."""

    def beyond(time: float) -> bool:
        aside = course.at(time) + (spreads * course.spread(time) if spreads else 0.0)
        return aside <= edge if falling else aside >= edge

    if beyond(start):
        return start
    early = start
    for time in _TIMES:
        if time <= start:
            continue
        if beyond(time):
            break
        early = time
    else:
        return None
    late = time
    for _ in range(12):  # halve the step in which it happens
        middle = (early + late) / 2.0
        early, late = (early, middle) if beyond(middle) else (middle, late)
    return late


def _crossing(course: _Course, edge: float, falling: bool) -> Interval | None:
    middle = _first(course, edge, falling, 0.0)
    if middle is None:
        return None
    sign = 1.0 if falling else -1.0
    early = _first(course, edge, falling, -NINETY_PERCENT * sign)
    late = _first(course, edge, falling, NINETY_PERCENT * sign)
    return Interval(middle, 0.0 if early is None else early, _late(late))


def _late(seconds: float | None) -> float:
    return HORIZON_SECONDS if seconds is None else min(seconds, HORIZON_SECONDS)


def _already_in(course: _Course, band: Band) -> float | None:
    """How much longer it may take after all, if the mean is not as low (or high) as it seems."""
    falling = course.rate(0.0) < 0.0
    edge = band.high_celsius if falling else band.low_celsius
    return _first(course, edge, falling, NINETY_PERCENT if falling else -NINETY_PERCENT)


def _window(course: _Course, band: Band, ready: Interval) -> Interval | None:
    """From entering (or from now) to leaving, by the edge that the course reaches first."""
    start = ready.middle
    below = _first(course, band.low_celsius, falling=True, spreads=0.0, start=start + 1.0)
    above = _first(course, band.high_celsius, falling=False, spreads=0.0, start=start + 1.0)
    if below is None and above is None:
        return None
    leave = min(math.inf if below is None else below, math.inf if above is None else above)
    middle = leave - start
    out = course.rate(leave)
    if start <= 0.0:
        variance = (course.covary(leave, leave) + course.offset**2) / out**2
    else:
        into = course.rate(start)
        variance = (
            (course.covary(leave, leave) + course.offset**2) / out**2
            - 2.0 * (course.covary(start, leave) + course.offset**2) / (out * into)
            + (course.covary(start, start) + course.offset**2) / into**2
        )
    share = math.sqrt(max(variance, 0.0) / middle**2 + WINDOW_SHARE**2)
    wide = NINETY_PERCENT * math.sqrt(math.log(1.0 + share**2))
    return Interval(middle, middle * math.exp(-wide), middle * math.exp(wide))
