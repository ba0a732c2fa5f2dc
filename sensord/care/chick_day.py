"""What the log says about a chick right now, as one view: last feed, next feed, weight, reasons to look."""

from collections.abc import Sequence

from sensord.care.chicks import Chick, ChickView, Feed, Weighing, age_days
from sensord.care.feeding import cautions, due, feeds_planned, planned_millilitres
from sensord.care.growth import flags, gains


def chick_view(
    chick: Chick, weighings: Sequence[Weighing], feeds: Sequence[Feed], now_utc: float, day_start_utc: float
) -> ChickView:
    """`weighings` and `feeds` are the chick's own, in the order of their time; `day_start_utc` is when today began."""
    grams = weighings[-1].grams if weighings else None
    planned = feeds_planned(chick, grams, now_utc)
    last = feeds[-1] if feeds else None
    next_feed = due(planned, feeds)
    grown = gains(weighings)
    look = [caution.sentence for caution in cautions(feeds, now_utc)]
    look += [flag.sentence for flag in flags(chick, weighings)]
    return ChickView(
        name=chick.name,
        kind=chick.kind,
        mark=chick.mark,
        brooder=chick.brooder,
        age_days=None if chick.hatched is None else age_days(chick.hatched, now_utc),
        grams=grams,
        weighed_utc_seconds=weighings[-1].utc_seconds if weighings else None,
        gain_grams_per_day=grown[-1].grams_per_day if grown else None,
        fed_utc_seconds=None if last is None else last.utc_seconds,
        fed_millilitres=None if last is None else last.millilitres,
        fed_crop="" if last is None or last.crop is None else last.crop.value,
        feeds_today=sum(feed.utc_seconds >= day_start_utc for feed in feeds),
        due_from_utc_seconds=None if next_feed is None else next_feed.from_utc_seconds,
        due_late_utc_seconds=None if next_feed is None else next_feed.late_utc_seconds,
        overdue_utc_seconds=None if next_feed is None else next_feed.overdue_utc_seconds,
        planned_low_millilitres=planned.low_ml,
        planned_high_millilitres=planned.high_ml,
        planned_millilitres=planned_millilitres(planned),
        look=tuple(look),
    )


def overdue(chicks: Sequence[ChickView], utc_seconds: float | None) -> bool:
    """Whether a chick has waited for longer than even a night's rest allows; not while nobody knows the time."""
    return utc_seconds is not None and any(
        chick.overdue_utc_seconds is not None and utc_seconds > chick.overdue_utc_seconds for chick in chicks
    )
