"""`sensord weigh`: write a weight down, or see how the chicks grow."""

import argparse
import json

from sensord.care.chicks import Chick, Weighing, age_days
from sensord.care.entries import chick_named
from sensord.care.growth import Model, daily, expected_grams, fit, flags, gains
from sensord.commands.keeping import add_place_options, enter, local, moment, open_history, say
from sensord.edges.history_reader import HistoryReader

__all__ = ["arguments", "run"]


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("chick", nargs="?", metavar="CHICK", help="without it: every chick's last weight and gain")
    parser.add_argument("grams", nargs="?", type=float, metavar="GRAMS", help="without it: how the chick has grown")
    parser.add_argument("--at", metavar="TIME", help="when, if not now: 06:30 or 2031-05-04T06:30")
    parser.add_argument("--note", default="", metavar="TEXT", help="anything worth keeping")
    parser.add_argument("--sure", action="store_true", help="the number is right although it looks odd")
    add_place_options(parser, socket=True)


def run(options: argparse.Namespace) -> int:
    if options.grams is not None:
        at = None if options.at is None else moment(options.at)
        fields: dict[str, object] = {
            "chick": options.chick, "grams": options.grams, "at_utc_seconds": at, "note": options.note,
            "sure": options.sure,
        }  # fmt: skip
        code = say(options, "weigh", enter(options, "weigh", fields))
        if code or options.json:
            return code
    with open_history(options) as reader:
        chicks = {chick.name: chick for chick in reader.chicks()}
        if options.chick is not None:
            chick = chick_named(options.chick, chicks)
            grown = _growth(chick, reader.weighings(chick.name))
            print(
                json.dumps(grown, ensure_ascii=False)
                if options.json
                else "\n".join(_told(grown, options.grams is None))
            )
            return 1 if grown["look"] else 0
        return _all(options, reader, [chick for chick in chicks.values() if chick.left is None])


def _all(options: argparse.Namespace, reader: HistoryReader, chicks: list[Chick]) -> int:
    everyone = [_growth(chick, reader.weighings(chick.name)) for chick in chicks]
    if options.json:
        print(json.dumps(everyone, ensure_ascii=False))
    for grown in () if options.json else everyone:
        for line in _told(grown, table=False):
            print(line)
    return 1 if any(grown["look"] for grown in everyone) else 0


def _growth(chick: Chick, weighings: tuple[Weighing, ...]) -> dict[str, object]:
    mornings = daily(weighings)
    grown = {gain.utc_seconds: gain for gain in gains(weighings)}
    found = None
    if chick.hatched is not None and mornings:
        days = [age_days(chick.hatched, one.utc_seconds) for one in mornings]
        found = fit(days, [one.grams for one in mornings], Model.LOGISTIC)
    return {
        "chick": chick.name,
        "weights": [
            {
                "at": local(one.utc_seconds).isoformat(timespec="minutes"),
                "age_days": None if chick.hatched is None else round(age_days(chick.hatched, one.utc_seconds), 1),
                "grams": one.grams,
                "grams_per_day": round(grown[one.utc_seconds].grams_per_day, 2) if one.utc_seconds in grown else None,
                "percent_per_day": round(grown[one.utc_seconds].percent_per_day, 1)
                if one.utc_seconds in grown
                else None,
                "expected_grams": _expected(chick, one),
            }
            for one in mornings
        ],
        "curve": None
        if found is None
        else {
            "model": found.curve.model.value,
            "levels_off_at_grams": round(found.curve.asymptote_grams, 1),
            "steepest_at_days": round(found.curve.midpoint_days, 1),
            "greatest_gain_grams_per_day": round(found.curve.greatest_gain_grams, 2),
            "spread_grams": round(found.spread_grams, 2),
        },
        "look": [flag._asdict() for flag in flags(chick, weighings)],
    }


def _expected(chick: Chick, weighing: Weighing) -> float | None:
    if chick.hatched is None:
        return None
    expected = expected_grams(chick.kind, age_days(chick.hatched, weighing.utc_seconds))
    return None if expected is None else round(expected[0], 1)


def _told(grown: dict[str, object], table: bool) -> list[str]:
    weights = grown["weights"]
    assert isinstance(weights, list)
    if not weights:
        return [f"{grown['chick']}: not weighed yet"]
    shown = weights if table else weights[-1:]
    lines = [f"{grown['chick']}"] if table else []
    for one in shown:
        gain = (
            ""
            if one["grams_per_day"] is None
            else f"  {one['grams_per_day']:+.1f} g/day ({one['percent_per_day']:+.0f} %)"
        )
        age = "" if one["age_days"] is None else f"  day {int(one['age_days'])}"
        expected = "" if one["expected_grams"] is None else f"  published mean {one['expected_grams']:g} g"
        head = f"  {one['at'][:10]}" if table else f"{grown['chick']}"
        lines.append(f"{head}{age}  {one['grams']:g} g{gain}{expected}")
    curve = grown["curve"]
    if table and isinstance(curve, dict):
        lines.append(
            f"  on its own course it levels off near {curve['levels_off_at_grams']:g} g"
            f" ({curve['model']} curve, typically {curve['spread_grams']:g} g off)"
        )
    look = grown["look"]
    assert isinstance(look, list)
    return lines + [f"! {flag['sentence']} ({flag['source']})" for flag in look]
