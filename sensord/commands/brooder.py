"""`sensord brooder`: what bands the coming days bring, for the brooders of the config or for a profile by itself."""

import argparse
import json
import shutil
from datetime import date
from pathlib import Path

from sensord.care.brooding import BandPlan, DayPlan, check_dates, coming, make_plan
from sensord.clock import SystemClock
from sensord.commands.given import whole_number
from sensord.config import DEFAULT_PATH
from sensord.config.folders import load_profile, shipped_profiles
from sensord.config.loading import load
from sensord.config.sections import BandSection
from sensord.config.settings import plan_of
from sensord.errors import ConfigError
from sensord.screens.tables import plan_lines


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("name", nargs="?", metavar="NAME", help="one brooder of the config; all of them without it")
    parser.add_argument("--config", type=Path, default=DEFAULT_PATH, metavar="FILE", help="default: %(default)s")
    parser.add_argument(
        "--profile", metavar="NAME", help=f"instead of the config: {', '.join(shipped_profiles())}, or a .toml file"
    )
    parser.add_argument("--hatched", action="append", type=_day, metavar="DATE", help="with --profile; may be repeated")
    parser.add_argument("--stage", metavar="STAGE", help="with --profile: the stage of the youngest chick")
    parser.add_argument(
        "--days",
        type=whole_number,
        default=21,
        metavar="N",
        help="how many days to show, 1 to 120 (default: %(default)s)",
    )
    parser.add_argument("--json", action="store_true", help="one JSON object a line")


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"{text!r} is no date like 2026-05-04") from error


def run(options: argparse.Namespace) -> int:
    if not 1 <= options.days <= 120:
        raise ConfigError(f"--days {options.days}: give 1 to 120")
    now = SystemClock().utc_seconds()
    if options.profile:
        asked = make_plan(load_profile(options.profile), tuple(options.hatched or ()), options.stage)
        _tell_plan(options, options.name or "brooder", asked, now)
        return 0
    if options.hatched or options.stage:
        raise ConfigError("--hatched and --stage go with --profile; a brooder of the config has its own")
    config = load(options.config)
    if options.name is not None and options.name not in config.brooders:
        known = ", ".join(config.brooders) or "none"
        raise ConfigError(f"{options.config}: there is no brooder '{options.name}' (known: {known})")
    for name, section in config.brooders.items():
        if options.name in (None, name):
            plan = plan_of(section)
            if section.band is not None:
                _tell_pinned(options, name, section.band, section.profile)
            elif plan is not None:
                _tell_plan(options, name, plan, now)
    return 0


def _tell_plan(options: argparse.Namespace, name: str, plan: BandPlan, now: float) -> None:
    check_dates(plan, now)
    days = coming(plan, now, options.days)
    if options.json:
        for day in days:
            print(json.dumps(_as_dict(name, day), ensure_ascii=False))
    else:
        notes = (plan.profile.caution,) if plan.profile.caution else ()
        width = shutil.get_terminal_size((80, 24)).columns
        print("\n".join(plan_lines(f"{name}: {plan.profile.title}", days, notes, width)))


def _tell_pinned(options: argparse.Namespace, name: str, pinned: BandSection, profile: str | None) -> None:
    band = pinned.band()
    if options.json:
        row = {"brooder": name, "pinned": True, "low_celsius": band.low_celsius, "high_celsius": band.high_celsius}
        print(json.dumps({**row, "source": pinned.source}, ensure_ascii=False))
    else:
        over = f"; profile '{profile}' is not followed" if profile else ""
        print(f"{name}: pinned at {band} ({pinned.source}){over}. Remove its band to follow a profile.")


def _as_dict(name: str, day: DayPlan) -> dict[str, object]:
    brooding = day.brooding
    return {
        "brooder": name,
        "date": day.day.isoformat(),
        "age_days": day.age_days,
        "stage": brooding.stage,
        "low_celsius": round(brooding.band.low_celsius, 2),
        "high_celsius": round(brooding.band.high_celsius, 2),
        "humidity": brooding.humidity,
        "signs": brooding.signs,
        "source": brooding.source,
        "checked": brooding.checked,
        "notes": list(brooding.notes),
    }
