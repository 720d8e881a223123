"""The true figures of a transition: what a perfect camera at the plate's speed would record, by numerical quadrature.

Everything is computed from the response's own closed-form integral and the emission's jumps; definitions are those of
``docs/conventions.md`` (widths between first crossings, settling within 5 %, Gaussian fitted with uniform weight).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np

from blurscope.camera.display import Backlight, LightLaw
from blurscope.camera.response import Response

SETTLED = 0.05
GRID = 6000


class Blurred:
    """The edge-spread function of a perfect pursuit photo against lag in ms.

    Parameters
    ----------
    response : Response
    hold_ms : float
    backlight : Backlight
        A PWM that isn't locked averages to plain hold.
    refresh_hz : float
    switch_phase : float
        The row's own switch delay in refreshes (a global strobe meets each row at another age).
    """

    def __init__(
        self, response: Response, hold_ms: float, backlight: Backlight, refresh_hz: float, switch_phase: float = 0.0
    ) -> None:
        self.response, self.hold_ms = response, hold_ms
        self.end_ms = response.settle_ms(1e-8) + 2 * hold_ms
        self._lit: tuple[np.ndarray, np.ndarray, np.ndarray] | None = None
        if backlight.steady() or (backlight.kind == "pwm" and not backlight.locked):
            return
        shift = 0.0 if backlight.follows_scan else switch_phase
        last = self.end_ms / hold_ms + 2
        breaks = backlight.breaks(shift, shift + last, refresh_hz)
        every = np.concatenate([[shift], breaks, [shift + last]])
        emission = np.diff(backlight.total(every, refresh_hz)) / np.diff(every)
        times = (every - shift) * hold_ms
        running = np.concatenate([[0.0], np.cumsum(np.diff(response.integral(times)) * emission)])
        self._lit = times, emission, running

    @property
    def flashes(self) -> bool:
        """Whether the emission is modulated in step with the refresh."""
        return self._lit is not None

    def _light(self, t_ms: np.ndarray) -> np.ndarray:
        t = np.maximum(np.asarray(t_ms, float), 0.0)
        if self._lit is None:
            return self.response.integral(t)
        times, emission, running = self._lit
        i = np.clip(np.searchsorted(times, t, side="right") - 1, 0, len(emission) - 1)
        return running[i] + emission[i] * (self.response.integral(t) - self.response.integral(times[i]))

    def __call__(self, lag_ms: np.ndarray | float) -> np.ndarray:
        """Return the ESF at lags."""
        lag = np.asarray(lag_ms, float)
        return (self._light(lag) - self._light(lag - self.hold_ms)) / self.hold_ms

    def grid(self) -> np.ndarray:
        """Return lags that hold every kink."""
        points = [np.linspace(0, self.end_ms, GRID), [self.hold_ms]]
        for _, _, d, _ in self.response.parts():
            points.append([d, d + self.hold_ms])
        if self._lit is not None:
            points += [self._lit[0], self._lit[0] + self.hold_ms]
        every = np.unique(np.concatenate(points))
        return every[every <= self.end_ms]


def first_crossing(curve: Callable, t: np.ndarray, level: float) -> float:
    """Return the first upward crossing of a level."""
    from scipy.optimize import brentq

    above = np.asarray(curve(t)) >= level
    if above[0]:
        return float(t[0])
    i = int(np.argmax(above))
    if not above[i]:
        return math.nan
    return float(brentq(lambda x: float(curve(x)) - level, t[i - 1], t[i], xtol=1e-12, rtol=1e-14))


def last_outside(curve: Callable, t: np.ndarray, within: float) -> float:
    """Return the last time at which the curve is farther than ``within`` from 1."""
    from scipy.optimize import brentq

    off = np.abs(np.asarray(curve(t)) - 1) > within
    if not off.any():
        return float(t[0])
    i = int(np.flatnonzero(off)[-1])
    if i + 1 >= len(t):
        return math.nan
    return float(brentq(lambda x: abs(float(curve(x)) - 1) - within, t[i], t[i + 1], xtol=1e-12, rtol=1e-14))


def gaussian_edge_time(curve: Callable, t: np.ndarray, t10: float, t90: float, flashes: bool) -> float:
    """Return 2.5631 sigma of the cumulative Gaussian fitted to the ESF, levels 0 and 1, uniform weight, no window."""
    from scipy.optimize import least_squares
    from scipy.special import ndtr

    end = t[-1]
    fine = np.linspace(-0.5 * end, 1.5 * end, GRID)
    values = np.where(fine < 0, 0.0, curve(np.maximum(fine, 0)))
    weight = math.sqrt(fine[1] - fine[0])

    def residual(p: np.ndarray) -> np.ndarray:
        return weight * (ndtr((fine - p[0]) / p[1]) - values)

    def jacobian(p: np.ndarray) -> np.ndarray:
        z = (fine - p[0]) / p[1]
        density = weight * np.exp(-z * z / 2) / math.sqrt(2 * math.pi) / p[1]
        return np.column_stack([-density, -density * z])

    options = {"jac": jacobian, "method": "lm", "xtol": 1e-14, "ftol": 1e-14, "gtol": 1e-14}
    slope = np.abs(np.gradient(values, fine))
    mean = float(np.sum(slope * fine) / np.sum(slope))
    spread = math.sqrt(float(np.sum(slope * (fine - mean) ** 2) / np.sum(slope)))
    starts = [((t10 + t90) / 2, (t90 - t10) / 2.563)]
    if flashes:  # a staircase may hold several best fits
        starts += [(mean, spread), (t10 + spread, spread), (t90, spread / 2)]
    fits = [least_squares(residual, start, **options) for start in starts]
    best = min(fits, key=lambda fit: fit.cost)
    return 2.563103131089201 * abs(float(best.x[1]))


@lru_cache(maxsize=4096)
def blur_figures(
    response: Response, hold_ms: float, backlight: Backlight, refresh_hz: float, switch_phase: float
) -> dict[str, float]:
    """Return the blur figures in ms and per cent."""
    esf = Blurred(response, hold_ms, backlight, refresh_hz, switch_phase)
    t = esf.grid()
    values = esf(t)
    t10 = first_crossing(esf, t, 0.1)
    t90 = first_crossing(esf, t, 0.9)
    settle = last_outside(esf, t, SETTLED)
    ideal = Blurred(Response(shape="instant"), hold_ms, backlight, refresh_hz, switch_phase)
    if not esf.flashes:
        instant = (1 - SETTLED - 0.1) * hold_ms
    else:
        ti = ideal.grid()
        instant = last_outside(ideal, ti, SETTLED) - first_crossing(ideal, ti, 0.1)
    return {
        "bet_ms": t90 - t10,
        "ebet_ms": (t90 - t10) / 0.8,
        "get_ms": gaussian_edge_time(esf, t, t10, t90, esf.flashes),
        "ghost_ms": settle - t10 - instant,
        "overshoot_pct": 100 * max(0.0, _refined_max(esf, t, values) - 1),
        "undershoot_pct": 100 * max(0.0, -float(values.min())),
    }


def _refined_max(curve: Callable, t: np.ndarray, values: np.ndarray) -> float:
    from scipy.optimize import minimize_scalar

    i = int(np.argmax(values))
    a, b = t[max(i - 1, 0)], t[min(i + 1, len(t) - 1)]
    found = minimize_scalar(lambda x: -float(curve(x)), bounds=(a, b), method="bounded", options={"xatol": 1e-10})
    return max(float(values[i]), -float(found.fun))


@lru_cache(maxsize=4096)
def response_figures(response: Response, light_from: float, light_to: float, law: LightLaw) -> dict[str, float]:
    """Return the response times in light and signal, and the step's own overshoot."""
    end = response.settle_ms(1e-9) + 1e-6
    t = np.unique(np.concatenate([np.linspace(0, end, GRID), np.geomspace(end * 1e-6, end, GRID // 2)]))
    step = response.value
    low, high = float(law.signal(light_from)), float(law.signal(light_to))

    def signal(x: np.ndarray | float) -> np.ndarray:
        return (law.signal(light_from + (light_to - light_from) * step(x)) - low) / (high - low)

    def between(curve: Callable) -> float:
        if response.shape == "instant":
            return 0.0
        return first_crossing(curve, t, 0.9) - first_crossing(curve, t, 0.1)

    return {
        "response_ms": between(step),
        "response_signal_ms": between(signal),
        "response_overshoot_pct": 100 * max(0.0, _refined_max(step, t, np.asarray(step(t))) - 1),
    }
