"""Least squares of response families through the capture operator, many fits at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from blurscope.blur.families import Family
from blurscope.blur.problem import Data, Problem

ITERATIONS = 20
FEW_ITERATIONS = 2  # after which the best of several starts goes on alone
SMALL_GAIN = 0.02  # of chi-square, below which a step is small
SMALL_STEPS = 3
COMPANY = 0.6  # share of a family's fits that still move, from which the others go on with them
NO_GAIN = 1e-3  # share of a small gain: a step that promises no more is not tried
ONSETS = 9
ARRAYS = ("params", "onset", "levels", "chi2", "model", "jacobian", "moving")  # of a FamilyFit, a row for each profile


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Task:
    """A family to be fitted to some of the profiles.

    Attributes
    ----------
    family : Family
    rows : (n,) int
        Which profiles.
    guess : (starts, n, p + 1) float or None
        Shape parameters and onsets to start from, instead of the family's starts.
    iterations : int
        At most so many, once the best start is known.
    """

    family: Family
    rows: np.ndarray
    guess: np.ndarray | None
    iterations: int


def _begin(data: Data, family: Family, rows: np.ndarray, shapes: np.ndarray) -> np.ndarray:
    """Return parameters (starts, n, p + 1), the onset the best of a coarse grid; shapes are (starts, n or 1, p)."""
    offsets = np.linspace(-0.8, min(1.5, data.ages[-1] * 0.4), ONSETS)
    many = np.empty((ONSETS, len(shapes), len(rows), shapes.shape[-1] + 1))
    many[..., :-1] = shapes
    many[..., -1] = offsets[:, None, None]
    flat = many.reshape(-1, many.shape[-1])
    items = np.tile(rows, ONSETS * len(shapes))
    chi2 = Problem(data, [family], np.zeros(len(items), int), items).evaluate(flat)[3].reshape(many.shape[:-1])
    x = many[0].copy()
    x[..., -1] = offsets[np.argmin(chi2, axis=0)]
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
    """Fit a family to every profile, best of the family's starts.

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
    task = Task(family=family, rows=np.arange(len(profile)), guess=guess, iterations=iterations)
    return fit_families([task], profile, weight, operator, ages, levels, held=held)[0]


def fit_families(
    tasks: Sequence[Task],
    profile: np.ndarray,
    weight: np.ndarray,
    operator: np.ndarray,
    ages: np.ndarray,
    levels: np.ndarray,
    *,
    held: np.ndarray | None = None,
) -> list[FamilyFit]:
    """Fit families to profiles, Levenberg-Marquardt for all at once; return a fit of its rows for each task.

    Parameters are those of `fit_family`.
    """
    if not tasks:
        return []
    data = Data(profile, weight, operator, ages, levels, held is not None)
    families = [t.family for t in tasks]
    most = max(len(f.low) for f in families)
    begun: list[np.ndarray] = []
    for t in tasks:
        if t.guess is not None:
            begun.append(t.guess)
        else:
            shapes = np.array(t.family.starts, float).reshape(len(t.family.starts), 1, -1)
            begun.append(_begin(data, t.family, t.rows, shapes if held is None else held[None]))
    starts = [len(x) for x in begun]
    which = np.repeat(np.arange(len(tasks)), [x.shape[0] * x.shape[1] for x in begun])
    row = np.concatenate([np.tile(t.rows, count) for t, count in zip(tasks, starts, strict=True)])
    problem = Problem(data, families, which, row)
    x = np.zeros((len(which), most + 1))
    for (_, p, some), one in zip(problem.parts, begun, strict=True):
        flat = one.reshape(-1, p + 1)
        x[some, :p], x[some, -1] = flat[:, :p], flat[:, p]
    state = _State(problem, x.clip(problem.low, problem.high))
    if max(starts) > 1:
        state.improve(np.where(np.array(starts) > 1, FEW_ITERATIONS, 0))
        state = state.best(starts)
    state.improve(np.array([t.iterations for t in tasks]))
    state.linearise()
    return [state.fit_of(k) for k in range(len(tasks))]


class _State:
    """Where a fit stands: arrays (items, ...)."""

    SEEN = ("edge", "levels", "rest", "chi2")  # as `Problem.evaluate` gives them
    FIELDS = ("x", "delay", *SEEN, "damp", "small", "active", "jacobian")

    def __init__(self, problem: Problem, x: np.ndarray) -> None:
        self.problem, self.x = problem, x
        self.edge, self.levels, self.rest, self.chi2 = problem.evaluate(x)
        self.delay = problem.delay(x)
        self.damp = np.full(len(x), 1e-3)
        self.small = np.zeros(len(x), int)  # steps in a row that gained little
        self.active = np.ones(len(x), bool)
        self.jacobian = np.zeros((len(x), problem.most + 3, self.edge.shape[1]))

    def best(self, starts: Sequence[int]) -> _State:
        """Return the state of the best start of each profile, for so many starts of each family."""
        chosen = []
        for (_, _, some), count in zip(self.problem.parts, starts, strict=True):
            chi2 = self.chi2[some].reshape(count, -1)
            n = chi2.shape[1]
            chosen.append(some.start + np.argmin(chi2, axis=0) * n + np.arange(n))
        return self._part(np.concatenate(chosen))

    def _part(self, items: np.ndarray) -> _State:
        out = object.__new__(_State)
        out.problem = self.problem.of(items)
        for name in self.FIELDS:
            setattr(out, name, getattr(self, name)[items])
        return out

    def fit_of(self, task: int) -> FamilyFit:
        """Return the fit of one task."""
        family, p, some = self.problem.parts[task]
        jacobian = self.jacobian[some]
        keep = [*range(p), *range(self.problem.most, jacobian.shape[1])]
        return FamilyFit(
            family=family,
            params=self.x[some, :p],
            onset=self.x[some, -1],
            levels=self.levels[some],
            chi2=self.chi2[some],
            model=self.problem.model(self.edge[some], self.levels[some]),
            jacobian=jacobian[:, keep].swapaxes(1, 2),
            moving=self.active[some],
        )

    def improve(self, iterations: np.ndarray) -> None:
        """Take steps, for each family at most so many, until nothing moves; what has converged is left alone."""
        problem = self.problem
        for done in range(iterations.max(initial=0)):
            moving = self.active & (iterations > done)[problem.which]
            moving = np.bincount(problem.unit, moving)[problem.unit] > 0  # starts of one profile go on together
            count, size = np.bincount(problem.which, moving), np.bincount(problem.which)
            keep = moving | (count >= COMPANY * size)[problem.which]
            if not keep.any():
                return
            if not keep.all():
                items = keep.nonzero()[0]
                part = self._part(items)
                part.improve(iterations - done)
                for name in self.FIELDS:
                    getattr(self, name)[items] = getattr(part, name)
                return
            self._step()

    def linearise(self) -> np.ndarray:
        """Take the derivatives where the fit stands; return those of the responses' delays by the shape parameters."""
        most, levels, jac = self.problem.most, self.levels, self.jacobian
        by_shape = self.problem.slopes(self.x, jac[:, : most + 1])
        jac[:, : most + 1] *= (levels[:, 1] - levels[:, 0])[:, None, None]
        np.subtract(1, self.edge, out=jac[:, most + 1])
        jac[:, most + 2] = self.edge
        return by_shape

    def _step(self) -> None:
        problem, most = self.problem, self.problem.most
        by_shape = self.linearise()
        levels, jac = self.levels, self.jacobian
        jw = jac * problem.weight[:, None]
        gram = np.matmul(jw, jw.swapaxes(1, 2))
        grad = np.matmul(jw, self.rest[..., None])[..., 0]
        grad[:, most + 1 :] -= problem.prior[:, most + 1 :] * (levels - problem.level)
        diagonal = gram.reshape(len(gram), -1)[:, :: most + 4]
        diagonal += problem.prior
        low, high = self.x <= problem.low, self.x >= problem.high
        if (low | high).any():  # a parameter that its bound stops stays there
            stopped = np.zeros(grad.shape, bool)
            slope = grad[:, : most + 1]
            stopped[:, : most + 1] = (low & (slope < 0)) | (high & (slope > 0))
            gram[stopped[:, :, None] | stopped[:, None, :]] = 0.0
            diagonal[stopped], grad[stopped] = 1.0, 0.0
        ridge = diagonal + 1e-12 * diagonal.max()
        diagonal += 1e-9
        delay = self.delay
        improved = None
        for _ in range(4):
            damped = gram.copy()
            diagonal = damped.reshape(len(gram), -1)[:, :: most + 4]
            diagonal += self.damp[:, None] * ridge
            delta = np.linalg.solve(damped, grad[..., None])[..., 0]
            least = SMALL_GAIN * np.maximum(1.0, 2e-3 * self.chi2)
            # where no step of this length promises anything the end is reached
            promising = np.vecdot(delta, grad) > NO_GAIN * least
            if improved is None:
                self.active &= promising | (self.damp > 0.1)
                improved = np.zeros_like(self.active)
            else:
                self.active &= promising | improved
            todo = self.active & ~improved
            left = np.count_nonzero(todo)
            if left == 0:
                break
            items, part = slice(None), problem
            if left < 0.7 * len(todo):
                items = todo.nonzero()[0]
                part = problem.of(items)
            here = self.x[items]
            move = delta[items, : most + 1].clip(-0.7, 0.7)
            trial = (here + move).clip(part.low, part.high)
            # the middle of the edge goes where the linear step sees it, however the response's own delay curves
            trial_delay = part.delay(trial)
            ahead = delay[items] + np.vecdot(by_shape[items], move[:, :most]) - trial_delay
            trial[:, most] = (trial[:, most] + ahead.clip(-0.7, 0.7)).clip(part.low[:, most], part.high[:, most])
            tried = part.evaluate(trial)
            gain = np.full_like(self.chi2, -1.0)
            gain[items] = self.chi2[items] - tried[3]
            take = todo & (gain >= 0)
            if take.all():
                self.x, self.delay = trial, trial_delay
                self.edge, self.levels, self.rest, self.chi2 = tried
            else:
                mine = take[items]
                for name, values in zip(("x", "delay", *self.SEEN), (trial, trial_delay, *tried), strict=True):
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
