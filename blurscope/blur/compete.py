"""Response families compete for each profile: which are fitted, how far, and what each of them weighs."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from blurscope.blur.families import FAMILIES, Family
from blurscope.blur.fit import ARRAYS, FEW_ITERATIONS, ITERATIONS, FamilyFit, Task, fit_families
from blurscope.blur.profiles import Profiles

EXPONENTIAL, INSTANT, ROUNDED = "exponential", "instant", "s-shaped"
MIN_WEIGHT = 0.03  # of a family that counts
TIERS = (  # families tried on all profiles, then on those that none fits
    (EXPONENTIAL, INSTANT, ROUNDED, "two exponentials", "staged"),
    ("gaussian", "raised-cosine", "ramp", "two poles"),
    ("staged late", "ringing", "s-shaped overshoot"),
    ("driven s-shaped",),
    ("driven",),
)
CLEAR_TIERS = 3  # first of those tried on profiles that clearly none fits
CLEAR_CHI2 = 1.5
GOOD_CHI2 = 1.15  # chi-square per sample up to which no further family is tried
LESSENED = 0.85  # share of an exponential's chi-square down to which another shape is the better one
FAIR_CHI2 = 4.0  # the same for quick fits
SPREAD = 0.8  # standard deviation of a shape that an exponential fits best, over the time constant of that
SIEVE_ITERATIONS = 6  # after which a family goes on only
HOPELESS = 2.0  # up to so many times the best chi-square (or a good one)
LEAST_FLOOR = 0.15  # of the floor under the noise of a profile that is believed
LEAST_SCATTER = 0.35  # of the stated variance: plateaus may be rougher than the edge, but not by much


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
        Proportional to exp(-c / 2), with the cost c by the criterion of Bayes (Schwarz 1978), chi-square divided by the
        correlation.
    """
    known = {f.family.name: f for f in before or ()}
    by_name = {f.name: f for f in families}
    tiers = [[by_name[n] for n in names if n in by_name] for names in TIERS]
    enough = (FAIR_CHI2 if quick else GOOD_CHI2) * max(profiles.esf.shape[1] - 6, 1)
    every = np.arange(len(profiles.esf))
    least = np.full(len(every), np.inf)
    done: dict[str, FamilyFit] = {}
    for first, tier in enumerate(tiers):
        misfit = least > enough * (CLEAR_CHI2 / GOOD_CHI2 if first >= CLEAR_TIERS else 1.0)
        if first and EXPONENTIAL in done:  # a misfit that no other shape lessens isn't the response's
            misfit &= least < LESSENED * done[EXPONENTIAL].chi2
        if first == 1 and ROUNDED in done:  # where that fits best, a symmetric shape may do so as well
            misfit |= done[ROUNDED].chi2 <= least
        left = every if first == 0 else np.nonzero(misfit)[0]
        for together in _together(tier, known, left, quick):
            if quick:
                left = np.nonzero(least > enough)[0]
            starts = (done.get(EXPONENTIAL), done.get(ROUNDED), enough)
            asked = [(f, left, _guess(f, known.get(f.name), *starts)) for f in together]
            for fit in _fit(profiles, asked, min(iterations, SIEVE_ITERATIONS)):
                done[fit.family.name] = fit
                least = np.minimum(least, fit.chi2)
    if iterations > SIEVE_ITERATIONS:
        near = {n: np.nonzero(f.moving & (f.chi2 < HOPELESS * np.maximum(least, enough)))[0] for n, f in done.items()}
        asked = [(done[n].family, rows, done[n].start[None]) for n, rows in near.items() if len(rows)]
        for more in _fit(profiles, asked, iterations - SIEVE_ITERATIONS):
            rows, fit = near[more.family.name], done[more.family.name]
            for name in ARRAYS:
                getattr(fit, name)[rows] = getattr(more, name)[rows]
    fits = [done[f.name] for f in families]
    return fits, weigh(profiles, fits)


def _guess(
    family: Family, known: FamilyFit | None, plain: FamilyFit | None, rounded: FamilyFit | None, enough: float
) -> np.ndarray | None:
    """Return where to start, (starts, n, p + 1) with NaN where only a search will do.

    A profile that an exponential fits is near it in every family that holds the exponential too; other shapes are about
    as long, and have their middle where the S-shaped or the exponential response has it, whichever fits better.
    """
    out = None
    if plain is not None and family is not plain.family:
        tau = plain.params[:, 0]
        middle = plain.onset + np.exp(tau)
        if family.alike:
            if rounded is not None:
                count, scale = np.exp(rounded.params.T)
                better = rounded.chi2 < plain.chi2
                tau = np.where(better, np.log(np.sqrt(count) * scale / SPREAD), tau)
                middle = np.where(better, rounded.onset + count * scale, middle)
            late = middle - family.lag * np.exp(tau)
            out = np.stack([np.column_stack([*_scaled(shape, tau), late]) for shape in family.alike])
        if family.beside is not None:
            near = np.column_stack([*_scaled(family.beside, plain.params[:, 0]), plain.onset])
            out = np.where((plain.chi2 <= enough)[:, None], near, np.nan if out is None else out)
    if known is not None:
        if out is None:  # as many as there would be starts
            out = np.full((max(len(family.alike), 1), 1, 1), np.nan)
        out = np.where(np.isfinite(known.chi2)[:, None], known.start, out)
    return out if out is None or out.ndim == 3 else out[None]


def _scaled(shape: tuple[tuple[float, float], ...], tau: np.ndarray) -> list[np.ndarray]:
    return [constant + times * tau for constant, times in shape]


def _together(tier: list[Family], known: dict[str, FamilyFit], rows: np.ndarray, quick: bool) -> list[list[Family]]:
    """Return the families of a tier in groups that are fitted at once, as they start from no fit of their own group."""
    if quick:
        return [[f] for f in tier]
    if all(f.name in known and np.isfinite(known[f.name].chi2[rows]).all() for f in tier):
        return [tier]
    leading = ({EXPONENTIAL}, {INSTANT, ROUNDED})
    led = [[f for f in tier if f.name in names] for names in leading]
    groups = [*led, [f for f in tier if f.name not in set.union(*leading)]]
    return [g for g in groups if g]


def _fit(
    profiles: Profiles, asked: Sequence[tuple[Family, np.ndarray, np.ndarray | None]], iterations: int
) -> list[FamilyFit]:
    """Fit each family to the profiles chosen for it, from a guess for all profiles; others get infinite chi-square."""
    n, m = profiles.esf.shape
    outs, tasks = [], []
    for family, chosen, guess in asked:
        p = len(family.low)
        outs.append(
            FamilyFit(
                family=family,
                params=np.zeros((n, p)),
                onset=np.zeros(n),
                levels=np.tile([0.0, 1.0], (n, 1)),
                chi2=np.full(n, np.inf),
                model=np.zeros((n, m)),
                jacobian=np.zeros((n, m, p + 3)),
                moving=np.zeros(n, bool),
            )
        )
        begun = alike = np.zeros(n, bool)
        if guess is not None:
            begun = np.isfinite(guess).all(axis=(0, 2))
            alike = begun & (guess == guess[:1]).all(axis=(0, 2))  # several starts that are one
        for some, starts in ((alike, 1), (begun & ~alike, None), (~begun, 0)):
            rows = chosen[some[chosen]]
            if len(rows):
                more = FEW_ITERATIONS if starts == 1 and len(guess) > 1 else 0
                own = None if starts == 0 else guess[:starts, rows]
                tasks.append(Task(family=family, rows=rows, guess=own, iterations=iterations + more))
    by_name = {out.family.name: out for out in outs}
    fits = fit_families(tasks, profiles.esf, 1 / profiles.sigma, profiles.operator, profiles.ages, profiles.levels)
    for task, fit in zip(tasks, fits, strict=True):
        for name in ARRAYS:
            getattr(by_name[task.family.name], name)[task.rows] = getattr(fit, name)
    return outs


def weigh(profiles: Profiles, fits: list[FamilyFit], per_parameter: float | None = None) -> np.ndarray:
    """Return the weight of each family for each profile, (families, n); columns sum to 1.

    A parameter costs ``per_parameter``, or as much as the criterion of Bayes has it.
    """
    chi2 = np.stack([f.chi2 for f in fits])
    samples = profiles.esf.shape[1] / profiles.correlation
    # a misfit common to all families is no evidence for the richer ones
    dof = max(profiles.esf.shape[1] - 6, 1)
    inflate = np.maximum(chi2.min(axis=0) / dof, 1.0) * profiles.correlation
    count = np.array([f.count for f in fits])[:, None]
    cost = chi2 / inflate + count * (per_parameter or np.log(max(samples, 2.0)))
    rel = np.exp(-0.5 * (cost - cost.min(axis=0)))
    return rel / rel.sum(axis=0)


def floor_share(profiles: Profiles, fits: list[FamilyFit], weights: np.ndarray) -> float:
    """Return what share of their floor the model leaves of these profiles, by their residuals (median of them)."""
    best = np.argmax(weights, axis=0)
    res = profiles.esf - np.array([fits[b].model[i] for i, b in enumerate(best)])
    over = (res**2).mean(axis=1) - profiles.correlation * profiles.noise2.mean(axis=1)
    return float(np.sqrt(np.clip(np.median(over / np.reshape(profiles.floor, -1) ** 2), LEAST_FLOOR**2, 1.0)))


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


def information(fit: FamilyFit, rows: Sequence[int], profiles: Profiles) -> tuple[np.ndarray, np.ndarray]:
    """Return the parameters' covariances, (rows, q, q), and the gain matrices from profile to parameters, (rows, q, m).

    Parameters
    ----------
    fit : FamilyFit
    rows : sequence of int
        Which profiles.
    profiles : Profiles
    """
    rows = np.asarray(rows)
    jac = fit.jacobian[rows]
    jw = (jac / profiles.sigma[rows, :, None] ** 2).swapaxes(1, 2)
    gram = jw @ jac
    p = fit.params.shape[1]
    gram[:, [p + 1, p + 2], [p + 1, p + 2]] += 1 / profiles.levels[rows, 2:] ** 2
    scale = np.sqrt(np.maximum(np.diagonal(gram, axis1=1, axis2=2), 1e-12))
    value, vector = np.linalg.eigh(gram / (scale[:, :, None] * scale[:, None, :]))
    known = value > 1e-9 * value[:, -1:]  # what the profile doesn't depend on stays where it is
    half = vector * np.where(known, 1 / np.sqrt(np.where(known, value, 1.0)), 0.0)[:, None, :] / scale[:, :, None]
    inverse = half @ half.swapaxes(1, 2)
    dof = max(jac.shape[1] - fit.count, 1)
    coded = np.broadcast_to(profiles.coded, len(profiles.esf))[rows]  # of that the plateaus say nothing
    least = LEAST_SCATTER + (1 - LEAST_SCATTER) * coded
    inflate = profiles.correlation * np.maximum(least, fit.chi2[rows] / dof)
    return inverse * inflate[:, None, None], inverse @ jw
