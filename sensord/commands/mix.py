"""`sensord mix`: how much dry formula, hot and cool water, in which order, and how warm it will be."""

import argparse
import json
from dataclasses import asdict, replace
from math import hypot
from pathlib import Path
from typing import Any

from sensord.care.formula import SKIN_HURT_CELSIUS, millilitre_words, scald_words, solids_from_volumes
from sensord.commands.given import in_range, number, whole_number
from sensord.commands.kitchen_options import Shared, add_shared, percent, read_shared
from sensord.config import kitchen
from sensord.errors import DataError
from sensord.physics.mixing import Kitchen, Plan, Recipe, Refusal, by_recipe, plan
from sensord.physics.slips import HONEST, Slips
from sensord.physics.water import water_density

_SCOOP_SLIP_SHARE = 0.10
"""Standard uncertainty of powder measured level by volume: it packs by as much; common practice, no source."""
_LEAST_COOL_MILLILITRES = 0.25
_QUARTERS = {0: "", 1: "¼", 2: "½", 3: "¾"}


def arguments(parser: argparse.ArgumentParser) -> None:
    amount = parser.add_argument_group("how much")
    amount.add_argument("--chicks", type=whole_number, metavar="N", help="with --feed-ml")
    amount.add_argument("--feed-ml", type=number, metavar="ML", help="a feed of one chick")
    amount.add_argument(
        "--spare", type=number, default=10, metavar="PCT", help="extra that stays in bowl and syringe (default 10)"
    )
    amount.add_argument("--amount-ml", type=number, metavar="ML", help="the whole batch, instead of chicks and feed")
    amount.add_argument(
        "--from-log", action="store_true", help="one feed of all weighed chicks, as `sensord feed` plans"
    )
    amount.add_argument("--state", type=Path, metavar="DIR", help="with --from-log: the folder of the history")
    thickness = parser.add_argument_group("how thick")
    thickness.add_argument("--solids", type=number, metavar="PCT", help="dry formula in percent of the weight")
    thickness.add_argument("--ratio", metavar="DRY:WATER", help="level measures by volume, e.g. 1:2")
    thickness.add_argument(
        "--scoop-ml", type=number, metavar="ML", help="size of your scoop: amounts in level scoops too"
    )
    thickness.add_argument("--dry-temperature", type=number, metavar="C", help="dry formula, °C (default: the room's)")
    parser.add_argument("--dish", metavar="NAME", help="the dish of the config whose band and uptake time hold")
    add_shared(parser)


def run(options: argparse.Namespace) -> int:
    shared = read_shared(options, options.dish)
    solids = _solids(options, shared)
    millilitres = _millilitres(options)
    scoop = None if options.scoop_ml is None else in_range("--scoop-ml", options.scoop_ml, 0.5, 500, "ml")
    dry_celsius = shared.room_celsius
    if options.dry_temperature is not None:
        dry_celsius = in_range("--dry-temperature", options.dry_temperature, -30, 60, "°C")
    bench = Kitchen(
        hot_celsius=shared.hot_celsius,
        cool_celsius=shared.tap_celsius,
        dry_celsius=dry_celsius,
        room_celsius=shared.room_celsius,
        bowl=shared.bowl,
        wait_seconds=_uptake_seconds(shared, options.dish),
    )
    dry = kitchen.dry_formula(shared.config)
    answer = plan(millilitres, solids, bench, shared.band, dry)
    if isinstance(answer, Refusal):
        print(
            json.dumps({"possible": False, **asdict(answer)}, ensure_ascii=False) if options.json else f"no: {answer}"
        )
        return 1
    scoops = None
    if scoop is not None:
        scoops = _in_scoops(answer, scoop, shared)
        recipe, honest = _scooped(scoops, scoop, answer, shared)
        answer = by_recipe(recipe, bench, dry, honest)
    if options.json:
        print(json.dumps(_as_json(answer, scoops, shared), ensure_ascii=False))
    else:
        print("\n".join(_lines(answer, scoops, shared)))
    return 0


def _millilitres(options: argparse.Namespace) -> float:
    by_chicks = options.chicks is not None or options.feed_ml is not None
    if options.from_log:
        if by_chicks or options.amount_ml is not None:
            raise DataError("--from-log: says how much already; leave out --chicks, --feed-ml and --amount-ml, or it")
        from sensord.commands.history_here import open_history
        from sensord.commands.keeping import now_utc
        from sensord.log.chick_log import chick_views
        from sensord.screens.chick_words import planned_batch_millilitres

        with open_history(options) as reader:
            planned = planned_batch_millilitres(chick_views(reader, now_utc()))
        if not planned:
            raise DataError("--from-log: no chick of the log has a weight; `sensord weigh CHICK GRAMS` writes one down")
        return planned * (1 + in_range("--spare", options.spare, 0, 100, "%") / 100)
    if options.amount_ml is not None:
        if by_chicks:
            raise DataError("--amount-ml: is the whole batch; leave out --chicks and --feed-ml, or it")
        return in_range("--amount-ml", options.amount_ml, 0, 20_000, "ml", open_low=True)
    if options.chicks is None or options.feed_ml is None:
        raise DataError("say how much: --chicks N and --feed-ml ML, or --amount-ml ML, or --from-log")
    chicks = in_range("--chicks", options.chicks, 1, 500, "chicks")
    feed = in_range("--feed-ml", options.feed_ml, 0, 200, "ml", open_low=True)
    return chicks * feed * (1 + in_range("--spare", options.spare, 0, 100, "%") / 100)


def _solids(options: argparse.Namespace, shared: Shared) -> float:
    if options.solids is not None and options.ratio is not None:
        raise DataError("--solids and --ratio say the same thing twice: leave one out")
    if options.solids is not None:
        return percent("--solids", options.solids)
    if options.ratio is None:
        if shared.config.formula.solids_percent is None:
            raise DataError(
                "say how thick: --solids PCT, or --ratio DRY:WATER, or formula.solids_percent in the config"
            )
        return shared.config.formula.solids_percent / 100
    try:
        dry, water = (float(part) for part in options.ratio.split(":"))
        solids = solids_from_volumes(dry, water, shared.config.formula.bulk_density_grams_per_millilitre)
    except ValueError:
        raise DataError(f"--ratio {options.ratio}: give two numbers above 0 with a colon between, e.g. 1:2") from None
    return percent(f"--ratio {options.ratio} makes", 100 * solids)


def _uptake_seconds(shared: Shared, dish: str | None) -> float:
    """Of the dish named, of the only one, or the default of a dish."""
    dishes = shared.config.dishes
    if dish is None and len(dishes) == 1:
        dish = next(iter(dishes))
    section = dishes[dish] if dish is not None else kitchen.DishValues()
    return section.uptake_seconds


def _in_scoops(batch: Plan, scoop: float, shared: Shared) -> tuple[float, float, float]:
    """Dry, hot and cool in level scoops, to the quarter that an eye can judge."""
    dry_millilitres = batch.dry_grams / shared.config.formula.bulk_density_grams_per_millilitre
    counts = [
        round(4 * amount / scoop) / 4 for amount in (dry_millilitres, batch.hot_millilitres, batch.cool_millilitres)
    ]
    if not counts[0] or not counts[1]:
        raise DataError(f"--scoop-ml {scoop:g}: is too big for this batch, less than a quarter of it is needed: weigh")
    return counts[0], counts[1], counts[2]


def _scooped(scoops: tuple[float, float, float], scoop: float, batch: Plan, shared: Shared) -> tuple[Recipe, Slips]:
    """What the rounded scoops really hold, and how far off they can be."""
    dry, hot, cool = (count * scoop for count in scoops)
    recipe = Recipe(
        dry * shared.config.formula.bulk_density_grams_per_millilitre,
        hot * water_density(batch.hot_celsius) / 1000,
        cool * water_density(batch.cool_celsius) / 1000,
    )
    # A level scoop is judged to about a tenth of its size.
    return recipe, replace(
        HONEST,
        dry_share=_SCOOP_SLIP_SHARE,
        hot_share=hypot(HONEST.hot_share, 0.1 / scoops[1]),
        cool_share=hypot(HONEST.cool_share, 0.1 / scoops[2]) if scoops[2] else HONEST.cool_share,
    )


def _lines(batch: Plan, scoops: tuple[float, float, float] | None, shared: Shared) -> list[str]:
    dry = f"{batch.dry_grams:.1f} g"
    hot, cool = millilitre_words(batch.hot_millilitres), millilitre_words(batch.cool_millilitres)
    if scoops is not None:
        dry, hot, cool = (
            f"{_scoop_words(count)} ({amount})" for count, amount in zip(scoops, (dry, hot, cool), strict=True)
        )
    steps = [
        f"Put {dry} of dry formula in the bowl.",
        f"Add {hot} of hot water ({batch.hot_celsius:.0f} °C) and work it in until no lump is left.",
    ]
    if batch.cool_millilitres >= _LEAST_COOL_MILLILITRES:
        steps.append(f"Stir in {cool} of cool water ({batch.cool_celsius:.0f} °C).")
    steps.append(f"Let it take up the water for {batch.wait_seconds / 60:.2g} min, stir, and wait for the ready tone.")
    what = f"{batch.yield_millilitres:.0f} ml of paste, {100 * batch.solids:.0f} % solids"
    return [
        f"{what}, about {batch.fed_celsius:.0f} °C when you feed it",
        "",
        *(f"  {number}. {text}" for number, text in enumerate(steps, 1)),
        "",
        f"On the way: {batch.worked_celsius:.0f} °C with the hot water in, {batch.mixed_celsius:.0f} °C with all in.",
        f"When fed: {batch.low_celsius:.0f} to {batch.high_celsius:.0f} °C nine times in ten, so let the probe decide.",
        f"Band: {shared.band} ({shared.band_source}).",
        *(f"Caution: {text}." for text in _cautions(batch, shared)),
    ]


def _cautions(batch: Plan, shared: Shared) -> list[str]:
    found = []
    rule = shared.solids_rule
    if rule is not None and not rule.lowest - 0.0005 <= batch.solids <= rule.highest + 0.0005:
        beside = "thinner" if batch.solids < rule.lowest else "thicker"
        found.append(
            f"{100 * batch.solids:.0f} % solids is {beside} than the {100 * rule.lowest:.0f} to"
            f" {100 * rule.highest:.0f} % for chicks of this age ({rule.source}); ask your avian vet"
        )
    if batch.fed_celsius not in shared.band:
        found.append(
            f"rounded to scoops it comes out at {batch.fed_celsius:.0f} °C, outside the band: weigh it,"
            " or set it right with `sensord correct`"
        )
    if batch.recipe.hot_grams < batch.recipe.dry_grams:
        found.append("the hot water alone makes a stiff dough: if lumps stay, work some of the cool water in with it")
    if shared.bowl is None and not shared.bowl_said:
        found.append("no bowl is counted, and a cold one takes many degrees: weigh it empty, add --bowl steel:GRAMS")
    if batch.hot_celsius >= SKIN_HURT_CELSIUS:
        found.append(f"water of {batch.hot_celsius:.0f} °C scalds skin {scald_words(batch.hot_celsius)}")
    return found


def _scoop_words(count: float) -> str:
    whole, quarters = divmod(round(count * 4), 4)
    number = f"{whole or ''}{_QUARTERS[quarters]}" or "0"
    return f"{number} level scoop{'' if count <= 1 else 's'}"


def _as_json(batch: Plan, scoops: tuple[float, float, float] | None, shared: Shared) -> dict[str, Any]:
    told = {name: value for name, value in asdict(batch).items() if name != "recipe"}
    told |= {"possible": True, "solids_percent": 100 * told.pop("solids")}
    told |= {"hot_grams": batch.recipe.hot_grams, "cool_grams": batch.recipe.cool_grams}
    told |= {"band_low_celsius": shared.band.low_celsius, "band_high_celsius": shared.band.high_celsius}
    told |= {"band_source": shared.band_source, "cautions": _cautions(batch, shared)}
    if scoops is not None:
        told |= dict(zip(("dry_scoops", "hot_scoops", "cool_scoops"), scoops, strict=True))
    return {name: round(value, 3) if isinstance(value, float) else value for name, value in told.items()}
