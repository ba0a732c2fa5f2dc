"""The band in force in one brooder: pinned, or following its plan at no more than the profile's rate."""

from dataclasses import dataclass, replace

from sensord.care.brooding import BandPlan, Brooding, brooding_at, towards
from sensord.errors import CommandError, ConfigError
from sensord.readings import Band
from sensord.watch.brooder.brooder_rules import BrooderSettings
from sensord.watch.effects import BandMoved

PLAN_EVERY_SECONDS = 300.0
WORTH_TELLING_CELSIUS = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Banding:
    """`band` is in force; `stage` overrides the plan's, `confirmed` unless it came over the network and nobody at the
    unit has answered yet. `assumed`: no clock has told the chicks' age so far. `told` is the band last told of, and
    `looked_seconds` when the plan was last looked at."""

    band: Band
    brooding: Brooding | None = None
    stage: str | None = None
    confirmed: bool = True
    assumed: bool = False
    told: Band | None = None
    looked_seconds: float | None = None


def followed(
    settings: BrooderSettings, banding: Banding, seconds: float, utc_seconds: float | None, *, at_once: bool = False
) -> tuple[Banding, tuple[BandMoved, ...]]:
    """The band after some time, and whether that is worth telling; looked at every five minutes, or `at_once`.

    Whatever is wanted now, by clock or stage, the band comes down from where it was no faster than the profile allows.
    """
    plan = settings.plan
    if plan is None or settings.pinned:
        return banding, ()
    elapsed = 0.0 if banding.looked_seconds is None else seconds - banding.looked_seconds
    if banding.told is not None and elapsed < PLAN_EVERY_SECONDS and not at_once:
        return banding, ()
    is_first = banding.brooding is None
    if utc_seconds is None and banding.brooding is not None and banding.stage is None:
        after = banding  # the clock was lost: what was known goes on
    else:
        own, wanted = brooding_at(plan, utc_seconds), brooding_at(_plan(plan, banding), utc_seconds)
        # A band that no clock has confirmed was never the chicks' own: the first that a clock tells takes its place.
        is_assumed = is_first or banding.assumed
        before = own.band if is_first or (is_assumed and own.is_certain) else banding.band
        band = towards(before, wanted.band, plan.profile.rate_celsius_per_day, elapsed)
        after = replace(banding, band=band, brooding=wanted, assumed=is_assumed and not own.is_certain)
    is_news = banding.told is None or _differ(banding.told, after.band) or _stage(banding) != _stage(after)
    after = replace(after, looked_seconds=seconds, told=after.band if is_news else banding.told)
    source = settings.band_source if after.brooding is None else after.brooding.source
    moved = BandMoved(seconds=seconds, place=settings.name, band=after.band, band_source=source, pinned=False)
    return after, (moved,) if is_news else ()


def _plan(plan: BandPlan, banding: Banding) -> BandPlan:
    return plan if banding.stage is None else replace(plan, stage=banding.stage)


def _stage(banding: Banding) -> str:
    return "" if banding.brooding is None else banding.brooding.stage


def _differ(before: Band, after: Band) -> bool:
    apart = abs(before.low_celsius - after.low_celsius), abs(before.high_celsius - after.high_celsius)
    return max(apart) >= WORTH_TELLING_CELSIUS


def staged(settings: BrooderSettings, banding: Banding, stage: str, *, by_network: bool) -> Banding:
    """The banding after somebody named the stage of the youngest. Raises `CommandError` where that cannot be.

    The network may go to a neighbour of the stage in force, and no further until a person at the unit has confirmed it.
    """
    if settings.plan is None:
        raise CommandError(f"{settings.name} has a band but no profile: there is no stage to set")
    if settings.pinned:
        raise CommandError(f"{settings.name} is pinned to {settings.band}: remove its band from the config first")
    profile = settings.plan.profile
    try:
        profile.row(stage)
    except ConfigError as error:
        raise CommandError(str(error)) from error
    if not by_network:
        return replace(banding, stage=stage, confirmed=True)
    now = banding.stage or _stage(banding)
    if stage == now:
        return banding
    if not banding.confirmed:
        raise CommandError(f"stage '{now}' came over the network too: it has to be confirmed on the unit first")
    if not now or abs(profile.stages.index(stage) - profile.stages.index(now)) > 1:
        raise CommandError(
            f"over the network the stage goes one step at a time, and '{stage}' is further than that from"
            f" '{now or 'unknown'}': set it on the unit"
        )
    return replace(banding, stage=stage, confirmed=False)


def confirmed(banding: Banding) -> Banding:
    """The banding after a person at the unit has answered the stage that came over the network."""
    return banding if banding.confirmed else replace(banding, confirmed=True)


def band_notes(settings: BrooderSettings, banding: Banding) -> tuple[str, ...]:
    """What has to be said of a band beside its source: a profile not followed, how it is still coming down."""
    plan, brooding = settings.plan, banding.brooding
    if plan is None:
        return ()
    if settings.pinned:
        return (f"pinned: profile '{plan.profile.name}' is not followed",)
    if brooding is None:
        return ()
    notes = brooding.notes
    if banding.stage is not None and _differ(banding.band, brooding.band):
        rate = plan.profile.rate_celsius_per_day
        notes = (*notes, f"coming down to {brooding.band} by at most {rate:g} °C a day")
    if not banding.confirmed:
        notes = (*notes, f"stage '{banding.stage}' came over the network: confirm it here, or set another")
    return notes
