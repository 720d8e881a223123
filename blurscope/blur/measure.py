"""From profiles to figures: families compete, uncertainties are propagated by Monte Carlo (JCGM 101)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from blurscope.blur.families import FAMILIES, Family
from blurscope.blur.figures import NAMES, figures_of
from blurscope.blur.fit import FamilyFit, cell_means, fit_family

DRAWS = 96
MIN_WEIGHT = 0.02
RESOLVED = 4.0  # tau over its sigma from which linear propagation is trusted


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Profiles:
    """One combined profile per transition, ready for fitting.

    Attributes
    ----------
    lag_px : (m,) float
    esf, sigma : (n, m) float
    operator : (m, k) or (n, m, k) float
    ages : (k + 1,) float
    correlation : float
        Inflation of the variance of smooth functionals of the samples.
    length : float
        How far a response is followed, refreshes.
    """

    lag_px: np.ndarray
    esf: np.ndarray
    sigma: np.ndarray
    operator: np.ndarray
    ages: np.ndarray
    correlation: float
    length: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Nuisance:
    """A shared systematic effect: its name and how one standard deviation of it changes each profile."""

    name: str
    shift: np.ndarray  # (n, m)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BlurFit:
    """Result for one transition; times in refreshes, overshoots as shares.

    Attributes
    ----------
    family : str
    weights : dict
        Akaike-type weight of each family kept.
    value, u95 : dict of float
        By figure name; NaN where it can't be given.
    parts : dict of dict
        Standard uncertainty by contribution, by figure.
    grazed : set of str
        Figures whose threshold is grazed.
    esf_fit : (m,) float
        Fitted curve of the capture, normalised.
    levels : (float, float)
    chi2_ratio : float
    onset : float
    """

    family: str
    weights: dict[str, float]
    value: dict[str, float]
    u95: dict[str, float]
    parts: dict[str, dict[str, float]]
    grazed: frozenset[str]
    esf_fit: np.ndarray
    esf: np.ndarray
    levels: tuple[float, float]
    chi2_ratio: float
    onset: float
    cells: np.ndarray = field(default_factory=lambda: np.empty(0))


def compete(profiles: Profiles, families: Sequence[Family] = FAMILIES) -> tuple[list[FamilyFit], np.ndarray]:
    """Fit every family to every profile and weigh them.

    Returns
    -------
    fits : list of FamilyFit
    weights : (families, n) float
        Proportional to exp(-BIC / 2), chi-square divided by the correlation.
    """
    weight = 1 / profiles.sigma
    fits = [fit_family(f, profiles.esf, weight, profiles.operator, profiles.ages) for f in families]
    chi2 = np.stack([f.chi2 for f in fits])
    samples = profiles.esf.shape[1] / profiles.correlation
    # a misfit common to all families is no evidence for the richer ones
    dof = max(profiles.esf.shape[1] - 6, 1)
    inflate = np.maximum(chi2.min(axis=0) / dof, 1.0) * profiles.correlation
    count = np.array([f.count for f in fits])[:, None]
    bic = chi2 / inflate + count * np.log(max(samples, 2.0))
    rel = np.exp(-0.5 * (bic - bic.min(axis=0)))
    return fits, rel / rel.sum(axis=0)


def measure_profiles(
    profiles: Profiles,
    nuisances_of: Callable[[np.ndarray], list[Nuisance]],
    signal_of: list[Callable[[np.ndarray], np.ndarray]] | None,
    rng: np.random.Generator,
    *,
    emission: np.ndarray | None = None,
    families: Sequence[Family] = FAMILIES,
) -> list[BlurFit]:
    """Measure every transition.

    Parameters
    ----------
    profiles : Profiles
    nuisances_of : callable
        From the best responses, (n, k) cells, to the shared effects; each is drawn once per Monte Carlo trial for all
        transitions.
    signal_of : list of callable, optional
        Per transition: normalised light to normalised signal.
    rng : Generator
    emission : (k,) float, optional
        Backlight over one refresh.
    """
    fits, weights = compete(profiles, families)
    best = np.argmax(weights, axis=0)
    cells = np.stack(
        [
            cell_means(fits[b].family, fits[b].params[i : i + 1], fits[b].onset[i : i + 1], profiles.ages)[0]
            for i, b in enumerate(best)
        ]
    )
    nuisances = nuisances_of(cells)
    shared = rng.standard_normal((DRAWS, len(nuisances)))
    return [
        _one(i, fits, weights[:, i], profiles, nuisances, shared, signal_of, rng, emission, cells[i])
        for i in range(len(profiles.esf))
    ]


def _one(i, fits, weights, profiles, nuisances, shared, signal_of, rng, emission, cells) -> BlurFit:
    kept = [k for k in np.argsort(-weights) if weights[k] >= MIN_WEIGHT]
    best = int(kept[0])
    names = [f.family.name for f in fits]
    fit = fits[best]
    # an instant family has no width to be unsure of: its weight is carried by the exponential's posterior
    if names[best] == "instant" or (names[best] == "exponential" and not _resolved(fit, i, profiles)):
        k = names.index("exponential")
        draws, point = _posterior_fast(i, fits[k], profiles, nuisances, shared, rng)
        blocks = [(k, 1.0, point, draws)]
    else:
        kept = [k for k in kept if names[k] != "instant"]
        total = sum(weights[k] for k in kept)
        blocks, used = [], 0
        for k in kept:
            count = max(1, round(DRAWS * weights[k] / total))
            z = shared[np.arange(used, used + count) % DRAWS]
            used += count
            draws = _draw(fits[k], i, profiles, nuisances, z, rng)
            blocks.append((k, weights[k] / total, fits[k].params[i : i + 1], draws))
    cov, gain = _information(fit, i, profiles)
    p = fit.params.shape[1]
    steps = 0.25 * np.sqrt(np.diag(cov)[:p]) + 1e-4
    nudged = fit.params[i] + np.diag(steps) if p else np.empty((0, 0))
    s_of = signal_of[i] if signal_of is not None else None
    value = dict.fromkeys(NAMES, 0.0)
    trials: dict[str, list[np.ndarray]] = {name: [] for name in NAMES}
    singles: list[tuple[float, dict[str, float]]] = []
    grads = {name: np.zeros(p) for name in NAMES}
    for k, share, point, draws in blocks:
        own = k == best and p > 0
        rows = np.concatenate([point, draws, nudged] if own else [point, draws])
        figs = figures_of(fits[k].family, rows, profiles.length, None if s_of is None else [s_of] * len(rows), emission)
        singles.append((share, {name: float(figs[name][0]) for name in NAMES}))
        for name in NAMES:
            value[name] += share * float(figs[name][0])
            trials[name].append(figs[name][1 : 1 + len(draws)])
            if own:
                slope = (figs[name][1 + len(draws) :] - figs[name][0]) / steps
                grads[name] = np.where(np.isfinite(slope), slope, 0.0)
    trial = {name: np.concatenate(parts) for name, parts in trials.items()}
    u95, grazed = {}, set()
    for name in NAMES:
        u95[name], graze = _interval(value[name], trial[name])
        if graze:
            grazed.add(name)
    if _band_grazed(trial):
        grazed.add("ghost")
    parts: dict[str, dict[str, float]] = {}
    for name in NAMES:
        g = grads[name]
        parts[name] = {"noise": float(np.sqrt(max(g @ cov[:p, :p] @ g, 0.0)))}
        for nuisance in nuisances:
            parts[name][nuisance.name] = float(abs(g @ (gain[:p] @ nuisance.shift[i])))
        if len(singles) > 1 and np.isfinite(value[name]):
            parts[name]["family"] = float(np.sqrt(sum(w * (v[name] - value[name]) ** 2 for w, v in singles)))
    span = fit.levels[i, 1] - fit.levels[i, 0]
    dof = max(profiles.esf.shape[1] - fit.count, 1)
    return BlurFit(
        family=fit.family.name,
        weights={fits[k].family.name: float(weights[k]) for k in kept},
        value=value,
        u95=u95,
        parts=parts,
        grazed=frozenset(grazed),
        esf_fit=(fit.model[i] - fit.levels[i, 0]) / span,
        esf=(profiles.esf[i] - fit.levels[i, 0]) / span,
        levels=(float(fit.levels[i, 0]), float(fit.levels[i, 1])),
        chi2_ratio=float(fit.chi2[i] / dof),
        onset=float(fit.onset[i]),
        cells=cells,
    )


def _information(fit: FamilyFit, i: int, profiles: Profiles) -> tuple[np.ndarray, np.ndarray]:
    """Return the parameter covariance and the gain matrix from profile to parameters."""
    jac = fit.jacobian[i]
    weight = 1 / profiles.sigma[i] ** 2
    jw = jac * weight[:, None]
    gram = jac.T @ jw
    scale = np.sqrt(np.maximum(np.diag(gram), 1e-12))
    inverse = np.linalg.pinv(gram / np.outer(scale, scale), rcond=1e-9, hermitian=True) / np.outer(scale, scale)
    dof = max(jac.shape[0] - fit.count, 1)
    inflate = profiles.correlation * max(1.0, fit.chi2[i] / dof)
    return inverse * inflate, inverse @ jw.T


def _resolved(fit: FamilyFit, i: int, profiles: Profiles) -> bool:
    cov, _ = _information(fit, i, profiles)
    return cov[0, 0] < 1 / RESOLVED**2


def _draw(fit: FamilyFit, i: int, profiles, nuisances, z, rng) -> np.ndarray:
    cov, gain = _information(fit, i, profiles)
    p = fit.params.shape[1]
    if p == 0:
        return np.empty((len(z), 0))
    root = np.linalg.cholesky(cov[:p, :p] + 1e-14 * np.eye(p))
    draws = fit.params[i] + rng.standard_normal((len(z), p)) @ root.T
    for k, nuisance in enumerate(nuisances):
        draws = draws + z[:, k : k + 1] * (gain[:p] @ nuisance.shift[i])
    return np.clip(draws, fit.family.low, fit.family.high)


def _posterior_fast(i, fit, profiles, nuisances, shared, rng) -> tuple[np.ndarray, np.ndarray]:
    """Posterior of the time constant of a pixel too fast for linear propagation (flat prior in tau)."""
    family = fit.family
    sub = Profiles(
        lag_px=profiles.lag_px,
        esf=profiles.esf[i : i + 1],
        sigma=profiles.sigma[i : i + 1],
        operator=profiles.operator if profiles.operator.ndim == 2 else profiles.operator[i : i + 1],
        ages=profiles.ages,
        correlation=profiles.correlation,
        length=profiles.length,
    )
    tau = np.concatenate([np.linspace(0.004, 0.12, 16), np.linspace(0.135, 0.5, 10)])
    chi2 = _fixed_tau(family, tau, sub)
    dof = max(profiles.esf.shape[1] - 4, 1)
    inflate = profiles.correlation * max(1.0, chi2.min() / dof)
    log_weight = -0.5 * (chi2 - chi2.min()) / inflate + np.log(np.gradient(tau))
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    mean = float(weight @ tau)
    picks = np.interp(rng.random(DRAWS), np.cumsum(weight), tau)
    # nuisances move the estimate as they move the exponential's tau
    _, gain = _information(fit, i, profiles)
    slope = float(np.exp(fit.params[i, 0]))
    moved = picks.copy()
    for j, nuisance in enumerate(nuisances):
        moved = moved + shared[:, j] * float(np.clip(gain[0] @ nuisance.shift[i] * slope, -0.1, 0.1))
    moved = np.maximum(np.abs(moved), 0.0025)
    best = tau[int(np.argmin(chi2))]
    point = best if best > tau[0] * 1.01 else min(mean, best + (mean - best) * 0.5)
    return np.log(moved)[:, None], np.log(np.array([[max(point, 0.0025)]]))


def _fixed_tau(family: Family, tau: np.ndarray, sub: Profiles) -> np.ndarray:
    """Chi-square of one profile for each of many fixed time constants, everything else fitted."""
    held = np.log(tau)[:, None]
    frozen = Family(name="fixed", integral=lambda t, p: family.integral(t, held), starts=((),), low=(), high=())
    n = len(tau)
    operator = sub.operator if sub.operator.ndim == 2 else sub.operator[0]
    return fit_family(
        frozen, np.repeat(sub.esf, n, axis=0), np.repeat(1 / sub.sigma, n, axis=0), operator, sub.ages
    ).chi2


def _interval(value: float, trial: np.ndarray) -> tuple[float, bool]:
    """Return u95 about the value, and whether the trials fall into separate branches."""
    ok = np.isfinite(trial)
    if not np.isfinite(value) or ok.mean() < 0.95:
        return float("nan"), bool(0.02 < ok.mean() < 0.98)
    t = trial[ok]
    lo, hi = np.percentile(t, [2.5, 97.5])
    spread = float(np.std(t))
    core = 1.4826 * float(np.median(np.abs(t - np.median(t)))) + 1e-12
    jumps = spread > 5 * core and spread > 0.02
    u = max(1.96 * min(spread, 3 * core) if not jumps else 0.0, 0.5 * (hi - lo))
    if jumps:
        u = max(abs(hi - value), abs(value - lo), u)
    # the value should lie inside its own interval's middle half
    u = max(u, abs(value - 0.5 * (lo + hi)) + 0.25 * (hi - lo))
    return float(u), bool(jumps)


def _band_grazed(trial: dict[str, np.ndarray]) -> bool:
    over = trial["overshoot"] > 0.05
    return bool(0.03 < np.mean(over) < 0.97)
