"""The pixel's step behind a streak: a streak's curve still holds the width of its slit, its response time does not."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from blurscope.shapes.steps import Step, exponential, raised_cosine, rise_ms, weighted

TAIL_RATIO = 3.0  # of the slower of two exponentials to the faster one
TAIL_RANGE = (-0.5, 0.6)
SLIT_POINTS = 9


def tailed(response_ms: float, tail: float) -> Step:
    """Return two exponentials, 1 - tail and tail of the step, with the given 10-90 % time; negative overshoots."""
    if response_ms <= 0:
        return exponential(0.0)
    unit = weighted([(1 - tail, 0.0, exponential(1.0)), (tail, 0.0, exponential(TAIL_RATIO))])
    return unit.scaled(response_ms / rise_ms(unit))


def unblurred_streak(curve: Step, response_ms: float) -> tuple[Step, tuple[Any, ...], float]:
    """Return the step that, seen through a slit, gives a streak's curve.

    Parameters
    ----------
    curve : Step
        The streak as sampled, slit and noise in it.
    response_ms : float
        Its 10-90 % time with the slit taken out, which the step keeps.

    Returns
    -------
    step : Step
        Two exponentials or a raised cosine, whichever fits better.
    alternatives : tuple of Step
        The same with less and more of a tail, by its standard uncertainty (the two families where both fit).
    noise : float
        Standard deviation of the samples about the fit, share of the transition.
    """
    from scipy.optimize import least_squares

    if response_ms <= 0:
        return exponential(0.0), (), 0.0
    t, light = curve.kinks_ms, curve.value(curve.kinks_ms)
    nodes, weights = np.polynomial.legendre.leggauss(SLIT_POINTS)

    def seen(step: Step, delay: float, width: float) -> np.ndarray:
        # Mean over the slit's width, a box in time.
        return 0.5 * sum(w * step.value(t - delay - 0.5 * width * x) for x, w in zip(nodes, weights, strict=True))

    middle = float(t[int(np.argmax(light >= 0.5))])
    start = middle - 0.35 * response_ms
    widest = max(2.0 * response_ms, 10.0)
    low, high = [t[0], 0.0], [t[-1], widest]
    begin = [float(np.clip(start, t[0], t[-1])), min(0.3 * response_ms, widest)]
    tails = least_squares(
        lambda p: seen(tailed(response_ms, p[2]), p[0], p[1]) - light,
        [*begin, 0.0],
        bounds=([*low, TAIL_RANGE[0]], [*high, TAIL_RANGE[1]]),
        x_scale=[response_ms, response_ms, 0.2],
    )
    cosine = least_squares(
        lambda p: seen(raised_cosine(response_ms), p[0], p[1]) - light,
        begin,
        bounds=(low, high),
        x_scale=[response_ms, response_ms],
    )
    noise = math.sqrt(2 * min(tails.cost, cosine.cost) / max(t.size - 3, 1))
    gain = 2 * (cosine.cost - tails.cost) / max(noise, 1e-6) ** 2
    if gain < 0:
        other = (tailed(response_ms, float(tails.x[2])),) if gain > -9 else ()
        return raised_cosine(response_ms), (raised_cosine(response_ms), *other) if other else (), noise
    tail = float(tails.x[2])
    spread = float(noise * math.sqrt(np.linalg.pinv(tails.jac.T @ tails.jac)[2, 2]))
    ends = [tailed(response_ms, float(np.clip(tail + s * 1.96 * spread, *TAIL_RANGE))) for s in (-1, 1)]
    return tailed(response_ms, tail), tuple(ends), noise
