"""The snapshot of the whole: what can be seen of everything at one instant."""

from sensord.care.remedies import REMEDIES
from sensord.watch.alarms import alarms
from sensord.watch.brooder.air_watch import brooder_seen
from sensord.watch.cues import Priority
from sensord.watch.dish.dish_view import dish_seen
from sensord.watch.state import Nursery, NurserySettings, ProbeSettings, ProbeWatch
from sensord.watch.views import OutputView, ProbeView, Snapshot


def snapshot(settings: NurserySettings, nursery: Nursery, seconds: float, version: str = "") -> Snapshot:
    """What can be seen of everything at `seconds`."""
    pause = nursery.book.pause
    sounding: Priority | None = nursery.alerting.priority
    return Snapshot(
        unit=settings.unit,
        seconds=seconds,
        utc_seconds=nursery.utc_seconds,
        probes=tuple(_probe_view(settings.probes[name], watched, seconds) for name, watched in nursery.probes.items()),
        dishes=tuple(dish_seen(one, nursery.dishes[name], seconds) for name, one in settings.dishes.items()),
        brooders=tuple(brooder_seen(one, nursery.brooders[name], seconds) for name, one in settings.brooders.items()),
        alarms=alarms.alarm_views(nursery.book, seconds),
        outputs=tuple(OutputView(name, False, words) for name, words in nursery.troubles.items()),
        sounding=sounding,
        audio_paused_left_seconds=None if pause is None else max(0.0, pause.until_seconds - seconds),
        version=version,
        chicks=nursery.day.chicks,
        alarms_today=nursery.day.alarms,
    )


def _probe_view(probe: ProbeSettings, watched: ProbeWatch, seconds: float) -> ProbeView:
    last = watched.last
    return ProbeView(
        name=probe.name,
        place=probe.place,
        celsius=last.celsius if last is not None and watched.fault is None else None,
        uncertainty_celsius=probe.calibration.uncertainty_celsius,
        fault=watched.fault,
        age_seconds=None if last is None else seconds - last.seconds,
        readings=watched.readings,
        faults=dict(watched.faults),
        remedy=REMEDIES[watched.fault] if watched.fault is not None else "",
        calibrated=probe.calibrated,
        trail=watched.trail.trail(seconds),
    )
