"""One smooth curve through the pooled samples of a step: a spline whose knots follow the data, with its covariance.

Knots are added where the samples say so and halved once more over the transition, so that what the spline can't follow
is small against its own scatter (undersmoothing); nothing is assumed about the shape, and kinks are allowed for.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

_DEGREE = 3
_MAX_KNOTS = 240


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pooled:
    """Samples of a step pooled into bins of age.

    Attributes
    ----------
    age_ms : (n,) float, increasing
        Weighted mean age of each bin.
    step : (n,) float
        Normalised light, 0 -> 1.
    variance : (n,) float
    edges : (n, 2) float
        First and last age of each bin, ms.
    spacing_ms : float
        Sampling interval of the record.
    """

    age_ms: np.ndarray
    step: np.ndarray
    variance: np.ndarray
    edges: np.ndarray
    spacing_ms: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curve:
    """A fitted step.

    Attributes
    ----------
    grid_ms : (m,) float, increasing
    light : (m,) float
    sd : (m,) float
        Standard uncertainty from noise.
    root : (m, k) float
        ``root @ z`` with standard normal ``z`` is a draw of the noise of ``light``.
    knots_ms : (j,) float
    kinks_ms : tuple of float
        Where the slope jumps.
    chi2_dof : float
        Misfit of the bins per degree of freedom; above 1 it widens ``sd``.
    misfit : float
        Weighted rms of the residuals, as a share of the step.
    """

    grid_ms: np.ndarray
    light: np.ndarray
    sd: np.ndarray
    root: np.ndarray
    knots_ms: np.ndarray
    kinks_ms: tuple[float, ...]
    chi2_dof: float
    misfit: float


def bin_edges(start_ms: float, stop_ms: float, zone: tuple[float, float], spacing_ms: float) -> np.ndarray:
    """Return edges of age bins: narrow over ``zone``, growing away from it."""
    low, high = max(zone[0], start_ms), min(zone[1], stop_ms)
    fine = max(spacing_ms, (high - low) / 700)
    inner = np.arange(low, high + fine, fine)
    right = _growing(high, stop_ms, fine, (stop_ms - start_ms) / 120)
    left = _growing(-low, -start_ms, fine, (stop_ms - start_ms) / 120)
    edges = np.concatenate([-left[::-1], inner, right])
    return np.unique(edges)


def _growing(start: float, stop: float, width: float, widest: float) -> np.ndarray:
    out = []
    at = start
    while at < stop:
        width = min(width * 1.06, max(widest, width / 1.06))
        at += width
        out.append(min(at, stop))
    return np.array(out)


def fit_curve(
    pooled: Pooled,
    rough: tuple[float, float, float],
    correlation: np.ndarray | None = None,
    repeats: int = 1,
    *,
    kinks: int = 4,
) -> Curve:
    """Fit the adaptive spline.

    Parameters
    ----------
    pooled : Pooled
    rough : (float, float, float)
        Rough first 10, 50 and 90 % crossings, ms.
    correlation : (L,) float, optional
        Autocorrelation of the samples' noise at lags 1 … L, when it is not white.
    repeats : int
        How many repeats were pooled (they are independent).
    kinks : int
        How many kinks to look for at most (a pixel starts with one, and may have one at each refresh).

    Notes
    -----
    A kink enters as ``u exp(-u)`` and ``u^2 exp(-u)``, ``u = (t - place) / width``; its place is fitted with the rest
    and kept only where the Bayesian information criterion pays for it.
    """
    x, y = pooled.age_ms, pooled.step
    weight = 1.0 / pooled.variance
    width = max(rough[2] - rough[0], 4 * pooled.spacing_ms) / 2
    first = _first_breaks(x, rough)
    best = _adapt(x, y, weight, first, _Kinks((), width))
    while len(best.kinks.places) < kinks:
        trial = _with_kink(x, y, weight, first, best)
        if trial is None or trial.criterion >= best.criterion:
            break
        best = trial
    breaks = _halved(x, best.design @ best.coef, best.breaks)
    final = _solve(x, y, weight, breaks, best.kinks)
    if best.kinks.places:
        final = _place(x, y, weight, final)
    residual = y - final.design @ final.coef
    chi2 = float(np.sum(weight * residual**2)) / max(len(x) - len(final.coef), 1)
    design, inverse = final.design, final.inverse
    if best.kinks.places:
        design = np.hstack([design, final.kinks.motion(x, final.coef)])
        inverse = _inverse(design.T @ (design * weight[:, None]), final.coef.size)
    covariance = inverse
    if correlation is not None and len(correlation):
        covariance = _sandwich(design, inverse, weight, pooled, correlation, repeats)
    grid = _grid(np.union1d(final.breaks, np.clip(np.array(final.kinks.places, dtype=float), x[0], x[-1])))
    at_grid = final.columns(grid)
    light = at_grid @ final.coef
    if best.kinks.places:
        at_grid = np.hstack([at_grid, final.kinks.motion(grid, final.coef)])
    values, vectors = np.linalg.eigh(0.5 * (covariance + covariance.T))
    keep = values > 1e-12 * max(float(values[-1]), 1e-300)
    root = max(1.0, chi2) ** 0.5 * (at_grid @ (vectors[:, keep] * np.sqrt(values[keep])))
    return Curve(
        grid_ms=grid,
        light=light,
        sd=np.sqrt(np.sum(root**2, axis=1)),
        root=root,
        knots_ms=final.breaks,
        kinks_ms=final.kinks.places,
        chi2_dof=chi2,
        misfit=float(np.sqrt(np.sum(weight * residual**2) / np.sum(weight))),
    )


@dataclass(frozen=True, slots=True)
class _Kinks:
    """Places of kinks and the width over which their terms fade."""

    places: tuple[float, ...]
    width: float

    def columns(self, x: np.ndarray) -> np.ndarray:
        out = np.zeros((len(x), 2 * len(self.places)))
        for k, place in enumerate(self.places):
            u = np.clip((x - place) / self.width, 0.0, 50.0)
            out[:, 2 * k] = u * np.exp(-u)
            out[:, 2 * k + 1] = u * u * np.exp(-u)
        return out

    def motion(self, x: np.ndarray, coef: np.ndarray) -> np.ndarray:
        """Derivative of the curve with respect to each place."""
        own = coef[len(coef) - 2 * len(self.places) :]
        out = np.zeros((len(x), len(self.places)))
        for k, place in enumerate(self.places):
            u = (x - place) / self.width
            u_in = np.clip(u, 0.0, 50.0)
            slope = (own[2 * k] * (1 - u_in) + own[2 * k + 1] * (2 * u_in - u_in**2)) * np.exp(-u_in)
            out[:, k] = np.where(u > 0, -slope / self.width, 0.0)
        return out


@dataclass(frozen=True, slots=True)
class _Fit:
    """A solved set of breaks and kinks."""

    breaks: np.ndarray
    kinks: _Kinks
    design: np.ndarray
    coef: np.ndarray
    inverse: np.ndarray
    criterion: float

    def columns(self, x: np.ndarray) -> np.ndarray:
        return np.hstack([_design(x, self.breaks), self.kinks.columns(x)])


def _adapt(x: np.ndarray, y: np.ndarray, weight: np.ndarray, breaks: np.ndarray, kinks: _Kinks) -> _Fit:
    """Add knots until no interval's residuals show a pattern."""
    passed: set[tuple[float, float]] = set()
    while True:
        fit = _solve(x, y, weight, breaks, kinks)
        if kinks.places:
            fit = _place(x, y, weight, fit, steps=1)
            kinks = fit.kinks
        finer = _refined(x, y - fit.design @ fit.coef, weight, breaks, passed)
        if len(finer) == len(breaks) or len(finer) > _MAX_KNOTS:
            return fit
        breaks = finer


def _with_kink(x: np.ndarray, y: np.ndarray, weight: np.ndarray, first: np.ndarray, fit: _Fit) -> _Fit | None:
    """Try one more kink where the knots crowd most."""
    widths = np.diff(fit.breaks)
    middles = 0.5 * (fit.breaks[1:] + fit.breaks[:-1])
    order = np.argsort(widths)
    taken = np.array(fit.kinks.places)
    for k in order[:12]:
        if widths[k] > 0.35 * np.median(widths):
            return None
        if taken.size and np.min(np.abs(taken - middles[k])) < 6 * widths[k]:
            continue
        places = middles[k] + np.linspace(-1.5, 1.5, 7) * widths[k]
        trials = []
        for place in places:
            kinks = _Kinks((*fit.kinks.places, float(place)), fit.kinks.width)
            trials.append(_solve(x, y, weight, first, kinks))
        start = min(trials, key=lambda f: f.criterion)
        return _adapt(x, y, weight, first, start.kinks)
    return None


def _place(x: np.ndarray, y: np.ndarray, weight: np.ndarray, fit: _Fit, steps: int = 4) -> _Fit:
    """Move the kinks to where they fit best (Gauss-Newton with shortened steps)."""
    for _ in range(steps):
        motion = fit.kinks.motion(x, fit.coef)
        wide = np.hstack([fit.design, motion])
        gram = wide.T @ (wide * weight[:, None])
        full = _inverse(gram, fit.coef.size) @ (wide.T @ (weight * (y - fit.design @ fit.coef)))
        move = full[fit.coef.size :]
        limit = 0.25 * fit.kinks.width
        move = np.clip(move, -limit, limit)
        improved = False
        for _ in range(3):
            places = tuple(float(np.clip(p + m, x[0], x[-1])) for p, m in zip(fit.kinks.places, move, strict=True))
            trial = _solve(x, y, weight, fit.breaks, _Kinks(places, fit.kinks.width))
            if trial.criterion < fit.criterion:
                improved = fit.criterion - trial.criterion > 0.01
                fit = trial
                break
            move = move / 3
        if not improved:
            break
    return fit


def _first_breaks(x: np.ndarray, rough: tuple[float, float, float]) -> np.ndarray:
    t10, t50, t90 = rough
    rise = max(t90 - t10, 2 * float(np.min(np.diff(x))))
    ladder = np.array([0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0]) * rise
    wanted = np.concatenate([t50 - ladder[:5][::-1], [t50], t50 + ladder])
    wanted = wanted[(wanted > x[0]) & (wanted < x[-1])]
    return _settled(x, np.concatenate([[x[0]], wanted, [x[-1]]]))


def _settled(x: np.ndarray, breaks: np.ndarray, least: int = 2) -> np.ndarray:
    """Drop breaks until every interval holds at least ``least`` bins."""
    breaks = np.unique(breaks)
    while True:
        count = np.diff(np.searchsorted(x, breaks))
        count[-1] += 1
        poor = np.flatnonzero(count < least)
        if poor.size == 0 or len(breaks) <= 2:
            return breaks
        k = int(poor[0])
        breaks = np.delete(breaks, k + 1 if k + 1 < len(breaks) - 1 else k) if len(breaks) > 2 else breaks


def _design(x: np.ndarray, breaks: np.ndarray) -> np.ndarray:
    """Values of the cubic B-splines on the breaks at ``x`` (Cox-de Boor recursion, de Boor 1972)."""
    full = np.concatenate([np.repeat(breaks[0], _DEGREE), breaks, np.repeat(breaks[-1], _DEGREE)])
    last = len(breaks) - 2
    x = np.minimum(np.maximum(x, breaks[0]), breaks[-1])
    cell = np.minimum(np.searchsorted(breaks, x, side="right") - 1, last)
    at = cell + _DEGREE
    values = np.zeros((len(x), _DEGREE + 1))
    values[:, 0] = 1.0
    for degree in range(1, _DEGREE + 1):
        saved = np.zeros(len(x))
        for r in range(degree):
            right = full[at + r + 1] - x
            left = x - full[at + 1 - degree + r]
            part = values[:, r] / (right + left)
            values[:, r] = saved + right * part
            saved = left * part
        values[:, degree] = saved
    out = np.zeros((len(x), len(breaks) + _DEGREE - 1))
    out[np.arange(len(x))[:, None], cell[:, None] + np.arange(_DEGREE + 1)] = values
    return out


def _solve(x: np.ndarray, y: np.ndarray, weight: np.ndarray, breaks: np.ndarray, kinks: _Kinks) -> _Fit:
    design = _design(x, breaks)
    splines = design.shape[1]
    if kinks.places:
        design = np.hstack([design, kinks.columns(x)])
    weighted = design * weight[:, None]
    inverse = _inverse(design.T @ weighted, splines)
    coef = inverse @ (weighted.T @ y)
    residual = y - design @ coef
    numbers = len(coef) + len(kinks.places)
    criterion = float(weight @ residual**2) + numbers * float(np.log(len(x)))
    return _Fit(breaks, kinks, design, coef, inverse, criterion)


def _inverse(gram: np.ndarray, splines: int) -> np.ndarray:
    """Invert normal equations; a faint pull towards straightness keeps coefficients defined across gaps."""
    scale = np.sqrt(np.maximum(np.diag(gram), 1e-300))
    scale = np.maximum(scale, 1e-9 * scale.max())
    second = np.diff(np.eye(splines), n=2, axis=0)
    gram = gram.copy()
    gram[:splines, :splines] += 1e-7 * float(np.mean(scale[:splines] ** 2)) * (second.T @ second)
    gram = gram / np.outer(scale, scale)
    gram[np.diag_indices_from(gram)] += 1e-12
    return np.linalg.inv(gram) / np.outer(scale, scale)


def _refined(
    x: np.ndarray, residual: np.ndarray, weight: np.ndarray, breaks: np.ndarray, passed: set[tuple[float, float]]
) -> np.ndarray:
    """Split the intervals whose residuals still have a pattern; one that passed is not tried again and again."""
    bounds = np.searchsorted(x, breaks)
    bounds[-1] = len(x)
    total_w = np.concatenate([[0.0], np.cumsum(weight)])
    total_r = np.concatenate([[0.0], np.cumsum(weight * residual)])
    first, size = bounds[:-1], np.diff(bounds)
    added = []
    for parts, limit, able in ((4, 11.1, size >= 12), (2, 7.4, (size >= 4) & (size < 12))):  # 97.5 % of chi-square
        which = np.flatnonzero(able)
        if which.size == 0:
            continue
        cut = first[which, None] + size[which, None] * np.arange(parts + 1) // parts
        w, r = np.diff(total_w[cut], axis=1), np.diff(total_r[cut], axis=1)
        score = np.sum(r * r / w, axis=1)
        for k, value in zip(which.tolist(), score.tolist(), strict=True):
            span = (float(breaks[k]), float(breaks[k + 1]))
            # An interval that has passed once must look far worse before it is split.
            if value > limit * (1.7 if span in passed else 1.0):
                added.append(_middle(x, int(bounds[k]), int(bounds[k + 1])))
            else:
                passed.add(span)
    return np.union1d(breaks, added) if added else breaks


def _middle(x: np.ndarray, a: int, b: int) -> float:
    m = (a + b) // 2
    return 0.5 * float(x[m - 1] + x[m])


def _halved(x: np.ndarray, fit: np.ndarray, breaks: np.ndarray) -> np.ndarray:
    """Split every interval over the transition once more."""
    moving = np.flatnonzero((fit > 0.003) & (np.abs(fit - 1) > 0.003))
    if moving.size == 0:
        return breaks
    low, high = x[moving[0]], x[moving[-1]]
    bounds = np.searchsorted(x, breaks)
    bounds[-1] = len(x)
    added = [
        _middle(x, int(bounds[k]), int(bounds[k + 1]))
        for k in range(len(breaks) - 1)
        if breaks[k + 1] > low and breaks[k] < high and bounds[k + 1] - bounds[k] >= 4
    ]
    return np.union1d(breaks, added)


def _grid(breaks: np.ndarray) -> np.ndarray:
    """Eight points per interval."""
    parts = np.linspace(0, 1, 8, endpoint=False)
    grid = (breaks[:-1, None] + parts * np.diff(breaks)[:, None]).ravel()
    return np.append(grid, breaks[-1])


def _sandwich(
    design: np.ndarray,
    inverse: np.ndarray,
    weight: np.ndarray,
    pooled: Pooled,
    correlation: np.ndarray,
    repeats: int,
) -> np.ndarray:
    """Covariance of the coefficients when neighbouring samples' noise is correlated."""
    lags = len(correlation)
    count = np.maximum(np.rint((pooled.edges[:, 1] - pooled.edges[:, 0]) / pooled.spacing_ms), 0) + 1
    sample_var = pooled.variance * count * repeats
    first = np.concatenate([[0.0], np.cumsum(count)[:-1]])
    # Bins that are neighbours in the list are taken as neighbours in time, which they are but for gaps.
    last = first + count
    size = int(last[-1]) + lags + 2
    gamma = np.zeros(min(size, lags + 1))
    gamma[0] = 1.0
    gamma[1 : lags + 1] = correlation[: len(gamma) - 1]

    def primitive(d: np.ndarray) -> np.ndarray:
        """H with H'' = gamma, even: double sums over two runs are differences of it."""
        d = np.abs(np.rint(d).astype(np.int64))
        table = np.zeros(lags + 2)
        for k in range(1, lags + 2):
            js = np.arange(1, min(k, lags + 1))
            table[k] = 0.5 * k * gamma[0] + float(np.sum((k - js) * gamma[js]))
        slope = 0.5 * gamma[0] + float(np.sum(gamma[1:]))
        far = table[-1] + (d - (lags + 1)) * slope
        return np.where(d <= lags + 1, table[np.minimum(d, lags + 1)], far)

    a, b = first[:, None], last[:, None]
    total = primitive(b - first) + primitive(last - a) - primitive(b - last) - primitive(a - first)
    sigma = total / np.outer(count, count) * np.sqrt(np.outer(sample_var, sample_var)) / repeats
    lever = (inverse @ design.T) * weight
    return lever @ sigma @ lever.T
