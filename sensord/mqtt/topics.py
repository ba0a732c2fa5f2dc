"""The topics of one unit: `<base>/<unit>/…`. The unit comes before the kind, so that access lists and wildcards work.

Rules of topic names: MQTT 5.0 section 4.7 (no wildcards, no U+0000; a leading `/` makes another topic; names that start
with `$` belong to the broker).
"""

from dataclasses import dataclass

from sensord.watch.events import Condition

__all__ = ["BROODER_CONDITIONS", "DISH_CONDITIONS", "UNIT_CONDITIONS", "Topics", "check_base"]

BROODER_CONDITIONS = (
    Condition.DANGEROUSLY_WARM,
    Condition.DANGEROUSLY_COLD,
    Condition.TOO_WARM,
    Condition.TOO_COLD,
    Condition.LOSING_HEAT,
    Condition.GAINING_HEAT,
    Condition.PROBES_DISAGREE,
    Condition.PROBE_FAULT,
    Condition.PROBE_DISPLACED,
    Condition.CHICK_ON_PROBE,
    Condition.READINGS_LATE,
    Condition.POWER_GAP,
)
DISH_CONDITIONS = (Condition.SCALDING, Condition.PROBE_FAULT)
UNIT_CONDITIONS = (Condition.OUTPUT_FAILED,)


def check_base(base: str) -> str:
    """`base` where it can start a topic; raises `ValueError` with the remedy where it cannot."""
    if not base or len(base.encode()) > 128:
        raise ValueError("use 1 to 128 bytes, for example 'sensord' or 'station/sensord'")
    if wild := sorted(set(base) & {"+", "#", "\0"}):
        raise ValueError(f"{wild[0]!r} is a wildcard or not allowed in a topic: leave it out")
    if base.startswith("/") or base.endswith("/") or "//" in base:
        raise ValueError("a '/' at the start or end, or two in a row, makes an empty level: leave it out")
    if base.startswith("$"):
        raise ValueError("topics that start with '$' belong to the broker: choose another word")
    if not base.isprintable() or " " in base:
        raise ValueError("spaces and control characters in topics are asking for trouble: leave them out")
    return base


@dataclass(frozen=True, slots=True)
class Topics:
    """Every topic of the unit named `unit` under `base`."""

    base: str
    unit: str

    @property
    def root(self) -> str:
        return f"{self.base}/{self.unit}"

    @property
    def status(self) -> str:
        return f"{self.root}/status"

    @property
    def event(self) -> str:
        return f"{self.root}/event"

    @property
    def done(self) -> str:
        return f"{self.root}/done"

    @property
    def senml(self) -> str:
        return f"{self.root}/senml"

    @property
    def commands(self) -> str:
        """The filter that catches every command, one level deep."""
        return f"{self.root}/do/+"

    def command(self, verb: str) -> str:
        return f"{self.root}/do/{verb}"

    def probe(self, name: str) -> str:
        return f"{self.root}/probe/{name}"

    def dish(self, name: str) -> str:
        return f"{self.root}/dish/{name}"

    def brooder(self, name: str) -> str:
        return f"{self.root}/brooder/{name}"

    def alarm(self, place: str, condition: Condition) -> str:
        return f"{self.root}/alarm/{place}/{condition.value}"
