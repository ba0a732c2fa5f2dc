"""Where the paste is and where it goes, from one lagged probe in it."""

import math
from dataclasses import dataclass, replace

__all__ = ["Cooling", "Forecast", "begin", "forecast", "observe"]

TAU = 10.0
NOISE = 0.05


@dataclass(frozen=True, slots=True)
class Cooling:
    seconds: float
    paste: float
    rate: float
    probe: float
    covariance: tuple[float, ...]  # row-major 3 x 3
    readings: int = 0

    @property
    def celsius(self) -> float:
        return self.paste

    @property
    def spread(self) -> float:
        return math.sqrt(max(self.covariance[0], 0.0))


@dataclass(frozen=True, slots=True)
class Forecast:
    seconds: float
    low: float
    high: float


def begin(seconds: float, celsius: float, guess: float = 40.0) -> Cooling:
    return Cooling(seconds, guess, -0.01, celsius, (100.0, 0.0, 0.0, 0.0, 2e-4, 0.0, 0.0, 0.0, 0.01))


def _matmul(a: tuple[float, ...], b: tuple[float, ...]) -> tuple[float, ...]:
    return tuple(sum(a[3 * i + k] * b[3 * k + j] for k in range(3)) for i in range(3) for j in range(3))


def observe(state: Cooling, seconds: float, celsius: float) -> Cooling:
    dt = max(seconds - state.seconds, 0.0)
    a = math.exp(-dt / TAU)
    f = (1.0, dt, 0.0, 0.0, 1.0, 0.0, 1 - a, 0.0, a)
    ft = (1.0, 0.0, 1 - a, dt, 1.0, 0.0, 0.0, 0.0, a)
    p = list(_matmul(_matmul(f, state.covariance), ft))
    p[0] += 4e-4 * dt
    p[4] += 1e-7 * dt
    p[8] += 1e-4 * dt
    paste, rate = state.paste + state.rate * dt, state.rate
    probe = a * state.probe + (1 - a) * state.paste
    s = p[8] + NOISE**2
    k = (p[2] / s, p[5] / s, p[8] / s)
    e = celsius - probe
    q = tuple(p[3 * i + j] - k[i] * p[6 + j] for i in range(3) for j in range(3))
    return replace(
        state, seconds=seconds, paste=paste + k[0] * e, rate=rate + k[1] * e, probe=probe + k[2] * e,
        covariance=q, readings=state.readings + 1,
    )  # fmt: skip


def forecast(state: Cooling, target: float, spread: float) -> Forecast | None:
    if state.rate > -5e-4:
        return None
    mid = (state.paste - target) / -state.rate
    if mid < 0:
        return None
    return Forecast(
        mid,
        max(0.0, (state.paste - 1.645 * spread - target) / -state.rate),
        (state.paste + 1.645 * spread - target) / -state.rate,
    )
