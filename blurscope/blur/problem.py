"""The equations of many fits at once: families of responses, seen by the capture, against profiles."""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy

import numpy as np

from blurscope.blur.families import Family

LATE = 1e3  # refreshes, when every response has settled
AT_LATE = np.array([LATE])


class Data:
    """Profiles, weights and capture, (n, ...), of which every item of a `Problem` takes one."""

    def __init__(self, profile, weight, operator, ages, known, held: bool) -> None:
        self.ages, self.ages_and_late, self.held = ages, np.append(ages, LATE), held
        # takes the running integral at the borders of the ages: a mean is a difference of two of its values
        means = operator / np.diff(ages)
        self.operator = np.zeros((*operator.shape[:-1], len(ages) + 1))  # nothing of the integral at `LATE`
        self.operator[..., 1:-1] = means
        self.operator[..., :-2] -= means
        squared = weight**2
        pull = squared * profile
        self.arrays = profile, weight, squared, pull, squared.sum(axis=1), pull.sum(axis=1), known[:, :2]
        self.prior = 1 / known[:, 2:] ** 2


class Problem:
    """What is fitted: items of a family and a profile each, those of a family next to each other.

    Parameters of items are arrays (items, most + 1): shape parameters of the family, 0 up to the number ``most`` that
    the largest family has, and the onset.

    Parameters
    ----------
    data : Data
    families : sequence of Family
    which : (items,) int
        Family of each item, increasing.
    row : (items,) int
        Its profile.
    """

    FIELDS = ("low", "high", "prior", "profile", "weight", "squared", "pull", "sum_squared", "sum_pull", "level")

    def __init__(self, data: Data, families: Sequence[Family], which: np.ndarray, row: np.ndarray) -> None:
        self.data, self.families = data, families
        self.most = max(len(f.low) for f in families)
        low, high = np.full((2, len(families), self.most + 1), [[[-np.inf]], [[np.inf]]])
        low[:, -1], high[:, -1] = -1.0 + 1e-3, data.ages[-1] * 0.5
        lacks = np.zeros((len(families), self.most))  # parameters that a family hasn't
        for k, family in enumerate(families):
            p = len(family.low)
            low[k, :p], high[k, :p], lacks[k, p:] = family.low, family.high, 1.0
        self.low, self.high = low[which], high[which]
        # what is added to the squares of the derivatives
        self.prior = np.concatenate([lacks[which], np.zeros((len(row), 1)), data.prior[row]], axis=1)
        arrays = (a[row] for a in data.arrays)
        self.profile, self.weight, self.squared, self.pull, self.sum_squared, self.sum_pull, self.level = arrays
        self._set(which, row, which * (row.max(initial=0) + 1) + row)

    def _set(self, which: np.ndarray, row: np.ndarray, unit: np.ndarray) -> None:
        self.which, self.row = which, row
        self.unit = unit  # the same for all starts of a fit
        ends = which.searchsorted(np.arange(len(self.families)), "right").tolist()
        parts = zip(self.families, [0, *ends], ends, strict=False)
        self.parts = [(f, len(f.low), slice(a, b)) for f, a, b in parts if a < b]
        self.groups: list[np.ndarray] = []
        operator = self.data.operator
        if operator.ndim == 3 and not np.array_equal(row, np.arange(len(operator))):
            self.groups = [np.flatnonzero(row == r) for r in np.unique(row)]

    def of(self, items: np.ndarray) -> Problem:
        """Return the problem of some of the items."""
        out = copy(self)
        for name in self.FIELDS:
            setattr(out, name, getattr(self, name)[items])
        out._set(self.which[items], self.row[items], self.unit[items])
        return out

    def edges(self, x: np.ndarray) -> np.ndarray:
        """Return normalised edges, (items, m)."""
        ages = self.data.ages
        made = [family.integral(ages - x[some, -1:], x[some, :p]) for family, p, some in self.parts]
        return self._seen(made[0] if len(made) == 1 else np.concatenate(made))

    def slopes(self, x: np.ndarray, out: np.ndarray) -> np.ndarray:
        """Write the derivatives of the edges by shape parameters and onset to ``out``, (items, most + 1, m).

        Return those of the mean delay by the shape parameters, (items, most).
        """
        by_shape = np.zeros((len(x), self.most))
        shared = self.data.operator.T if self.data.operator.ndim == 2 else None
        alone = np.zeros((len(x), self.most + 1, len(self.data.ages_and_late))) if shared is None else None
        for family, p, some in self.parts:
            moved = family.slopes(self.data.ages_and_late - x[some, -1:], x[some, :p])
            np.negative(moved[0], out=moved[0])
            by_shape[some, :p] = -moved[1:, :, -1].T
            known = 1 if self.data.held else 1 + p
            if alone is None:
                seen = (moved[:known].reshape(-1, moved.shape[-1]) @ shared).reshape(known, len(moved[0]), -1)
                out[some, : known - 1], out[some, -1] = seen[1:].swapaxes(0, 1), seen[0]
            else:
                alone[some, : known - 1], alone[some, -1] = moved[1:known].swapaxes(0, 1), moved[0]
        if alone is not None:
            out[:] = self._seen(alone)
        return by_shape

    def delay(self, x: np.ndarray) -> np.ndarray:
        """Return the mean delay of the response to a switch, (items,)."""
        ends = [family.integral(AT_LATE, x[some, :p])[:, 0] for family, p, some in self.parts]
        return LATE - (ends[0] if len(ends) == 1 else np.concatenate(ends))

    def _seen(self, integral: np.ndarray) -> np.ndarray:
        """Return what the capture makes of integrals (items, ..., ages), with or without that at `LATE`."""
        operator = self.data.operator[..., : integral.shape[-1]]
        if operator.ndim == 2:
            return integral @ operator.T
        if not self.groups:
            return (
                np.matmul(operator, integral.reshape(len(integral), -1, integral.shape[-1]).swapaxes(1, 2))
                .swapaxes(1, 2)
                .reshape(*integral.shape[:-1], -1)
            )
        out = np.empty((*integral.shape[:-1], operator.shape[1]))
        for some in self.groups:
            out[some] = integral[some] @ operator[self.row[some[0]]].T
        return out

    def best_levels(self, edge: np.ndarray) -> np.ndarray:
        """Return the from and to levels that fit best, (items, 2)."""
        w, sum_w, sum_wd, prior = self.squared, self.sum_squared, self.sum_pull, self.prior[:, -2:]
        we, rb, bb = np.vecdot(edge, w), np.vecdot(edge, self.pull), np.vecdot(edge * edge, w)
        aa, ab = sum_w - 2 * we + bb + prior[:, 0], we - bb
        ra = sum_wd - rb + prior[:, 0] * self.level[:, 0]
        bb, rb = bb + prior[:, 1], rb + prior[:, 1] * self.level[:, 1]
        det = aa * bb - ab * ab + 1e-12 * aa * bb + 1e-300
        out = np.empty((len(det), 2))
        out[:, 0], out[:, 1] = (bb * ra - ab * rb) / det, (aa * rb - ab * ra) / det
        return out

    def evaluate(self, x: np.ndarray) -> tuple[np.ndarray, ...]:
        """Return edge, levels, weighted residuals and chi-square of parameters (items, most + 1)."""
        edge = self.edges(x)
        levels = self.best_levels(edge)
        rest = self.profile - self.model(edge, levels)
        rest *= self.weight
        off = self.prior[:, -2:] * (levels - self.level) ** 2
        return edge, levels, rest, np.vecdot(rest, rest) + off[:, 0] + off[:, 1]

    def model(self, edge: np.ndarray, levels: np.ndarray) -> np.ndarray:
        """Return normalised edges as profiles with these levels."""
        return levels[:, :1] + (levels[:, 1:] - levels[:, :1]) * edge
