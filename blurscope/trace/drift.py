"""A slow drift of all levels (a lamp that warms up, an amplifier that wanders), seen from stay to stay."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

_LEAST_GAIN = 6.0  # of chi-square per number of the drift, below which stays are taken for steady
_BENT_GAIN = 14.0  # of chi-square, from which on a drift is taken for bent
WAY = 0.8  # of a stay, from a plateau's middle back to its switch


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drift:
    """How the levels move: ``level(t) = level + x(t) @ (offset + gain * level)``, ``x`` the powers of the time.

    Attributes
    ----------
    middle_s, half_s : float
        Of the record; ``x`` is ``u`` or ``(u, u^2)`` with ``u = (t - middle_s) / half_s``.
    offset, gain : (p,) float
    """

    middle_s: float
    half_s: float
    offset: np.ndarray
    gain: np.ndarray

    def removed(self, time_s: np.ndarray, signal: np.ndarray) -> np.ndarray:
        """Return the signal as at the middle of the record."""
        x = _powers((time_s - self.middle_s) / self.half_s, len(self.offset))
        return (signal - x @ self.offset) / (1.0 + x @ self.gain)

    def slope(self, time_s: float, level: float) -> float:
        """Return how fast a level moves at a time, per second."""
        u = (time_s - self.middle_s) / self.half_s
        rate = np.array([1.0, 2.0 * u])[: len(self.offset)] / self.half_s
        return float(rate @ (self.offset + self.gain * level))


def _powers(u: np.ndarray, order: int) -> np.ndarray:
    return np.stack([u ** (k + 1) for k in range(order)], axis=-1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Steadiness:
    """What stays at one level say about each other.

    Attributes
    ----------
    drift : Drift or None
        ``None`` for levels without one.
    doubt : mapping of float
        For each level, the standard uncertainty of what the drift moves it by between a switch and the plateau after.
    scatter : float
        By how much the means of stays scatter about it, over their standard uncertainty; 1 or more.
    gain_known : bool
        Whether stays at two levels told an offset from a gain.
    checked : bool
        Whether there were more stays than the drift has numbers, so that it could have failed to fit.
    """

    drift: Drift | None
    doubt: Mapping[object, float]
    scatter: float
    gain_known: bool
    checked: bool = False


def find_drift(
    span_s: tuple[float, float],
    at_s: np.ndarray,
    mean: np.ndarray,
    sd: np.ndarray,
    keys: Sequence[object],
    stay_s: float,
) -> Steadiness:
    """Return the drift that the settled means of stays at the same level show.

    Parameters
    ----------
    span_s : (float, float)
        Start and end of the record.
    at_s, mean, sd : (n,) float
        Of each stay: middle of its plateau, mean there and its standard uncertainty.
    keys : sequence of n
        Which level each stay is at.
    stay_s : float
        How long a stay takes.

    Notes
    -----
    Only stays at one level are compared with each other, so a tail that hasn't quite settled, the same in each of them,
    is no drift. An offset moves all levels alike, a gain in proportion. Where only one level is seen more than once
    they can't be told apart; the drift is then taken for an offset, with itself as its uncertainty elsewhere.
    """
    names = list(dict.fromkeys(keys))
    seen = [sum(k == name for k in keys) for name in names]
    if max(seen, default=0) < 2:
        return Steadiness(drift=None, doubt={}, scatter=1.0, gain_known=False)
    middle, half = 0.5 * (span_s[0] + span_s[1]), 0.5 * (span_s[1] - span_s[0])
    u = (at_s - middle) / half
    weight = 1.0 / sd**2
    own = np.array([names.index(k) for k in keys])
    levels = np.eye(len(names))[own]
    typical = np.array([np.average(mean[own == k], weights=weight[own == k]) for k in range(len(names))])
    several = sum(n > 1 for n in seen) > 1

    def solve(order: int) -> tuple[float, np.ndarray, np.ndarray]:
        x = _powers(u, order)
        parts = [levels, x]
        if several:
            parts.append(x * typical[own][:, None])
        design = np.hstack(parts)
        scale = np.maximum(np.sqrt((design**2 * weight[:, None]).sum(axis=0)), 1e-300)
        inverse = np.linalg.pinv((design * weight[:, None]).T @ design / np.outer(scale, scale), rcond=1e-9)
        inverse = inverse / np.outer(scale, scale)
        coef = inverse @ (design.T @ (weight * mean))
        return float(weight @ (mean - design @ coef) ** 2), coef, inverse

    steady = float(weight @ (mean - typical[own]) ** 2)
    order, numbers = 1, 2 if several else 1
    left, coef, inverse = solve(1)
    free = len(mean) - len(names) - numbers
    if free > numbers:
        bent = solve(2)
        if (left - bent[0]) / max(bent[0] / (free - numbers), 1.0) > _BENT_GAIN:
            order, (left, coef, inverse) = 2, bent
            free -= numbers
    # Levels that scatter from stay to stay by more than their samples' noise drift by less than it seems.
    spread = max(left / free, 1.0) if free > 0 else 1.0
    if free < 0 or (steady - left) / spread < _LEAST_GAIN * numbers * order:
        free = len(mean) - len(names)
        return Steadiness(drift=None, doubt={}, scatter=_scatter(steady, free), gain_known=several)
    first = len(names)
    offset = coef[first : first + order]
    gain = coef[first + order : first + 2 * order] if several else np.zeros(order)
    drift = Drift(middle_s=middle, half_s=half, offset=offset, gain=gain)
    doubt = {}
    for k, name in enumerate(names):
        row = np.concatenate([np.ones(order), np.full(order, typical[k])]) if several else np.ones(order)
        part = inverse[first : first + len(row), first : first + len(row)]
        rate_sd = float(np.sqrt(max(row @ part @ row, 0.0) * spread)) / half
        if seen[k] < 2 and not several:
            rate_sd = max(abs(drift.slope(float(t), typical[k])) for t in at_s)
        doubt[name] = rate_sd * WAY * stay_s
    return Steadiness(drift=drift, doubt=doubt, scatter=_scatter(left, free), gain_known=several, checked=free > 0)


def _scatter(chi2: float, free: int) -> float:
    """Return the root of chi-square per degree of freedom where it is more than chance."""
    # From 3 standard deviations of chi-square on.
    return math.sqrt(chi2 / free) if free > 0 and chi2 > free + 3 * math.sqrt(2 * free) + 6 else 1.0
