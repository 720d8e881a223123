"""What the edges of one photo tell together of its camera: the curve, how it followed, and what that leaves open.

A curve bends every edge and a tracking error blurs every edge, rises and falls and each pair of levels in its own way,
while the pixels' responses differ from edge to edge. So strengths of an S-shaped curve and ways to follow are tried
on all edges at once, responses fitted under each, and they count as likely as profiles and what cameras do make them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from blurscope.blur.compete import compete
from blurscope.blur.families import FAMILIES, Family
from blurscope.blur.fit import FamilyFit, cell_means
from blurscope.blur.profiles import Nuisance
from blurscope.edgecapture import TRACK_PRIOR, FreeEdge, principal
from blurscope.freeedge import Looks

PLAIN = tuple(
    f for f in FAMILIES if f.name in ("exponential", "s-shaped", "two exponentials", "staged", "raised-cosine", "ramp")
)
ROUNDS = 2
DOUBT = 5.0  # what families and noise leave out is alike along an edge and in all edges: chi-square counts so much less
LEAST_LEFT = 0.75  # of what is open in a capture before its edges are looked at, stays so: found on simulated photos
STEPS, STEADY = 14, 5e-3  # of a search for what edges share, and change below which it ends
FURTHEST = 3.0  # standard deviations of that
FURTHEST_EACH = 2.5  # the same of what an edge has of its own
UNLIKE = 9.0  # chi-square by which an edge beside the first may disagree with the others before it is left out
MISFIT = 1.5  # chi-square per sample, over the correlation of its noise, from which such an edge tells nothing
TRACKING_LEFT = 0.25  # of what a tracking error does, as the ways to follow that are tried lie apart
LEVEL_SD = (0.03, 0.3)  # of the step, of both plateaus: those of the fit
LOOSE = 1e-6  # keeps a response solvable that the profile doesn't depend on


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Told:
    """What the edges together tell of one of them.

    Attributes
    ----------
    esf : (m,) float
        Its profile by the likeliest curve, with what the capture adds beyond its model taken out.
    added : (m,) float
        What was taken out.
    nuisances : list of Nuisance
        What is left open, each by one standard deviation.
    ways, ways_sd : (3,) float
        The curve as `Looks` has it.
    """

    esf: np.ndarray
    added: np.ndarray
    nuisances: list[Nuisance]
    ways: np.ndarray
    ways_sd: np.ndarray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Costs:
    """Chi-square of one edge under one curve, by family and way to follow, about the curve's two other ways z.

    ``const - 2 linear z + z square z``; what the edge has of its own is at its best, ``own[f] - own_by_z[f] z``.
    """

    const: np.ndarray  # (f, t)
    linear: np.ndarray  # (f, t, 2)
    square: np.ndarray  # (f, 2, 2)
    own: np.ndarray  # (f, t, q)
    own_by_z: np.ndarray  # (f, q, 2)
    own_var: np.ndarray  # (f, q)

    def at(self, z: np.ndarray) -> np.ndarray:
        """Return the costs at z, (t, 2): (f, t)."""
        return self.const - 2 * np.einsum("ftc,tc->ft", self.linear, z) + np.einsum("tc,fcd,td->ft", z, self.square, z)


class _Edge:
    """One edge while the search goes on."""

    def __init__(self, edge: FreeEdge, looks: Looks, seed: int) -> None:
        self.edge, self.looks, self.seed = edge, looks, seed
        count, m = len(looks.strengths), len(edge.profile.lag)
        self.fits: list[FamilyFit] | None = None
        self.removed = np.zeros((count, m))
        self.names: list[str] = []
        self.misfit = 0.0

    def begin(self, fits: list[FamilyFit], weights: np.ndarray) -> None:
        """Find what each unknown does to this edge, by the response that fits it best so far."""
        k = int(np.argmin(np.min([f.chi2 for f in fits], axis=0) + self.looks.strengths**2))
        best = fits[int(np.argmax(weights[:, k]))]
        cells = cell_means(best.family, best.params[k : k + 1], best.onset[k : k + 1], self.edge.ages)[0]
        found = self.edge.nuisances(cells, self.seed)
        left = TRACKING_LEFT if self.edge.setup.exposure_refreshes is not None else 1.0
        self.names = [n.name for n in found]
        self.tried = np.array([left if n.name.startswith("tracking") else 1.0 for n in found])
        self.units = np.array([n.shift[0] for n in found]) * self.tried[:, None]
        self.tracked = self.edge.tracked(cells)

    def costs(self, base: np.ndarray, families: Sequence[Family]) -> list[_Costs]:
        """Return the costs under each curve, linear about what the search has come to, (curves, 2)."""
        made, looks = self.edge.made, self.looks
        count, m = self.removed.shape
        bent = np.array([made.esf[0] + self.edge.bent(looks.curve(k, z), looks.stated) for k, z in enumerate(base)])
        now = replace(
            made,
            esf=bent - self.removed,
            sigma=np.repeat(made.sigma, count, axis=0),
            levels=np.repeat(made.levels, count, axis=0),
        )
        self.fits, weights = compete(now, families, before=self.fits)
        if not self.names:
            self.begin(self.fits, weights)
        scale = 1 / made.sigma[0]
        systems = []
        for k, z in enumerate(base):
            slopes = [self.edge.bent(looks.curve(k, z - step), looks.curve(k, z + step)) for step in 0.5 * np.eye(2)]
            around = np.array([*slopes, *self.units]).T
            for fit in self.fits:
                if np.isfinite(fit.chi2[k]):
                    left = bent[k] - fit.model[k] + around[:, :2] @ z
                    y = (left[:, None] - self.tracked.T) * scale[:, None]
                    a = np.concatenate([fit.jacobian[k], around], axis=1) * scale[:, None]
                    systems.append((k, fit.count, fit.jacobian.shape[2], a, y, a.T @ a, a.T @ y))
        least = np.inf
        for _, _, q, a, y, aa, ay in systems:
            x = np.linalg.solve(aa / made.correlation + _prior(len(aa), q, 1.0), ay / made.correlation)
            least = min(least, float(((y - a @ x) ** 2).sum(axis=0).min()))
        inflate = DOUBT * max(made.correlation, least / max(m - 8, 1))
        self.misfit = inflate / DOUBT / made.correlation
        by_curve: list[list[tuple[np.ndarray, ...]]] = [[] for _ in range(count)]
        for k, parameters, q, _, y, aa, ay in systems:
            h, g = aa / inflate + _prior(len(aa), q, 0.0), ay / inflate
            shared = np.arange(q, q + 2)
            own = np.setdiff1d(np.arange(len(h)), shared)
            inverse = np.linalg.inv(h[np.ix_(own, own)])
            by_z, at_0 = inverse @ h[np.ix_(own, shared)], inverse @ g[own]
            const = (y**2).sum(axis=0) / inflate - (g[own] * at_0).sum(axis=0)
            by_curve[k].append(
                (
                    const + parameters * np.log(m / made.correlation),
                    (g[shared] - h[np.ix_(shared, own)] @ at_0).T,
                    h[np.ix_(shared, shared)] - h[np.ix_(shared, own)] @ by_z,
                    at_0[q:].T,
                    by_z[q:],
                    np.diag(inverse)[q:],
                )
            )
        return [_Costs(**dict(zip(_FIELDS, map(np.array, zip(*rows, strict=True)), strict=True))) for rows in by_curve]

    def take(self, costs: list[_Costs], base: np.ndarray, tracks: np.ndarray) -> None:
        """Take what is likely by now out of the profile under each curve; ``tracks`` is (curves, t)."""
        self.own, self.own_var = [], []
        for k, c in enumerate(costs):
            z = base[k]
            cost = c.at(np.tile(z, (c.const.shape[1], 1)))
            weight = np.exp(-0.5 * (cost - cost.min(axis=0)))
            weight *= tracks[k] / weight.sum(axis=0)
            own = c.own - (c.own_by_z @ z)[:, None, :]
            mean = np.einsum("ft,ftq->q", weight, own)
            var = np.einsum("ft,ftq->q", weight, (own - mean) ** 2 + c.own_var[:, None, :])
            self.own.append(np.clip(mean, -FURTHEST_EACH, FURTHEST_EACH))
            self.own_var.append(var)
            self.removed[k] = self.own[-1] @ self.units + tracks[k] @ self.tracked


_FIELDS = ("const", "linear", "square", "own", "own_by_z", "own_var")


def _prior(size: int, q: int, shared: float) -> np.ndarray:
    """Return the information that is there before the profile: of a response's parameters hardly any."""
    out = np.ones(size)
    out[:q] = LOOSE
    out[q - 2 : q] = 1 / np.array(LEVEL_SD) ** 2
    out[q : q + 2] = shared
    return np.diag(out)


def tell(
    edges: Sequence[FreeEdge],
    looks: Looks,
    laws: Sequence[tuple[float, float] | None],
    wanted: int,
    seeds: Sequence[int],
) -> list[Told]:
    """Find the camera's curve and how it followed from all edges of a photo.

    Parameters
    ----------
    edges : sequence of FreeEdge
        Those to be measured, then others of the same photo. The first counts in any case.
    looks : Looks
        The curves that the camera may have.
    laws : sequence of (float, float) or None
        For each edge, the logarithm of the to-level's light over the from-level's, and its standard uncertainty, where
        the levels are known.
    wanted : int
        How many of the edges are to be measured.
    seeds : sequence of int
        One for each edge.

    Returns
    -------
    list of Told
        One for each edge to be measured.

    Notes
    -----
    Each edge is linear in all that is not known but the strength of the S and the way to follow, about a fit of each
    family of responses; those are tried on a grid. Families weigh by the criterion of Bayes (Schwarz 1978), chi-square
    divided by the correlation of the noise, or by what no family explains where that is more, times `DOUBT`. An edge
    beside the first that is `UNLIKE` all others is one of something else.
    """
    every = [_Edge(edge, looks, seed) for edge, seed in zip(edges, seeds, strict=True)]
    told = [_law_costs(e.edge, looks, law) for e, law in zip(every, laws, strict=True)]
    base = np.zeros((len(looks.strengths), 2))
    ways_prior = looks.strengths**2
    track_cost = -2 * np.log(TRACK_PRIOR)
    for _ in range(ROUNDS):
        costs = [e.costs(base, PLAIN) for e in every]
        best = [np.inf]
        for e, mine in zip(every[1:], costs[1:], strict=True):
            alone = [
                _lowest([(c, np.inf)], z)[1] + p + track_cost for c, z, p in zip(mine, base, ways_prior, strict=True)
            ]
            best.append(float(np.min(alone)) + UNLIKE if e.misfit < MISFIT else -np.inf)
        total, shared, spread = [], [], []
        for k in range(len(base)):
            parts = [(mine[k], limit) for mine, limit in zip(costs, best, strict=True) if limit > -np.inf]
            parts += [(law(k, base[k]), np.inf) for law in told if law is not None]
            z, cost, information = _lowest(parts, base[k])
            total.append(cost + track_cost)
            shared.append(z)
            spread.append(np.linalg.inv(information))
        cost = np.array(total)
        tracks = np.exp(-0.5 * (cost - cost.min(axis=1, keepdims=True)))
        evidence = tracks.sum(axis=1)
        tracks /= evidence[:, None]
        base = np.einsum("kt,ktc->kc", tracks, np.array(shared))
        for e, mine in zip(every, costs, strict=True):
            e.take(mine, base, tracks)
    weight = looks.weights(cost.min(axis=1) - 2 * np.log(evidence) + ways_prior)
    off = np.array(shared) - base[:, None, :]
    within = np.einsum("kt,ktcd->kcd", tracks, np.array(spread)) + np.einsum("kt,ktc,ktd->kcd", tracks, off, off)
    return [_told(e, base, weight, tracks, within) for e in every[:wanted]]


def _lowest(parts: Sequence[tuple[_Costs, float]], start: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return what edges share at its likeliest for each way to follow, (t, 2); its cost; and the information on it.

    A part whose cost passes its limit counts as that at most.
    """
    count = max(c.const.shape[1] for c, _ in parts)
    z = np.tile(start, (count, 1))
    for _ in range(STEPS):
        information, pull = np.tile(np.eye(2), (count, 1, 1)), np.zeros((count, 2))
        total = (z**2).sum(axis=1)
        for c, limit in parts:
            cost = c.at(z)
            low = cost.min(axis=0)
            weight = np.exp(-0.5 * (cost - low))
            value = low - 2 * np.log(weight.sum(axis=0))
            weight /= weight.sum(axis=0)
            kept = 1.0
            if np.isfinite(limit):
                kept = 1 / (1 + np.exp(np.clip(0.5 * (value - limit), -50, 50)))
                value = -2 * np.logaddexp(-0.5 * value, -0.5 * limit)
                weight = weight * kept
            total = total + value
            information += np.einsum("ft,fcd->tcd", weight, c.square)
            pull += np.einsum("ft,ftc->tc", weight, np.broadcast_to(c.linear, (*weight.shape, 2)))
        new = np.linalg.solve(information, pull[..., None])[..., 0]
        if np.abs(new - z).max() < STEADY:
            break
        z = np.clip(z + 0.7 * (new - z), -FURTHEST, FURTHEST)
    return z, total, information


def _law_costs(edge: FreeEdge, looks: Looks, law: tuple[float, float] | None) -> Any:
    """Return what makes costs of the ratio of both plateaus' light; None where it isn't known or believed."""
    if law is None or not looks.believes(edge.plateau_codes(), *law):
        return None
    codes = edge.plateau_codes()

    def costs(k: int, z: np.ndarray) -> _Costs:
        off, slope = looks.off(k, z, codes, law[0])
        rest = off - slope @ z
        return _Costs(
            const=np.array([[rest**2]]) / law[1] ** 2,
            linear=(-slope * rest)[None, None, :] / law[1] ** 2,
            square=np.outer(slope, slope)[None] / law[1] ** 2,
            own=np.zeros((1, 1, 0)),
            own_by_z=np.zeros((1, 0, 2)),
            own_var=np.zeros((1, 0)),
        )

    return costs


def _told(e: _Edge, base: np.ndarray, weight: np.ndarray, tracks: np.ndarray, within: np.ndarray) -> Told:
    """Return what is known of one edge in the end."""
    looks, edge = e.looks, e.edge
    ways = np.column_stack([base[:, 0], looks.strengths, base[:, 1]])
    mean = weight @ ways
    cov = np.einsum("k,kc,kd->cd", weight, ways - mean, ways - mean)
    cov[np.ix_([0, 2], [0, 2])] += np.einsum("k,kcd->cd", weight, within)
    own, var = np.array(e.own), np.array(e.own_var)
    mean_own = weight @ own
    sd = np.maximum(np.sqrt(weight @ ((own - mean_own) ** 2 + var)), LEAST_LEFT / e.tried)
    track = weight @ tracks
    mean_tracked = track @ e.tracked
    added = mean_own @ e.units + mean_tracked
    curve = looks.by_ways(mean)
    value, vector = np.linalg.eigh(cov)
    moves = (vector * np.sqrt(np.maximum(value, 0.0))).T
    nuisances = [
        Nuisance(name=name, shift=(s * unit)[None, :]) for name, unit, s in zip(e.names, e.units, sd, strict=True)
    ]
    nuisances += principal("tracking 9", np.sqrt(track)[:, None] * (e.tracked - mean_tracked))
    nuisances += [
        Nuisance(name=f"tone {i}", shift=edge.bent(looks.by_ways(mean + move), curve)[None, :])
        for i, move in enumerate(moves)
    ]
    esf = edge.made.esf[0] + edge.bent(curve, looks.stated) - added
    return Told(esf=esf, added=added, nuisances=nuisances, ways=mean, ways_sd=np.sqrt(np.diag(cov)))
