"""The pixel's step behind a streak: a streak's curve still holds the width of its slit, its response time does not."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from blurscope.shapes.steps import Step, exponential, raised_cosine, rise_ms, weighted

TAIL_RATIO = 3.0  # of the slower of two exponentials to the faster one
TAIL_RANGE = (-1.2, 0.6)
TAIL_DOUBT = 0.3  # standard uncertainty of the tail where the response isn't resolved: slit and blur look like one
RESOLVED_U95 = 2.0  # u95 of a response that is resolved half
SECOND_RANGE = (-0.6, 0.7)  # of the step, left for the next refresh; negative ones come back from an overshoot
SECOND_STARTS = (-0.12, 0.05, 0.25)
STAGE_RANGE = (0.003, 2.0)  # of the hold: 10-90 % time of a stage
SLIT_POINTS = 9
BRIGHTNESS_SD = 0.05  # a streak's own brightness is known to a few percent only
LEAST_NOISE = 1e-3
MODEL_NOISE = 0.008  # of the step: the model of a streak is no better
REPEATS = 2.0  # inflation of the variance: neighbours in a streak share their noise
WIDEST_SLIT = 0.5  # of the hold
TOLD = 1.2  # u95 of the 10-90 % time, within which that of two stages has to be
GAP_REFRESHES = 0.4
GAP_CHANGE = 0.08  # of the step: so much mustn't happen where a streak shows nothing


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StreakStep:
    """What a streak says of a pixel's step.

    Attributes
    ----------
    step : Step
    alternatives : tuple of Step
        Two that fit about as well: what the shape alone leaves open.
    ends : tuple of Step
        The step at both ends of the response's interval; empty where it is stretched as a whole.
    noise : float
        Standard deviation of the samples about the fit, share of the transition.
    """

    step: Step
    alternatives: tuple[Any, ...] = ()
    ends: tuple[Any, ...] = ()
    noise: float = 0.0


def tailed(response_ms: float, tail: float) -> Step:
    """Return two exponentials, 1 - tail and tail of the step, with the given 10-90 % time; negative overshoots."""
    if response_ms <= 0:
        return exponential(0.0)
    unit = weighted([(1 - tail, 0.0, exponential(1.0)), (tail, 0.0, exponential(TAIL_RATIO))])
    return unit.scaled(response_ms / rise_ms(unit))


def staged(stage_ms: float, second: float, hold_ms: float) -> Step:
    """Return an exponential step whose drive changes once more at the next refresh, by ``second`` of the step."""
    stage = exponential(stage_ms)
    return weighted([(1 - second, 0.0, stage), (second, hold_ms, stage)])


def staged_rise(stage_ms: float, second: float, hold_ms: float) -> float:
    """Return the 10-90 % time of `staged`, by its closed form."""
    tau = stage_ms / math.log(9)
    left = math.exp(-hold_ms / tau)

    def crossing(q: float) -> float:
        if (1 - second) * (1 - left) >= q:
            return -tau * math.log(1 - q / (1 - second))
        return hold_ms + tau * math.log(max((1 - second) * left + second, 1e-300) / (1 - q))

    return crossing(0.9) - crossing(0.1)


def has_gap(t_ms: np.ndarray, light: np.ndarray, hold_ms: float) -> bool:
    """Whether a streak shows nothing for a while in which much of the step happens."""
    gap = np.diff(t_ms) > GAP_REFRESHES * hold_ms
    return bool(np.any(gap & (np.abs(np.diff(light)) > GAP_CHANGE)))


def unblurred_streak(curve: Step, response_ms: float, u95_ms: float = 0.0, hold_ms: float = 0.0) -> StreakStep:
    """Return the step that, seen through a slit, gives a streak's curve.

    Parameters
    ----------
    curve : Step
        The streak as sampled, slit and noise in it.
    response_ms, u95_ms : float
        Its 10-90 % time with the slit taken out.
    hold_ms : float
        Refresh period, at which a drive may change again; 0 where it isn't known.

    Notes
    -----
    Two exponentials or a raised cosine, whichever fits better, with the given 10-90 % time; or a step in two stages,
    a refresh apart, whose 10-90 % time is held near the given one, where that fits better than its further
    parameter would by chance (Schwarz's criterion).
    """
    from scipy.optimize import least_squares

    if response_ms <= 0:
        return StreakStep(step=exponential(0.0))
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
    simple = min(tails.cost, cosine.cost)
    worth = 0.5 * math.log(t.size) * REPEATS * max(rough, MODEL_NOISE) ** 2  # in cost, of a further parameter
    if hold_ms > 0 and simple > worth:
        found = _in_stages(t, light, rest, middle, response_ms, u95_ms, hold_ms, rough)
        rise = staged_rise(math.exp(found.x[3]), float(found.x[4]), hold_ms)
        if simple - found.cost > worth and abs(rise - response_ms) <= max(TOLD * u95_ms, 0.02 * hold_ms):
            return _staged_step(found, t.size, u95_ms, hold_ms)
    noise = math.sqrt(2 * simple / max(t.size - 4, 1))
    tail = float(tails.x[3])
    unresolved = 1 / (1 + (response_ms / (RESOLVED_U95 * u95_ms)) ** 2) if u95_ms > 0 else 0.0
    spread = math.hypot(_spread(tails, 3, noise), TAIL_DOUBT * unresolved)
    ends = tuple(tailed(response_ms, float(np.clip(tail + s * 1.96 * spread, *TAIL_RANGE))) for s in (-1, 1))
    step = raised_cosine(response_ms) if cosine.cost < tails.cost else tailed(response_ms, tail)
    return StreakStep(step=step, alternatives=ends, noise=noise)


def _spread(fit: Any, index: int, noise: float) -> float:
    return float(noise * math.sqrt(REPEATS * np.linalg.pinv(fit.jac.T @ fit.jac)[index, index]))


def _in_stages(
    t: np.ndarray,
    light: np.ndarray,
    rest: Callable[[np.ndarray, Step], np.ndarray],
    middle: float,
    response_ms: float,
    u95_ms: float,
    hold_ms: float,
    rough: float,
) -> Any:
    """Return the best fit of a step in two stages: onset, slit, brightness, log of a stage's time, second stage."""
    from scipy.optimize import least_squares

    least, most = (math.log(s * hold_ms) for s in STAGE_RANGE)
    sd = max(u95_ms / 1.96, 0.03 * response_ms, 0.02 * hold_ms)

    def off(p: np.ndarray) -> np.ndarray:
        stage = math.exp(p[3])
        told = (staged_rise(stage, p[4], hold_ms) - response_ms) / sd
        return np.append(rest(p, staged(stage, p[4], hold_ms)), told * rough)

    best = None
    for second in SECOND_STARTS:
        stage = min(response_ms, hold_ms) if second < 0.1 else 0.3 * hold_ms
        begin = [float(np.clip(middle - 0.3 * stage, t[0], t[-1])), 0.2 * hold_ms, 1.0, math.log(stage), second]
        begin[3] = float(np.clip(begin[3], least + 0.1, most - 0.1))
        found = least_squares(
            off,
            begin,
            bounds=(
                [t[0], 0.0, 0.5, least, SECOND_RANGE[0]],
                [t[-1], WIDEST_SLIT * hold_ms, 1.5, most, SECOND_RANGE[1]],
            ),
            x_scale=[hold_ms, hold_ms, 0.1, 1.0, 0.2],
            max_nfev=40,
        )
        if best is None or found.cost < best.cost:
            best = found
    return best


def _staged_step(found: Any, count: int, u95_ms: float, hold_ms: float) -> StreakStep:
    stage, second = math.exp(found.x[3]), float(found.x[4])
    noise = math.sqrt(2 * found.cost / max(count - 5, 1))
    spread = 1.96 * _spread(found, 4, noise)
    others = tuple(staged(stage, float(np.clip(second + s * spread, *SECOND_RANGE)), hold_ms) for s in (-1, 1))
    trials = np.geomspace(*STAGE_RANGE, 160) * hold_ms
    rises = np.array([staged_rise(r, second, hold_ms) for r in trials])
    own = staged_rise(stage, second, hold_ms)
    by_noise = 1.96 * _spread(found, 3, noise)
    ends = []
    for sign in (-1, 1):
        told = float(trials[int(np.argmin(np.abs(rises - max(own + sign * u95_ms, 0.0))))])
        # the streak itself knows a stage better than its 10-90 % time, which may hold the wait for the next refresh
        limit = stage * math.exp(sign * min(by_noise, 3.0))
        ends.append(staged(max(told, limit) if sign < 0 else min(told, limit), second, hold_ms))
    return StreakStep(step=staged(stage, second, hold_ms), alternatives=others, ends=tuple(ends), noise=noise)
