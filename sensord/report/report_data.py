"""Everything that a report is made of, gathered from the history for a span of time."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from sensord.care.chicks import SECONDS_A_DAY, Chick, Feed, Weighing, age_days
from sensord.care.feeding import Caution, cautions
from sensord.care.growth import Fit, Flag, Gain, Model, daily, fit, flags, gains
from sensord.history.history_reader import BandRow, GapRow, HistoryReader, ProbePoint, RoundRow
from sensord.report.report_figures import (
    AirFigures,
    AlarmEpisode,
    AlarmFigures,
    air_figures,
    alarm_figures,
    episodes,
    lids,
    together,
)

# Beyond this the hours tell the same story, and far quicker.
_LONGEST_BY_MINUTES_SECONDS = 21 * SECONDS_A_DAY
_CURVE_BEFORE_SECONDS = 900.0
_CURVE_AFTER_SECONDS = 90.0
_ROUND_LASTS_SECONDS = 2700.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BrooderPart:
    """One brooder: its air (`step_seconds` a point), the bands it was held to, its figures and lid openings."""

    name: str
    points: tuple[ProbePoint, ...]
    step_seconds: float
    bands: tuple[BandRow, ...]
    figures: AirFigures
    lids: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class RoundPart:
    """One round of feeding: the dish's curve up to the lift, what the chicks took, how long after the round before."""

    row: RoundRow
    curve: tuple[ProbePoint, ...]
    feeds: tuple[Feed, ...]
    since_seconds: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChickPart:
    """One chick: all its weights up to the end of the span with its ages then (days since hatching, or since the first
    weight where that is not known), its feeds in the span."""

    chick: Chick
    weighings: tuple[Weighing, ...]
    ages_days: tuple[float, ...]
    feeds: tuple[Feed, ...]
    gains: tuple[Gain, ...] = ()
    fit: Fit | None = None
    flags: tuple[Flag, ...] = ()
    cautions: tuple[Caution, ...] = ()
    left_out: tuple[str, ...] = ()
    """What its log holds that cannot be, a sentence each; nothing of it is in the rest."""

    @property
    def millilitres(self) -> float:
        """What it took in the span, as far as it was written down."""
        return sum(feed.millilitres or 0.0 for feed in self.feeds)


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """A span of the nursery's life; `chick` is set where the report is about that one."""

    title: str
    start: float
    end: float
    made: float
    unit: str
    version: str
    brooders: tuple[BrooderPart, ...] = ()
    rounds: tuple[RoundPart, ...] = ()
    feeds: tuple[Feed, ...] = ()
    chicks: tuple[ChickPart, ...] = ()
    alarms: tuple[AlarmEpisode, ...] = ()
    alarm_figures: AlarmFigures = field(default_factory=lambda: alarm_figures(()))
    gaps: tuple[GapRow, ...] = ()
    chick: str = ""

    @property
    def days(self) -> float:
        return (self.end - self.start) / SECONDS_A_DAY


def gather_report(
    reader: HistoryReader,
    start: float,
    end: float,
    made: float,
    title: str,
    unit: str,
    version: str,
    brooders: Mapping[str, Sequence[str]],
    only_chick: str = "",
) -> Report:
    """`brooders` are the probes of each brooder. A brooder without any reading in the span is left out."""
    bands = reader.bands(start, end)
    feeds = tuple(reader.feeds(start, end, only_chick or None))
    alarms = tuple(episodes(reader.alarms(start, end)))
    chicks = [chick for chick in reader.chicks() if _here(chick, start, end) and only_chick in ("", chick.name)]
    wanted = {name: probes for name, probes in brooders.items() if not only_chick or _home(chicks, name)}
    parts = [_brooder(reader, name, probes, bands, start, end) for name, probes in wanted.items()]
    return Report(
        title=title,
        start=start,
        end=end,
        made=made,
        unit=unit,
        version=version,
        brooders=tuple(part for part in parts if part.points),
        rounds=() if only_chick else _rounds(reader, feeds, start, end),
        feeds=feeds,
        chicks=tuple(_chick(reader, chick, feeds, end) for chick in chicks),
        alarms=alarms,
        alarm_figures=alarm_figures(alarms, end),
        gaps=tuple(reader.gaps(start, end)),
        chick=only_chick,
    )


def _here(chick: Chick, start: float, end: float) -> bool:
    born = chick.hatched is None or age_days(chick.hatched, end) >= 0
    return born and (chick.left is None or age_days(chick.left, start) <= 1)


def _home(chicks: Sequence[Chick], brooder: str) -> bool:
    return any(chick.brooder in ("", brooder) for chick in chicks)


def _brooder(
    reader: HistoryReader, name: str, probes: Sequence[str], bands: Sequence[BandRow], start: float, end: float
) -> BrooderPart:
    by_minutes = end - start <= _LONGEST_BY_MINUTES_SECONDS
    step = 60.0 if by_minutes else 3600.0
    read = reader.minutes if by_minutes else reader.hours
    points = together(read(probe, start, end) for probe in probes)
    own = tuple(row for row in bands if row.place == name)
    figures = air_figures(points, own, start, end, step)
    return BrooderPart(
        name=name,
        points=tuple(points),
        step_seconds=step,
        bands=own,
        figures=figures,
        lids=tuple(lids(points)) if by_minutes else (),
    )


def _rounds(reader: HistoryReader, feeds: Sequence[Feed], start: float, end: float) -> tuple[RoundPart, ...]:
    rows = reader.rounds(start - SECONDS_A_DAY, end)  # a day more, for the time since the round before
    pairs = zip([None, *rows], rows, strict=False)
    return tuple(_round(reader, row, before, feeds) for before, row in pairs if row.utc_seconds >= start)


def _round(reader: HistoryReader, row: RoundRow, before: RoundRow | None, feeds: Sequence[Feed]) -> RoundPart:
    begun = row.batch_utc_seconds or row.ready_utc_seconds - _CURVE_BEFORE_SECONDS
    probe = reader.probe_of(row.dish)
    curve = () if probe is None else tuple(reader.fine(probe, begun, row.utc_seconds + _CURVE_AFTER_SECONDS))
    last = row.utc_seconds + _ROUND_LASTS_SECONDS
    taken = tuple(feed for feed in feeds if row.utc_seconds - 120 <= feed.utc_seconds < last)
    return RoundPart(row, curve, taken, None if before is None else row.utc_seconds - before.utc_seconds)


def _chick(reader: HistoryReader, chick: Chick, feeds: Sequence[Feed], end: float) -> ChickPart:
    weighings = tuple(one for one in reader.weighings(chick.name) if one.utc_seconds < end)
    mornings = daily(weighings)
    own = tuple(feed for feed in feeds if feed.chick == chick.name)
    return ChickPart(
        chick=chick,
        weighings=weighings,
        ages_days=_ages(chick, weighings),
        feeds=own,
        gains=gains(weighings),
        fit=fit(_ages(chick, mornings), [one.grams for one in mornings], Model.LOGISTIC) if mornings else None,
        flags=flags(chick, weighings),
        cautions=cautions(own, end),
        left_out=tuple(f"Left out of the log: {what}" for what in reader.impossible(chick.name)),
    )


def _ages(chick: Chick, weighings: Sequence[Weighing]) -> tuple[float, ...]:
    if chick.hatched is None:
        return tuple((one.utc_seconds - weighings[0].utc_seconds) / SECONDS_A_DAY for one in weighings)
    return tuple(age_days(chick.hatched, one.utc_seconds) for one in weighings)
