"""Pixels too fast for linear propagation: the posterior of an exponential's time constant."""

from __future__ import annotations

import numpy as np

from blurscope.blur.compete import EXPONENTIAL, INSTANT, MIN_WEIGHT, information
from blurscope.blur.fit import FamilyFit, fit_family
from blurscope.blur.profiles import Profiles
from blurscope.blur.propagate import fast_curves

FAST_TAUS = np.concatenate([np.linspace(0.004, 0.12, 16), np.linspace(0.135, 0.5, 10)])  # refreshes
RESOLVED = 4.0  # tau over its sigma from which linear propagation is trusted


def fast_fits(fits, weights, forms, profiles: Profiles) -> dict[int, FamilyFit]:
    """Return, for transitions too fast for linear propagation, the fits of an exponential at each of `FAST_TAUS`.

    An instant family has no width to be unsure of: its weight is carried by the exponential's posterior.
    """
    names = [f.family.name for f in fits]
    best = [names[b] for b in np.argmax(weights, axis=0)]
    as_well = weights[names.index(INSTANT)] >= MIN_WEIGHT if INSTANT in names else np.zeros(len(best), bool)

    plain = fits[names.index(EXPONENTIAL)]
    resolved = _resolved(plain, [i for i, name in enumerate(best) if name == EXPONENTIAL], profiles)

    def too_fast(i: int) -> bool:
        if best[i] != EXPONENTIAL:
            return best[i] == INSTANT
        return bool(as_well[i]) or i not in resolved

    which = [i for i, form in enumerate(forms) if form is None and too_fast(i)]
    if not which:
        return {}
    n = len(FAST_TAUS)
    alike = profiles.operator.ndim == 2
    held = np.tile(np.log(FAST_TAUS)[:, None], (len(which), 1))
    middle = (plain.onset + np.exp(plain.params[:, 0]))[which]  # of the edge: it stays where it is
    guess = np.column_stack([held, np.repeat(middle, n) - np.exp(held[:, 0])])
    out = {}
    for k, rows in enumerate([which] if alike else [[i] for i in which]):
        mine = slice(k * n, (k + len(rows)) * n)
        fit = fit_family(
            plain.family,
            np.repeat(profiles.esf[rows], n, axis=0),
            np.repeat(1 / profiles.sigma[rows], n, axis=0),
            profiles.operator if alike else profiles.operator[rows[0]],
            profiles.ages,
            np.repeat(profiles.levels[rows], n, axis=0),
            guess[None, mine],
            held=held[mine],
        )
        out |= {i: fit.of(slice(j * n, (j + 1) * n)) for j, i in enumerate(rows)}
    return out


def curves_of_fast(fast: dict[int, FamilyFit], length: float, emission: np.ndarray | None) -> dict[int, tuple]:
    """Return the curves of a fast exponential by transition: see `fast_curves`."""
    taus = np.log(FAST_TAUS)
    out: dict[int, tuple] = {}
    for i, fit in fast.items():
        alike = next(iter(out), None) if emission is None else None
        out[i] = fast_curves(fit.family, taus, fit.onset, length, emission) if alike is None else out[alike]
    return out


def posterior_of_fast(i, fits: FamilyFit, profiles, nuisances, shared, rng) -> tuple[np.ndarray, float]:
    """Return draws and mean of the posterior of the time constant of a pixel too fast for linear propagation.

    The prior is flat in tau. Each trial moves the profile by its share of the shared effects and has a posterior of
    its own over the time constants, the onset and the levels fitted to each.
    """
    weight = 1 / profiles.sigma[i]
    moves = shared @ np.array([x.shift[i] for x in nuisances]).reshape(len(nuisances), -1) * weight
    basis, _ = np.linalg.qr(fits.jacobian[:, :, 1:] * weight[:, None])  # of onset and levels, (taus, samples, 3)
    still = (profiles.esf[i] - fits.model) * weight
    # squares of (still + moves) less those of its part along the basis
    by_basis = np.matmul(still[:, None], basis) + np.matmul(moves, basis)
    along = np.einsum("knj,knj->nk", by_basis, by_basis)
    chi2 = (still**2).sum(axis=1) + 2 * moves @ still.T + (moves**2).sum(axis=1)[:, None] - along
    dof = max(profiles.esf.shape[1] - 4, 1)
    inflate = profiles.correlation * max(1.0, float(fits.chi2.min()) / dof)
    log_weight = -0.5 * (chi2 - chi2.min(axis=1, keepdims=True)) / inflate + np.log(np.gradient(FAST_TAUS))
    share = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
    share /= share.sum(axis=1, keepdims=True)
    reached = np.cumsum(share, axis=1)
    picks = _quantiles(reached, rng.random(len(moves)))
    mean = float((share @ FAST_TAUS).mean())  # of the posterior: its mode sticks to the fast end
    return np.log(picks), float(np.log(mean))


def _quantiles(reached: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Return where among `FAST_TAUS` each row of cumulated shares, (n, taus), reaches its share ``at``, (n,)."""
    rows = np.arange(len(at))
    after = np.clip((reached <= at[:, None]).sum(axis=1), 1, reached.shape[1] - 1)
    low, high = reached[rows, after - 1], reached[rows, after]
    part = np.clip((at - low) / np.where(high > low, high - low, 1.0), 0.0, 1.0)
    return FAST_TAUS[after - 1] + part * (FAST_TAUS[after] - FAST_TAUS[after - 1])


def _resolved(fit: FamilyFit, rows: list[int], profiles: Profiles) -> set[int]:
    """Return those of the rows whose time constant is known well."""
    if not rows:
        return set()
    cov, _ = information(fit, rows, profiles)
    return {i for i, own in zip(rows, cov, strict=True) if own[0, 0] < 1 / RESOLVED**2}
