"""How fast a probe follows: its time constant from one plunge out of ice water into warm water."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log, sqrt
from statistics import fmean

from sensord.errors import DataError
from sensord.physics.calibrating import Plateau, Sample

__all__ = ["Response", "time_constant"]

_LEAST_STEP_CELSIUS = 15.0
_LEAST_POINTS = 4
# Of the step still to go: the first tenth is the hand moving the probe, the last tenth is steps of 1/16 °C and noise.
_FROM, _TO = 0.90, 0.10
_MOST_MISFIT = 0.06
_SLOWEST_SECONDS = 120.0


@dataclass(frozen=True, slots=True)
class Response:
    """A first-order time constant in seconds with its standard uncertainty, and the points it was fitted to."""

    seconds: float
    u_seconds: float
    points: int


def time_constant(samples: Sequence[Sample], cold: Plateau, warm: Plateau) -> Response:
    """The time constant of a step from `cold` to `warm`, from the readings in between.

    The share of the step still to go falls as exp(-t/tau), so its logarithm is a straight line whose slope needs no
    moment of entry (first-order lag). Raises `DataError` where the readings show no clean step, and why.
    """
    step = warm.celsius - cold.celsius
    if step < _LEAST_STEP_CELSIUS:
        raise DataError(
            f"from {cold.celsius:.1f} to {warm.celsius:.1f} °C is too small a step: go from ice water into water of 35"
            " to 45 °C"
        )
    to_go = [(sample.seconds, (warm.celsius - sample.celsius) / step) for sample in samples]
    start = max((i for i, (_, left) in enumerate(to_go) if left > _FROM), default=-1) + 1
    points: list[tuple[float, float]] = []
    for seconds, left in to_go[start:]:
        if left < _TO:
            break
        points.append((seconds, left))
    if len(points) < _LEAST_POINTS:
        raise DataError(
            f"only {len(points)} readings on the way up: the probe is quicker than its readings can show, or some were"
            " missed; repeat, and give the time constant as 3 s in the config if it stays so"
        )
    times, logs = [t for t, _ in points], [log(left) for _, left in points]
    mid_t, mid_l = fmean(times), fmean(logs)
    spread = sum((t - mid_t) ** 2 for t in times)
    slope = sum((t - mid_t) * (value - mid_l) for t, value in zip(times, logs, strict=True)) / spread
    if slope >= 0 or -1 / slope > _SLOWEST_SECONDS:
        raise DataError("the readings do not rise as a probe in warm water does: put it in all at once and stir")
    misfits = [left - _model(t, mid_t, mid_l, slope) for t, left in points]
    worst = max(abs(misfit) for misfit in misfits)
    if worst > _MOST_MISFIT:
        raise DataError(
            f"the rise is no single step ({100 * worst:.0f} % off at the worst): move the probe over in one go, lay the"
            " whole sheath in, and keep stirring"
        )
    residuals = [value - mid_l - slope * (t - mid_t) for t, value in zip(times, logs, strict=True)]
    u_slope = sqrt(sum(r**2 for r in residuals) / (len(points) - 2) / spread)
    return Response(-1 / slope, u_slope / slope**2, len(points))


def _model(seconds: float, mid_seconds: float, mid_log: float, slope: float) -> float:
    return exp(mid_log + slope * (seconds - mid_seconds))
