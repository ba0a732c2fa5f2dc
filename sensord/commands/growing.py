"""How the chicks grow, as `sensord weigh` shows it: the mornings of each, its own curve, reasons to look."""

import argparse
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass

from sensord.care.chicks import Chick, Weighing, age_days
from sensord.care.growth import Fit, Flag, daily, expected_grams, fit, flags, gains
from sensord.care.plausible import chick_named
from sensord.commands.history_here import open_history
from sensord.commands.keeping import local
from sensord.screens.chick_words import NO_CHICKS


@dataclass(frozen=True, slots=True, kw_only=True)
class _Morning:
    """The first weight of a day, and what it means."""

    at: str
    age_days: float | None
    grams: float
    grams_per_day: float | None
    percent_per_day: float | None
    published_grams: float | None


@dataclass(frozen=True, slots=True)
class _Growth:
    """How one chick has grown, as far as its weights tell."""

    chick: str
    mornings: tuple[_Morning, ...]
    fit: Fit | None
    look: tuple[Flag, ...]
    left_out: tuple[str, ...] = ()


def show_growth(options: argparse.Namespace) -> int:
    """One line a chick, or all mornings of the one that was named; 1 where one of them needs a look."""
    with open_history(options) as reader:
        known = {chick.name: chick for chick in reader.chicks()}
        chosen = [chick for chick in known.values() if chick.left is None]
        if options.chick is not None:
            chosen = [chick_named(options.chick, known)]
        grown = [_growth(chick, reader.weighings(chick.name), reader.impossible(chick.name)) for chick in chosen]
    if options.json:
        print(json.dumps([asdict(one) for one in grown], ensure_ascii=False))
    else:
        print("\n".join(row for one in grown for row in _lines(one, options.chick is not None)) or NO_CHICKS)
    return 1 if any(one.look for one in grown) else 0


def _growth(chick: Chick, weighings: Sequence[Weighing], left_out: tuple[str, ...]) -> _Growth:
    mornings = daily(weighings)
    found = None
    if chick.hatched is not None and mornings:
        days = [age_days(chick.hatched, one.utc_seconds) for one in mornings]
        found = fit(days, [one.grams for one in mornings])
    gained = {gain.utc_seconds: gain for gain in gains(weighings)}
    shown = []
    for one in mornings:
        gain = gained.get(one.utc_seconds)
        age = None if chick.hatched is None else age_days(chick.hatched, one.utc_seconds)
        published = None if age is None else expected_grams(chick.kind, age)
        shown.append(
            _Morning(
                at=local(one.utc_seconds).isoformat(timespec="minutes"),
                age_days=None if age is None else round(age, 1),
                grams=one.grams,
                grams_per_day=None if gain is None else round(gain.grams_per_day, 2),
                percent_per_day=None if gain is None else round(gain.percent_per_day, 1),
                published_grams=None if published is None else round(published[0], 1),
            )
        )
    return _Growth(chick.name, tuple(shown), found, flags(chick, weighings), left_out)


def _lines(grown: _Growth, in_full: bool) -> list[str]:
    odd = [f"! Left out of the log: {what}" for what in grown.left_out]
    if not grown.mornings:
        return [f"{grown.chick}: not weighed yet", *odd]
    if in_full:
        lines = [grown.chick, *[f"  {one.at[:10]}  {_words(one)}" for one in grown.mornings]]
    else:
        lines = [f"{grown.chick}  {_words(grown.mornings[-1])}"]
    if in_full and grown.fit is not None:
        curve = grown.fit.curve
        lines.append(
            f"  on its own course it levels off near {curve.asymptote_grams:.0f} g, steepest at day"
            f" {curve.midpoint_days:.0f} with {curve.greatest_gain_grams:.1f} g a day"
            f" ({curve.model} curve, typically {grown.fit.spread_grams:.1f} g off)"
        )
    return [*lines, *(f"! {flag.sentence} ({flag.source})" for flag in grown.look), *odd]


def _words(one: _Morning) -> str:
    age = "" if one.age_days is None else f"day {int(one.age_days)}  "
    gain = "" if one.grams_per_day is None else f"  {one.grams_per_day:+.1f} g/day ({one.percent_per_day:+.0f} %)"
    published = "" if one.published_grams is None else f"  published mean {one.published_grams:g} g"
    return f"{age}{one.grams:g} g{gain}{published}"
