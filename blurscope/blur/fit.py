"""Batch least squares of response families through the capture operator."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blurscope.blur.families import Family

ITERATIONS = 20


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FamilyFit:
    """Fits of one family to n profiles.

    Attributes
    ----------
    family : Family
    params : (n, p) float
        Shape parameters.
    onset : (n,) float
        Lag of the switch, refreshes.
    levels : (n, 2) float
        Fitted from and to level of the normalised profile.
    chi2 : (n,) float
    model : (n, m) float
        Fitted profile.
    jacobian : (n, m, p + 3) float
        By shape parameters, onset, from, to.
    """

    family: Family
    params: np.ndarray
    onset: np.ndarray
    levels: np.ndarray
    chi2: np.ndarray
    model: np.ndarray
    jacobian: np.ndarray

    @property
    def count(self) -> int:
        """Number of free parameters."""
        return self.params.shape[1] + 3


def cell_means(family: Family, params: np.ndarray, onset: np.ndarray, ages: np.ndarray) -> np.ndarray:
    """Return the mean response in each age bin: (n, k)."""
    t = ages - onset[..., None]
    return np.diff(family.integral(t, params), axis=-1) / np.diff(ages)


def apply_operator(operator: np.ndarray, cells: np.ndarray) -> np.ndarray:
    """Return (n, m) profiles; the operator is (m, k) for all or (n, m, k)."""
    if operator.ndim == 2:
        return cells @ operator.T
    return np.matmul(operator, cells[..., None])[..., 0]


def fit_family(
    family: Family,
    profile: np.ndarray,
    weight: np.ndarray,
    operator: np.ndarray,
    ages: np.ndarray,
    levels: np.ndarray | None = None,
) -> FamilyFit:
    """Fit a family to every profile, Levenberg-Marquardt in parallel, best of the family's starts.

    Parameters
    ----------
    profile : (n, m) float
        ESF, about 0 to 1.
    weight : (n, m) float
        1 / sigma; 0 leaves a sample out.
    operator : (m, k) or (n, m, k) float
    ages : (k + 1,) float
    levels : (n, 4) float, optional
        What is known of the from and to level beforehand: their values, then their standard uncertainties.
    """
    if levels is None:
        levels = np.tile([0.0, 1.0, 1e3, 1e3], (len(profile), 1))
    best: FamilyFit | None = None
    for start in family.starts:
        fit = _fit_from(family, np.array(start, float), profile, weight, operator, ages, levels)
        if best is None:
            best = fit
        else:
            better = fit.chi2 < best.chi2
            pick = lambda a, b, mask=better: np.where(mask.reshape((-1,) + (1,) * (a.ndim - 1)), a, b)  # noqa: E731
            best = FamilyFit(
                family=family,
                params=pick(fit.params, best.params),
                onset=pick(fit.onset, best.onset),
                levels=pick(fit.levels, best.levels),
                chi2=pick(fit.chi2, best.chi2),
                model=pick(fit.model, best.model),
                jacobian=pick(fit.jacobian, best.jacobian),
            )
    assert best is not None
    return best


def _fit_from(family, start, profile, weight, operator, ages, known) -> FamilyFit:
    n, m = profile.shape
    p = len(start)
    low = np.array([*family.low, -1.0 + 1e-3])
    high = np.array([*family.high, ages[-1] * 0.5])
    x = np.empty((n, p + 1))
    x[:, :p] = start
    x[:, p] = 0.0
    prior = 1 / known[:, 2:] ** 2
    damp = np.full(n, 1e-3)
    step = np.full(p + 1, 1e-4)
    step[p] = 1e-3

    def shape(q: np.ndarray) -> np.ndarray:
        return apply_operator(operator, cell_means(family, q[:, :p], q[:, p], ages))

    def shapes(many: np.ndarray) -> np.ndarray:
        """Edges for several trials at once: (trials, n, p + 1) -> (trials, n, m), the operator read once."""
        cells = cell_means(family, many[..., :p], many[..., p], ages)
        if operator.ndim == 2:
            return cells @ operator.T
        return np.matmul(operator, np.ascontiguousarray(cells.transpose(1, 2, 0))).transpose(2, 0, 1)

    def solve_levels(edge: np.ndarray) -> np.ndarray:
        w2 = weight**2
        low = 1 - edge
        wl, wh = w2 * low, w2 * edge
        aa, ab, bb = (wl * low).sum(1) + prior[:, 0], (wl * edge).sum(1), (wh * edge).sum(1) + prior[:, 1]
        ra = (wl * profile).sum(1) + prior[:, 0] * known[:, 0]
        rb = (wh * profile).sum(1) + prior[:, 1] * known[:, 1]
        det = aa * bb - ab * ab + 1e-12 * aa * bb + 1e-300
        return np.stack([(bb * ra - ab * rb) / det, (aa * rb - ab * ra) / det], axis=1)

    def misfit(model: np.ndarray, lv: np.ndarray) -> np.ndarray:
        return (((profile - model) * weight) ** 2).sum(axis=1) + (prior * (lv - known[:, :2]) ** 2).sum(axis=1)

    # place the onset on a coarse grid first
    offsets = np.linspace(-0.8, min(1.5, ages[-1] * 0.4), 16)
    cost = np.empty((len(offsets), n))
    many = np.repeat(x[None], len(offsets), axis=0)
    many[:, :, p] = offsets[:, None]
    for i, edge in enumerate(shapes(many)):
        lv = solve_levels(edge)
        cost[i] = misfit(lv[:, :1] + (lv[:, 1:] - lv[:, :1]) * edge, lv)
    x[:, p] = offsets[np.argmin(cost, axis=0)]
    edge = shape(x)
    levels = solve_levels(edge)
    model = levels[:, :1] + (levels[:, 1:] - levels[:, :1]) * edge
    chi2 = misfit(model, levels)
    jac = np.empty((n, m, p + 3))
    active = np.ones(n, bool)
    for _ in range(ITERATIONS):
        # keep the differences inside the bounds
        nudge = np.where(x + step > high, -step, step)
        many = np.repeat(x[None], p + 1, axis=0)
        for k in range(p + 1):
            many[k, :, k] += nudge[:, k]
        for k, moved in enumerate(shapes(many)):
            jac[:, :, k] = (moved - edge) / nudge[:, k, None]
        span = (levels[:, 1] - levels[:, 0])[:, None]
        jac[:, :, : p + 1] *= span[..., None]
        jac[:, :, p + 1] = 1 - edge
        jac[:, :, p + 2] = edge
        jw = jac * weight[..., None]
        transposed = jw.transpose(0, 2, 1)
        gram = np.matmul(transposed, jw)
        grad = np.matmul(transposed, ((profile - model) * weight)[..., None])[..., 0]
        for k in (0, 1):
            gram[:, p + 1 + k, p + 1 + k] += prior[:, k]
            grad[:, p + 1 + k] -= prior[:, k] * (levels[:, k] - known[:, k])
        improved = np.zeros(n, bool)
        for _ in range(4):
            diag = np.einsum("nii->ni", gram)
            lhs = gram + np.einsum("n,ni,ij->nij", damp, diag + 1e-12 * diag.max(), np.eye(p + 3))
            lhs += 1e-9 * np.eye(p + 3)
            delta = np.linalg.solve(lhs, grad[..., None])[..., 0]
            todo = active & ~improved
            trial = np.clip(x + np.clip(delta[:, : p + 1], -0.7, 0.7), low, high)
            trial = np.where(todo[:, None], trial, x)
            t_edge = shape(trial)
            t_levels = solve_levels(t_edge)
            t_model = t_levels[:, :1] + (t_levels[:, 1:] - t_levels[:, :1]) * t_edge
            t_chi2 = misfit(t_model, t_levels)
            take = todo & (t_chi2 <= chi2)
            gain = np.where(take, chi2 - t_chi2, 0.0)
            x = np.where(take[:, None], trial, x)
            edge = np.where(take[:, None], t_edge, edge)
            levels = np.where(take[:, None], t_levels, levels)
            model = np.where(take[:, None], t_model, model)
            done = take & (gain < 0.02 * np.maximum(1.0, 2e-3 * chi2))
            chi2 = np.where(take, t_chi2, chi2)
            damp = np.where(take, damp * 0.2, np.where(todo, damp * 8, damp))
            improved |= take
            active &= ~done
            if not (active & ~improved).any():
                break
        active &= improved
        if not active.any():
            break
    return FamilyFit(family=family, params=x[:, :p], onset=x[:, p], levels=levels, chi2=chi2, model=model, jacobian=jac)
