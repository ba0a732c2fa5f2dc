"""`sensord correct`: what brings a dish into its band, from numbers given or from the running daemon."""

import argparse
import json
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from sensord.care.formula import (
    CROP_BURN_CELSIUS,
    MICROWAVE,
    SKIN_HURT_CELSIUS,
    millilitre_words,
    scald_words,
    time_words,
)
from sensord.commands.command_verbs import add_socket_option
from sensord.commands.given import in_range, number
from sensord.commands.kitchen_options import Shared, add_shared, percent, read_shared
from sensord.config import kitchen
from sensord.control.control_client import ControlClient
from sensord.errors import CommandError, DataError
from sensord.physics.correcting import Bath, Correction, DishToCorrect, Nothing, Splash, Supplies, Temper, correct
from sensord.physics.mixing import Refusal
from sensord.physics.paste import paste_density, paste_of
from sensord.physics.water import HIGHEST_CELSIUS

if TYPE_CHECKING:
    from sensord.watch.views import Snapshot


def arguments(parser: argparse.ArgumentParser) -> None:
    dish = parser.add_argument_group("the dish as it is now")
    dish.add_argument(
        "--live", metavar="DISH", nargs="?", const="", help="temperature from the daemon; DISH if several"
    )
    dish.add_argument("--celsius", type=number, metavar="C", help="temperature of the paste, stirred")
    dish.add_argument("--ml", type=number, metavar="ML", help="paste in the dish (default: the config's batch)")
    dish.add_argument("--grams", type=number, metavar="G", help="the same by weight, without the bowl")
    dish.add_argument("--solids", type=number, metavar="PCT", help="dry formula in percent of the weight")
    add_shared(parser)
    add_socket_option(parser)


def run(options: argparse.Namespace) -> int:
    shared = read_shared(options, options.live or None)
    try:
        celsius = _celsius(options)
    except CommandError as error:
        print(
            json.dumps({"do": "refused", "reason": str(error)}, ensure_ascii=False) if options.json else f"no: {error}"
        )
        return 1
    solids = _solids(options, shared)
    dish = DishToCorrect(celsius, _millilitres(options, shared, celsius, solids), solids, shared.bowl)
    rule = shared.solids_rule
    allowed = kitchen.solids_near(solids) if rule is None else (rule.lowest, rule.highest)
    supplies = Supplies(shared.hot_celsius, shared.tap_celsius, shared.room_celsius)
    answer = correct(dish, supplies, shared.band, allowed, kitchen.dry_formula(shared.config))
    if options.json:
        print(json.dumps(_as_json(answer, dish, shared), ensure_ascii=False))
    else:
        print("\n".join(_lines(answer, dish, shared)))
    return 1 if isinstance(answer, Refusal) else 0


def dish_now(snapshot: "Snapshot", name: str) -> float:
    """Celsius of the dish of that name, or of the only one where the name is empty: the estimate, else the reading.

    Raises `DataError` for a name that is none, `CommandError` where the dish has no temperature worth correcting.
    """
    from sensord.watch.effects import DishState

    worthless = {
        DishState.AWAY: "the probe is not in the paste: put it in",
        DishState.UNKNOWN: "the probe gives no temperature to trust: see `sensord probes`",
        DishState.OLD: "the batch is too old to feed: throw it out and mix a fresh one",
    }
    known = {view.name: view for view in snapshot.dishes}
    if not known:
        raise DataError("--live: the daemon watches no dish; give --celsius")
    if name not in known and (name or len(known) > 1):
        raise DataError(f"{f'--live {name}'.strip()}: say which dish ({', '.join(known)})")
    view = known[name] if name else next(iter(known.values()))
    celsius = view.reading_celsius if view.estimate_celsius is None else view.estimate_celsius.middle
    if view.state in worthless or celsius is None:
        raise CommandError(f"{view.name}: {worthless.get(view.state, worthless[DishState.UNKNOWN])}")
    return celsius


def _celsius(options: argparse.Namespace) -> float:
    if options.live is None and options.celsius is None:
        raise DataError("say how warm the paste is: --celsius C, or --live for what the probe says now")
    if options.celsius is not None:
        if options.live is not None:
            raise DataError("--live and --celsius say the same thing twice: leave one out")
        return in_range("--celsius", options.celsius, 0, HIGHEST_CELSIUS, "°C")
    with ControlClient(options.socket) as client:
        return dish_now(client.snapshot(), options.live)


def _solids(options: argparse.Namespace, shared: Shared) -> float:
    if options.solids is not None:
        return percent("--solids", options.solids)
    if shared.config.formula.solids_percent is None:
        raise DataError("say how thick it is: --solids PCT, or formula.solids_percent in the config")
    return shared.config.formula.solids_percent / 100


def _millilitres(options: argparse.Namespace, shared: Shared, celsius: float, solids: float) -> float:
    if options.grams is not None:
        if options.ml is not None:
            raise DataError("--ml and --grams say the same thing twice: leave one out")
        grams = in_range("--grams", options.grams, 0, 20_000, "g", open_low=True)
        return grams / paste_density(paste_of(kitchen.dry_formula(shared.config), solids), celsius) * 1000
    if options.ml is None:
        return shared.config.formula.batch_millilitres
    return in_range("--ml", options.ml, 0, 20_000, "ml", open_low=True)


def _lines(answer: Correction, dish: DishToCorrect, shared: Shared) -> list[str]:
    return [
        *_what_to_do(answer),
        "",
        f"Now:  {dish.celsius:.1f} °C, {dish.millilitres:.0f} ml, {100 * dish.solids:.0f} % solids",
        *_what_then(answer),
        f"Band: {shared.band} ({shared.band_source})",
        *(f"Caution: {text}." for text in _cautions(answer, dish)),
    ]


def _what_to_do(answer: Correction) -> list[str]:
    match answer:
        case Nothing():
            return ["Leave it: it is in the band. Stir, and wait for the ready tone."]
        case Splash():
            kind = "hot" if answer.temper is Temper.WARM else "cool"
            return [f"Stir in {millilitre_words(answer.millilitres)} of {kind} water ({answer.water_celsius:.0f} °C)."]
        case Bath():
            how_long = time_words(answer.low_seconds, answer.high_seconds)
            return [f"Stand the bowl in water of {answer.bath_celsius:.0f} °C for {how_long}, stirring all the while."]
        case Refusal():
            return [f"Can't be done: {answer.reason}.", f"Instead: {answer.remedy}."]


def _what_then(answer: Correction) -> list[str]:
    match answer:
        case Splash():
            spread = f"({answer.low_celsius:.1f} to {answer.high_celsius:.1f} nine times in ten)"
            after = f"{answer.dish_millilitres:.0f} ml, {100 * answer.solids:.0f} % solids"
            return [f"Then: {answer.celsius:.1f} °C {spread}, {after}"]
        case Bath():
            return [
                f"Then: about {answer.celsius:.1f} °C, solids as they are; watch the probe and take it out in time",
                f"Why no water: {answer.because}",
            ]
        case Nothing() | Refusal():
            return []


def _cautions(answer: Correction, dish: DishToCorrect) -> list[str]:
    found = []
    if dish.celsius >= CROP_BURN_CELSIUS:
        found.append(f"paste of {CROP_BURN_CELSIUS:.0f} °C and over burns a crop: feed nothing until it is ready")
    if isinstance(answer, Splash | Bath) and answer.temper is Temper.WARM:
        found.append(MICROWAVE)
    if isinstance(answer, Splash) and answer.water_celsius >= SKIN_HURT_CELSIUS:
        found.append(
            f"water of {answer.water_celsius:.0f} °C scalds skin {scald_words(answer.water_celsius)},"
            " and leaves hot spots until it is stirred in well"
        )
    return found


def _as_json(answer: Correction, dish: DishToCorrect, shared: Shared) -> dict[str, Any]:
    told: dict[str, Any] = {"do": _DO[type(answer)], **asdict(answer)}
    if "solids" in told:
        told["solids_percent"] = 100 * told.pop("solids")
    told |= {"band_low_celsius": shared.band.low_celsius, "band_high_celsius": shared.band.high_celsius}
    told |= {"band_source": shared.band_source, "cautions": _cautions(answer, dish)}
    return {name: round(value, 3) if isinstance(value, float) else value for name, value in told.items()}


_DO = {Nothing: "nothing", Splash: "water", Bath: "bath", Refusal: "refused"}
