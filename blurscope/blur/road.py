"""Response times from light against time, as streaks show it: the road that needs no blurred edge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from blurscope.blur.families import FAMILIES, Family
from blurscope.blur.figures import rise_time, step_response
from blurscope.blur.fit import FamilyFit, fit_family

CANDIDATES = tuple(f for f in FAMILIES if f.name in ("exponential", "s-shaped", "two exponentials", "staged"))
GOOD_CHI2 = 1.5  # chi-square per sample up to which no further family is tried
STANDS_FOR = {
    "instant": "exponential",
    "gaussian": "s-shaped",
    "raised-cosine": "s-shaped",
    "ramp": "s-shaped",
    "two poles": "s-shaped",
    "staged late": "two exponentials",
    "driven s-shaped": "two exponentials",
    "driven": "two exponentials",
    "ringing": "two exponentials",
    "s-shaped overshoot": "two exponentials",
}
AMPLITUDE_SD = 0.05  # the streak's own brightness is known to a few percent only
DARK_SD = 0.02
FLOOR = 0.008  # of the step: the model of a streak is no better
NOISE_FACTOR = 1.5  # samples of a streak share their noise with their neighbours
SLIT_SHARE = 0.08  # of a slit's time, as doubt of the response
SHAPE_SHARE = 0.07  # of the response: what shapes that are not tried may differ by
REPEATS = 2.0  # inflation of the variance: neighbours in a streak share their noise
FAR = 1e3
LENGTH = 12.0  # refreshes that a step is followed
ITERATIONS = 5
STEP = 1e-3  # of a parameter, for derivatives


@dataclass(frozen=True, slots=True, kw_only=True)
class RoadResponse:
    """10-90 % response time in refreshes with its u95; None with flags where there is no telling."""

    response: float | None
    u95: float
    flags: tuple[str, ...]


def fit_roads(curves: Sequence[Any], like: str = "exponential") -> list[RoadResponse]:
    """Fit step responses to curves of light against time.

    Families are tried until one fits.

    Parameters
    ----------
    curves : sequence
        With ``t``, ``light``, ``sd`` (n,), ``slit``, ``blur`` and ``flags``, times in refreshes since the switch.
    like : str
        Name of the response family to be tried first, or of one that it stands for.
    """
    out = [RoadResponse(response=None, u95=0.0, flags=c.flags) for c in curves]
    which = [i for i, c in enumerate(curves) if not c.flags]
    if not which:
        return out
    chosen = [curves[i] for i in which]
    ages = np.concatenate([np.arange(-16, 24) / 16, np.arange(12, 32) / 8, np.arange(16, 49) / 4, [FAR]])
    m = max(len(c.t) for c in chosen)
    profile, weight = np.zeros((len(chosen), m)), np.zeros((len(chosen), m))
    time = np.zeros((len(chosen), m))
    for k, c in enumerate(chosen):
        n = len(c.t)
        time[k, :n], profile[k, :n], weight[k, :n] = c.t, c.light, 1 / np.hypot(NOISE_FACTOR * c.sd, FLOOR)
    wide = np.array([np.sqrt(c.slit**2 + 12 * c.blur**2) for c in chosen])
    operator = _means(time, wide, ages)
    known = np.tile([0.0, 1.0, DARK_SD, AMPLITUDE_SD], (len(chosen), 1))

    def fitted(family: Family, rows: np.ndarray) -> dict[int, _Candidate]:
        data = (profile[rows], weight[rows], operator[rows], ages, known[rows])
        fit = fit_family(family, *data, iterations=ITERATIONS)
        figures = (fit.chi2, *_times(fit, weight[rows], known[rows]))
        return {i: _Candidate(fit.count, *map(float, x)) for i, *x in zip(rows.tolist(), *figures, strict=True)}

    enough = GOOD_CHI2 * np.maximum(np.count_nonzero(weight, axis=1) - 5, 1)
    fits: list[dict[int, _Candidate]] = []
    rest = np.arange(len(chosen))
    for family in sorted(CANDIDATES, key=lambda f: f.name != STANDS_FOR.get(like, like)):
        fits.append(fitted(family, rest))
        rest = np.array([k for k in rest if fits[-1][k].chi2 > enough[k]], int)
        if len(rest) == 0:
            break
    for k, i in enumerate(which):
        out[i] = _response([f[k] for f in fits if k in f], np.count_nonzero(weight[k]), chosen[k])
    return out


class _Candidate(NamedTuple):
    """One family's fit to one curve: parameters, chi-square, 10-90 % time and its variance, refreshes."""

    count: int
    chi2: float
    time: float
    variance: float


def _times(fit: FamilyFit, weight: np.ndarray, known: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the 10-90 % time of each fit and its variance by the noise, (n,)."""
    n, p = fit.params.shape
    rows = fit.params[:, None, :] + np.concatenate([np.zeros((1, p)), STEP * np.eye(p)])
    time = rise_time(*step_response(fit.family, rows.reshape(-1, p), LENGTH)).reshape(n, p + 1)
    slope = np.nan_to_num((time[:, 1:] - time[:, :1]) / STEP)
    jac = fit.jacobian * weight[..., None]
    gram = jac.swapaxes(1, 2) @ jac
    every = np.arange(p + 3)
    gram[:, every, every] += 1e-6
    gram[:, every[p + 1 :], every[p + 1 :]] += 1 / known[:, 2:] ** 2
    covariance = np.linalg.pinv(gram, hermitian=True)[:, :p, :p]
    return time[:, 0], np.einsum("ni,nij,nj->n", slope, covariance, slope)


def _means(time: np.ndarray, wide: np.ndarray, ages: np.ndarray) -> np.ndarray:
    """Return the operator from age bins to means over a box of ``wide`` about each time, (n, m, k)."""
    reach = 0.5 * wide[:, None, None]
    at = time[..., None]
    return np.diff(np.clip(ages, at - reach, at + reach), axis=-1) / (2 * reach)


def _response(fits: list[_Candidate], count: int, curve: Any) -> RoadResponse:
    """Weigh the families' responses; ``count`` is the number of samples."""
    inflate = max(min(f.chi2 for f in fits) / max(count - 5, 1), 1.0) * REPEATS
    bic = np.array([f.chi2 / inflate + f.count * np.log(count) for f in fits])
    share = np.exp(-0.5 * (bic - bic.min()))
    share /= share.sum()
    v, var = np.array([(f.time, f.variance * inflate) for f in fits]).T
    ok = np.isfinite(v) & np.isfinite(var) & (share > 1e-3)
    if not ok.any():
        return RoadResponse(response=None, u95=0.0, flags=("streak_incomplete",))
    share = share[ok] / share[ok].sum()
    mean = float(share @ v[ok])
    spread = float(share @ ((v[ok] - mean) ** 2 + var[ok]))
    u95 = float(1.96 * np.sqrt(spread + (SLIT_SHARE * curve.slit) ** 2 + (SHAPE_SHARE * mean) ** 2))
    if u95 > max(0.6 * mean, 0.25):
        return RoadResponse(response=None, u95=0.0, flags=("streak_too_dim",))
    return RoadResponse(response=mean, u95=u95, flags=())
