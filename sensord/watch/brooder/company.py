"""The probes of one brooder: one air from all that answer, what each usually differs by, and who is astray.

A warm side and a cool side are wanted, so each probe's usual difference from the mean is learned and taken off. One
probe that fails, or says something that the others do not, never blinds the brooder.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from sensord.readings import Fault, FaultKind, Observation, Reading
from sensord.watch.brooder.band import Limit, LimitSettings, limit_judged

LEARNING_SECONDS = 10_800.0
"""Three hours: slow beside a lid, quick beside a chick's growth."""


@dataclass(frozen=True, slots=True)
class CompanyRules:
    """When a probe is too old to count, and when two of them disagree."""

    late_seconds: float
    disagree: LimitSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """One probe: its last reading, since when it gives faults only, and what it usually differs by from the mean."""

    celsius: float | None = None
    seconds: float | None = None
    failing_since_seconds: float | None = None
    is_late: bool = False
    usually_celsius: float = 0.0


@dataclass(frozen=True, slots=True)
class Company:
    """All probes of a brooder by name; `disagree` is the limit on how far apart they may be."""

    members: Mapping[str, Member]
    disagree: Limit = field(default_factory=Limit)
    begun_seconds: float | None = None
    last_seconds: float | None = None


def company_of(names: tuple[str, ...]) -> Company:
    """Probes of which nothing is known yet."""
    return Company({name: Member() for name in names})


def without_probe(company: Company, seconds: float) -> Company:
    """After a stop: what was read is old; what each usually differs by stays."""
    members = {name: Member(usually_celsius=each.usually_celsius) for name, each in company.members.items()}
    return Company(members, begun_seconds=seconds)


def heard(company: Company, observation: Observation) -> Company:
    """Take in one observation of one of them."""
    known = company.members[observation.probe]
    if isinstance(observation, Reading):
        member = Member(
            celsius=observation.celsius,
            seconds=observation.seconds,
            failing_since_seconds=None,
            is_late=False,
            usually_celsius=known.usually_celsius,
        )
    else:
        member = _failed(known, observation)
    begun = observation.seconds if company.begun_seconds is None else company.begun_seconds
    return Company({**company.members, observation.probe: member}, company.disagree, begun, company.last_seconds)


def _failed(known: Member, fault: Fault) -> Member:
    since = fault.seconds if known.failing_since_seconds is None else known.failing_since_seconds
    return replace(known, failing_since_seconds=since, is_late=fault.kind is FaultKind.LATE)


def air_of(rules: CompanyRules, company: Company, seconds: float) -> tuple[Company, float | None]:
    """The air in Celsius: the mean (of three and more the median) of what each says less what it usually differs by.

    None where no probe answers.
    """
    members = company.members
    fresh = {
        name: each.celsius
        for name, each in members.items()
        if each.celsius is not None
        and each.seconds is not None
        and each.failing_since_seconds is None
        and seconds - each.seconds <= rules.late_seconds
    }
    if not fresh:
        return company, None
    if len(members) == 1:
        return company, next(iter(fresh.values()))
    levelled = sorted(celsius - members[name].usually_celsius for name, celsius in fresh.items())
    air = levelled[len(levelled) // 2] if len(levelled) > 2 else sum(levelled) / len(levelled)
    apart = levelled[-1] - levelled[0]
    disagree = limit_judged(rules.disagree, company.disagree, seconds, apart)
    if len(fresh) == len(members) and apart < rules.disagree.limit_celsius:
        members = _learned(company, fresh, seconds)
    return Company(members, disagree, company.begun_seconds, seconds), air


def _learned(company: Company, fresh: Mapping[str, float], seconds: float) -> Mapping[str, Member]:
    """What each usually differs by: quickly in the first minutes, then over hours."""
    mean = sum(fresh.values()) / len(fresh)
    age = seconds - (seconds if company.begun_seconds is None else company.begun_seconds)
    elapsed = 0.0 if company.last_seconds is None else seconds - company.last_seconds
    share = min(1.0, elapsed / min(LEARNING_SECONDS, max(age, 60.0)))
    return {
        name: replace(each, usually_celsius=each.usually_celsius + share * (fresh[name] - mean - each.usually_celsius))
        for name, each in company.members.items()
    }


def silent(company: Company, seconds: float, fault_seconds: float, late_seconds: float) -> tuple[bool, bool]:
    """Whether some probe has given faults only for `fault_seconds`, and whether some was not heard of at all."""
    faulty = late = False
    for each in company.members.values():
        since = each.failing_since_seconds
        if since is None:
            last = company.begun_seconds if each.seconds is None else each.seconds
            late = late or (last is not None and seconds - last >= late_seconds + fault_seconds)
        elif seconds - since >= fault_seconds:
            late, faulty = late or each.is_late, faulty or not each.is_late
    return faulty, late
