"""Listens to a ProbeReader: tests wait here for the readings and faults that they expect."""

import threading
from collections.abc import Callable
from pathlib import Path

from sensord.config.sections import OneWireSection
from sensord.readings import Fault, FaultKind, Observation, Reading
from sensord.watch.events import Observed

__all__ = ["Heard", "paced"]

PATIENCE_SECONDS = 60.0


def paced(root: Path, interval: float = 1.0, deadline: float = 5.0, bulk: bool = True) -> OneWireSection:
    """A section of the config for `root`, also with times that a config may not have."""
    return OneWireSection.model_construct(
        root=root, interval_seconds=interval, deadline_seconds=deadline, bulk_conversion=bulk
    )


class Heard:
    """What the reader delivered; tests wait here for what they expect."""

    def __init__(self) -> None:
        self._all: list[Observation] = []
        self._changed = threading.Condition()

    def __call__(self, observed: Observed) -> None:
        with self._changed:
            self._all.append(observed.observation)
            self._changed.notify_all()

    def wait_for(self, wanted: Callable[[Observation], bool], after: int = 0) -> Observation:
        def found() -> Observation | None:
            return next((seen for seen in self._all[after:] if wanted(seen)), None)

        with self._changed:
            result = self._changed.wait_for(lambda: found() is not None, PATIENCE_SECONDS)
            assert result, f"never delivered; last: {self._all[-4:]}"
            observation = found()
            assert observation is not None
            return observation

    def reading(self, probe: str, after: int = 0) -> Reading:
        seen = self.wait_for(lambda o: o.probe == probe and isinstance(o, Reading), after)
        assert isinstance(seen, Reading)
        return seen

    def fault(self, probe: str, kind: FaultKind | None = None, after: int = 0) -> Fault:
        seen = self.wait_for(
            lambda o: o.probe == probe and isinstance(o, Fault) and (kind is None or o.kind is kind), after
        )
        assert isinstance(seen, Fault)
        return seen

    @property
    def count(self) -> int:
        return len(self._all)

    @property
    def all(self) -> list[Observation]:
        return list(self._all)
