"""The free form: what no family of responses explains of an edge, as a smooth correction found by regularisation.

The correction is the integral of a random walk in stretched time (a Gaussian process); it starts at the switch and has
vanished at the end. How large it may be is settled by the evidence of the profile itself: where a family fits, it is
nothing; where none does, it takes over. Everything is linear in it, so its posterior is exact.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from blurscope.blur.families import STEP
from blurscope.blur.fit import FamilyFit, cell_means
from blurscope.blur.propagate import SHARE, Bundle, Spread, nudged_curves

STRETCH = 0.25  # refreshes after the switch from which time is felt logarithmically
SIZES = np.geomspace(3e-3, 3.0, 13)  # of the correction, per unit of stretched time
PRIOR = 0.5  # that a correction is needed at all
POOR = 2.5  # chi-square over degrees of freedom of the family from which a correction is tried
NOISE = 0.015  # of a smooth functional, share of the step, up to which one is tried
REACH = 4.0  # refreshes after the switch at which the correction has vanished; what is slower is for the families
UNEXPLAINED = 2.5  # times its own uncertainty: where no family fits, part of the misfit may be the capture's
OWN_MOVE = 0.2  # of the family's parameters, beside the correction: as far as its curves are straight
CREDIT = 0.9  # at most, so that the family it corrects keeps a say in the uncertainty


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FreeForm:
    """A family's fit with a free correction.

    Attributes
    ----------
    fit : FamilyFit
    row : int
        Which of its profiles.
    weight : float
        Probability that the correction is needed.
    cells : (k,) float
        Mean response per age bin, correction included.
    model : (m,) float
        Fitted profile.
    chi2 : float
    mean : (p + k,) float
        Correction of the shape parameters and of the cells.
    root : (p + k, q) float
        Square root of the covariance of both.
    gain : (p + k, m) float
        Their change by a change of the profile.
    """

    fit: FamilyFit
    row: int
    weight: float
    cells: np.ndarray
    model: np.ndarray
    chi2: float
    mean: np.ndarray
    root: np.ndarray
    gain: np.ndarray


def free_form(
    fit: FamilyFit,
    row: int,
    profile: np.ndarray,
    sigma: np.ndarray,
    operator: np.ndarray,
    ages: np.ndarray,
    known: np.ndarray,
    correlation: float,
) -> FreeForm | None:
    """Return the fit of one profile with a free correction, or None where nothing smooth is left to explain.

    Parameters
    ----------
    fit, row : FamilyFit, int
    profile, sigma : (m,) float
    operator : (m, k) float
    ages : (k + 1,) float
    known : (4,) float
        From and to level as known beforehand, and their standard uncertainties.
    correlation : float
        Inflation of the variance of smooth functionals.
    """
    dof = max(len(profile) - fit.count, 1)
    sigma = sigma * _underrated((profile - fit.model[row]) / sigma)
    if (
        float(np.sum(((profile - fit.model[row]) / sigma) ** 2)) < POOR * dof
        or float(np.median(sigma)) * np.sqrt(correlation) > NOISE
    ):
        return None
    onset, p = float(fit.onset[row]), fit.params.shape[1]
    low, high = (float(x) for x in fit.levels[row])
    shape = _walk(ages, onset)
    weight = 1 / (sigma * np.sqrt(correlation))
    jac = fit.jacobian[row] * weight[:, None]
    ties = np.zeros((2, p + 3))
    ties[[0, 1], [p + 1, p + 2]] = 1 / known[2:]
    design = np.concatenate([jac, ties, np.eye(p, p + 3) / OWN_MOVE])
    scale = np.maximum(np.linalg.norm(design, axis=0), 1e-9)
    q, r = np.linalg.qr(np.concatenate([design / scale, 1e-4 * np.eye(p + 3)]))
    m, extra = len(profile), 2 + p + p + 3
    off = (known[:2] - [low, high]) / known[2:]
    rest = np.concatenate([(profile - fit.model[row]) * weight, off, np.zeros(extra - 2)])
    seen = np.concatenate([(high - low) * (operator * weight[:, None]) @ shape, np.zeros((extra, shape.shape[1]))])
    left = seen - q @ (q.T @ seen)
    rest_left = rest - q @ (q.T @ rest)
    u, s, vt = np.linalg.svd(left, full_matrices=False)
    z = u.T @ rest_left
    powers = 1 + (SIZES[:, None] * s) ** 2
    evidence = 0.5 * ((z**2 * (1 - 1 / powers)).sum(axis=1) - np.log(powers).sum(axis=1))
    top = float(evidence.max())
    total = float(np.exp(evidence - top).mean())
    odds = np.log(PRIOR / (1 - PRIOR)) + top + np.log(total)
    needed = float(1 / (1 + np.exp(-np.clip(odds, -50, 50))))
    if needed < 0.5:
        return None
    size = float(SIZES[int(np.argmax(evidence))])
    power = 1 + (size * s) ** 2
    # response of walk and parameters to the profile, then their joint covariance
    walk_gain = size**2 * (vt.T * (s / power)) @ u.T
    walk_root = size * (np.eye(shape.shape[1]) - (vt.T * (1 - 1 / np.sqrt(power))) @ vt)
    inverse = np.linalg.inv(r) / scale[:, None]
    own_gain = inverse @ q.T @ (np.eye(len(rest)) - seen @ walk_gain)
    gain = np.concatenate([own_gain[: p + 3], shape @ walk_gain])
    mean = gain @ rest
    own_root = np.concatenate([-inverse @ (q.T @ seen) @ walk_root, inverse], axis=1)
    root = np.concatenate([own_root, np.concatenate([shape @ walk_root, np.zeros((len(shape), p + 3))], axis=1)])
    model = fit.model[row] + fit.jacobian[row] @ mean[: p + 3] + (high - low) * operator @ mean[p + 3 :]
    pick = np.r_[0:p, p + 3 : len(mean)]
    params = np.clip(fit.params[row : row + 1] + mean[None, :p], fit.family.low, fit.family.high)
    cells = cell_means(fit.family, params, fit.onset[row : row + 1] + mean[p], ages)[0] + mean[p + 3 :]
    return FreeForm(
        fit=fit,
        row=row,
        weight=CREDIT * needed,
        cells=cells,
        model=model,
        chi2=float((((profile - model) / sigma) ** 2).sum()),
        mean=mean[pick],
        root=root[pick],
        gain=gain[pick][:, :m] * weight,
    )


def _underrated(residuals: np.ndarray) -> float:
    """Return by how much noise that alternates from sample to sample is larger than stated; 1 if it isn't."""
    return float(np.sqrt(max(1.0, np.mean(np.diff(residuals, 2) ** 2) / 6)))


def _walk(ages: np.ndarray, onset: float) -> np.ndarray:
    """Return the square root of the covariance of a random walk's integral, tied at both ends, (k, rank)."""
    centre = 0.5 * (ages[1:] + ages[:-1]) - onset
    s = np.log1p(np.clip(centre, 0.0, REACH) / STRETCH)
    end = np.log1p(REACH / STRETCH)

    def covariance_of(a: np.ndarray, b: np.ndarray) -> np.ndarray:
        low, high = np.minimum(a, b), np.maximum(a, b)
        return low**2 * (3 * high - low) / 6

    at_end = covariance_of(s, end)
    covariance = covariance_of(s[:, None], s[None, :]) - np.outer(at_end, at_end) / covariance_of(end, end)
    value, vector = np.linalg.eigh(covariance)
    keep = value > 1e-6 * value[-1]
    return vector[:, keep] * np.sqrt(value[keep])


def free_bundle(
    form: FreeForm,
    share: float,
    ages: np.ndarray,
    nuisances: Sequence[Any],
    shared: np.ndarray,
    own: np.ndarray,
    length: float,
) -> Bundle:
    """Return the curves of a free form: the point, the trials, and one row per shared effect.

    Parameters
    ----------
    form : FreeForm
    share : float
    ages : (k + 1,) float
    nuisances : sequence
        With ``name`` and ``shift`` (n, m).
    shared : (trials, number of nuisances) float
        Standard normal.
    own : (trials, q) float
        Standard normal, for the fit's own uncertainty; q of ``form.root``.
    length : float
    """
    fit, row = form.fit, form.row
    p = fit.params.shape[1]
    t, (b,), tr, (r,) = nudged_curves(fit.family, fit.params[row : row + 1], length, None, laid_over=False)
    effects = np.array([form.gain @ n.shift[row] for n in nuisances]).reshape(len(nuisances), -1)
    noise = UNEXPLAINED * own @ form.root.T
    moves = np.concatenate([np.zeros((1, len(form.mean))), noise + shared @ effects, effects * SHARE])
    moves = moves + form.mean
    # from the walk on age bins to the two kinds of curves
    onset = float(fit.onset[row])
    centre = 0.5 * (ages[1:] + ages[:-1]) - onset
    sums = np.concatenate([np.zeros((len(moves), 1)), np.cumsum(moves[:, p:] * np.diff(ages), axis=1)], axis=1)
    border = ages - onset
    blurred = np.array([np.interp(t, border, x) - np.interp(t - 1, border, x) for x in sums])
    step = np.array([np.interp(tr, centre, x) for x in moves[:, p:]])
    curves = b[0] + moves[:, :p] @ (b[1:] - b[0]) / STEP + blurred
    return Bundle(
        transition=row,
        share=share,
        doubt=share,
        t=t,
        tr=tr,
        curves=curves,
        steps=r[0] + moves[:, :p] @ (r[1:] - r[0]) / STEP + step,
        reference=0.85,
        trials=len(own),
        exact=np.arange(len(curves)),
        get_of=lambda get: get,
        spread=Spread(
            noise=np.zeros((0, p)), effects=effects[:, :p], names=tuple(n.name for n in nuisances), shared=shared
        ),
    )
