"""Step responses of a pixel: closed-form families and sampled records, each with its exact running integral."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from blurscope.shapes import LN9, exponential_integral, exponential_step

RAISED_COSINE_WIDTH = 0.590334470601733  # 10-90 % time of a raised cosine over its duration
GAUSSIAN_WIDTH = 2.563103131089201  # 10-90 % time of a cumulative Gaussian over its sigma
SETTLED_LIFETIMES = 36.0  # exp(-36) is 2e-16: nothing is left of an exponential after that many lifetimes
SHAPES = ("exponential", "s-shaped", "instant")

Curve = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Step:
    """A normalised step response: 0 before, 1 after, in light.

    Attributes
    ----------
    value : callable
        ``s(t)`` for an array of times, ms.
    integral : callable
        Integral of ``s`` from the start of the record to ``t``, ms.
    kinks_ms : (n,) float
        Times where ``s`` or its slope jumps, increasing; the first and last bound what is not settled.
    linear : bool
        Whether ``s`` is a straight line between kinks, so that a blurred edge is made of exact parabolas.
    """

    value: Curve
    integral: Curve
    kinks_ms: np.ndarray
    linear: bool = False

    @property
    def end_ms(self) -> float:
        """Time after which the pixel is settled."""
        return float(self.kinks_ms[-1])

    def scaled(self, factor: float) -> Step:
        """Return the step stretched in time by ``factor`` about the switch at 0; 0 gives the instant step."""
        if factor <= 0:
            return instant_step()
        value, integral = self.value, self.integral
        return Step(
            value=lambda t: value(np.asarray(t) / factor),
            integral=lambda t: factor * integral(np.asarray(t) / factor),
            kinks_ms=self.kinks_ms * factor,
            linear=self.linear,
        )

    def mapped(self, law: Curve, samples: int = 1500) -> Step:
        """Return the step seen through a monotonic law of light that keeps 0 and 1 (a wrong tone curve, say)."""
        t = np.union1d(self.kinks_ms, _samples(self, samples))
        return sampled_step(t, law(self.value(t)))


def _samples(step: Step, count: int) -> np.ndarray:
    """Times dense where a response starts and sparse in its tail."""
    start, end = float(step.kinks_ms[0]), step.end_ms
    return start + (end - start) * np.linspace(0.0, 1.0, count) ** 2


def instant_step() -> Step:
    """The pixel that switches at once."""
    return Step(
        value=lambda t: (np.asarray(t) >= 0).astype(float),
        integral=lambda t: np.maximum(np.asarray(t, dtype=float), 0.0),
        kinks_ms=np.zeros(1),
        linear=True,
    )


def exponential(response_ms: float) -> Step:
    """``1 - exp(-t/tau)`` with ``tau = response / ln 9``."""
    if response_ms <= 0:
        return instant_step()
    tau = response_ms / LN9
    return Step(
        value=lambda t: exponential_step(t, tau),
        integral=lambda t: exponential_integral(np.asarray(t, dtype=float), tau),
        kinks_ms=np.array([0.0, SETTLED_LIFETIMES * tau]),
    )


def linear_ramp(response_ms: float) -> Step:
    """A straight line from 0 to 1 over ``response / 0.8``."""
    if response_ms <= 0:
        return instant_step()
    return sampled_step(np.array([0.0, response_ms / 0.8]), np.array([0.0, 1.0]))


def raised_cosine(response_ms: float) -> Step:
    """``(1 - cos(pi t / D)) / 2`` over the duration ``D = response / 0.590334…``: the S-shaped response."""
    if response_ms <= 0:
        return instant_step()
    duration = response_ms / RAISED_COSINE_WIDTH

    def value(t: np.ndarray) -> np.ndarray:
        return 0.5 - 0.5 * np.cos(np.pi * np.clip(np.asarray(t, dtype=float) / duration, 0.0, 1.0))

    def integral(t: np.ndarray) -> np.ndarray:
        inside = np.clip(np.asarray(t, dtype=float), 0.0, duration)
        area = 0.5 * inside - duration / (2 * np.pi) * np.sin(np.pi * inside / duration)
        return area + np.maximum(np.asarray(t, dtype=float) - duration, 0.0)

    return Step(value=value, integral=integral, kinks_ms=np.array([0.0, duration]))


def gaussian(response_ms: float) -> Step:
    """Cumulative Gaussian about t = 0, sigma = response / 2.5631 (it begins before the switch: not a real pixel)."""
    if response_ms <= 0:
        return instant_step()
    sigma = response_ms / GAUSSIAN_WIDTH

    def value(t: np.ndarray) -> np.ndarray:
        from scipy.special import ndtr

        return ndtr(np.asarray(t, dtype=float) / sigma)

    def integral(t: np.ndarray) -> np.ndarray:
        from scipy.special import ndtr

        z = np.asarray(t, dtype=float) / sigma
        return sigma * (z * ndtr(z) + np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi))

    return Step(value=value, integral=integral, kinks_ms=np.array([-8.5, 0.0, 8.5]) * sigma)


def weighted(parts: list[tuple[float, float, Step]]) -> Step:
    """Return the sum of ``weight * step(t - delay)``; the weights sum to 1.

    Parameters
    ----------
    parts : list of (weight, delay in ms, Step)
    """
    if abs(sum(w for w, _, _ in parts) - 1.0) > 1e-12:
        raise ValueError("the weights of a step must sum to 1")

    def value(t: np.ndarray) -> np.ndarray:
        return sum(w * s.value(np.asarray(t, dtype=float) - d) for w, d, s in parts)

    def integral(t: np.ndarray) -> np.ndarray:
        return sum(w * s.integral(np.asarray(t, dtype=float) - d) for w, d, s in parts)

    kinks = np.unique(np.concatenate([s.kinks_ms + d for _, d, s in parts]))
    return Step(value=value, integral=integral, kinks_ms=kinks, linear=all(s.linear for _, _, s in parts))


def two_stage(response_ms: float, delay_ms: float, first: float = 0.7) -> Step:
    """An exponential that reaches ``first`` of the step, and a second one for the rest after ``delay_ms``."""
    stage = exponential(response_ms)
    return weighted([(first, 0.0, stage), (1.0 - first, delay_ms, stage)])


def overshooting(response_ms: float, first: float = 1.5) -> Step:
    """``1 - first·exp(-t/tau) + (first - 1)·exp(-t/3 tau)``, ``tau = response / ln 9`` of the single stage."""
    return weighted([(first, 0.0, exponential(response_ms)), (1.0 - first, 0.0, exponential(3 * response_ms))])


def sampled_step(t_ms: np.ndarray, light: np.ndarray) -> Step:
    """Return the step of a sampled record: straight lines between samples, settled 0 before and 1 after.

    Parameters
    ----------
    t_ms : (n,) float
        Increasing; 0 is the switch.
    light : (n,) float
        Normalised so that the from level is 0 and the to level is 1.
    """
    t = np.asarray(t_ms, dtype=float)
    y = np.asarray(light, dtype=float)
    if t.ndim != 1 or t.shape != y.shape or t.size < 2 or np.any(np.diff(t) <= 0):
        raise ValueError("a sampled step needs increasing times and as many values")
    area = np.concatenate([[0.0], np.cumsum(0.5 * (y[1:] + y[:-1]) * np.diff(t))])
    slope = np.diff(y) / np.diff(t)

    def value(x: np.ndarray) -> np.ndarray:
        return np.interp(x, t, y, left=0.0, right=1.0)

    def integral(x: np.ndarray) -> np.ndarray:
        x = np.asarray(x, dtype=float)
        i = np.clip(np.searchsorted(t, x, side="right") - 1, 0, t.size - 2)
        d = np.clip(x, t[0], t[-1]) - t[i]
        return area[i] + y[i] * d + 0.5 * slope[i] * d * d + np.maximum(x - t[-1], 0.0)

    return Step(value=value, integral=integral, kinks_ms=t.copy(), linear=True)


def family_step(shape: str, response_ms: float) -> Step:
    """Return the step of a named shape with a given 10-90 % time; shapes are `SHAPES`."""
    makers = {"exponential": exponential, "s-shaped": raised_cosine, "instant": lambda _: instant_step()}
    return makers[shape](response_ms)


def crossing_ms(step: Step, level: float) -> float:
    """Return when the step first reaches ``level``; NaN if it never does."""
    from scipy.optimize import brentq

    if step.kinks_ms.size == 1:
        return float(step.kinks_ms[0])
    t = step.kinks_ms if step.linear else np.union1d(step.kinks_ms, _samples(step, 4000))
    y = step.value(t)
    above = np.nonzero(y >= level)[0]
    if above.size == 0:
        return step.end_ms if level <= 1.0 else float("nan")
    i = int(above[0])
    if i == 0:
        return float(t[0])
    if step.linear:
        return float(t[i - 1] + (level - y[i - 1]) * (t[i] - t[i - 1]) / (y[i] - y[i - 1]))
    return float(brentq(lambda x: float(step.value(np.float64(x))) - level, t[i - 1], t[i], xtol=1e-14, rtol=1e-15))


def rise_ms(step: Step, low: float = 0.1, high: float = 0.9) -> float:
    """Return the time from the first crossing of ``low`` to the first crossing of ``high``."""
    return crossing_ms(step, high) - crossing_ms(step, low)


def overshoot_share(step: Step) -> float:
    """Return how far the step goes past its settled level, as a share of the transition (0 if it doesn't)."""
    t = step.kinks_ms if step.linear else np.union1d(step.kinks_ms, _samples(step, 4000))
    y = step.value(t)
    i = int(np.argmax(y))
    if step.linear or i in (0, t.size - 1):
        return max(0.0, float(y[i]) - 1.0)
    from scipy.optimize import minimize_scalar

    best = minimize_scalar(lambda x: -float(step.value(np.float64(x))), bounds=(t[i - 1], t[i + 1]), method="bounded")
    return max(0.0, max(float(y[i]), -float(best.fun)) - 1.0)
