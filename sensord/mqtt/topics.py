"""The topics of one unit: `<base>/<unit>/…`; the unit comes before the kind, so that access lists work."""

from dataclasses import dataclass

from sensord.watch.conditions import Condition


@dataclass(frozen=True, slots=True)
class Topics:
    """Every topic of the unit named `unit` under `base`."""

    base: str
    unit: str

    @property
    def client_id(self) -> str:
        """The daemon's own at the broker: each has another, and keeps it."""
        return self.root.replace("/", "-")

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
