"""What can be seen of the whole at one instant: the snapshot that dashboard, control socket and MQTT show.

Plain values only, so that it goes through JSON and back unchanged (pydantic does it at the edges).
"""

from dataclasses import dataclass, field

from sensord.care.chicks import ChickView
from sensord.physics.conformity import Verdict
from sensord.physics.outlook import NOTHING_KNOWN, Outlook
from sensord.readings import Band, FaultKind, Interval, Place
from sensord.watch.conditions import Condition
from sensord.watch.cues import Priority
from sensord.watch.effects import AlarmState, DishState


@dataclass(frozen=True, slots=True)
class Trail:
    """Means of the last bins of `bin_seconds` each, oldest first, for a sparkline; None where nothing was read."""

    bin_seconds: float
    celsius: tuple[float | None, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeView:
    """One probe: its last reading (calibrated) or fault, how old, and how often it failed how."""

    name: str
    place: Place
    celsius: float | None
    uncertainty_celsius: float
    fault: FaultKind | None
    age_seconds: float | None
    readings: int = 0
    faults: dict[FaultKind, int] = field(default_factory=dict)
    remedy: str = ""
    method: str = ""
    calibrated: str = ""
    trail: Trail = field(default_factory=lambda: Trail(60.0))

    @property
    def failures(self) -> int:
        """How often it could not be read, whatever the fault."""
        return sum(self.faults.values())


@dataclass(frozen=True, slots=True, kw_only=True)
class DishView:
    """One dish: the answer to 'may I feed this?', why, and what would make it so."""

    name: str
    probe: str
    state: DishState
    verdict: Verdict | None
    band: Band
    band_source: str
    why: str
    advice: str = ""
    reading_celsius: float | None = None
    uncertainty_celsius: float | None = None
    estimate_celsius: Interval | None = None
    probability: float | None = None
    uptake_left_seconds: float | None = None
    age_seconds: float | None = None
    outlook: Outlook = NOTHING_KNOWN

    @property
    def ready(self) -> bool:
        """Whether it may be fed."""
        return self.state is DishState.READY


@dataclass(frozen=True, slots=True, kw_only=True)
class BrooderView:
    """One brooder: its air, the band in force and where the air is going."""

    name: str
    probes: tuple[str, ...] = ()
    band: Band
    band_source: str
    pinned: bool
    celsius: float | None
    verdict: Verdict | None
    stage: str = ""
    heading: str = ""
    leaves_band_in_seconds: float | None = None
    notes: tuple[str, ...] = ()
    humidity: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmView:
    """One alarm that is not in its normal state: `since_seconds` so, its condition came at `began_seconds`."""

    place: str
    condition: Condition
    priority: Priority
    state: AlarmState
    standing: bool
    since_seconds: float
    celsius: float | None
    seen: str
    do_first: str
    shelved_left_seconds: float | None = None
    began_seconds: float | None = None


@dataclass(frozen=True, slots=True)
class OutputView:
    """One output of the daemon (chime, mqtt, history, ...): whether it works, in words."""

    name: str
    working: bool
    words: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """Everything at `seconds`; `utc_seconds` is None while the wall clock is not trusted."""

    unit: str
    seconds: float
    utc_seconds: float | None
    probes: tuple[ProbeView, ...] = ()
    dishes: tuple[DishView, ...] = ()
    brooders: tuple[BrooderView, ...] = ()
    alarms: tuple[AlarmView, ...] = ()
    outputs: tuple[OutputView, ...] = ()
    sounding: Priority | None = None
    audio_paused_left_seconds: float | None = None
    version: str = ""
    chicks: tuple[ChickView, ...] = ()
    alarms_today: int = 0
