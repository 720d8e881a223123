"""The pixel's step behind a streak: a streak's curve still holds the width of its slit, its response time does not."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from blurscope.shapes.steps import Step, exponential, raised_cosine, rise_ms, weighted

TAIL_RATIO = 3.0  # of the slower of two exponentials to the faster one
TAIL_RANGE = (-1.2, 0.6)
SLIT_POINTS = 9
BRIGHTNESS_SD = 0.05  # a streak's own brightness is known to a few percent only
LEAST_NOISE = 1e-3
REPEATS = 2.0  # inflation of the variance: neighbours in a streak share their noise


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
        Two exponentials with less and more of a tail, by its u95.
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

    bend = light[2:] - 2 * light[1:-1] + light[:-2]
    rough = max(float(np.median(np.abs(bend))) / 0.6745 / math.sqrt(6), LEAST_NOISE) if bend.size else LEAST_NOISE
    middle = float(t[int(np.argmax(light >= 0.5))])
    start = middle - 0.35 * response_ms
    widest = max(2.0 * response_ms, 10.0)
    low, high = [t[0], 0.0, 0.5], [t[-1], widest, 1.5]
    begin = [float(np.clip(start, t[0], t[-1])), min(0.3 * response_ms, widest), 1.0]
    scales = [response_ms, response_ms, 0.1]

    def rest(p: np.ndarray, step: Step) -> np.ndarray:
        return np.append(p[2] * seen(step, p[0], p[1]) - light, (p[2] - 1) / BRIGHTNESS_SD * rough)

    tails = least_squares(
        lambda p: rest(p, tailed(response_ms, p[3])),
        [*begin, 0.0],
        bounds=([*low, TAIL_RANGE[0]], [*high, TAIL_RANGE[1]]),
        x_scale=[*scales, 0.2],
    )
    cosine = least_squares(lambda p: rest(p, raised_cosine(response_ms)), begin, bounds=(low, high), x_scale=scales)
    noise = math.sqrt(2 * min(tails.cost, cosine.cost) / max(t.size - 4, 1))
    tail = float(tails.x[3])
    spread = float(noise * math.sqrt(REPEATS * np.linalg.pinv(tails.jac.T @ tails.jac)[3, 3]))
    ends = tuple(tailed(response_ms, float(np.clip(tail + s * 1.96 * spread, *TAIL_RANGE))) for s in (-1, 1))
    return raised_cosine(response_ms) if cosine.cost < tails.cost else tailed(response_ms, tail), ends, noise
