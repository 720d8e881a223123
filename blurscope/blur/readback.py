"""The third road: a pixel's own step read back from the profile of its edge, with no family of responses.

The photo is linear in the response. With a perfect camera it is undone by the recursion R(t) = R(t - T) + T·ESF'(t),
which is as noisy as a derivative; here lens, tracking, exposure and apertures are undone with it. R is a cubic
smoothing spline in stretched time s = ln(1 + t/c), 0 at the switch and 1 at the end: the integral of R''(s)² is held
down (Tikhonov), in its own eigenfunctions, a straight line and sines. How much is settled by generalised
cross-validation; what the profile's noise and this penalty leave open together is the posterior of the spline.

References
----------
Golub, Heath, Wahba, "Generalized cross-validation as a method for choosing a good ridge parameter", Technometrics 21,
215 (1979). Kim, Gu, "Smoothing spline Gaussian regression", J. R. Stat. Soc. B 66, 337 (2004): the weight 1.4.
Wahba, "Bayesian confidence intervals for the cross-validated smoothing spline", J. R. Stat. Soc. B 45, 133 (1983).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from blurscope.blur.figures import crossing
from blurscope.blur.profiles import Nuisance, Profiles
from blurscope.uncertainty import K95

STRETCHES = np.array([0.03, 0.08, 0.2, 0.5])  # c, refreshes
STRETCH_SHARE = 0.5  # c over the response as the edge's width has it at first sight
WAVES = 24  # sines of a reading
SWITCH_STRETCH, SWITCH_WAVES = 0.08, 14  # while the switch is looked for
BENDS = np.geomspace(0.15, 20.0, 15)  # size of the first sine; that of the k-th is k² times smaller
LEAST_NOISE = 0.7  # of the variance stated, where the misfit is less
GUARD = 1.4  # of the degrees of freedom in the cross-validation, which else follows the noise now and then
DEGREES = 0.9  # at most, share of the samples
KINK_SD = 3.0  # change of slope one refresh after the switch, when the display drives the pixel anew
SWITCH_SD = 0.025  # refreshes, of a transition's switch against that of all
HELD = 1e-4  # refreshes, of a switch that stays where it is tried
SWITCH_EDGES = 6  # that have the least noise and are asked for it
SWITCH_STEPS = (np.arange(-12, 9, 4), np.array([-2, -1, 1, 2]))  # 64ths of a refresh
CAP = 25.0  # of what one edge says against a place of the switch
SPREAD = 4.0  # a switch misplaced by a standard deviation spreads the response like a box so many of them wide
NONLINEAR = 1.4  # band over linear interval of a crossing from which it is believed instead
KNOWN_SHARE = 0.6  # of a response: with a larger u95 it isn't known
NODES = 64  # of the step as read
LEVELS = np.array([0.1, 0.9])
LEAST_SLOPE = 1e-3  # of the step at a crossing


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReadBack:
    """A step as read back, times in refreshes since the switch.

    Attributes
    ----------
    response : float or None
        10-90 % time; None with flags where there is no telling.
    u95 : float
    parts : dict
        Standard uncertainties by contribution.
    flags : tuple of str
    t, light, light_u95 : (k,) float
        The step and how well it is known.
    """

    response: float | None
    u95: float
    parts: dict[str, float]
    flags: tuple[str, ...]
    t: np.ndarray
    light: np.ndarray
    light_u95: np.ndarray


def read_back(profiles: Profiles, doubts: Sequence[Nuisance] = ()) -> list[ReadBack]:
    """Read the step of every transition back from its profile.

    Parameters
    ----------
    profiles : Profiles
    doubts : sequence of Nuisance
        Shared effects, which count in the u95.
    """
    weight = 1 / (profiles.sigma * np.sqrt(max(profiles.correlation, 1.0)))
    wider, early = _at_first_sight(profiles)
    wanted = np.clip(STRETCH_SHARE * wider, STRETCHES[0], STRETCHES[-1])
    which = np.argmin(np.abs(np.log(STRETCHES / wanted[:, None])), axis=1)
    switch = _find_switch(profiles, weight, early)
    cells = _Shape(STRETCHES, profiles.ages, WAVES).cells(switch)
    seen = np.empty((*profiles.esf.shape, cells.shape[-1]))
    for k in np.unique(which).tolist():
        operator = profiles.operator if profiles.operator.ndim == 2 else profiles.operator[which == k]
        seen[which == k] = _seen(operator, cells[k : k + 1])[0]
    found = _Inverse(seen, profiles.esf, weight, profiles.levels)
    return _readings(found, _Shape(STRETCHES[which], profiles.ages, WAVES), weight, doubts)


class _Shape:
    """The spline's functions of time for n stretches: straight line, kink, sines; they add up to R times the span."""

    def __init__(self, stretch: np.ndarray, ages: np.ndarray, waves: int) -> None:
        self.stretch, self.ages, self.waves = stretch[:, None], ages, waves
        self.end = np.log1p(ages[-1] / self.stretch)
        self.bend = np.log1p(1 / self.stretch)  # one refresh after the switch
        self.order = np.arange(1, waves + 1.0)

    def time(self, s: np.ndarray) -> np.ndarray:
        """Return the times at ``s`` (n or 1, g), from 0 to 1 over the whole step."""
        return self.stretch * np.expm1(s * self.end)

    def rate(self, s: np.ndarray) -> np.ndarray:
        """Return how fast time goes with ``s``."""
        return self.stretch * self.end * np.exp(s * self.end)

    def values(self, s: np.ndarray) -> np.ndarray:
        """Return the functions at ``s`` (n or 1, g): (n, g, functions)."""
        hat = s * (self.end - self.bend) - np.maximum(s * self.end - self.bend, 0.0)
        waves = np.sin(np.pi * s[..., None] * self.order) / self.order**2
        return self._together(np.broadcast_to(s, hat.shape), hat, waves)

    def slopes(self, s: np.ndarray) -> np.ndarray:
        """Return their derivatives by ``s``."""
        hat = (self.end - self.bend) - self.end * (s * self.end > self.bend)
        waves = np.pi * np.cos(np.pi * s[..., None] * self.order) / self.order
        return self._together(np.ones(hat.shape), hat, waves)

    def _together(self, line: np.ndarray, hat: np.ndarray, waves: np.ndarray) -> np.ndarray:
        out = np.empty((*hat.shape, self.waves + 2))
        out[..., 0], out[..., 1], out[..., 2:] = line, hat, waves
        return out

    def cells(self, switch: np.ndarray | float) -> np.ndarray:
        """Return the means of the functions over the age bins and, last, what a later switch adds to the line.

        ``switch`` is one or (n,), refreshes; the result is (n, k, functions + 1).
        """
        t = np.maximum(self.ages - np.reshape(switch, (-1, 1)), 0.0)
        s = np.minimum(np.log1p(t / self.stretch), self.end)
        first = np.pi / self.end
        omega = (first * self.order)[:, None, :]
        e = np.exp(s)
        turns = np.cumprod(np.repeat(np.exp(1j * first * s)[..., None], self.waves, axis=-1), axis=-1)
        area = np.empty((*s.shape, self.waves + 3))
        line = self.stretch * (e * (s - 1) + 1)
        late = np.maximum(s - self.bend, 0.0)
        area[..., 0] = line / self.end + np.maximum(t - self.ages[-1], 0.0)
        area[..., 1] = line * (self.end - self.bend) / self.end - (self.stretch + 1) * (np.exp(late) * (late - 1) + 1)
        area[..., 2:-1] = e[..., None] * (turns.imag - omega * turns.real) + omega
        area[..., 2:-1] *= self.stretch[..., None] / ((1 + omega**2) * self.order**2)
        area[..., -1] = -s / self.end
        return np.diff(area, axis=1) / np.diff(self.ages)[:, None]


class _Inverse:
    """Penalised least squares of n profiles, in the eigenvectors of what the penalty is weighed against.

    Columns are from level, span, kink and switch, which are not penalised, then the sines.
    """

    FREE = 4

    def __init__(
        self, seen: np.ndarray, esf: np.ndarray, weight: np.ndarray, known: np.ndarray, switch_sd: float = SWITCH_SD
    ) -> None:
        n, m = esf.shape
        waves = seen.shape[-1] - 3
        design = np.empty((n, m + 4, self.FREE + waves))
        design[:, :m, 0] = 1
        design[:, :m, 1:3] = seen[..., :2]
        design[:, :m, 3] = seen[..., -1]
        design[:, :m, 4:] = seen[..., 2:-1]
        design[:, :m] *= weight[..., None]
        # what is known beforehand: both levels, kink and switch
        ties = np.zeros((n, 4, self.FREE + waves))
        ties[:, 0, 0] = 1 / known[:, 2]
        ties[:, 1, :2] = 1 / known[:, 3, None]
        ties[:, 2, 2], ties[:, 3, 3] = 1 / KINK_SD, 1 / switch_sd
        design[:, m:] = ties
        target = np.zeros((n, m + 4))
        target[:, :m] = esf * weight
        target[:, m], target[:, m + 1] = known[:, 0] / known[:, 2], known[:, 1] / known[:, 3]
        self.samples, self.design, self.waves = m, design, waves
        turned = design.swapaxes(1, 2)
        gram = np.matmul(turned, design)
        rhs = np.matmul(turned, target[..., None])[..., 0]
        f = self.FREE
        self.free = gram[:, :f, :f]
        solved = np.linalg.solve(self.free, np.concatenate([gram[:, :f, f:], rhs[:, :f, None]], axis=2))
        self.mixed, self.own = solved[..., :-1], solved[..., -1]
        value, self.vector = np.linalg.eigh(gram[:, f:, f:] - np.matmul(gram[:, f:, :f], self.mixed))
        self.value = np.maximum(value, 0.0)
        left = rhs[:, f:] - np.einsum("nij,ni->nj", gram[:, :f, f:], self.own)
        self.z = np.einsum("nij,ni->nj", self.vector, left)
        # for every size of the bends: misfit, misfit and penalty, degrees of freedom
        z2, total = self.z[:, None, :] ** 2, self.value[:, None, :] + BENDS[:, None] ** -2.0
        rest = ((target**2).sum(axis=1) - (self.own * rhs[:, :f]).sum(axis=1))[:, None]
        share = self.value[:, None, :] / total
        self.misfit = np.maximum(rest - (z2 * (2 - share) / total).sum(axis=-1), 1e-12)
        self.degrees = f + share.sum(axis=-1)
        self.cost = rest - (z2 / total).sum(axis=-1) + np.log(total * BENDS[:, None] ** 2).sum(axis=-1)

    def cross_validated(self) -> np.ndarray:
        """Return the size of the bends with the least generalised cross-validation score, an index for each profile."""
        used = GUARD * self.degrees
        score = self.misfit / np.maximum(self.samples - used, 1.0) ** 2
        score[used > DEGREES * self.samples] = np.inf
        return np.argmin(score, axis=1)

    def settle(self, size: np.ndarray) -> None:
        """Choose the sizes; ``coefficients`` follow."""
        self.total = self.value + BENDS[size, None] ** -2.0
        waves = np.einsum("nij,nj->ni", self.vector, self.z / self.total)
        top = self.own - np.einsum("nij,nj->ni", self.mixed, waves)
        self.coefficients = np.concatenate([top, waves], axis=1)

    def root_of(self, gradients: np.ndarray) -> np.ndarray:
        """Return vectors whose squared length is the variance of linear functionals, (n, g, FREE + waves)."""
        f = self.FREE
        lower = np.linalg.cholesky(self.free)
        top = np.linalg.solve(lower, gradients[..., :f].swapaxes(1, 2)).swapaxes(1, 2)
        waves = np.matmul(gradients[..., f:] - np.matmul(gradients[..., :f], self.mixed), self.vector)
        return np.concatenate([top, waves / np.sqrt(self.total)[:, None, :]], axis=-1)

    def weights_of(self, gradients: np.ndarray) -> np.ndarray:
        """Return what each weighted sample counts in linear functionals, (n, g, m)."""
        f = self.FREE
        waves = np.matmul(gradients[..., f:] - np.matmul(gradients[..., :f], self.mixed), self.vector)
        waves = np.matmul(waves / self.total[:, None, :], self.vector.swapaxes(1, 2))
        top = np.linalg.solve(self.free, gradients[..., :f].swapaxes(1, 2)).swapaxes(1, 2)
        top = top - np.matmul(waves, self.mixed.swapaxes(1, 2))
        return np.matmul(np.concatenate([top, waves], axis=-1), self.design[:, : self.samples].swapaxes(1, 2))


def _at_first_sight(profiles: Profiles) -> tuple[np.ndarray, np.ndarray]:
    """Return how much wider than an instant pixel's each edge is, and how much later it starts, refreshes."""
    lit = np.clip(profiles.ages[1:] / np.diff(profiles.ages), 0.0, 1.0)
    lag, instant = profiles.lag_px, np.atleast_2d(profiles.operator @ lit)
    (e1, e2, e8), (i1, i2, i8) = ([crossing(lag, y, x) for x in (0.1, 0.2, 0.8)] for y in (profiles.esf, instant))
    refresh = (i8 - i2) / 0.6
    wider = np.sqrt(np.maximum((e8 - e2) ** 2 - (i8 - i2) ** 2, 0.0)) / refresh
    return np.nan_to_num(wider, nan=0.3), (e1 - i1) / refresh


def _find_switch(profiles: Profiles, weight: np.ndarray, early: np.ndarray) -> float:
    """Return the switch on the pose's clock that all edges share, refreshes.

    Each edge says by its evidence (how likely its profile is, the best of all sizes of bends) how good a place is;
    ``early`` is how much later than an instant pixel's each starts at first sight, (n,).
    """
    rows = np.argsort(np.median(profiles.sigma, axis=1), kind="stable")[:SWITCH_EDGES]
    early = early[rows][np.isfinite(early[rows])]
    start = float(np.clip(early.min(), -0.6, 1.5)) if len(early) else 0.0
    operator = profiles.operator if profiles.operator.ndim == 2 else profiles.operator[rows]
    at, cost = np.empty(0, int), np.empty((0, len(rows)))
    for steps in SWITCH_STEPS:
        steps = steps if not len(at) else steps + at[np.argmin(_capped(cost))]
        shape = _Shape(np.full(len(steps), SWITCH_STRETCH), profiles.ages, SWITCH_WAVES)
        seen = _seen(operator, shape.cells(start + steps / 64))
        seen = np.broadcast_to(seen, (len(steps), len(rows), *seen.shape[2:])).reshape(-1, *seen.shape[2:])
        again = [np.tile(x[rows], (len(steps), 1)) for x in (profiles.esf, weight, profiles.levels)]
        found = _Inverse(seen, *again, HELD).cost.min(axis=1).reshape(len(steps), -1)
        at, first = np.unique(np.concatenate([at, steps]), return_index=True)
        cost = np.concatenate([cost, found])[first]
    total = _capped(cost)
    i = int(np.argmin(total))
    place = float(at[i])
    if 0 < i < len(at) - 1:  # the lowest point of the parabola through three
        (a, b, c), (left, right) = total[i - 1 : i + 2], np.diff(at[i - 1 : i + 2])
        bend = (a - b) / left + (c - b) / right
        if bend > 0:
            place += float(np.clip(0.5 * (right * (a - b) / left - left * (c - b) / right) / bend, -left, right))
    return start + place / 64


def _capped(cost: np.ndarray) -> np.ndarray:
    """Return the sum over edges (columns), where none can say more than so much against a place."""
    return np.minimum(cost - cost.min(axis=0), CAP).sum(axis=1)


def _seen(operator: np.ndarray, cells: np.ndarray) -> np.ndarray:
    """Return what the camera sees of the functions for several switches, (switches, n or 1, m, functions + 1)."""
    count, bins, each = cells.shape
    seen = operator.reshape(-1, bins) @ cells.transpose(1, 0, 2).reshape(bins, -1)
    return seen.reshape(-1, operator.shape[-2], count, each).transpose(2, 0, 1, 3)


def _readings(found: _Inverse, shape: _Shape, weight: np.ndarray, doubts: Sequence[Nuisance]) -> list[ReadBack]:
    size = found.cross_validated()
    found.settle(size)
    each, count = np.arange(len(size)), found.samples
    # noise is what the misfit says, and not much less than stated
    excess = found.misfit[each, size] / np.maximum(count - found.degrees[each, size], 1.0)
    noise = np.sqrt(np.maximum(excess, LEAST_NOISE))
    span = found.coefficients[:, 1, None]
    pick = np.r_[1, 2, found.FREE : found.FREE + found.waves]
    coefficients = found.coefficients[:, pick] / span

    def at(values: np.ndarray) -> np.ndarray:
        return np.matmul(values, coefficients[..., None])[..., 0]

    def gradients(values: np.ndarray, level: np.ndarray) -> np.ndarray:
        """Derivatives of R by all coefficients where the functions have these values, (n, g, all)."""
        out = np.zeros((*values.shape[:2], found.FREE + found.waves))
        out[..., pick] = values / span[..., None]
        out[..., 1] -= level / span
        return out

    s = np.linspace(0.0, 1.0, NODES + 1)
    values = shape.values(s[None])
    light = at(values)
    light_sd = np.linalg.norm(found.root_of(gradients(values, light)), axis=-1) * noise[:, None]
    first = np.stack([crossing(s, light, level) for level in LEVELS], axis=1)
    place = np.nan_to_num(first, nan=0.5)
    slope = np.maximum(at(shape.slopes(place)), LEAST_SLOPE)
    values = shape.values(place)
    move = np.clip((LEVELS - at(values)) / slope, -0.5 / NODES, 0.5 / NODES)  # the step isn't straight between nodes
    time = shape.time(first + move)
    response = time[:, 1] - time[:, 0]
    # where there is less light a crossing comes later
    later = -gradients(values, np.broadcast_to(LEVELS, place.shape)) * (shape.rate(place) / slope)[..., None]
    both = np.concatenate([later, later[:, 1:] - later[:, :1]], axis=1)
    sd = np.linalg.norm(found.root_of(both), axis=-1) * noise[:, None]
    counts = found.weights_of(both[:, 2:])[:, 0] * weight
    effects = np.array([(counts * d.shift).sum(axis=1) for d in doubts]).reshape(-1, len(each))
    spread = response - np.sqrt(np.maximum(response**2 - (SPREAD * SWITCH_SD) ** 2, 0.0))
    # where the step runs flat a crossing may be anywhere in the band of its noise
    rows = np.concatenate([light + K95 * light_sd, light - K95 * light_sd])
    early, late = (shape.time(np.stack([crossing(s, x, level) for level in LEVELS], axis=1)) for x in np.split(rows, 2))
    reach = np.maximum(time - early, late - time)
    beyond = np.sqrt((np.where(reach > NONLINEAR * K95 * sd[:, :2], reach, 0.0) ** 2).sum(axis=1)) / K95
    parts = {"noise": np.hypot(sd[:, 2], beyond), "switch": spread}
    for doubt, effect in zip(doubts, effects, strict=True):  # several effects may make one contribution
        parts[doubt.name] = np.hypot(parts.get(doubt.name, 0.0), effect)
    u95 = K95 * np.sqrt(sum(x**2 for x in parts.values()))
    times, out = shape.time(s[None]), []
    for i, (r, u) in enumerate(zip(response.tolist(), u95.tolist(), strict=True)):
        flags: tuple[str, ...] = ()
        if not np.isfinite(r + u):
            flags = ("threshold_grazed",)
        elif u > KNOWN_SHARE * r:
            flags = ("response_unresolved",)
        seen = dict(t=times[i], light=light[i], light_u95=K95 * light_sd[i])
        mine = {name: float(x[i]) for name, x in parts.items()}
        out.append(ReadBack(response=None if flags else r, u95=0.0 if flags else u, parts=mine, flags=flags, **seen))
    return out
