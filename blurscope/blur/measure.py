"""From profiles to figures: families compete, uncertainties are propagated by Monte Carlo (JCGM 101)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from blurscope.blur.families import FAMILIES, Family
from blurscope.blur.figures import NAMES, instant_reference
from blurscope.blur.fit import ARRAYS, ITERATIONS, FamilyFit, cell_means, fit_family
from blurscope.blur.freeform import FreeForm, free_bundle, free_form
from blurscope.blur.propagate import (
    LAW,
    Branch,
    Bundle,
    Spread,
    curve_bundle,
    fast_bundle,
    figures_of_bundles,
    nudged_curves,
)
from blurscope.uncertainty import K95, LEAST_MISFIT, MODEL_LIGHT, MODEL_TIME, MODEL_WIDTH

DRAWS = 96  # of a posterior
TRIALS = 32  # of a fit whose linear budget they check
NONLINEAR = 1.4  # their scatter over that of the linear budget from which they are believed instead
MIN_WEIGHT = 0.03
FREE = "free form"
SMOOTHED = 5  # samples over which a shape shows
EXPONENTIAL = "exponential"
TIERS = (  # families tried on all profiles, then on those that none fits
    (EXPONENTIAL, "instant", "s-shaped", "two exponentials", "staged"),
    ("gaussian", "raised-cosine", "ramp"),
    ("staged late", "ringing", "s-shaped overshoot"),
)
GOOD_CHI2 = 1.15  # chi-square per sample up to which no further family is tried
FAIR_CHI2 = 4.0  # the same for quick fits
FAST_TAUS = np.concatenate([np.linspace(0.004, 0.12, 16), np.linspace(0.135, 0.5, 10)])  # refreshes
MOST_MISFIT = 5.0
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
    levels : (n, 4) float
        From and to level as the static greys have them, in units of ``esf``, and their standard uncertainties.
    """

    lag_px: np.ndarray
    esf: np.ndarray
    sigma: np.ndarray
    operator: np.ndarray
    ages: np.ndarray
    correlation: float
    length: float
    levels: np.ndarray


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


def compete(
    profiles: Profiles,
    families: Sequence[Family] = FAMILIES,
    before: Sequence[FamilyFit] | None = None,
    *,
    iterations: int = ITERATIONS,
    quick: bool = False,
) -> tuple[list[FamilyFit], np.ndarray]:
    """Fit the families to the profiles and weigh them.

    Those past the first of `TIERS` are fitted only to profiles that none before them fits.

    Parameters
    ----------
    profiles : Profiles
    families : sequence of Family
    before : sequence of FamilyFit, optional
        Fits of nearly the same profiles, to start from.
    iterations : int
        Of each fit, at most.
    quick : bool
        Take each family only to the profiles that none before it fits fairly.

    Returns
    -------
    fits : list of FamilyFit
    weights : (families, n) float
        Proportional to exp(-BIC / 2), chi-square divided by the correlation.
    """
    known = {f.family.name: f for f in before or ()}
    by_name = {f.name: f for f in families}
    tiers = [[by_name[n] for n in names if n in by_name] for names in TIERS]
    enough = (FAIR_CHI2 if quick else GOOD_CHI2) * max(profiles.esf.shape[1] - 6, 1)
    every = np.arange(len(profiles.esf))
    least = np.full(len(every), np.inf)
    done: dict[str, FamilyFit] = {}
    for first, tier in enumerate(tiers):
        left = every if first == 0 else np.nonzero(least > enough)[0]
        for family in tier:
            if quick:
                left = np.nonzero(least > enough)[0]
            guess = _guess(family, known.get(family.name), done.get(EXPONENTIAL), enough)
            done[family.name] = fit = _fit(family, profiles, left, guess, iterations)
            least = np.minimum(least, fit.chi2)
    fits = [done[f.name] for f in families]
    return fits, weigh(profiles, fits)


def _guess(family: Family, known: FamilyFit | None, plain: FamilyFit | None, enough: float) -> np.ndarray | None:
    """Return where to start, (n, p + 1) with NaN where only a search will do.

    A profile that an exponential fits is near it in every family that holds the exponential too.
    """
    out = None
    if plain is not None and family.beside is not None:
        tau = plain.params[:, 0]
        near = [constant + times * tau for constant, times in family.beside]
        out = np.where((plain.chi2 <= enough)[:, None], np.stack([*near, plain.onset], axis=1), np.nan)
    if known is not None:
        mine = np.concatenate([known.params, known.onset[:, None]], axis=1)
        out = np.where(np.isfinite(known.chi2)[:, None], mine, np.nan if out is None else out)
    return out


def _fit(
    family: Family, profiles: Profiles, chosen: np.ndarray, guess: np.ndarray | None, iterations: int
) -> FamilyFit:
    """Fit a family to the chosen profiles; the others get an infinite chi-square."""
    n, m = profiles.esf.shape
    p = len(family.low)
    out = FamilyFit(
        family=family,
        params=np.zeros((n, p)),
        onset=np.zeros(n),
        levels=np.tile([0.0, 1.0], (n, 1)),
        chi2=np.full(n, np.inf),
        model=np.zeros((n, m)),
        jacobian=np.zeros((n, m, p + 3)),
    )
    begun = np.zeros(n, bool) if guess is None else np.isfinite(guess).all(axis=1)
    for rows in (chosen[begun[chosen]], chosen[~begun[chosen]]):
        if len(rows) == 0:
            continue
        fit = fit_family(
            family,
            profiles.esf[rows],
            1 / profiles.sigma[rows],
            profiles.operator if profiles.operator.ndim == 2 else profiles.operator[rows],
            profiles.ages,
            profiles.levels[rows],
            guess[rows] if guess is not None and begun[rows[0]] else None,
            iterations=iterations,
        )
        for name in ARRAYS:
            getattr(out, name)[rows] = getattr(fit, name)
    return out


def residual_correlation(profiles: Profiles, residuals: np.ndarray) -> float:
    """Return how much the correlation of neighbours inflates the variance of smooth functionals.

    The residuals alone say too little (what is slow in the noise bends the fit and leaves them), the plateaus too much
    (JPEG blocks repeat there): the mean of both.
    """
    res = residuals / profiles.sigma
    res = res / np.sqrt(np.mean(res**2, axis=1, keepdims=True))
    m = res.shape[1]
    total = 1.0
    for k in range(1, min(9, m // 8)):
        rho = float(np.mean(res[:, k:] * res[:, :-k]))
        if rho < 0.03:
            break
        total += 2 * rho
    return 0.5 * (float(np.clip(total, 1.0, profiles.correlation + 1.0)) + profiles.correlation)


def weigh(profiles: Profiles, fits: list[FamilyFit]) -> np.ndarray:
    """Return the weight of each family for each profile, (families, n); columns sum to 1."""
    chi2 = np.stack([f.chi2 for f in fits])
    samples = profiles.esf.shape[1] / profiles.correlation
    # a misfit common to all families is no evidence for the richer ones
    dof = max(profiles.esf.shape[1] - 6, 1)
    inflate = np.maximum(chi2.min(axis=0) / dof, 1.0) * profiles.correlation
    count = np.array([f.count for f in fits])[:, None]
    bic = chi2 / inflate + count * np.log(max(samples, 2.0))
    rel = np.exp(-0.5 * (bic - bic.min(axis=0)))
    return rel / rel.sum(axis=0)


def measure_profiles(
    profiles: Profiles,
    nuisances_of: Callable[[np.ndarray], list[Nuisance]],
    signal_shares: np.ndarray | None,
    rng: np.random.Generator,
    *,
    emission: np.ndarray | None = None,
    families: Sequence[Family] = FAMILIES,
    fits: Sequence[FamilyFit] | None = None,
    free: bool = True,
    other_shares: np.ndarray | None = None,
    streak_chi2: float | None = None,
) -> list[BlurFit]:
    """Measure every transition.

    Parameters
    ----------
    profiles : Profiles
    nuisances_of : callable
        From the best responses, (n, k) cells, to the shared effects; each is drawn once per Monte Carlo trial for all
        transitions.
    signal_shares : (n, 2) float, optional
        Shares of the step in light at which 10 % and 90 % of the step in signal are reached.
    rng : Generator
    emission : (k,) float, optional
        Backlight over one refresh; under one there is no free form.
    fits : sequence of FamilyFit, optional
        All families fitted to these profiles already, by `compete`.
    free : bool
        Correct what no family fits by a free form.
    other_shares : (n, laws, 2) float, optional
        Like ``signal_shares``, for several laws of the display that may be the true one as well.
    streak_chi2 : float, optional
        Chi-square over degrees of freedom of the photo's streaks. With that of the edges it says how well the model
        of the capture fits this photo, and from that what it may be wrong by.
    """
    fits = list(fits) if fits is not None else compete(profiles, families)[0]
    weights = weigh(profiles, fits)
    best = np.argmax(weights, axis=0)
    free = free and emission is None
    forms = [_free(i, fits[b], profiles) if free else None for i, b in enumerate(best)]
    residuals = [
        profiles.esf[i] - (fits[b].model[i] if form is None else form.model)
        for i, (b, form) in enumerate(zip(best, forms, strict=True))
    ]
    profiles = replace(profiles, correlation=residual_correlation(profiles, np.array(residuals)))
    weights = weigh(profiles, fits)
    best = np.argmax(weights, axis=0)
    cells = np.stack(
        [
            cell_means(fits[b].family, fits[b].params[i : i + 1], fits[b].onset[i : i + 1], profiles.ages)[0]
            if form is None
            else form.cells
            for i, (b, form) in enumerate(zip(best, forms, strict=True))
        ]
    )
    nuisances = nuisances_of(cells)
    shared = rng.standard_normal((DRAWS, len(nuisances)))
    lamps: list[np.ndarray | None] = [None] * len(best)
    if emission is not None:  # the figures count time from the switch, the lamp from the pose's clock
        turns = (round(float(fits[b].onset[i]) * len(emission)) for i, b in enumerate(best))
        lamps = [np.roll(emission, -turn) for turn in turns]
    curves = _curves(fits, weights, profiles.length, lamps)
    fast = _fast_fits(fits, best, forms, profiles)
    plans = [
        _plan(i, fits, weights[:, i], forms[i], profiles, nuisances, shared, rng, lamp, curves, fast)
        for i, lamp in enumerate(lamps)
    ]
    misfit = _misfit(profiles, fits, forms, best, streak_chi2)
    branches = iter(figures_of_bundles([b for plan in plans for b in plan], signal_shares, other_shares))
    return [
        _result(i, fits, weights[:, i], forms[i], profiles, [next(branches) for _ in plan], cells[i], misfit)
        for i, plan in enumerate(plans)
    ]


def _free(i: int, fit: FamilyFit, profiles: Profiles) -> FreeForm | None:
    operator = profiles.operator if profiles.operator.ndim == 2 else profiles.operator[i]
    return free_form(
        fit,
        i,
        profiles.esf[i],
        profiles.sigma[i],
        operator,
        profiles.ages,
        profiles.levels[i],
        profiles.correlation,
    )


def _curves(fits, weights, length, lamps) -> dict[tuple[int, int], tuple[np.ndarray, ...]]:
    """Return the curves of every fit that counts, by family and transition: see `nudged_curves`."""
    out = {}
    for k, fit in enumerate(fits):
        counts = np.nonzero(weights[k] >= MIN_WEIGHT)[0]
        alike = [counts] if all(lamp is None for lamp in lamps) else counts[:, None]
        for rows in (np.asarray(x) for x in alike if np.size(x)):
            t, b, tr, r = nudged_curves(fit.family, fit.params[rows], length, lamps[rows[0]])
            out |= {(k, int(i)): (t, b[j], tr, r[j]) for j, i in enumerate(rows)}
    return out


def _plan(i, fits, weights, form, profiles, nuisances, shared, rng, emission, curves, fast) -> list[Bundle]:
    """Return the curves whose figures make up one transition's result, a bundle for each family that counts."""
    kept = [k for k in np.argsort(-weights) if weights[k] >= MIN_WEIGHT]
    names = [f.family.name for f in fits]
    out, used = [], 0
    given = 0.0
    if form is not None:
        given = form.weight
        used = max(2, round(DRAWS * given))
        own = rng.standard_normal((used, form.root.shape[1]))
        out.append(free_bundle(form, given, profiles.ages, nuisances, shared[:used], own, profiles.length))
    elif i in fast:
        draws, point = _posterior_fast(i, fast[i], profiles, nuisances, shared, rng)
        return [fast_bundle(i, fast[i].family, point, draws, profiles.length, emission)]
    kept = [k for k in kept if names[k] != "instant"]
    if not kept:
        return [replace(out[0], share=1.0)]
    total = sum(weights[k] for k in kept) / (1 - given)
    for k in kept:
        count = max(2, round(TRIALS * weights[k] / total))
        z = shared[np.arange(used, used + count) % DRAWS]
        used += count
        cov, gain = _information(fits[k], i, profiles)
        p = fits[k].params.shape[1]
        effects = np.array([gain[:p] @ n.shift[i] for n in nuisances]).reshape(len(nuisances), p)
        spread = Spread(
            noise=_square_root(cov[:p, :p]), effects=effects, names=tuple(n.name for n in nuisances), shared=z
        )
        own = rng.standard_normal((count, p))
        out.append(curve_bundle(i, weights[k] / total, spread, own, curves[k, i], instant_reference(emission)[0]))
    return out


def _misfit(profiles, fits, forms, best, streak_chi2: float | None) -> float:
    """Return chi-square per sample, mean of edges (their median) and streaks, within limits."""
    samples = profiles.esf.shape[1]
    edges = [
        (fits[b].chi2[i] if form is None else form.chi2) / max(samples - fits[b].count, 1)
        for i, (b, form) in enumerate(zip(best, forms, strict=True))
    ]
    own = float(np.median(edges))
    return float(np.clip(0.5 * (own + (own if streak_chi2 is None else streak_chi2)), LEAST_MISFIT, MOST_MISFIT))


def _model_doubt(value: dict[str, float], misfit: float) -> dict[str, float]:
    """Return by figure what a model that fits no better than ``misfit`` may be wrong by."""
    width = misfit * value["bew"]
    own = {name: misfit * abs(value[name]) for name in NAMES}
    return {
        "bew": MODEL_WIDTH * width,
        "get": MODEL_WIDTH * width,
        "ghost": MODEL_WIDTH * (width + own["ghost"]),
        "response": MODEL_TIME * (width + own["response"]),
        "response_signal": MODEL_TIME * (width + own["response_signal"]),
        "overshoot": MODEL_LIGHT * misfit,
        "undershoot": MODEL_LIGHT * misfit,
    }


def _result(i, fits, weights, form, profiles, branches: list[Branch], cells, misfit: float) -> BlurFit:
    fit = fits[int(np.argmax(weights))]
    free = form is not None and form.weight > 0.5
    model, chi2 = (form.model, form.chi2) if free else (fit.model[i], float(fit.chi2[i]))
    value, u95, grazed, parts = {}, {}, set(), {}
    posterior = any(b.posterior for b in branches)
    trials = {name: np.concatenate([b.trial[name] for b in branches]) for name in NAMES}
    scatter = dict(zip(NAMES, np.std([trials[name] for name in NAMES], axis=1).tolist(), strict=True))
    for name in NAMES:
        value[name] = float(sum(b.share * b.point[name] for b in branches))
        linear = float(np.sqrt(sum(b.share * _variance(b, name, value[name]) for b in branches)))
        if scatter[name] < NONLINEAR * linear and not posterior:  # neither is with a trial that has no such figure
            u95[name] = K95 * linear
        else:
            u95[name], graze = _interval(value[name], trials[name], 0.0 if posterior else linear)
            if graze:
                grazed.add(name)
        parts[name] = dict(branches[0].parts[name])
        if len(branches) > 1 and np.isfinite(value[name]):
            parts[name]["family"] = float(np.sqrt(sum(b.share * (b.point[name] - value[name]) ** 2 for b in branches)))
    # what the noise alone may hide of a shape that the families smooth over
    smooth = float(np.median(profiles.sigma[i])) * np.sqrt(profiles.correlation / SMOOTHED)
    hidden = {"overshoot": smooth, "undershoot": smooth}
    if all(set(b.parts["bew"]) == {"noise"} for b in branches):  # a posterior of the time constant, blind to the width
        hidden |= dict.fromkeys(("bew", "get", "ghost"), np.sqrt(2) * smooth)
    law = max(b.parts["response_signal"].get(LAW, 0.0) for b in branches)
    u95["response_signal"] = float(np.hypot(u95["response_signal"], K95 * law))
    for name, sd in hidden.items():
        u95[name] = float(np.hypot(u95[name], K95 * sd))
        parts[name]["noise"] = float(np.hypot(parts[name].get("noise", 0.0), sd))
    for name, sd in _model_doubt(value, misfit).items():
        u95[name] = float(np.hypot(u95[name], K95 * sd))
        parts[name]["model"] = sd
    if _band_grazed(trials["overshoot"]):
        grazed.add("ghost")
    span = fit.levels[i, 1] - fit.levels[i, 0]
    dof = max(profiles.esf.shape[1] - fit.count, 1)
    return BlurFit(
        family=FREE if free else fit.family.name,
        weights={f.family.name: float(w) for f, w in zip(fits, weights, strict=True) if w >= MIN_WEIGHT},
        value=value,
        u95=u95,
        parts=parts,
        grazed=frozenset(grazed),
        esf_fit=(model - fit.levels[i, 0]) / span,
        esf=(profiles.esf[i] - fit.levels[i, 0]) / span,
        levels=(float(fit.levels[i, 0]), float(fit.levels[i, 1])),
        chi2_ratio=chi2 / dof,
        onset=float(fit.onset[i]),
        cells=cells,
    )


def _variance(branch: Branch, name: str, about: float) -> float:
    """Return the variance of a figure about a value by a branch's linear budget; the display's law comes later."""
    parts = sum(x**2 for part, x in branch.parts[name].items() if part != LAW)
    return parts + (branch.point[name] - about) ** 2


def _square_root(cov: np.ndarray) -> np.ndarray:
    """Return S with S S^T = cov (eigenvalues clipped at 0)."""
    if cov.size == 0:
        return cov
    value, vector = np.linalg.eigh(cov)
    return vector * np.sqrt(np.maximum(value, 0.0))


def _information(fit: FamilyFit, i: int, profiles: Profiles) -> tuple[np.ndarray, np.ndarray]:
    """Return the parameter covariance and the gain matrix from profile to parameters."""
    jac = fit.jacobian[i]
    weight = 1 / profiles.sigma[i] ** 2
    jw = jac * weight[:, None]
    gram = jac.T @ jw
    p = fit.params.shape[1]
    gram[[p + 1, p + 2], [p + 1, p + 2]] += 1 / profiles.levels[i, 2:] ** 2
    scale = np.sqrt(np.maximum(np.diag(gram), 1e-12))
    value, vector = np.linalg.eigh(gram / np.outer(scale, scale))
    known = value > 1e-9 * value[-1]  # what the profile doesn't depend on stays where it is
    half = vector[:, known] / np.sqrt(value[known]) / scale[:, None]
    inverse = half @ half.T
    dof = max(jac.shape[0] - fit.count, 1)
    inflate = profiles.correlation * max(1.0, fit.chi2[i] / dof)
    return inverse * inflate, inverse @ jw.T


def _resolved(fit: FamilyFit, i: int, profiles: Profiles) -> bool:
    cov, _ = _information(fit, i, profiles)
    return cov[0, 0] < 1 / RESOLVED**2


def _fast_fits(fits, best, forms, profiles: Profiles) -> dict[int, FamilyFit]:
    """Return, for transitions too fast for linear propagation, the fits of an exponential at each of `FAST_TAUS`.

    An instant family has no width to be unsure of: its weight is carried by the exponential's posterior.
    """
    names = [f.family.name for f in fits]
    which = [
        i
        for i, (b, form) in enumerate(zip(best, forms, strict=True))
        if form is None and (names[b] == "instant" or (names[b] == EXPONENTIAL and not _resolved(fits[b], i, profiles)))
    ]
    if not which:
        return {}
    n = len(FAST_TAUS)
    alike = profiles.operator.ndim == 2
    plain = fits[names.index(EXPONENTIAL)]
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
            guess[mine],
            held=held[mine],
        )
        out |= {i: fit.of(slice(j * n, (j + 1) * n)) for j, i in enumerate(rows)}
    return out


def _posterior_fast(i, fits: FamilyFit, profiles, nuisances, shared, rng) -> tuple[np.ndarray, np.ndarray]:
    """Posterior of the time constant of a pixel too fast for linear propagation (flat prior in tau).

    Each trial moves the profile by its share of the shared effects and has a posterior of its own over the time
    constants, the onset and the levels fitted to each.
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
    picks = np.array([np.interp(u, c, FAST_TAUS) for u, c in zip(rng.random(len(moves)), reached, strict=True)])
    mean = float((share @ FAST_TAUS).mean())  # of the posterior: its mode sticks to the fast end
    return np.log(picks)[:, None], np.array([[np.log(mean)]])


def _interval(value: float, trial: np.ndarray, linear: float) -> tuple[float, bool]:
    """Return u95 about the value, and whether the trials fall into separate branches.

    ``linear`` is the standard uncertainty of the linear budget: it holds unless the trials scatter clearly more.
    """
    ok = np.isfinite(trial)
    if not np.isfinite(value) or ok.mean() < 0.95:
        return float("nan"), bool(0.02 < ok.mean() < 0.98)
    t = np.sort(trial[ok])
    lo, middle, hi = np.interp(np.array([0.025, 0.5, 0.975]) * (len(t) - 1), np.arange(len(t)), t)
    spread = float(np.std(t))
    core = 1.4826 * float(np.median(np.abs(t - middle))) + 1e-12
    jumps = spread > 5 * max(core, linear) and spread > 0.02
    if not jumps and spread < NONLINEAR * linear:  # a few trials without the figure don't matter
        return K95 * linear, False
    u = max(K95 * min(spread, 3 * core) if not jumps else 0.0, 0.5 * (hi - lo), K95 * linear)
    if jumps:
        u = max(abs(hi - value), abs(value - lo), u)
    # the value should lie inside its own interval's middle half
    u = max(u, abs(value - 0.5 * (lo + hi)) + 0.25 * (hi - lo))
    return float(u), bool(jumps)


def _band_grazed(overshoot: np.ndarray) -> bool:
    return bool(0.03 < np.mean(overshoot > 0.05) < 0.97)
