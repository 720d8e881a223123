"""The blurred edge of a moving pattern: step response, hold and emission give the ESF and its figures, exactly.

``B(t) = integral of b·s over (t - T, t] / integral of b over a refresh``, with the emission ``b`` and the step ``s``.
All thresholds are found on the exact curve; only where to look for them comes from a grid.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from blurscope.shapes import GET_FACTOR
from blurscope.shapes.emission import HOLD, Emission, lit_integral, weight_at
from blurscope.shapes.steps import Step, instant_step

NODES_PER_HOLD = 64
GAUSS_POINTS = 6
PANELS_PER_HOLD = 12
SETTLE_BAND = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeFigures:
    """Figures of one blurred edge, in ms and shares of the transition.

    ``ghost`` is ``t_settle - t_10`` less the same difference of an instant pixel under the same emission.
    """

    t10: float
    t50: float
    t90: float
    t_settle: float
    bet: float
    ebet: float
    get: float
    ghost: float
    overshoot: float
    undershoot: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BlurredEdge:
    """ESF against time behind the drawn edge, as a perfect pursuit camera records it over whole refreshes."""

    step: Step
    hold: float
    emission: Emission = HOLD
    _nodes: np.ndarray = field(init=False, repr=False)
    _values: np.ndarray = field(init=False, repr=False)

    def __post_init__(self) -> None:
        if not (self.hold > 0 and math.isfinite(self.hold)):
            raise ValueError("the hold must be positive")
        nodes = self._make_nodes()
        object.__setattr__(self, "_nodes", nodes)
        object.__setattr__(self, "_values", self.esf(nodes))

    def esf(self, t: np.ndarray) -> np.ndarray:
        """Return the edge-spread function at times ``t`` (ms behind the drawn edge)."""
        t = np.atleast_1d(np.asarray(t, dtype=float))
        both = np.concatenate([t, t - self.hold])
        start = float(self.step.kinks_ms[0])
        area = lit_integral(self.step.integral, self.emission, self.hold, both, start)
        out = (area[: t.size] - area[t.size :]) / (self.hold * self.emission.mean_weight)
        return np.where(t - self.hold >= self.step.end_ms, 1.0, np.where(t <= start, 0.0, out))

    def lsf(self, t: np.ndarray) -> np.ndarray:
        """Return the line-spread function, 1/ms."""
        t = np.asarray(t, dtype=float)
        weight = weight_at(self.emission, self.hold, t)
        change = self.step.value(t) - self.step.value(t - self.hold)
        return weight * change / (self.hold * self.emission.mean_weight)

    def _make_nodes(self) -> np.ndarray:
        kinks = self.step.kinks_ms
        start, end = float(kinks[0]), float(kinks[-1]) + self.hold
        parts = [kinks, kinks + self.hold]
        if not self.emission.steady:
            refresh = np.arange(math.floor(start / self.hold) - 1, math.ceil(end / self.hold) + 2)[:, None]
            bounds = np.unique([x for piece in self.emission.pieces for x in piece[:2]])
            parts.append(((refresh + bounds) * self.hold).ravel())
        base = np.unique(np.concatenate(parts))
        base = base[(base >= start) & (base <= end)]
        if not self.step.linear:
            lengths = np.diff(base)
            scale = max(float(kinks[-1] - kinks[0]), self.hold) / 1500
            fine = [
                np.linspace(a, a + d, 2 + int(d / min(self.hold / NODES_PER_HOLD, 4 * scale)))
                for a, d in zip(base[:-1], lengths, strict=True)
            ]
            base = np.unique(np.concatenate([*fine, base]))
        keep = np.concatenate([[True], np.diff(base) > 1e-12 * max(1.0, end)])
        base = base[keep]
        # Middles and the tops of the parabolas through three points: a curve can cross a level twice between nodes.
        middle = 0.5 * (base[1:] + base[:-1])
        left, centre, right = self.esf(base[:-1]), self.esf(middle), self.esf(base[1:])
        bend = left - 2 * centre + right
        with np.errstate(divide="ignore", invalid="ignore"):
            top = middle - 0.25 * (right - left) * (base[1:] - base[:-1]) / bend
        inside = (top > base[:-1]) & (top < base[1:]) & np.isfinite(top)
        return np.unique(np.concatenate([base, middle, top[inside]]))

    def _root(self, level: float, i: int) -> float:
        """Exact crossing of ``level`` between nodes ``i`` and ``i + 1``."""
        from scipy.optimize import brentq

        a, b = float(self._nodes[i]), float(self._nodes[i + 1])
        return float(brentq(lambda x: float(self.esf(np.float64(x))[0]) - level, a, b, xtol=1e-13, rtol=1e-14))

    def crossing(self, level: float) -> float:
        """Return the first upward crossing of ``level``; NaN if there is none."""
        above = np.nonzero(self._values >= level)[0]
        if above.size == 0:
            return float("nan")
        i = int(above[0])
        return float(self._nodes[0]) if i == 0 else self._root(level, i - 1)

    def settle(self, band: float = SETTLE_BAND) -> float:
        """Return the last time the ESF is outside 1 +- ``band``."""
        outside = np.nonzero(np.abs(self._values - 1.0) > band)[0]
        if outside.size == 0:
            return float(self._nodes[0])
        i = int(outside[-1])
        if i == self._nodes.size - 1:
            return float(self._nodes[-1])
        return self._root(1.0 + band if self._values[i] > 1 else 1.0 - band, i)

    def excursions(self) -> tuple[float, float]:
        """Return overshoot past 1 and undershoot below 0, as shares of the transition."""
        return max(0.0, self._peak(1.0) - 1.0), max(0.0, self._peak(-1.0))

    def _peak(self, sign: float) -> float:
        values = sign * self._values
        i = int(np.argmax(values))
        best = float(values[i])
        if self.step.linear or i in (0, values.size - 1):
            return best
        from scipy.optimize import minimize_scalar

        bounds = (self._nodes[i - 1], self._nodes[i + 1])
        found = minimize_scalar(
            lambda x: -sign * float(self.esf(np.float64(x))[0]),
            bounds=bounds,
            method="bounded",
            options={"xatol": 1e-9 * (bounds[1] - bounds[0])},
        )
        return max(best, -float(found.fun))

    def gaussian_edge_time(self) -> float:
        """Return the 10-90 % width of the cumulative Gaussian that fits the endless ESF best (levels 0 and 1).

        Notes
        -----
        The two stationarity conditions of the least-squares fit, integrated by parts, need the line-spread function
        ``h`` alone: the mean of ``Phi(z)`` under ``h`` is 1/2 and the mean of ``phi(z)`` is ``1/(2 sqrt(pi))``,
        with ``z = (t - mu)/sigma``. So no window cuts the fit.
        """
        nodes, weights = np.polynomial.legendre.leggauss(self._gauss_points())
        longest = self.hold / PANELS_PER_HOLD
        gaps = np.diff(self._nodes)
        wide = np.nonzero(gaps > longest)[0]
        cuts = [np.linspace(self._nodes[i], self._nodes[i + 1], 2 + int(gaps[i] / longest)) for i in wide]
        bounds = np.unique(np.concatenate([self._nodes, *cuts]))
        a, b = bounds[:-1], bounds[1:]
        half = 0.5 * (b - a)
        t = (half[:, None] * nodes + 0.5 * (a + b)[:, None]).ravel()
        mass = self.lsf(t) * (half[:, None] * weights).ravel()
        t10, t90 = self.crossing(0.1), self.crossing(0.9)
        start = max(t90 - t10, 1e-6 * self.hold) / GET_FACTOR
        return GET_FACTOR * fit_gaussian(t, mass, 0.5 * (t10 + t90), start, single=self.emission.steady)

    def _gauss_points(self) -> int:
        """Short straight pieces of a sampled step need fewer points each."""
        return 3 if self.step.linear and self._nodes.size > 800 else GAUSS_POINTS

    def figures(self, settle_band: float = SETTLE_BAND) -> EdgeFigures:
        """Return all figures; times in ms."""
        t10, t50, t90 = self.crossing(0.1), self.crossing(0.5), self.crossing(0.9)
        settle = self.settle(settle_band)
        over, under = self.excursions()
        return EdgeFigures(
            t10=t10,
            t50=t50,
            t90=t90,
            t_settle=settle,
            bet=t90 - t10,
            ebet=(t90 - t10) / 0.8,
            get=self.gaussian_edge_time(),
            ghost=settle - t10 - instant_tail(self.hold, self.emission, settle_band),
            overshoot=over,
            undershoot=under,
        )


def instant_tail(hold: float, emission: Emission = HOLD, settle_band: float = SETTLE_BAND) -> float:
    """Return ``t_settle - t_10`` of an instant pixel: (0.90 - X)·hold for sample-and-hold and a band of +-X."""
    if emission.steady:
        return (0.9 - settle_band) * hold
    edge = BlurredEdge(step=instant_step(), hold=hold, emission=emission)
    return edge.settle(settle_band) - edge.crossing(0.1)


def fit_gaussian(t: np.ndarray, mass: np.ndarray, mu: float, sigma: float, *, single: bool = False) -> float:
    """Return sigma of the best cumulative Gaussian for an LSF given as point masses; NaN if there is no fit.

    Several widths are tried as starts, since an edge made of copies has more than one stationary point; the one with
    the least squared error wins. ``single``: the edge has one rise, the first fit that converges will do.
    """
    found: list[tuple[float, float]] = []
    for factor in (1.0, 2.5, 0.4):
        fitted = _newton(t, mass, mu, sigma * factor)
        if fitted is not None and not any(abs(fitted[1] - other[1]) < 1e-9 * other[1] for other in found):
            found.append(fitted)
        if single and found:
            break
    if not found:
        return float("nan")
    if len(found) == 1:
        return found[0][1]
    return min(found, key=lambda pair: _gaussian_cost(t, mass, *pair))[1]


def _newton(t: np.ndarray, mass: np.ndarray, mu: float, sigma: float) -> tuple[float, float] | None:
    from scipy.special import ndtr

    target = 1 / (2 * math.sqrt(math.pi))

    def residuals(m: float, s: float) -> tuple[np.ndarray, np.ndarray]:
        z = (t - m) / s
        pdf = mass * np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)
        first, second, third = pdf.sum(), (pdf * z).sum(), (pdf * z * z).sum()
        value = np.array([(mass * ndtr(z)).sum() - 0.5, first - target])
        return value, np.array([[-first, -second], [second, third]])

    value, jacobian = residuals(mu, sigma)
    for _ in range(80):
        try:
            move = -np.linalg.solve(jacobian, value) * sigma
        except np.linalg.LinAlgError:
            return None
        limit = 0.5 * sigma / max(float(np.abs(move).max()), 1e-300)
        move *= min(1.0, limit)
        mu, sigma = mu + move[0], sigma + move[1]
        value, jacobian = residuals(mu, sigma)
        if np.abs(move).max() < 1e-13 * sigma:
            return (mu, sigma) if np.abs(value).max() < 1e-9 else None
    return (mu, sigma) if np.abs(value).max() < 1e-9 else None


def _gaussian_cost(t: np.ndarray, mass: np.ndarray, mu: float, sigma: float) -> float:
    """Integral of the squared difference between the ESF of the masses and the Gaussian edge."""
    from scipy.special import ndtr

    order = np.argsort(t)
    esf = np.cumsum(mass[order])
    x = np.linspace(min(t.min(), mu - 6 * sigma), max(t.max(), mu + 6 * sigma), 4000)
    y = np.interp(x, t[order], esf, left=0.0, right=1.0)
    return float(np.sum((ndtr((x - mu) / sigma) - y) ** 2) * (x[1] - x[0]))
