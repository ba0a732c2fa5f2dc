"""What the nursery is made of: what stays the same while the daemon runs, and what is remembered between two events."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from sensord.readings import FaultKind, Place, Reading
from sensord.watch.alarms.alarm_book import AlarmBook, AlarmSettings
from sensord.watch.brooder.air_watch import Brooder, first_brooder
from sensord.watch.brooder.banding import Banding
from sensord.watch.brooder.brooder_rules import BrooderSettings
from sensord.watch.dish.dish_state import Dish, DishSettings
from sensord.watch.dish.paste_watch import empty_dish
from sensord.watch.effects import Alerting
from sensord.watch.events import DayKnown, Gap
from sensord.watch.screening import Calibration, Screen, ScreenSettings
from sensord.watch.views import Trail

_TRAIL_BINS = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeSettings:
    """What is known of one probe. `late_seconds`: silence that makes a `late` Fault."""

    name: str
    place: Place
    calibration: Calibration
    screen: ScreenSettings
    late_seconds: float
    trail_bin_seconds: float
    calibrated: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class NurserySettings:
    """Everything that stays the same while the daemon runs; keys are names from the config.

    With `feed_reminder` an overdue feed alarms; without `keeps_history` nobody could store what the keeper enters.
    """

    unit: str
    probes: Mapping[str, ProbeSettings]
    dishes: Mapping[str, DishSettings]
    brooders: Mapping[str, BrooderSettings]
    alarms: AlarmSettings
    keeps_history: bool
    feed_reminder: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class TrailKeeper:
    """A short memory for a sparkline: means of the last 60 bins of `bin_seconds`; one without a reading is None."""

    bin_seconds: float
    means: tuple[float | None, ...] = ()
    bin_number: int = 0
    total_celsius: float = 0.0
    count: int = 0

    def add(self, seconds: float, celsius: float) -> "TrailKeeper":
        """With one more reading in Celsius at monotonic `seconds`."""
        number = int(seconds // self.bin_seconds)
        goes_on = number == self.bin_number and self.count > 0
        return TrailKeeper(
            bin_seconds=self.bin_seconds,
            means=self.means if goes_on else self._closed(number),
            bin_number=number,
            total_celsius=self.total_celsius + celsius if goes_on else celsius,
            count=self.count + 1 if goes_on else 1,
        )

    def trail(self, seconds: float) -> Trail:
        """The trail up to `seconds`, oldest first, the bin under way included."""
        current = self.total_celsius / self.count if self.count else None
        number = int(seconds // self.bin_seconds)
        if number == self.bin_number or not self.count:
            return Trail(self.bin_seconds, (*self.means, current)[-_TRAIL_BINS:] if self.count else self.means)
        return Trail(self.bin_seconds, self._closed(number))

    def _closed(self, number: int) -> tuple[float | None, ...]:
        """The means with the bin under way closed and the empty bins before `number` added."""
        if not self.count:
            return self.means
        empty = min(max(0, number - self.bin_number - 1), _TRAIL_BINS)
        return (*self.means, self.total_celsius / self.count, *[None] * empty)[-_TRAIL_BINS:]


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeWatch:
    """What is remembered of one probe between two observations."""

    screen: Screen
    trail: TrailKeeper
    heard_seconds: float
    last: Reading | None = None
    fault: FaultKind | None = None
    readings: int = 0
    faults: Mapping[FaultKind, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Nursery:
    """The state of everything at one instant."""

    probes: Mapping[str, ProbeWatch]
    dishes: Mapping[str, Dish]
    brooders: Mapping[str, Brooder]
    book: AlarmBook
    alerting: Alerting
    utc_seconds: float | None = None
    gap: Gap | None = None
    troubles: Mapping[str, str] = field(default_factory=dict)
    bands_told: bool = False
    day: DayKnown = field(default_factory=lambda: DayKnown(0.0))

    def having(
        self,
        probes: Mapping[str, ProbeWatch] | None = None,
        dishes: Mapping[str, Dish] | None = None,
        brooders: Mapping[str, Brooder] | None = None,
    ) -> "Nursery":
        """With other probes, dishes or brooders; what `replace` does, for the path of every reading."""
        return Nursery(
            probes=self.probes if probes is None else probes,
            dishes=self.dishes if dishes is None else dishes,
            brooders=self.brooders if brooders is None else brooders,
            book=self.book,
            alerting=self.alerting,
            utc_seconds=self.utc_seconds,
            gap=self.gap,
            troubles=self.troubles,
            bands_told=self.bands_told,
            day=self.day,
        )


def first_nursery(
    settings: NurserySettings,
    seconds: float,
    book: AlarmBook | None = None,
    bandings: Mapping[str, Banding] | None = None,
) -> Nursery:
    """The state before the first event; `book` and `bandings` are the alarms and the bands of an earlier run."""
    bandings = bandings or {}
    return Nursery(
        probes={
            name: ProbeWatch(
                screen=Screen(), trail=TrailKeeper(bin_seconds=probe.trail_bin_seconds), heard_seconds=seconds
            )
            for name, probe in settings.probes.items()
        },
        dishes={name: empty_dish(one) for name, one in settings.dishes.items()},
        brooders={name: first_brooder(one, bandings.get(name)) for name, one in settings.brooders.items()},
        book=book or AlarmBook(),
        alerting=Alerting(seconds=seconds, priority=None),
    )
