"""What readings in an ice bath or beside a better thermometer say about a probe, how sure that is, how fast it follows.

Follows the pattern of fixed-point and comparison guides (ASTM E563 and national institutes' guides on the ice point)
and of JCGM 100 for the uncertainty; no conformity is claimed. Celsius and kelvin throughout; a small `u` is a standard
uncertainty (k = 1), a capital one expanded (k = 2).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, hypot, log, sqrt
from statistics import fmean, linear_regression, stdev

from sensord.errors import DataError

ICE_CELSIUS = 0.0
"""Melting ice in air-saturated water at 1 atm (national metrology institutes' guides on the ice point)."""

SPECIFIED_CELSIUS = 0.5
"""Error limit of a DS18B20 from -10 to 85 °C, three standard deviations (data sheet, DC characteristics, note 3)."""

_SPECIFIED_AT_BOIL_CELSIUS = 1.0  # from -30 to 100 °C, same table
_STEP_CELSIUS = 0.0625
_ICE_BATH_U = 0.1  # a short capsule in a kitchen ice bath, stem warm: a cautious allowance, no source
_WINDOW_SECONDS = 30.0
_LEAST_SAMPLES = 15
_STEADY_CELSIUS_PER_MINUTE = 0.08
_NOISY_CELSIUS = 0.12  # steps of 1/16 °C alone give 0.02 to 0.03; more is a bad contact, or a bath not stirred
_MOST_OFF_CELSIUS = 1.5
_MOST_UNREPEATED_CELSIUS = 0.3
_MOST_APART_CELSIUS = 0.7
_LEAST_SPAN_CELSIUS = 25.0

# One plunge from ice water into warm water.
_LEAST_STEP_CELSIUS = 15.0
_LEAST_POINTS = 4
# Of the step still to go: the first tenth is the hand moving the probe, the last tenth is steps of 1/16 °C and noise.
_FROM, _TO = 0.90, 0.10
_MOST_MISFIT = 0.06
_SLOWEST_SECONDS = 120.0


@dataclass(frozen=True, slots=True)
class Sample:
    """A raw reading of the probe: Celsius at seconds."""

    seconds: float
    celsius: float


@dataclass(frozen=True, slots=True)
class Plateau:
    """Readings that stand still: their mean, standard deviation, count, and slope in Celsius a minute."""

    celsius: float
    deviation: float
    readings: int
    slope: float


@dataclass(frozen=True, slots=True)
class Component:
    """One line of an uncertainty budget: standard uncertainty in Celsius, and where it comes from."""

    name: str
    u: float
    basis: str


@dataclass(frozen=True, slots=True)
class Point:
    """One comparison: what the probe read (mean over repeats), what was true, and the budget of that."""

    reading: float
    true: float
    components: tuple[Component, ...]

    @property
    def u(self) -> float:
        return combined(self.components)

    @property
    def error(self) -> float:
        """What the probe reads too much."""
        return self.reading - self.true


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """`corrected = gain * raw + offset`, and the expanded uncertainty of a corrected reading at `at_celsius`."""

    offset: float
    gain: float
    expanded_uncertainty: float
    at_celsius: float
    components: tuple[Component, ...]
    warnings: tuple[str, ...]


def settled(samples: Sequence[Sample]) -> Plateau | str:
    """The plateau that the last half minute of readings makes, or in words why it is none yet."""
    if not samples:
        return "no reading yet"
    end = samples[-1].seconds
    window = [sample for sample in samples if sample.seconds >= end - _WINDOW_SECONDS]
    if samples[0].seconds > end - _WINDOW_SECONDS or len(window) < _LEAST_SAMPLES:
        return "waiting for half a minute of readings"
    values = [sample.celsius for sample in window]
    slope = 60 * linear_regression([sample.seconds for sample in window], values).slope
    if abs(slope) > _STEADY_CELSIUS_PER_MINUTE:
        return f"still {'rising' if slope > 0 else 'falling'}, {abs(slope):.2f} °C a minute"
    deviation = stdev(values)
    if deviation > _NOISY_CELSIUS:
        return f"too restless, readings scatter by {deviation:.2f} °C"
    return Plateau(fmean(values), deviation, len(values), slope)


def combined(components: Sequence[Component]) -> float:
    """Root of the sum of squares of uncorrelated components (JCGM 100, clause 5.1.2)."""
    return sqrt(sum(component.u**2 for component in components))


def expanded(components: Sequence[Component]) -> float:
    """Expanded uncertainty with k = 2, about 95 % (JCGM 100, clause 6)."""
    return 2 * combined(components)


def ice_components(plateaus: Sequence[Plateau]) -> tuple[Component, ...]:
    """Budget of a point taken in an ice bath, one plateau for each time that the probe was put in.

    Raises `DataError` where the immersions do not repeat.
    """
    return (Component("ice bath", _ICE_BATH_U, "short probe, kitchen bath; an allowance"), *_readings(plateaus))


def comparison_components(
    plateaus: Sequence[Plateau], reference_expanded: float, reference_step: float
) -> tuple[Component, ...]:
    """Budget of a point taken beside a reference thermometer of known expanded uncertainty and display step.

    Raises `DataError` for a reference that is no better than the probe, or immersions that do not repeat.
    """
    if not 0 < reference_expanded <= SPECIFIED_CELSIUS:
        raise DataError(
            f"a reference good to {reference_expanded:g} °C is no help to a probe good to {SPECIFIED_CELSIUS} °C:"
            " use one of at most 0.5 °C (its certificate or data sheet says)"
        )
    if not 0 < reference_step <= 1:
        raise DataError(f"a display that moves in steps of {reference_step:g} °C: give more than 0 and at most 1 °C")
    return (
        Component("reference thermometer", reference_expanded / 2, "its expanded uncertainty over k = 2"),
        Component("reference display", reference_step / sqrt(12), "step, rectangular"),
        Component("bath", 0.1 / sqrt(3), "0.1 °C between the two, rectangular; stirred, an allowance"),
        *_readings(plateaus),
    )


def _readings(plateaus: Sequence[Plateau]) -> tuple[Component, ...]:
    """What the readings themselves leave open: scatter, step, and how well putting the probe in repeats."""
    means = [plateau.celsius for plateau in plateaus]
    apart = max(means) - min(means)
    if apart > _MOST_UNREPEATED_CELSIUS:
        raise DataError(
            f"the immersions differ by {apart:.2f} °C, which is no repetition: stir (or pack the ice tighter), lay the"
            " whole sheath in each time, and start again"
        )
    scatter = sqrt(sum(p.deviation**2 / p.readings for p in plateaus)) / len(plateaus)
    if len(means) > 1:
        # Two that agree by chance prove little: never under half a step of the probe.
        repeat, basis = max(stdev(means) / sqrt(len(means)), _STEP_CELSIUS / 2), f"{len(means)} immersions"
    else:
        repeat, basis = 0.05, "one immersion: an allowance"
    return (
        Component("mean of readings", scatter, "scatter over the root of the number"),
        Component("step of the probe", _STEP_CELSIUS / sqrt(12), "1/16 °C, rectangular"),
        Component("repeatability", repeat, basis),
    )


# Half of the data sheet's ±0.2 °C after 1000 h at 125 °C (note 11), for half a year of kitchen temperatures.
_DRIFT = Component("drift until due", 0.1 / sqrt(3), "half the data sheet's 0.2 °C, rectangular; an allowance")
# How far the error can move from 0 to 37 °C; the data sheet's typical curve bends by less (from memory).
_CARRIED = Component("carried from 0 °C", 0.2 / sqrt(3), "error at 37 °C may differ by 0.2 °C, rectangular; allowance")


def check_near(reading: float, true: float) -> None:
    """Raises `DataError` where a probe in a bath of `true` Celsius reads what no working probe does."""
    if abs(reading - true) > _MOST_OFF_CELSIUS:
        raise DataError(
            f"the probe reads {reading - true:+.2f} °C off at {true:.1f} °C: no working probe does. Check the"
            " bath (ice to the bottom, water in the gaps, the whole sheath in it) and repeat, or take another probe"
        )


def calibrate(points: Sequence[Point], at_celsius: float) -> Result:
    """Offset from one point, or the line through two; the uncertainty is the one at `at_celsius`, where it is used.

    Raises `DataError` where the points show no working probe, or contradict each other.
    """
    for point in points:
        check_near(point.reading, point.true)
    warnings = [
        f"{point.error:+.2f} °C off at {point.true:.1f} °C is outside the data sheet (±0.5 °C): the part may not be"
        " genuine, look at it again in a month"
        for point in points
        if abs(point.error) > ice_limit_celsius(point.u)
    ]
    if len(points) == 1:
        (point,) = points
        carried = [_CARRIED] if abs(at_celsius - point.true) > _LEAST_SPAN_CELSIUS else []
        gain, offset, components = 1.0, -point.error, (*point.components, _DRIFT, *carried)
    else:
        gain, offset, components = _by_two(points, at_celsius)
    return Result(
        offset=offset,
        gain=gain,
        expanded_uncertainty=expanded(components),
        at_celsius=at_celsius,
        components=components,
        warnings=tuple(warnings),
    )


def _by_two(points: Sequence[Point], at_celsius: float) -> tuple[float, float, tuple[Component, ...]]:
    """Gain, offset and budget of the line through two points."""
    low, high = sorted(points, key=lambda point: point.true)
    if high.true - low.true < _LEAST_SPAN_CELSIUS:
        raise DataError(f"two points need {_LEAST_SPAN_CELSIUS:.0f} °C between them: use the ice bath and about 37 °C")
    apart = abs(high.error - low.error)
    if apart > _MOST_APART_CELSIUS:
        raise DataError(
            f"the probe is {low.error:+.2f} °C off at {low.true:.1f} °C and {high.error:+.2f} °C at {high.true:.1f} °C:"
            " the points contradict each other; repeat both, the bath or the reference was wrong"
        )
    gain, offset = line_through(low.reading, low.true, high.reading, high.true)
    weight = (at_celsius - low.true) / (high.true - low.true)
    shares = [
        Component(f"point at {point.true:.0f} °C", abs(share) * point.u, "its own budget, by its share")
        for point, share in ((low, 1 - weight), (high, weight))
    ]
    return gain, offset, (*shares, _DRIFT)


def line_through(low_reading: float, low_true: float, high_reading: float, high_true: float) -> tuple[float, float]:
    """Gain and offset of the straight correction through two points. Raises `DataError` where they coincide."""
    if low_reading == high_reading:
        raise DataError("both points gave the same reading: there is no line through them, repeat both")
    gain = (high_true - low_true) / (high_reading - low_reading)
    return gain, low_true - gain * low_reading


def ice_limit_celsius(bath_u: float = _ICE_BATH_U) -> float:
    """How far an uncorrected probe may be off in an ice bath before it is outside its data sheet."""
    return hypot(SPECIFIED_CELSIUS, 2 * bath_u)


def boil_limit_celsius(boil_expanded: float) -> float:
    """The same in boiling water. A gross check: believed, an error there would be carried to 37 °C by a third."""
    return hypot(_SPECIFIED_AT_BOIL_CELSIUS, boil_expanded)


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
    slope, at_zero = linear_regression(times, logs)
    if slope >= 0 or -1 / slope > _SLOWEST_SECONDS:
        raise DataError("the readings do not rise as a probe in warm water does: put it in all at once and stir")
    worst = max(abs(left - exp(at_zero + slope * t)) for t, left in points)
    if worst > _MOST_MISFIT:
        raise DataError(
            f"the rise is no single step ({100 * worst:.0f} % off at the worst): move the probe over in one go, lay the"
            " whole sheath in, and keep stirring"
        )
    scatter = sum((value - at_zero - slope * t) ** 2 for t, value in zip(times, logs, strict=True))
    mid = fmean(times)
    u_slope = sqrt(scatter / (len(points) - 2) / sum((t - mid) ** 2 for t in times))
    return Response(-1 / slope, u_slope / slope**2, len(points))
