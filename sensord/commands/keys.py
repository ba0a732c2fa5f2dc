"""What the dashboard's keys do: they choose a place, and ask the daemon for something without holding up the screen."""

import threading
from pathlib import Path

from sensord.clock import Clock
from sensord.control.control_client import ControlClient
from sensord.errors import SensordError
from sensord.watch.effects import AlarmState
from sensord.watch.views import AlarmView, Snapshot

_REMARK_SECONDS = 8.0
_HELD = (AlarmState.LATCHED_UNACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED)


class Keys:
    """The keyboard's side of a dashboard: the chosen place, the help page, and the remark on the last command."""

    def __init__(self, socket: str | Path, clock: Clock) -> None:
        self._socket = socket
        self._clock = clock
        self._chosen = ""
        self._remark = ("", 0.0)
        self.quitting = False
        self.helping = False

    def chosen(self, snapshot: Snapshot | None) -> str:
        """The place that keys act on: the one chosen, as long as it is there, or the one that needs a person."""
        places = _places(snapshot)
        if self._chosen not in places:
            self._chosen = ""
        troubled = [alarm.place for alarm in snapshot.alarms if alarm.place in places] if snapshot else []
        return self._chosen or (troubled + places + [""])[0]

    def remark(self) -> str:
        """What came of the last command, for some seconds."""
        text, until = self._remark
        return text if self._clock.monotonic_seconds() < until else ""

    def press(self, key: str, snapshot: Snapshot | None) -> None:
        """Do what `key` stands for; unknown keys open the help."""
        place = self.chosen(snapshot)
        dishes = [dish.name for dish in snapshot.dishes] if snapshot else []
        match key:
            case "q":
                self.quitting = True
            case "next" | "previous":
                self._choose(snapshot, 1 if key == "next" else -1)
            case "a":
                self._ask("acknowledge", "acknowledged", {})
            case "s" if place and _is_shelved(snapshot, place):
                self._ask("unshelve", f"{place}: back from the shelf", {"place": place})
            case "s" if place:
                self._ask("shelve", f"{place}: shelved for as long as the config allows", {"place": place})
            case "r" if (held := _held(snapshot, place)) is not None:
                self._ask("reset", f"{held.place}: let go", {"place": held.place, "condition": held.condition.value})
            case "p":
                self._ask("pause", "sound paused", {})
            case "b":
                self._ask("batch", "a new bowl, or yes: it is formula", {"dish": place} if place in dishes else {})
            case _:
                self.helping = not self.helping

    def _choose(self, snapshot: Snapshot | None, step: int) -> None:
        places = _places(snapshot)
        here = self.chosen(snapshot)
        if places:
            at = places.index(here) if here in places else 0
            self._chosen = places[(at + step) % len(places)]

    def _ask(self, verb: str, done: str, params: dict[str, object]) -> None:
        self._say(f"{verb} …")
        threading.Thread(target=self._asked, args=(verb, done, params), name="ask", daemon=True).start()

    def _asked(self, verb: str, done: str, params: dict[str, object]) -> None:
        try:
            with ControlClient(self._socket) as client:
                remark = client.call(verb, **params)
        except SensordError as error:
            self._say(f"not done: {error}")
        else:
            self._say(f"{done} ({remark})" if remark else done)

    def _say(self, text: str) -> None:
        self._remark = (text, self._clock.monotonic_seconds() + _REMARK_SECONDS)


def _places(snapshot: Snapshot | None) -> list[str]:
    if snapshot is None:
        return []
    return [brooder.name for brooder in snapshot.brooders] + [dish.name for dish in snapshot.dishes]


def _held(snapshot: Snapshot | None, place: str) -> AlarmView | None:
    """An alarm that waits for a reset, at the chosen place if there is one."""
    alarms = snapshot.alarms if snapshot is not None else ()
    held = [alarm for alarm in alarms if alarm.state in _HELD]
    return min(held, key=lambda alarm: alarm.place != place, default=None)


def _is_shelved(snapshot: Snapshot | None, place: str) -> bool:
    alarms = snapshot.alarms if snapshot is not None else ()
    return any(alarm.place == place and alarm.state is AlarmState.SHELVED for alarm in alarms)
