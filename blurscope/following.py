"""How well the camera followed, from streaks and edges together.

Where the streaks alone leave the tracking error open, the responses that they are read with decide it, and those come
from edges that the same error has smeared: going to and fro between the two creeps, or ends where it began. Here the
error is held at one value after another, everything else is fitted, and the misfit of both decides.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from blurscope.tracking.motion import ERROR_SD, Motion, inflation

STEP = 0.02  # of the speed: least distance of the first trials
SHARES = (-0.3, -0.2, -0.1, 0.0, 0.1, 0.2, 0.3)  # of the speed: tried first
MOST_STEPS = 9  # beyond those
RISE = 3.0  # of the cost, where its bend is measured
LEAST_RISE = 0.3  # less than that over a step says nothing of the error
ROUNDS = 3
NEAR = 0.16  # of the speed: errors whose costs tell how sure the best one is
AWAY = 0.5  # share of the distance to the error that the streaks by themselves would choose


class Trial(NamedTuple):
    """A fit with the error held: motion, and each transition's chi-square over what correlated noise inflates it by."""

    motion: Motion
    edges: np.ndarray


def settle_error(motion: Motion, speed: float, attempt: Callable[[Motion], Trial | None], dof: float) -> Motion:
    """Return the motion whose tracking error fits streaks and edges best, with the uncertainty that both leave.

    Parameters
    ----------
    motion : Motion
        Where to start.
    speed : float
        Of the plate, px per refresh.
    attempt : callable
        Fits everything but the error, from a motion that has it; None if it can't.
    dof : float
        Degrees of freedom of a transition, counted as its chi-square is.
    """
    trials: dict[float, Trial] = {}

    def tried(*errors: float) -> bool:
        for e in errors:
            begin = trials[min(trials, key=lambda t: abs(t - e))].motion if trials else motion
            found = attempt(_with_error(begin, e, speed))
            if found is None:
                return False
            trials[e] = found
        return True

    def costs() -> dict[float, float]:
        doubt = np.maximum(np.min([t.edges for t in trials.values()], axis=0) / dof, 1.0)
        inflate = inflation(min(t.motion.chi2_ratio for t in trials.values()))
        return {
            e: t.motion.chi2_ratio * t.motion.samples / inflate + float((t.edges / doubt).sum()) + (e / ERROR_SD) ** 2
            for e, t in trials.items()
        }

    step = max(motion.sd("error"), STEP * speed)
    if not tried(motion.error, motion.error - step, motion.error + step, *(share * speed for share in SHARES)):
        return motion
    for _ in range(MOST_STEPS):
        cost = costs()
        best = min(cost, key=cost.__getitem__)
        if min(trials) < best < max(trials):
            break
        if abs(best) > speed or not tried(best + (step if best == max(trials) else -step)):
            return motion
        step *= 1.4
    at = sorted(trials)
    i = min(max(at.index(best), 1), len(at) - 2)
    three = at[i - 1 : i + 2]
    for _ in range(ROUNDS):
        cost = costs()
        bend, slope, _ = np.polyfit(np.array(three) - three[1], [cost[e] for e in three], 2)
        if bend <= 0:
            return motion
        best = float(np.clip(three[1] - slope / (2 * bend), three[0], three[2]))
        reach = float(np.clip(np.sqrt(RISE / bend), 1e-3 * speed, three[2] - three[0]))
        if three[2] - three[0] < 3 * reach and abs(best - three[1]) < 0.5 * reach:
            break
        three = [best - reach, best, best + reach]
        if not tried(*three):
            return motion
    tried(best)
    low, high = (trials[e].motion.vector() for e in (three[0], three[2]))
    along = (high - low) / (three[2] - three[0])
    along[2] = 1.0
    found = trials[best].motion
    return replace(found, covariance=found.covariance + np.outer(along, along) * _variance(trials, best, speed))


def _variance(trials: dict[float, Trial], best: float, speed: float) -> float:
    """Return the variance of the error by the streaks alone, responses following it.

    The edges decide between errors, but by shapes of responses that are themselves a choice: their misfit is no
    measure of how well the error is known.
    """
    near = [e for e in trials if abs(e - best) <= NEAR * speed]
    inflate = inflation(trials[best].motion.chi2_ratio)
    cost = [t.chi2_ratio * t.samples / inflate + (e / ERROR_SD) ** 2 for e in near for t in (trials[e].motion,)]
    bend, slope, _ = np.polyfit(np.array(near) - best, cost, 2)
    bend = max(bend, 1 / ERROR_SD**2)
    away = np.clip(-slope / (2 * bend), -NEAR * speed, NEAR * speed)
    return 1 / bend + (AWAY * away) ** 2


def _with_error(motion: Motion, error: float, speed: float) -> Motion:
    """Return the motion with another tracking error and streaks of the same length and middle."""
    exposure = motion.exposure * (speed + motion.error) / (speed + error)
    start = motion.start + 0.5 * (motion.exposure - exposure)
    return replace(motion, error=error, exposure=exposure, start=start)
