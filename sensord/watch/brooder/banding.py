"""The band in force in one brooder: pinned, or following its plan at no more than the profile's rate."""

from dataclasses import dataclass, replace

from sensord.care.brooding import BandPlan, Brooding, brooding_at, towards
from sensord.errors import CommandError, ConfigError
from sensord.readings import Band
from sensord.watch.brooder.brooder_rules import BrooderSettings
from sensord.watch.effects import BandMoved

__all__ = ["Banding", "followed", "pinned_note", "staged"]

PLAN_EVERY_SECONDS = 300.0
WORTH_TELLING_CELSIUS = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Banding:
    """`band` is in force; `stage` overrides the plan's; `told` is the band last told of, and `looked_seconds` when
    the plan was last looked at."""

    band: Band
    brooding: Brooding | None = None
    stage: str | None = None
    told: Band | None = None
    looked_seconds: float | None = None


def followed(
    settings: BrooderSettings, banding: Banding, seconds: float, utc_seconds: float | None
) -> tuple[Banding, tuple[BandMoved, ...]]:
    """The band after some time, and whether that is worth telling."""
    plan = settings.plan
    if plan is None or settings.pinned:
        return banding, ()
    elapsed = None if banding.looked_seconds is None else seconds - banding.looked_seconds
    if elapsed is not None and elapsed < PLAN_EVERY_SECONDS:
        return banding, ()
    if utc_seconds is None and banding.brooding is not None and banding.stage is None:
        return banding, ()  # the clock was lost: what was known goes on
    wanted = brooding_at(_plan(plan, banding), utc_seconds)
    rate = plan.profile.rate_celsius_per_day
    # From the assumed to the known: once the clock is set, or at the first look, there is nothing to follow yet.
    is_known = banding.brooding is not None and elapsed is not None and banding.brooding.is_certain
    band = towards(banding.band, wanted.band, rate, elapsed or 0.0) if is_known else wanted.band
    is_news = banding.told is None or _differ(banding.told, band) or _stage(banding) != wanted.stage
    after = Banding(
        band=band, brooding=wanted, stage=banding.stage, told=band if is_news else banding.told, looked_seconds=seconds
    )
    moved = BandMoved(seconds=seconds, place=settings.name, band=band, source=wanted.source, pinned=False)
    return after, (moved,) if is_news else ()


def _plan(plan: BandPlan, banding: Banding) -> BandPlan:
    return plan if banding.stage is None else replace(plan, stage=banding.stage)


def _stage(banding: Banding) -> str:
    return "" if banding.brooding is None else banding.brooding.stage


def _differ(before: Band, after: Band) -> bool:
    apart = abs(before.low_celsius - after.low_celsius), abs(before.high_celsius - after.high_celsius)
    return max(apart) >= WORTH_TELLING_CELSIUS


def staged(settings: BrooderSettings, banding: Banding, seconds: float, stage: str) -> Banding:
    """The banding after the keeper named the stage of the youngest. Raises `CommandError` where that cannot be."""
    if settings.plan is None:
        raise CommandError(f"{settings.name} has a band but no profile: there is no stage to set")
    if settings.pinned:
        raise CommandError(f"{settings.name} is pinned to {settings.band}: remove its band from the config first")
    try:
        settings.plan.profile.row(stage)
    except ConfigError as error:
        raise CommandError(str(error)) from error
    looked = banding.looked_seconds
    due = seconds - PLAN_EVERY_SECONDS
    return replace(banding, stage=stage, looked_seconds=None if looked is None else min(looked, due))


def pinned_note(settings: BrooderSettings) -> tuple[str, ...]:
    """What has to be said of a pinned band that a profile would have set otherwise."""
    if not settings.pinned or settings.plan is None:
        return ()
    return (f"pinned: profile '{settings.plan.profile.name}' is not followed",)
