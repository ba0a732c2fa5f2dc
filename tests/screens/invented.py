"""Invented snapshots: nights that never were, for looking at screens and for testing the control socket."""

import math
from dataclasses import replace

from sensord.care.chicks import ChickView
from sensord.physics.conformity import Verdict
from sensord.physics.outlook import Outlook
from sensord.readings import Band, FaultKind, Interval, Place
from sensord.watch.conditions import Condition
from sensord.watch.cues import Priority
from sensord.watch.effects import AlarmState, DishState
from sensord.watch.views import AlarmView, BrooderView, DishView, OutputView, ProbeView, Snapshot, Trail

__all__ = ["SNAPSHOTS", "alarm", "brooder", "dish", "many", "night", "probe"]

SECONDS = 40_000.0
UTC_SECONDS = 1_795_403_700.0  # 2026-11-23 03:15 UTC
BROODER_BAND = Band(33.2, 35.8)
DISH_BAND = Band(36.0, 38.0)


def trail(middle: float, swing: float, drift: float = 0.0, bins: int = 60) -> Trail:
    values = [round(middle + swing * math.sin(i / 4) + drift * (i - bins + 1) / bins, 2) for i in range(bins)]
    return Trail(60.0, (*values[:20], None, *values[21:]))


def probe(name: str, place: Place, celsius: float | None, **changes: object) -> ProbeView:
    view = ProbeView(
        name=name,
        place=place,
        celsius=celsius,
        uncertainty_celsius=0.3 if place is Place.BROODER else 0.2,
        fault=None,
        age_seconds=0.7,
        readings=40_000,
        method="one conversion for all",
        calibrated="ice point, 12 days ago",
        trail=trail(celsius if celsius is not None else 34.0, 0.25),
    )
    return replace(view, **changes)  # type: ignore[arg-type]


def dish(state: DishState, reading: float | None, name: str = "dish", **changes: object) -> DishView:
    view = DishView(
        name=name,
        probe=f"{name}-probe",
        state=state,
        verdict=None,
        band=DISH_BAND,
        band_source="common practice, no source; ask your avian vet",
        why="",
        reading_celsius=reading,
        uncertainty_celsius=0.2,
        estimate_celsius=None if reading is None else Interval(reading, reading - 0.3, reading + 0.3),
        age_seconds=300.0,
    )
    return replace(view, **changes)  # type: ignore[arg-type]


def brooder(name: str = "brooder", celsius: float | None = 34.5, **changes: object) -> BrooderView:
    view = BrooderView(
        name=name,
        probes=(f"{name}-probe",),
        band=BROODER_BAND,
        band_source="your config",
        pinned=False,
        celsius=celsius,
        verdict=Verdict.IN_BAND if celsius is not None else None,
        stage="pin-feathered",
        heading="steady",
    )
    return replace(view, **changes)  # type: ignore[arg-type]


def alarm(condition: Condition, priority: Priority, **changes: object) -> AlarmView:
    view = AlarmView(
        place="brooder",
        condition=condition,
        priority=priority,
        state=AlarmState.UNACKNOWLEDGED,
        standing=True,
        since_seconds=SECONDS - 200,
        celsius=31.4,
        seen="",
        do_first="",
    )
    view = replace(view, **changes)  # type: ignore[arg-type]
    return replace(view, seen=condition.seen(view.celsius), do_first=condition.row.do_first)


READY = dish(
    DishState.READY,
    37.3,
    verdict=Verdict.IN_BAND,
    probability=0.98,
    why="in the band, even, fresh",
    outlook=Outlook(open_for_seconds=Interval(190.0, 150.0, 240.0)),
)
HOT = dish(
    DishState.HOT,
    41.2,
    verdict=Verdict.OUT_OF_BAND,
    probability=0.0,
    why="3.2 °C above the band",
    advice="Stir in 6 ml of water at 20 °C: then 37.4 °C, solids 24 % instead of 27 %.",
    outlook=Outlook(Interval(260.0, 210.0, 340.0), Interval(280.0, 230.0, 350.0)),
)
UPTAKE = dish(
    DishState.UPTAKE,
    38.9,
    verdict=Verdict.OUT_NOT_PROVEN,
    why="the powder is still taking up water",
    uptake_left_seconds=72.0,
    outlook=Outlook(Interval(95.0, 72.0, 130.0)),
)
COOL = dish(
    DishState.COOL,
    34.6,
    verdict=Verdict.OUT_OF_BAND,
    why="1.4 °C below the band",
    outlook=Outlook(never=True),
    advice="Stand the bowl in a bath at 42 °C for about 3 minutes, and stir.",
)
UNEVEN = dish(
    DishState.UNEVEN,
    37.2,
    verdict=Verdict.IN_NOT_PROVEN,
    why="the paste is uneven: 1.9 °C between two spots; stir to the bottom",
)
UNKNOWN = dish(
    DishState.UNKNOWN, None, uncertainty_celsius=None, age_seconds=None, why="no reading: CRC mismatch on the probe"
)
AWAY = dish(DishState.AWAY, 22.4, estimate_celsius=None, age_seconds=None)


def night(dish_view: DishView = READY, brooder_view: BrooderView | None = None, **changes: object) -> Snapshot:
    """One brooder and one dish at 03:15."""
    brooder_view = brooder_view or brooder()
    dish_reading = dish_view.reading_celsius
    snapshot = Snapshot(
        unit="nursery",
        seconds=SECONDS,
        utc_seconds=UTC_SECONDS,
        probes=(
            probe(
                "brooder-probe",
                Place.BROODER,
                brooder_view.celsius,
                fault=None if brooder_view.celsius is not None else FaultKind.LATE,
                faults={} if brooder_view.celsius is not None else {FaultKind.LATE: 3},
                age_seconds=0.7 if brooder_view.celsius is not None else 42.0,
            ),
            probe(
                "dish-probe",
                Place.DISH,
                dish_reading,
                fault=None if dish_reading is not None else FaultKind.CRC_ERROR,
                faults={} if dish_reading is not None else {FaultKind.CRC_ERROR: 41},
                remedy="" if dish_reading is not None else "Check the joints of the cable; keep it away from mains.",
            ),
            probe("room", Place.ROOM, 21.0),
        ),
        dishes=(dish_view,),
        brooders=(brooder_view,),
        outputs=(OutputView("chime", True), OutputView("mqtt", True), OutputView("history", True)),
        version="0.1.0",
    )
    return replace(snapshot, **changes)  # type: ignore[arg-type]


COLD_ALARM = alarm(Condition.DANGEROUSLY_COLD, Priority.HIGH)
COLD_BROODER = brooder(
    celsius=31.4, verdict=Verdict.OUT_OF_BAND, heading="falling 0.2 °C a minute", notes=("lamp may be off",)
)


def many() -> Snapshot:
    """Six brooders and three dishes, with trouble in two of them."""
    names = ("finches", "doves", "parrots", "swifts", "corvids", "quail")
    brooders = tuple(
        brooder(
            name,
            34.5 - 0.2 * index if name != "swifts" else 36.9,
            verdict=Verdict.IN_BAND if name != "swifts" else Verdict.OUT_OF_BAND,
            leaves_band_in_seconds=900.0 if name == "quail" else None,
            heading="falling" if name == "quail" else "steady",
        )
        for index, name in enumerate(names)
    )
    dishes = (
        replace(READY, name="dish-a", probe="dish-a-probe"),
        replace(HOT, name="dish-b", probe="dish-b-probe"),
        replace(AWAY, name="dish-c", probe="dish-c-probe"),
    )
    return Snapshot(
        unit="nursery",
        seconds=SECONDS,
        utc_seconds=UTC_SECONDS,
        probes=(
            *(probe(f"{view.name}-probe", Place.BROODER, view.celsius) for view in brooders),
            *(probe(view.probe, Place.DISH, view.reading_celsius) for view in dishes),
        ),
        dishes=dishes,
        brooders=brooders,
        alarms=(
            alarm(
                Condition.TOO_WARM,
                Priority.MEDIUM,
                place="swifts",
                celsius=36.9,
            ),
            alarm(
                Condition.LOSING_HEAT,
                Priority.LOW,
                place="quail",
                celsius=33.5,
                state=AlarmState.ACKNOWLEDGED,
            ),
        ),
        outputs=(OutputView("chime", True), OutputView("mqtt", False, "no broker at 192.0.2.7: trying again in 40 s")),
        sounding=Priority.MEDIUM,
        version="0.1.0",
    )


CHICKS = (
    ChickView(
        name="pip",
        brooder="brooder",
        grams=41.2,
        gain_grams_per_day=3.1,
        fed_utc_seconds=UTC_SECONDS - 7_800,
        fed_millilitres=4.0,
        fed_crop="empty",
        feeds_today=2,
        due_from_utc_seconds=UTC_SECONDS + 3_000,
        due_late_utc_seconds=UTC_SECONDS + 6_600,
        overdue_utc_seconds=UTC_SECONDS + 20_000,
        planned_low_millilitres=3.7,
        planned_high_millilitres=4.9,
        planned_millilitres=4.1,
    ),
    ChickView(
        name="dot",
        brooder="brooder",
        grams=38.0,
        gain_grams_per_day=-0.4,
        fed_utc_seconds=UTC_SECONDS - 12_000,
        fed_millilitres=3.5,
        fed_crop="nearly",
        due_from_utc_seconds=UTC_SECONDS - 1_200,
        due_late_utc_seconds=UTC_SECONDS + 1_200,
        overdue_utc_seconds=UTC_SECONDS + 20_000,
        planned_high_millilitres=3.8,
        planned_millilitres=3.8,
        look=("Lost weight since yesterday: look at crop and droppings, and call an avian vet.",),
    ),
    ChickView(name="new"),
)

SNAPSHOTS: dict[str, Snapshot] = {
    "ready": night(),
    "hot": night(HOT),
    "uptake": night(UPTAKE),
    "cool": night(COOL),
    "uneven": night(UNEVEN),
    "unknown": night(UNKNOWN),
    "away": night(AWAY),
    "cold": night(AWAY, COLD_BROODER, alarms=(COLD_ALARM,), sounding=Priority.HIGH),
    "ready-but-cold": night(READY, COLD_BROODER, alarms=(COLD_ALARM,), sounding=Priority.HIGH),
    "paused": night(
        AWAY,
        COLD_BROODER,
        alarms=(replace(COLD_ALARM, state=AlarmState.ACKNOWLEDGED),),
        audio_paused_left_seconds=95.0,
    ),
    "shelved": night(
        AWAY,
        COLD_BROODER,
        alarms=(replace(COLD_ALARM, state=AlarmState.SHELVED, shelved_left_seconds=240.0),),
    ),
    "held": night(
        AWAY,
        alarms=(replace(COLD_ALARM, state=AlarmState.LATCHED_ACKNOWLEDGED, standing=False),),
    ),
    "unread": night(
        AWAY,
        brooder(celsius=None, heading=""),
        alarms=(
            alarm(
                Condition.READINGS_LATE,
                Priority.HIGH,
                celsius=None,
            ),
        ),
        sounding=Priority.HIGH,
    ),
    "chicks": night(AWAY, chicks=CHICKS, alarms_today=2),
    "chicks-no-clock": night(READY, chicks=CHICKS, utc_seconds=None),
    "no-clock": night(utc_seconds=None),
    "no-dish": night(dishes=()),
    "nothing": Snapshot(unit="nursery", seconds=3.0, utc_seconds=None),
    "many": many(),
}
