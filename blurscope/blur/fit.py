"""Batch least squares of response families through the capture operator."""

from __future__ import annotations

from collections.abc import Callable
from copy import copy
from dataclasses import dataclass

import numpy as np

from blurscope.blur.families import Family

ITERATIONS = 20
FEW_ITERATIONS = 2  # after which the best of several starts goes on alone
SMALL_GAIN = 0.02  # of chi-square, below which a step is small
SMALL_STEPS = 3
NO_GAIN = 1e-3  # share of a small gain: a step that promises no more is not tried
ONSETS = 9
ARRAYS = ("params", "onset", "levels", "chi2", "model", "jacobian", "moving")  # of a FamilyFit, a row for each profile
LATE = 1e3  # refreshes, when every response has settled
AT_LATE = np.array([LATE])


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
    moving : (n,) bool
        The iterations ended before the fit did.
    """

    family: Family
    params: np.ndarray
    onset: np.ndarray
    levels: np.ndarray
    chi2: np.ndarray
    model: np.ndarray
    jacobian: np.ndarray
    moving: np.ndarray

    @property
    def start(self) -> np.ndarray:
        """Shape parameters and onset, (n, p + 1), to start another fit from."""
        return np.concatenate([self.params, self.onset[:, None]], axis=1)

    @property
    def count(self) -> int:
        """Number of free parameters."""
        return self.params.shape[1] + 3

    def of(self, rows: slice) -> FamilyFit:
        """Return the fits of some of the profiles."""
        return FamilyFit(family=self.family, **{name: getattr(self, name)[rows] for name in ARRAYS})


def cell_means(family: Family, params: np.ndarray, onset: np.ndarray, ages: np.ndarray) -> np.ndarray:
    """Return the mean response in each age bin: (n, k)."""
    integral = family.integral(ages - onset[..., None], params)
    return (integral[..., 1:] - integral[..., :-1]) / (ages[1:] - ages[:-1])


class _Problem:
    """Profiles, weights and capture of a fit; trials have shape (trials, n, ...).

    Parameters
    ----------
    profile, weight : (n, m) float
    operator : (m, k) or (n, m, k) float
    ages : (k + 1,) float
    known : (n, 4) float
        From and to level as known beforehand, and their standard uncertainties.
    held : bool
        The shape parameters stay where they are.
    """

    def __init__(self, family: Family, profile, weight, operator, ages, known, held: bool) -> None:
        self.family, self.ages = family, ages
        self.ages_and_late = np.append(ages, LATE)
        self.count, self.held = len(family.low), held
        self.low = np.array([*family.low, -1.0 + 1e-3])
        self.high = np.array([*family.high, ages[-1] * 0.5])
        self.eye = np.eye(self.count + 3)
        # takes the running integral at the borders of the ages: a mean is a difference of two of its values
        means = operator / np.diff(ages)
        self.operator = np.zeros((*operator.shape[:-1], len(ages)))
        self.operator[..., 1:] = means
        self.operator[..., :-1] -= means
        self._set(profile, weight, known)

    def _set(self, profile: np.ndarray, weight: np.ndarray, known: np.ndarray) -> None:
        self.profile, self.weight, self.known = profile, weight, known
        self.squared = weight**2
        self.pull = self.squared * profile
        self.sum_squared, self.sum_pull = self.squared.sum(axis=1), self.pull.sum(axis=1)
        self.prior = 1 / known[:, 2:] ** 2

    def of(self, rows: np.ndarray) -> _Problem:
        """Return the problem of some of the profiles."""
        out = copy(self)
        if self.operator.ndim == 3:
            out.operator = self.operator[rows]
        out._set(self.profile[rows], self.weight[rows], self.known[rows])
        return out

    def edges(self, x: np.ndarray) -> np.ndarray:
        """Return normalised edges for parameters (..., n, p + 1): (..., n, m)."""
        p = self.count
        return self._seen(self.family.integral(self.ages - x[..., p, None], x[..., :p]))

    def slopes(self, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the derivatives of the edges and of the mean delay.

        Those of the edges are by time and by the shape parameters, unless held: (1 + p, ..., n, m); those of the delay
        by the shape parameters: (..., n, p).
        """
        p = self.count
        moved = self.family.slopes(self.ages_and_late - x[..., p, None], x[..., :p])
        by_shape = -np.moveaxis(moved[1:, ..., -1], 0, -1)
        return self._seen(moved[: 1 if self.held else None, ..., :-1]), by_shape

    def delay(self, x: np.ndarray) -> np.ndarray:
        """Return the mean delay of the response to a switch."""
        return LATE - self.family.integral(AT_LATE, x[..., : self.count])[..., 0]

    def _seen(self, integral: np.ndarray) -> np.ndarray:
        flat = integral.reshape(-1, *integral.shape[-2:])
        if self.operator.ndim == 2:
            out = flat.reshape(-1, flat.shape[-1]) @ self.operator.T
        else:
            out = np.matmul(self.operator, np.ascontiguousarray(flat.transpose(1, 2, 0))).transpose(2, 0, 1)
        return out.reshape(*integral.shape[:-1], -1)

    def best_levels(self, edge: np.ndarray) -> np.ndarray:
        """Return the from and to levels that fit best, (..., n, 2)."""
        w, sum_w, sum_wd = self.squared, self.sum_squared, self.sum_pull
        we, rb, bb = np.vecdot(edge, w), np.vecdot(edge, self.pull), np.vecdot(edge * edge, w)
        aa, ab = sum_w - 2 * we + bb + self.prior[:, 0], we - bb
        ra = sum_wd - rb + self.prior[:, 0] * self.known[:, 0]
        bb, rb = bb + self.prior[:, 1], rb + self.prior[:, 1] * self.known[:, 1]
        det = aa * bb - ab * ab + 1e-12 * aa * bb + 1e-300
        out = np.empty((*det.shape, 2))
        out[..., 0], out[..., 1] = (bb * ra - ab * rb) / det, (aa * rb - ab * ra) / det
        return out

    def evaluate(self, x: np.ndarray) -> tuple[np.ndarray, ...]:
        """Return edge, levels, model and chi-square of parameters (..., n, p + 1)."""
        edge = self.edges(x)
        levels = self.best_levels(edge)
        model = levels[..., :1] + (levels[..., 1:] - levels[..., :1]) * edge
        rest = (self.profile - model) * self.weight
        off = self.prior * (levels - self.known[:, :2]) ** 2
        return edge, levels, model, np.vecdot(rest, rest) + off[..., 0] + off[..., 1]

    def begin(self, shapes: np.ndarray) -> np.ndarray:
        """Return parameters (starts, n, p + 1), the onset the best of a coarse grid; shapes are (starts, n or 1, p)."""
        offsets = np.linspace(-0.8, min(1.5, self.ages[-1] * 0.4), ONSETS)
        many = np.empty((ONSETS, len(shapes), len(self.profile), self.count + 1))
        many[..., : self.count] = shapes
        many[..., self.count] = offsets[:, None, None]
        chi2 = self.evaluate(many)[3]
        x = many[0].copy()
        x[..., self.count] = offsets[np.argmin(chi2, axis=0)]
        return x


def fit_family(
    family: Family,
    profile: np.ndarray,
    weight: np.ndarray,
    operator: np.ndarray,
    ages: np.ndarray,
    levels: np.ndarray | None = None,
    guess: np.ndarray | None = None,
    held: np.ndarray | None = None,
    iterations: int = ITERATIONS,
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
    guess : (starts, n, p + 1) float, optional
        Shape parameters and onsets to start from, instead of the family's.
    held : (n, p) float, optional
        Shape parameters to hold, also in ``guess``: only onset and levels are fitted.
    iterations : int
        At most so many, once the best start is known.
    """
    if levels is None:
        levels = np.tile([0.0, 1.0, 1e3, 1e3], (len(profile), 1))
    problem = _Problem(family, profile, weight, operator, ages, levels, held is not None)
    if guess is not None:
        x = np.clip(guess, problem.low, problem.high)
    else:
        shapes = np.array(family.starts, float).reshape(len(family.starts), 1, -1) if held is None else held[None]
        x = problem.begin(shapes)
    state = _State(problem, x)
    if len(x) > 1:
        state.improve(FEW_ITERATIONS)
        state = state.best()
    state.improve(iterations)
    x = state.x[0]
    return FamilyFit(
        family=family,
        params=x[:, :-1],
        onset=x[:, -1],
        levels=state.levels[0],
        chi2=state.chi2[0],
        model=state.model[0],
        jacobian=state.jacobian[0],
        moving=state.active[0],
    )


class _State:
    """Where a fit stands, for several starts of every profile at once: arrays (starts, n, ...)."""

    SEEN = ("edge", "levels", "model", "chi2")  # as `_Problem.evaluate` gives them
    FIELDS = ("x", "delay", *SEEN, "damp", "small", "active", "jacobian")

    def __init__(self, problem: _Problem, x: np.ndarray) -> None:
        self.problem, self.x = problem, x
        self.edge, self.levels, self.model, self.chi2 = problem.evaluate(x)
        self.delay = problem.delay(x)
        self.damp = np.full(x.shape[:2], 1e-3)
        self.small = np.zeros(x.shape[:2], int)  # steps in a row that gained little
        self.active = np.ones(x.shape[:2], bool)
        self.jacobian = np.zeros((*self.edge.shape, problem.count + 3))

    def best(self) -> _State:
        """Return the state of the best start of each profile."""
        pick = np.argmin(self.chi2, axis=0)
        rows = np.arange(len(pick))
        return self._copy(self.problem, lambda a: a[pick, rows][None])

    def _copy(self, problem: _Problem, take: Callable[[np.ndarray], np.ndarray]) -> _State:
        out = object.__new__(_State)
        out.problem = problem
        for name in self.FIELDS:
            setattr(out, name, take(getattr(self, name)))
        return out

    def improve(self, iterations: int) -> None:
        """Take steps until nothing moves; profiles that have converged are left alone."""
        for done in range(iterations):
            running = self.active.any(axis=0)
            count = np.count_nonzero(running)
            if count == 0:
                return
            if count < 0.6 * len(running):
                rows = running.nonzero()[0]
                part = self._copy(self.problem.of(rows), lambda a, rows=rows: a[:, rows])
                part.improve(iterations - done)
                for name in self.FIELDS:
                    getattr(self, name)[:, rows] = getattr(part, name)
                return
            self._step()

    def _step(self) -> None:
        problem = self.problem
        p = problem.count
        x, edge, levels, model = self.x, self.edge, self.levels, self.model
        jac = self.jacobian
        slopes, by_shape = problem.slopes(x)
        slopes *= levels[..., 1:] - levels[..., :1]
        np.negative(slopes[0], out=jac[..., p])
        for k, slope in enumerate(slopes[1:]):
            jac[..., k] = slope
        np.subtract(1, edge, out=jac[..., p + 1])
        jac[..., p + 2] = edge
        jw = jac * problem.weight[..., None]
        transposed = jw.swapaxes(-1, -2)
        gram = np.matmul(transposed, jw)
        grad = np.matmul(transposed, ((problem.profile - model) * problem.weight)[..., None])[..., 0]
        grad[..., p + 1 :] -= problem.prior * (levels - problem.known[:, :2])
        for k in (0, 1):
            gram[..., p + 1 + k, p + 1 + k] += problem.prior[:, k]
        eye = problem.eye
        low, high = x <= problem.low, x >= problem.high
        if (low | high).any():  # a parameter that its bound stops stays there
            stopped = np.zeros(grad.shape, bool)
            stopped[..., : p + 1] = (low & (grad[..., : p + 1] < 0)) | (high & (grad[..., : p + 1] > 0))
            gram = np.where(stopped[..., None] | stopped[..., None, :], eye, gram)
            grad = np.where(stopped, 0.0, grad)
        delay = self.delay
        diag = np.diagonal(gram, axis1=-2, axis2=-1)
        ridge = (diag + 1e-12 * diag.max())[..., None] * eye
        gram += 1e-9 * eye
        improved = None
        for _ in range(4):
            delta = np.linalg.solve(gram + self.damp[..., None, None] * ridge, grad[..., None])[..., 0]
            least = SMALL_GAIN * np.maximum(1.0, 2e-3 * self.chi2)
            # where no step of this length promises anything the end is reached
            promising = np.vecdot(delta, grad) > NO_GAIN * least
            if improved is None:
                self.active &= promising | (self.damp > 0.1)
                improved = np.zeros_like(self.active)
            else:
                self.active &= promising | improved
            todo = self.active & ~improved
            if not todo.any():
                break
            move = delta[..., : p + 1].clip(-0.7, 0.7)
            trial = (self.x + move).clip(problem.low, problem.high)
            # the middle of the edge goes where the linear step sees it, however the response's own delay curves
            trial_delay = problem.delay(trial)
            ahead = delay + np.vecdot(by_shape, move[..., :p]) - trial_delay
            trial[..., p] = (trial[..., p] + ahead.clip(-0.7, 0.7)).clip(problem.low[p], problem.high[p])
            rows, part = slice(None), problem
            left = todo.any(axis=0)
            if np.count_nonzero(left) < 0.7 * len(left):
                rows = left.nonzero()[0]
                part = problem.of(rows)
            tried = part.evaluate(trial[:, rows])
            gain = np.full_like(self.chi2, -1.0)
            gain[:, rows] = self.chi2[:, rows] - tried[3]
            take = todo & (gain >= 0)
            if take.all():
                self.x, self.delay = trial, trial_delay
                self.edge, self.levels, self.model, self.chi2 = tried
            else:
                mine = take[:, rows]
                self.x[take], self.delay[take] = trial[take], trial_delay[take]
                for name, values in zip(self.SEEN, tried, strict=True):
                    getattr(self, name)[take] = values[mine]
            enough = gain < least
            self.small = np.where(take, np.where(enough, self.small + 1, 0), self.small)
            # a short step gains little because it is short: a nearly full one shows that the end is reached, or several
            self.active &= ~(take & enough & ((self.damp < 0.1) | (self.small >= SMALL_STEPS)))
            self.damp = np.where(take, self.damp * 0.2, np.where(todo, self.damp * 8, self.damp))
            improved |= take
            if not (self.active & ~improved).any():
                break
        self.active &= improved
