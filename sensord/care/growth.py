"""Weights over the days: daily gain, a growth curve fitted to a chick's own weights, and reasons to look closer.

Masses are grams, ages days. A flag is a reason to look and to call a vet, never a diagnosis. The curves are the two
that growth studies of nestlings use: logistic `A / (1 + exp(-K (t - ti)))` and Gompertz `A exp(-exp(-K (t - ti)))`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum, unique
from itertools import pairwise
from math import exp, inf, isfinite, log, sqrt
from typing import NamedTuple

from sensord.care.chicks import SECONDS_A_DAY, Chick, Weighing, age_days, plain_kind

_HANDBOOK = "Duerr RS, Gage LJ (eds), Hand-Rearing Birds, 2nd ed."
_FEWEST_WEIGHTS = 5
_STEPS = 200


@unique
class Model(StrEnum):
    """The shape of a growth curve."""

    LOGISTIC = "logistic"
    GOMPERTZ = "gompertz"


@dataclass(frozen=True, slots=True)
class Curve:
    """A growth curve: it levels off at `asymptote_grams`, is steepest at `midpoint_days`, and `rate_per_day` is K."""

    model: Model
    asymptote_grams: float
    midpoint_days: float
    rate_per_day: float

    def grams(self, days: float) -> float:
        """The mass at an age in days."""
        falling = exp(min(700.0, -self.rate_per_day * (days - self.midpoint_days)))
        if self.model is Model.LOGISTIC:
            return self.asymptote_grams / (1 + falling)
        return self.asymptote_grams * exp(-falling)

    @property
    def greatest_gain_grams(self) -> float:
        """The steepest daily gain: K A / 4 (logistic) or K A / e (Gompertz)."""
        return self.rate_per_day * self.asymptote_grams / (4 if self.model is Model.LOGISTIC else exp(1))


@dataclass(frozen=True, slots=True)
class Fit:
    """A curve fitted to `weights` weights; `spread_grams` is the residual standard deviation."""

    curve: Curve
    spread_grams: float
    weights: int


class Gain(NamedTuple):
    """From one morning weight to the next, scaled to one day."""

    utc_seconds: float
    grams_per_day: float
    percent_per_day: float


class Flag(NamedTuple):
    """A reason to look: a short name, a sentence for the keeper, and where the rule is written."""

    name: str
    sentence: str
    source: str


def fit(days: Sequence[float], grams: Sequence[float], model: Model = Model.LOGISTIC) -> Fit | None:
    """The least-squares curve (Levenberg-Marquardt), or None where the weights do not bend enough to carry one."""
    if len(days) < _FEWEST_WEIGHTS or min(grams) <= 0:
        return None
    start = min((_straightened(days, grams, model, factor) for factor in (1.02, 1.3, 2.0, 4.0, 8.0)), key=_first)
    if start[1] is None:
        return None
    found = _descend(days, grams, start[1])
    if found is None:
        return None
    curve, squares = found
    believable = curve.rate_per_day > 0 and curve.asymptote_grams < 20 * max(grams)
    return Fit(curve, sqrt(squares / (len(days) - 3)), len(days)) if believable else None


def _first(pair: tuple[float, Curve | None]) -> float:
    return pair[0]


def _straightened(
    days: Sequence[float], grams: Sequence[float], model: Model, factor: float
) -> tuple[float, Curve | None]:
    """A starting point: for a guessed asymptote both curves are straight lines after a transformation."""
    asymptote = max(grams) * factor
    shares = [mass / asymptote for mass in grams]
    line = [log(1 / s - 1) if model is Model.LOGISTIC else log(-log(s)) for s in shares]
    mean_day, mean_line = sum(days) / len(days), sum(line) / len(line)
    spread = sum((day - mean_day) ** 2 for day in days)
    if not spread:
        return inf, None
    slope = sum((d - mean_day) * (y - mean_line) for d, y in zip(days, line, strict=True)) / spread
    if slope >= 0:
        return inf, None
    curve = Curve(model, asymptote, mean_day - mean_line / slope, -slope)
    return _squares(curve, days, grams), curve


def _squares(curve: Curve, days: Sequence[float], grams: Sequence[float]) -> float:
    return sum((mass - curve.grams(day)) ** 2 for day, mass in zip(days, grams, strict=True))


def _descend(days: Sequence[float], grams: Sequence[float], curve: Curve) -> tuple[Curve, float] | None:
    squares, damping = _squares(curve, days, grams), 1e-3
    for _ in range(_STEPS):
        slopes = [_slopes(curve, day) for day in days]
        misses = [mass - curve.grams(day) for day, mass in zip(days, grams, strict=True)]
        square = [[sum(row[i] * row[j] for row in slopes) for j in range(3)] for i in range(3)]
        right = [sum(row[i] * miss for row, miss in zip(slopes, misses, strict=True)) for i in range(3)]
        for i in range(3):
            square[i][i] *= 1 + damping
        step = _solved(square, right)
        if step is None:
            return None
        tried = Curve(
            curve.model,
            curve.asymptote_grams + step[0],
            curve.midpoint_days + step[1],
            curve.rate_per_day + step[2],
        )
        after = _squares(tried, days, grams) if tried.asymptote_grams > 0 and tried.rate_per_day > 0 else inf
        if isfinite(after) and after <= squares:
            settled = squares - after <= 1e-14 * squares
            curve, squares, damping = tried, after, max(damping / 10, 1e-12)
            if settled:
                return curve, squares
        else:
            damping *= 10
            if damping > 1e12:
                return curve, squares
    return None


def _slopes(curve: Curve, day: float) -> tuple[float, float, float]:
    """How the mass at `day` changes with asymptote, midpoint and rate."""
    a, ti, k = curve.asymptote_grams, curve.midpoint_days, curve.rate_per_day
    mass = curve.grams(day)
    share = mass / a
    # d mass / d(K (t - ti)): logistic A s (1 - s), Gompertz A s exp(-K (t - ti)).
    steep = mass * (1 - share) if curve.model is Model.LOGISTIC else mass * exp(min(700.0, -k * (day - ti)))
    return share, -k * steep, (day - ti) * steep


def _solved(square: list[list[float]], right: list[float]) -> list[float] | None:
    """Three equations by elimination with pivoting; None where they do not determine an answer."""
    rows = [[*line, value] for line, value in zip(square, right, strict=True)]
    for i in range(3):
        pivot = max(range(i, 3), key=lambda r: abs(rows[r][i]))
        if not abs(rows[pivot][i]) > 1e-300:
            return None
        rows[i], rows[pivot] = rows[pivot], rows[i]
        for r in range(i + 1, 3):
            factor = rows[r][i] / rows[i][i]
            rows[r] = [x - factor * y for x, y in zip(rows[r], rows[i], strict=True)]
    answer = [0.0] * 3
    for i in (2, 1, 0):
        answer[i] = (rows[i][3] - sum(rows[i][j] * answer[j] for j in range(i + 1, 3))) / rows[i][i]
    return answer if all(isfinite(one) for one in answer) else None


def daily(weighings: Sequence[Weighing]) -> tuple[Weighing, ...]:
    """The first weight of each day (UTC): weigh every day at the same time, before the first feed (handbook, ch 27)."""
    first: dict[object, Weighing] = {}
    for weighing in sorted(weighings, key=lambda one: one.utc_seconds):
        first.setdefault(datetime.fromtimestamp(weighing.utc_seconds, tz=UTC).date(), weighing)
    return tuple(first.values())


def gains(weighings: Sequence[Weighing]) -> tuple[Gain, ...]:
    """The gain from each morning weight to the next."""
    mornings = daily(weighings)
    found = []
    for before, after in pairwise(mornings):
        days = max((after.utc_seconds - before.utc_seconds) / SECONDS_A_DAY, 0.25)
        gained = (after.grams - before.grams) / days
        found.append(Gain(after.utc_seconds, gained, 100 * gained / before.grams))
    return tuple(found)


class _Published(NamedTuple):
    """Mean masses by age in days, from a source that was read."""

    kinds: tuple[str, ...]
    points: tuple[tuple[float, float], ...]
    source: str


# Only what was read in its source. Kinds without a row get no expectation at all.
_PUBLISHED = (
    _Published(
        ("domestic pigeon, meat breed", "meat pigeon", "white carneau"),
        ((0, 22.2), (7, 187.9), (14, 389.3), (21, 494.8), (28, 519.4)),
        "Effect of early underfeeding on the weight of the White Carneau pigeon (abstract), mean of 160 squabs",
    ),
)
_RISK_SHARE, _RISK_SOURCE = 0.75, "Klaassen M, Bech C, Physiol Zool 1992: tern chicks under 75 % of expected mass"
_STUNTED_SHARE = 0.80
_STUNTED_SOURCE = (
    "Guedes NMR et al, Sci Rep 2022, doi 10.1038/s41598-022-19677-5: dwarf chicks were 20 % under the rest"
)
_LOSS_SOURCE = f"{_HANDBOOK}, ch 40, p 617: no gain two days in a row, or any drop before fledging"
_GROWN_DAYS = 21.0  # the youngest age at which any seen source has a parrot or pigeon near its adult weight
_LEVEL_SHARE_A_DAY = 0.01  # common practice, no source
_PEAK_FALL_SHARE = 0.10
_PEAK_SOURCE = f"{_HANDBOOK}, ch 39, p 599: a fall of about 10 % before fledging; ch 48, p 750: over 10 % at weaning"
_LOOK = "Look at warmth, crop and droppings, weigh again"


def expected_grams(kind: str, days: float) -> tuple[float, str] | None:
    """The published mean mass of a kind at an age, straight between the ages given, with its source; None elsewhere."""
    published = next((one for one in _PUBLISHED if plain_kind(kind) in one.kinds), None)
    if published is None:
        return None
    for (day, mass), (next_day, next_mass) in pairwise(published.points):
        if day <= days <= next_day:
            return mass + (next_mass - mass) * (days - day) / (next_day - day), published.source
    return None


def flags(chick: Chick, weighings: Sequence[Weighing]) -> tuple[Flag, ...]:
    """Reasons to look at a chick, from its morning weights; the most pressing first."""
    mornings = daily(weighings)
    if len(mornings) < 2:
        return ()
    if _levelled_off(chick, mornings):
        return _fallen_from_peak(chick, mornings)
    stalled = _stalled(chick, mornings)
    found = [] if stalled is None else [stalled]
    return (*found, *_off_the_curve(chick, mornings))


def _levelled_off(chick: Chick, mornings: Sequence[Weighing]) -> bool:
    """Grown: old enough, and its own curve foresees next to no gain, so that weights go up and down from here on.

    Age alone or the curve alone would not do: a sick chick's curve levels off as well.
    """
    first, last = mornings[0].utc_seconds, mornings[-1].utc_seconds
    age = (last - first) / SECONDS_A_DAY if chick.hatched is None else age_days(chick.hatched, last)
    if age < _GROWN_DAYS:
        return False
    days = [(one.utc_seconds - first) / SECONDS_A_DAY for one in mornings]
    own = fit(days, [one.grams for one in mornings])
    if own is None:
        return False
    return own.curve.grams(days[-1] + 1) - own.curve.grams(days[-1]) < _LEVEL_SHARE_A_DAY * mornings[-1].grams


def _fallen_from_peak(chick: Chick, mornings: Sequence[Weighing]) -> tuple[Flag, ...]:
    peak = max(one.grams for one in mornings)
    share = 1 - mornings[-1].grams / peak
    if share <= _PEAK_FALL_SHARE:
        return ()
    sentence = (
        f"{chick.name} is {100 * share:.0f} % under its greatest weight of {peak:.3g} g; about a tenth is usual before"
        f" fledging. {_LOOK}, and call an avian vet."
    )
    return (Flag("loss", sentence, _PEAK_SOURCE),)


def _stalled(chick: Chick, mornings: Sequence[Weighing]) -> Flag | None:
    last, before = mornings[-1], mornings[-2]
    lost = before.grams - last.grams
    two_days = [one for one in mornings if last.utc_seconds - one.utc_seconds >= 1.75 * SECONDS_A_DAY]
    no_gain = bool(two_days) and last.grams <= two_days[-1].grams
    if lost > 0:
        since = " and has not gained for two days" if no_gain else ""
        sentence = (
            f"{chick.name} lost {lost:.3g} g ({100 * lost / before.grams:.0f} %) since the weight before{since}."
            f" {_LOOK}, and call an avian vet today unless it is about to fledge."
        )
        return Flag("loss", sentence, _LOSS_SOURCE)
    if no_gain:
        return Flag(
            "no gain", f"{chick.name} has not gained for two days. {_LOOK}, and call an avian vet.", _LOSS_SOURCE
        )
    return None


def _off_the_curve(chick: Chick, mornings: Sequence[Weighing]) -> list[Flag]:
    last = mornings[-1]
    if chick.hatched is not None:
        age = age_days(chick.hatched, last.utc_seconds)
        published = expected_grams(chick.kind, age)
        if published is not None and last.grams < _RISK_SHARE * published[0]:
            share = 100 * last.grams / published[0]
            sentence = f"{chick.name} weighs {share:.0f} % of the published mean for its age: call an avian vet."
            return [Flag("far under the curve", sentence, f"{published[1]}; {_RISK_SOURCE}")]
    earlier = [one for one in mornings if last.utc_seconds - one.utc_seconds >= 3.75 * SECONDS_A_DAY]
    start = mornings[0].utc_seconds
    days = [(one.utc_seconds - start) / SECONDS_A_DAY for one in earlier]
    own = fit(days, [one.grams for one in earlier], Model.GOMPERTZ)
    if own is None:
        return []
    foreseen = own.curve.grams((last.utc_seconds - start) / SECONDS_A_DAY)
    if last.grams >= _STUNTED_SHARE * foreseen:
        return []
    sentence = (
        f"{chick.name} is {100 * (1 - last.grams / foreseen):.0f} % under where its own growth until four days ago"
        f" was leading. {_LOOK}, and call an avian vet."
    )
    return [Flag("falling off its curve", sentence, _STUNTED_SOURCE)]
