"""A pixel's own step response in light, made of parts with closed forms, and its running integral."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from blurscope.errors import SettingsError

SHAPES = ("instant", "exponential", "ramp", "s-shaped", "gaussian", "cascade", "overdriven", "boosted", "two-stage")
LN9 = math.log(9.0)
GAUSSIAN_LEAD = 4.5  # standard deviations between the switch and the 50 % point of a gaussian step
SPAN_1090 = {  # 10-90 % time of each part in units of its scale
    "exponential": LN9,
    "ramp": 0.8,
    "s-shaped": 1 - 2 * math.acos(0.8) / math.pi,
    "gaussian": 2.563103131089201,
    "cascade": 4.220254983,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Response:
    """How a pixel gets from one level to another after its switch, in light, 0 to 1.

    Attributes
    ----------
    shape : str
        ``instant``; ``exponential``; ``ramp``; ``s-shaped`` (raised cosine); ``gaussian`` (cumulative Gaussian, its
        50 % point 4.5 standard deviations after the switch); ``cascade`` (three equal poles); ``overdriven``
        (overshoots, then settles with a time constant ``tail_ratio`` times its rise's); ``boosted`` (drives towards a
        level beyond for ``second_delay_ms``, then towards the level itself); ``two-stage`` (``first_share`` at once,
        the rest ``second_delay_ms`` later, both exponential).
    time_ms : float
        10-90 % time of the whole step; for ``boosted`` and ``two-stage`` that of the exponential they are made of.
    overshoot_pct : float
        Peak above the settled level, % of the step (``overdriven`` and ``boosted``).
    delay_ms : float
        Dead time between the switch and the first change.
    """

    shape: str = "exponential"
    time_ms: float = 5.0
    overshoot_pct: float = 0.0
    tail_ratio: float = 3.0
    first_share: float = 0.7
    second_delay_ms: float = 1000 / 60
    delay_ms: float = 0.0

    def __post_init__(self) -> None:
        if self.shape not in SHAPES:
            raise SettingsError(f"response shape {self.shape!r:.40} is unknown; take one of {', '.join(SHAPES)}")
        if not (0 <= self.time_ms <= 1e4 and 0 <= self.delay_ms <= 1e4 and 0 <= self.second_delay_ms <= 1e4):
            raise SettingsError("a response time or delay must lie between 0 and 10000 ms")
        if not (0 <= self.overshoot_pct <= 60 and 1.05 <= self.tail_ratio <= 20 and 0 < self.first_share < 1):
            raise SettingsError("overshoot must be 0-60 %, the tail ratio 1.05-20, the first share between 0 and 1")
        if self.shape == "boosted" and self.second_delay_ms == 0:
            raise SettingsError("a boosted response needs the time that the boost lasts")

    def parts(self) -> tuple[tuple[str, float, float, float], ...]:
        """Return ``(kind, weight, delay_ms, scale_ms)`` of the parts that add up to the step."""
        d = self.delay_ms
        if self.shape == "instant" or self.time_ms == 0 and self.shape != "two-stage":
            return (("instant", 1.0, d, 1.0),)
        if self.shape == "two-stage":
            kind = "exponential" if self.time_ms else "instant"
            scale = self.time_ms / LN9 if self.time_ms else 1.0
            a = self.first_share
            return ((kind, a, d, scale), (kind, 1 - a, d + self.second_delay_ms, scale))
        if self.shape == "boosted":
            tau = self.time_ms / LN9
            towards = (1 + self.overshoot_pct / 100) / -math.expm1(-self.second_delay_ms / tau)
            return (("exponential", towards, d, tau), ("exponential", 1 - towards, d + self.second_delay_ms, tau))
        if self.shape == "overdriven":
            if self.overshoot_pct == 0:
                return (("exponential", 1.0, d, self.time_ms / LN9),)
            c, span = _overdriven_unit(self.overshoot_pct / 100, self.tail_ratio)
            tau = self.time_ms / span
            return (("exponential", 1 + c, d, tau), ("exponential", -c, d, tau * self.tail_ratio))
        return ((self.shape, 1.0, d, self.time_ms / SPAN_1090[self.shape]),)

    def value(self, t_ms: np.ndarray | float) -> np.ndarray:
        """Return the step at times since the switch (0 before it)."""
        t = np.asarray(t_ms, float)
        return sum(w * np.where(t >= d, _VALUE[k](np.maximum(t - d, 0) / s), 0.0) for k, w, d, s in self.parts())

    def integral(self, t_ms: np.ndarray | float) -> np.ndarray:
        """Return the integral of the step from the switch to the given times, ms."""
        t = np.asarray(t_ms, float)
        return sum(w * s * _INTEGRAL[k](np.maximum(t - d, 0) / s) for k, w, d, s in self.parts())

    def settle_ms(self, within: float = 1e-5) -> float:
        """Return a time after which the step stays within ``within`` of 1."""
        last = 0.0
        for kind, w, d, s in self.parts():
            if kind in ("exponential", "cascade"):
                need = s * (math.log(max(abs(w), 1e-9) / within) + (5 if kind == "cascade" else 1))
            else:
                need = s * {"instant": 0.0, "ramp": 1.0, "s-shaped": 1.0, "gaussian": GAUSSIAN_LEAD + 5}[kind]
            last = max(last, d + need)
        return last


@lru_cache(maxsize=256)
def _overdriven_unit(overshoot: float, ratio: float) -> tuple[float, float]:
    """Weight of the slow part and 10-90 % time, for a rise with time constant 1, that give this overshoot."""
    from scipy.optimize import brentq

    def peak(c: float) -> float:
        t = math.log(ratio * (1 + c) / c) * ratio / (ratio - 1)
        return c * math.exp(-t / ratio) - (1 + c) * math.exp(-t)

    high = 1.0
    while peak(high) < overshoot:
        high *= 2
        if high > 1e4:
            raise SettingsError("this overshoot needs a longer tail; raise the tail ratio")
    c = brentq(lambda x: peak(x) - overshoot, 1e-9, high, xtol=1e-14)
    t_peak = math.log(ratio * (1 + c) / c) * ratio / (ratio - 1)

    def step(t: float) -> float:
        return 1 - (1 + c) * math.exp(-t) + c * math.exp(-t / ratio)

    t10, t90 = (brentq(lambda t, p=p: step(t) - p, 0, t_peak, xtol=1e-14) for p in (0.1, 0.9))
    return c, t90 - t10


def _normal(z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    from scipy.special import ndtr

    return ndtr(z), np.exp(-z * z / 2) / math.sqrt(2 * math.pi)


def _gaussian_value(x: np.ndarray) -> np.ndarray:
    return _normal(x - GAUSSIAN_LEAD)[0]


def _gaussian_integral(x: np.ndarray) -> np.ndarray:
    z = x - GAUSSIAN_LEAD
    below, density = _normal(z)
    start_below, start_density = _normal(np.asarray(-GAUSSIAN_LEAD))
    return z * below + density - (-GAUSSIAN_LEAD * start_below + start_density)


_VALUE: dict[str, Callable] = {
    "instant": lambda x: np.ones_like(x),
    "exponential": lambda x: -np.expm1(-x),
    "ramp": lambda x: np.minimum(x, 1.0),
    "s-shaped": lambda x: 0.5 * (1 - np.cos(math.pi * np.minimum(x, 1.0))),
    "gaussian": _gaussian_value,
    "cascade": lambda x: 1 - np.exp(-x) * (1 + x + x * x / 2),
}
_INTEGRAL: dict[str, Callable] = {
    "instant": lambda x: x,
    "exponential": lambda x: x + np.expm1(-x),
    "ramp": lambda x: np.where(x < 1, x * x / 2, x - 0.5),
    "s-shaped": lambda x: np.where(x < 1, x / 2 - np.sin(math.pi * np.minimum(x, 1)) / (2 * math.pi), x - 0.5),
    "gaussian": _gaussian_integral,
    "cascade": lambda x: x - 3 + np.exp(-x) * (3 + 2 * x + x * x / 2),
}
