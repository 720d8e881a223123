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
SECOND = (0.06, 0.25)  # refreshes, of what begins one refresh after the switch, when the display drives the pixel anew
SECOND_SD = 0.3  # of its size
SWITCH_SD, SWITCH_SHARE = 0.025, 0.2  # of a transition's switch as found: refreshes, and share of the blur (lens)
HELD = 1e-4  # refreshes, of a switch that stays where it is tried
SWITCH_REACH = 2.5  # refreshes of travel up to which the switch is looked for
SWITCH_EDGES = 6  # that have the least noise and are asked for it
SWITCH_STEPS = (np.arange(-12, 9, 4), np.array([-2, -1, 1, 2]))  # 64ths of a refresh
CAP = 25.0  # of what one edge says against a place of the switch
MAYBE_INSTANT = 0.1  # stretch below which an edge is hardly wider than an instant pixel's
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
    switch : float
        Where it lies on the pose's clock.
    t, light, light_u95 : (k,) float
        The step and how well it is known.
    """

    response: float | None
    u95: float
    parts: dict[str, float]
    flags: tuple[str, ...]
    switch: float
    t: np.ndarray
    light: np.ndarray
    light_u95: np.ndarray


def read_back(profiles: Profiles, doubts: Sequence[Nuisance], px_per_refresh: float, blur_px: float) -> list[ReadBack]:
    """Read the step of every transition back from its profile.

    Parameters
    ----------
    profiles : Profiles
    doubts : sequence of Nuisance
        Shared effects, which count in the u95.
    px_per_refresh, blur_px : float
        Travel, and standard deviation of the lens blur.
    """
    weight = 1 / (profiles.sigma * np.sqrt(max(profiles.correlation, 1.0)))
    wider, early = _at_first_sight(profiles, px_per_refresh)
    wanted = np.clip(STRETCH_SHARE * wider, STRETCHES[0], STRETCHES[-1])
    which = np.argmin(np.abs(np.log(STRETCHES / wanted[:, None])), axis=1)
    switch = _find_switch(profiles, weight, early, px_per_refresh)
    cells = _Shape(STRETCHES, profiles.ages, WAVES).cells(switch)
    seen = np.empty((*profiles.esf.shape, cells.shape[-1]))
    for k in np.unique(which).tolist():
        operator = profiles.operator if profiles.operator.ndim == 2 else profiles.operator[which == k]
        seen[which == k] = _seen(operator, cells[k : k + 1])[0]
    unsure = float(np.hypot(SWITCH_SD, SWITCH_SHARE * blur_px / px_per_refresh))
    found = _Inverse(seen, profiles.esf, weight, profiles.levels, unsure)
    lit = np.clip((profiles.ages[1:] - switch) / np.diff(profiles.ages), 0.0, 1.0)
    instant = np.broadcast_to(profiles.operator @ lit, profiles.esf.shape) * weight
    shape = _Shape(STRETCHES[which], profiles.ages, WAVES)
    return _readings(found, shape, weight, doubts, instant, (switch, SPREAD * unsure))


class _Shape:
    """The spline's functions of time for n stretches; they add up to R times the span.

    A straight line in stretched time; what begins one refresh after the switch, with the line taken off so that it ends
    at 0; sines.
    """

    def __init__(self, stretch: np.ndarray, ages: np.ndarray, waves: int) -> None:
        self.stretch, self.ages, self.waves = stretch[:, None], ages, waves
        self.end = np.log1p(ages[-1] / self.stretch)
        self.order = np.arange(1, waves + 1.0)

    def time(self, s: np.ndarray) -> np.ndarray:
        """Return the times at ``s`` (n or 1, g), from 0 to 1 over the whole step."""
        return self.stretch * np.expm1(s * self.end)

    def rate(self, s: np.ndarray) -> np.ndarray:
        """Return how fast time goes with ``s``."""
        return self.stretch * self.end * np.exp(s * self.end)

    def values(self, s: np.ndarray) -> np.ndarray:
        """Return the functions at ``s`` (n or 1, g): (n, g, functions)."""
        late = np.maximum(self.time(s) - 1.0, 0.0)
        waves = np.sin(np.pi * s[..., None] * self.order) / self.order**2
        return self._together(np.broadcast_to(s, late.shape), [-np.expm1(-late / x) - s for x in SECOND], waves)

    def slopes(self, s: np.ndarray) -> np.ndarray:
        """Return their derivatives by ``s``."""
        late, rate = self.time(s) - 1.0, self.rate(s)
        second = [np.where(late > 0, np.exp(-np.maximum(late, 0.0) / x) / x * rate, 0.0) - 1.0 for x in SECOND]
        waves = np.pi * np.cos(np.pi * s[..., None] * self.order) / self.order
        return self._together(np.ones(late.shape), second, waves)

    def _together(self, line: np.ndarray, second: list[np.ndarray], waves: np.ndarray) -> np.ndarray:
        out = np.empty((*line.shape, 1 + len(second) + self.waves))
        out[..., 0], out[..., 1 + len(second) :] = line, waves
        for k, values in enumerate(second, 1):
            out[..., k] = values
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
        line = self.stretch * (e * (s - 1) + 1) / self.end + np.maximum(t - self.ages[-1], 0.0)
        late = np.maximum(t - 1.0, 0.0)
        second = [late + x * np.expm1(-late / x) - line for x in SECOND]
        waves = e[..., None] * (turns.imag - omega * turns.real) + omega
        waves *= self.stretch[..., None] / ((1 + omega**2) * self.order**2)
        area = np.concatenate([self._together(line, second, waves), (-s / self.end)[..., None]], axis=-1)
        return np.diff(area, axis=1) / np.diff(self.ages)[:, None]


class _Inverse:
    """Penalised least squares of n profiles, in the eigenvectors of what the penalty is weighed against.

    Columns are from level, span, what begins a refresh later and switch, which are not penalised, then the sines.
    """

    FREE = 3 + len(SECOND)

    def __init__(
        self, seen: np.ndarray, esf: np.ndarray, weight: np.ndarray, known: np.ndarray, switch_sd: float
    ) -> None:
        n, m = esf.shape
        f, second = self.FREE, 1 + len(SECOND)
        waves = seen.shape[-1] - second - 1
        design = np.empty((n, m + second + 2, f + waves))
        design[:, :m, 0] = 1
        design[:, :m, 1 : f - 1] = seen[..., :second]
        design[:, :m, f - 1] = seen[..., -1]
        design[:, :m, f:] = seen[..., second:-1]
        design[:, :m] *= weight[..., None]
        # what is known beforehand: both levels, then the other columns that aren't penalised
        ties = np.zeros((n, second + 2, f + waves))
        ties[:, 0, 0] = 1 / known[:, 2]
        ties[:, 1, :2] = 1 / known[:, 3, None]
        each = np.arange(2, f)
        ties[:, each, each] = 1 / np.array([SECOND_SD] * len(SECOND) + [switch_sd])
        design[:, m:] = ties
        target = np.zeros((n, m + second + 2))
        target[:, :m] = esf * weight
        target[:, m], target[:, m + 1] = known[:, 0] / known[:, 2], known[:, 1] / known[:, 3]
        self.samples, self.design, self.waves = m, design, waves
        turned = design.swapaxes(1, 2)
        gram = np.matmul(turned, design)
        rhs = np.matmul(turned, target[..., None])[..., 0]
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

    def again(self, samples: np.ndarray) -> np.ndarray:
        """Return the coefficients for other samples (n, m), weighted, of steps between 0 and 1."""
        f = self.FREE
        seen, low = self.design[:, : self.samples], self.design[:, self.samples + 1, 1]
        rhs = np.matmul(seen.swapaxes(1, 2), samples[..., None])[..., 0]
        rhs[:, :2] += (low**2)[:, None]
        own = np.linalg.solve(self.free, rhs[:, :f, None])[..., 0]
        left = rhs[:, f:] - np.einsum("nij,ni->nj", self.mixed, rhs[:, :f])
        waves = np.einsum("nij,nj->ni", self.vector, np.einsum("nij,ni->nj", self.vector, left) / self.total)
        return np.concatenate([own - np.einsum("nij,nj->ni", self.mixed, waves), waves], axis=1)

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


def _at_first_sight(profiles: Profiles, px_per_refresh: float) -> tuple[np.ndarray, np.ndarray]:
    """Return how much wider than an instant pixel's each edge is, and how much later it starts, refreshes."""
    lit = np.clip(profiles.ages[1:] / np.diff(profiles.ages), 0.0, 1.0)
    lag, instant = profiles.lag_px, np.atleast_2d(profiles.operator @ lit)
    (e1, e2, e8), (i1, i2, i8) = ([crossing(lag, y, x) for x in (0.1, 0.2, 0.8)] for y in (profiles.esf, instant))
    wider = np.sqrt(np.maximum((e8 - e2) ** 2 - (i8 - i2) ** 2, 0.0)) / px_per_refresh
    return np.nan_to_num(wider, nan=0.3), (e1 - i1) / px_per_refresh


def _find_switch(profiles: Profiles, weight: np.ndarray, early: np.ndarray, px_per_refresh: float) -> float:
    """Return the switch on the pose's clock that all edges share, refreshes.

    Each edge says by its evidence (how likely its profile is, the best of all sizes of bends) how good a place is;
    ``early`` is how much later than an instant pixel's each starts at first sight, (n,).
    """
    rows = np.argsort(np.median(profiles.sigma, axis=1), kind="stable")[:SWITCH_EDGES]
    early = early[rows][np.isfinite(early[rows])]
    start = float(np.clip(early.min(), -0.6, 1.5)) if len(early) else 0.0
    near = int(np.searchsorted(profiles.lag_px, SWITCH_REACH * px_per_refresh))
    operator = profiles.operator[:near] if profiles.operator.ndim == 2 else profiles.operator[rows, :near]
    samples = profiles.esf[rows, :near], weight[rows, :near], profiles.levels[rows]
    at, cost = np.empty(0, int), np.empty((0, len(rows)))
    for steps in SWITCH_STEPS:
        steps = steps if not len(at) else steps + at[np.argmin(_capped(cost))]
        shape = _Shape(np.full(len(steps), SWITCH_STRETCH), profiles.ages, SWITCH_WAVES)
        seen = _seen(operator, shape.cells(start + steps / 64))
        seen = np.broadcast_to(seen, (len(steps), len(rows), *seen.shape[2:])).reshape(-1, *seen.shape[2:])
        found = (
            _Inverse(seen, *(np.tile(x, (len(steps), 1)) for x in samples), HELD)
            .cost.min(axis=1)
            .reshape(len(steps), -1)
        )
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


def _readings(
    found: _Inverse,
    shape: _Shape,
    weight: np.ndarray,
    doubts: Sequence[Nuisance],
    instant: np.ndarray,
    place: tuple[float, float],
) -> list[ReadBack]:
    """Return the responses.

    ``instant`` is what the camera would have seen of an instant pixel, weighted; ``place`` is the switch and how wide a
    step becomes that is read at a place not its own.
    """
    switch, apart = place
    size = found.cross_validated()
    found.settle(size)
    each, count = np.arange(len(size)), found.samples
    # noise is what the misfit says, and not much less than stated
    excess = found.misfit[each, size] / np.maximum(count - found.degrees[each, size], 1.0)
    noise = np.sqrt(np.maximum(excess, LEAST_NOISE))
    span = found.coefficients[:, 1, None]
    pick = np.delete(np.arange(1, found.FREE + found.waves), found.FREE - 2)
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
    functions = shape.values(s[None])
    light = at(functions)
    light_sd = np.linalg.norm(found.root_of(gradients(functions, light)), axis=-1) * noise[:, None]
    first = np.stack([crossing(s, light, level) for level in LEVELS], axis=1)
    crossed = np.nan_to_num(first, nan=0.5)
    slope = np.maximum(at(shape.slopes(crossed)), LEAST_SLOPE)
    values = shape.values(crossed)
    move = np.clip((LEVELS - at(values)) / slope, -0.5 / NODES, 0.5 / NODES)  # the step isn't straight between nodes
    time = shape.time(first + move)
    response = time[:, 1] - time[:, 0]
    # where there is less light a crossing comes later
    later = -gradients(values, np.broadcast_to(LEVELS, crossed.shape)) * (shape.rate(crossed) / slope)[..., None]
    both = np.concatenate([later, later[:, 1:] - later[:, :1]], axis=1)
    sd = np.linalg.norm(found.root_of(both), axis=-1) * noise[:, None]
    counts = found.weights_of(both[:, 2:])[:, 0] * weight
    effects = np.array([(counts * d.shift).sum(axis=1) for d in doubts]).reshape(-1, len(each))
    # an instant pixel would read this wide by the penalty and by a switch out of crossed; widths add like squares
    again = found.again(instant)
    rows = np.matmul(functions, (again[:, pick] / again[:, 1:2])[..., None])[..., 0]
    start, stop = (shape.time(crossing(s, rows, level)[:, None])[:, 0] for level in LEVELS)
    maybe = shape.stretch[:, 0] < MAYBE_INSTANT
    least = np.hypot(np.where(maybe, np.nan_to_num(stop - start, nan=np.inf), 0.0), apart)
    spread = response - np.sqrt(np.maximum(response**2 - least**2, 0.0))
    # where the step runs flat a crossing may be anywhere in the band of its noise
    rows = np.concatenate([light + K95 * light_sd, light - K95 * light_sd])
    early, late = (shape.time(np.stack([crossing(s, x, level) for level in LEVELS], axis=1)) for x in np.split(rows, 2))
    reach = np.maximum(time - early, late - time)
    beyond = np.sqrt((np.where(reach > NONLINEAR * K95 * sd[:, :2], reach, 0.0) ** 2).sum(axis=1)) / K95
    parts = {"noise": np.hypot(sd[:, 2], beyond), "smoothing": spread}
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
        seen = dict(switch=switch, t=times[i], light=light[i], light_u95=K95 * light_sd[i])
        mine = {name: float(x[i]) for name, x in parts.items()}
        out.append(ReadBack(response=None if flags else r, u95=0.0 if flags else u, parts=mine, flags=flags, **seen))
    return out
