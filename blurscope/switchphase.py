"""How far into a refresh the pixels really switch on the pose's clock, from the edges themselves."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from blurscope.blur.fit import cell_means
from blurscope.blur.operator import Capture, capture_operator
from blurscope.blur.profiles import Profiles
from blurscope.tracking.motion import Motion

LEAST_PHASED = 4e-3  # of a step: change of a profile by half a refresh's phase from which it tells the phase
FAR = 25.0  # gain of chi-square from which a phase far from the streaks' is believed
PRIOR_SD = 0.02  # refreshes, by which the streaks' phase is off
LEAST_SD = 0.002  # refreshes, that the best edges leave open
COARSE, FINE = 0.125, 0.03  # refreshes between trial phases
SAME_SHARE = 0.5  # of its standard deviation, that a phase may be off without a change of the profiles


class SwitchPhase(NamedTuple):
    """By how many refreshes pixels switch later than the streaks say, 0 where it makes no difference, and how sure."""

    late: float
    sd: float


def switch_phase(
    profiles: Profiles, fits, weights: np.ndarray, lag: np.ndarray, starts: np.ndarray, capture: Capture, motion: Motion
) -> SwitchPhase:
    """Find how far into a refresh the pixels really switch on the pose's clock (their dead time hides it).

    Only captures whose exposure isn't whole or whose camera drifts depend on it. Each trial phase changes the
    profiles; what the response's own parameters can't mimic of that change is held against the residuals. Near the
    streaks' phase both count, by their uncertainties.

    Parameters
    ----------
    profiles : Profiles
    fits, weights
        Families fitted to them, and their weights, (families, pairs).
    lag : (m,) float
        Of the profiles' samples, px.
    starts : (g,) int
        First sample of each group that shares an operator.
    capture : Capture
    motion : Motion
    """
    plain = capture.opened(motion.start)

    def operator(phase: float) -> np.ndarray:
        moved = plain.changed(start_phase=plain.start_phase - phase)
        return capture_operator(lag, profiles.ages, moved, starts)

    here = operator(0.0)
    change = {-0.5: operator(-0.5) - here}
    if float(np.abs(change[-0.5].cumsum(axis=1)).max()) < LEAST_PHASED:
        return SwitchPhase(0.0, PRIOR_SD)
    best = [fits[b] for b in np.argmax(weights, axis=0)]
    weight = 1 / profiles.sigma
    rows = [(f.params[i : i + 1], f.onset[i : i + 1]) for i, f in enumerate(best)]
    cells = np.concatenate([cell_means(f.family, *row, profiles.ages) for f, row in zip(best, rows, strict=True)])
    res = (profiles.esf - np.array([f.model[i] for i, f in enumerate(best)])) * weight
    scale = np.array([f.levels[i, 1] - f.levels[i, 0] for i, f in enumerate(best)])[:, None] * weight
    misfit = np.maximum((res**2).mean(axis=1), 1.0)
    basis = np.zeros((*res.shape, max(f.count for f in best)))  # directions that others lack are 0
    for i, f in enumerate(best):
        basis[i, :, : f.count] = np.linalg.qr(f.jacobian[i] * weight[i, :, None])[0]

    def cost(phase: float) -> float:
        if phase and phase not in change:
            change[phase] = operator(phase) - here
        rest = res - scale * (cells @ change[phase].T) if phase else res
        left = (rest**2).sum(axis=1) - (np.matmul(rest[:, None], basis) ** 2).sum(axis=(1, 2))
        return float((left / misfit).sum())

    def bowl(middle: float, step: float) -> tuple[float, float]:
        """Return where a parabola through three trials is lowest, and its curvature."""
        below, at, above = (cost(middle + k * step) for k in (-1, 0, 1))
        bend = (below - 2 * at + above) / step**2
        if bend <= 0:
            return middle, 0.0
        return middle - (above - below) / (2 * step * bend), bend

    costs = {phase: cost(phase) for phase in (-0.5, -0.25, 0.0, 0.25)}
    middle = min(costs, key=costs.__getitem__)
    for phase in (middle - COARSE, middle + COARSE):
        costs[phase] = cost(phase)
    at = min(costs, key=costs.__getitem__)
    if costs[0.0] - costs[at] >= FAR:
        return SwitchPhase(bowl(at, COARSE)[0], PRIOR_SD)
    near, bend = bowl(0.0, FINE)
    told, known = bend / (2 * float(np.mean(profiles.correlation))), 1 / PRIOR_SD**2
    late, sd = near * told / (told + known), float(np.hypot((told + known) ** -0.5, LEAST_SD))
    return SwitchPhase(late if abs(late) > SAME_SHARE * sd else 0.0, sd)
