"""The fit of the camera's curve, the flat field and the display's level-to-light law to the plate's stripes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from blurscope.light.curve import KNOTS, TOPS, base_curve, curve, hats
from blurscope.light.cut import Cut
from blurscope.light.flat import flat_basis
from blurscope.light.patches import EVEN, Patch
from blurscope.uncertainty import CUT_MEAN

STEPS = 20
SMALL_STEP = 1e-6  # of the fit, at its end
LEAST_WHITE = -7.0  # logarithm of white's light, share of the most that codes can hold: less is no photo of a plate
SHORTEST = 0.01  # share of a step below which none is better
SLOPE_STEP = 1e-4  # of a bend, over which its slopes are taken
BEND_ROUNDS = 6
SPREADS = 0.02, 0.1  # misfit of patches in units of their weights that noise may have
LEAST_SPREADS = 0.1, 0.025  # misfit that is believed at least, for the doubt of the law and of the curve
LARGE_BEND = 0.25  # of any curve, in units of the weights
FIRST_BEND = 0.02  # the same at first, before flat field and law are about right: a bend that cuts off codes stays so
HAZE_TERMS = 5  # of light that the lens spreads over the photo: linear and square, its mean is the law's
HAZE = 3e-4  # size of it to expect if nothing is known, share of full scale
BEND = 1.5e-4  # size of bends to expect if nothing is known, share of full scale
LEAST_LIFT, HELD = 1e-5, 1e4  # of black from where it is, share of full scale; how strongly it is tied to that
MOST_LOG_GAIN = 60.0  # beyond which a fit has run away
MODES = 3
MODE_LIGHT = np.concatenate([np.linspace(0.0, 1.0, 65) ** 2, np.linspace(1.0, 1.6, 13)[1:]])  # relative to white
BEYOND = 0.3  # of how far the curve goes on straight beyond white from where it would without what bends it below
FLAT_PRIOR = np.array([0, 1e-3, 1e-3, 1e-2, 1e-2, 1e-2, 0.1, 0.3]) * 30  # how strongly the flat field's terms are tied


class Fit(NamedTuple):
    """Decode table, flat field, law and its sigma, curve sigma and modes, haze, and how far the base curve is bent."""

    decode: np.ndarray
    flat: np.ndarray
    law: np.ndarray
    law_sigma: np.ndarray
    sigma: float
    modes: np.ndarray
    haze: np.ndarray
    bent: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stripes:
    """What a fit is made to.

    Attributes
    ----------
    patches : list of Patch
    levels : (n,) int
        Grey levels of the plate's greys.
    full : int
        Full scale of the codes.
    centre, radius
        Normalisation of the flat field's coordinates.
    off_sd : float
        Standard deviation of an error that the codes of a block have in common, share of full scale.
    """

    patches: list[Patch]
    levels: np.ndarray
    full: int
    centre: tuple[float, float]
    radius: float
    off_sd: float = 0.0


class _State(NamedTuple):
    """Light, gain, model and weights of the patches at some parameters, and all weighted residuals."""

    light: np.ndarray
    gain: np.ndarray
    model: np.ndarray
    weight: np.ndarray
    rest: np.ndarray


class _Problem:
    """Gauss-Newton over flat field, law, haze and curve, in this order in its vector of parameters."""

    def __init__(
        self, stripes: Stripes, base, *, linear: bool, known, mixed: tuple[str, ...], cut: Cut | None, free_black: bool
    ) -> None:
        self.base, self.linear, self.cut, self.full, self.off_sd = base, linear, cut, stripes.full, stripes.off_sd
        levels = stripes.levels
        use = [p for p in stripes.patches if p.kind in EVEN or p.kind in mixed]
        self.still = np.array([p.kind != "settled" for p in use])
        self.trust = np.array([p.trust for p in use])
        self.basis = flat_basis(*np.array([(p.x, p.y) for p in use]).T, stripes.centre, stripes.radius)
        self.hazes = self.basis[:, 1 : 1 + HAZE_TERMS]
        self.flats, n_law = self.basis.shape[1], len(levels)
        self.bends = 0 if linear else KNOTS - 2
        self.blacks = np.array([float(p.kind == "grey" and p.level == 0) for p in use])
        index = {int(level): i for i, level in enumerate(levels)}
        self.last = index[255]
        self.white = np.array([p.kind == "grey" and index.get(p.level, 0) == self.last for p in use])
        self.mixing = np.zeros((len(use), n_law))
        for i, p in enumerate(use):
            for level, part in p.mix.items():
                self.mixing[i, index.get(level, 0)] += part
        self.starts = np.cumsum([0] + [len(p.codes) for p in use[:-1]])
        self.codes = np.concatenate([p.codes for p in use])
        self.shares = np.concatenate([p.weights for p in use])
        self.block = np.unique([p.block for p in use], return_inverse=True)[1]
        self.rows = np.array([p.kind == "halftone" for p in use])  # pixels of which are black or white
        self.dark = np.array([p.mix.get(0, 0.0) for p in use])
        whites = [p.codes for p in use if p.kind == "grey" and p.level == 255] or [np.array([self.full])]
        self.top = min(TOPS, int(np.ceil(TOPS * float(np.percentile(np.concatenate(whites), 99)) / self.full)))
        self.law_start = (levels / 255.0) ** 2.2 if known is None else known.copy()
        self.count = self.flats + n_law + HAZE_TERMS + 1 + self.bends
        self.of_law = slice(self.flats, self.flats + n_law)
        self.of_bend = slice(self.count - self.bends, self.count)
        self.of_lift = self.of_bend.start - 1
        self.of_haze = slice(self.flats + n_law, self.of_lift)
        # what is known beforehand, a row each: which parameter, its value, how strongly
        ties = [(self.flats + self.last, 1.0, 1e4)]  # white is 1
        if known is not None:
            ties += [(self.flats + i, known[i], 1 / (0.002 + 0.01 * known[i])) for i in range(n_law)]
        ties += [(k, 0.0, FLAT_PRIOR[k]) for k in range(1, self.flats)]
        ties += [(k, 0.0, 1 / FIRST_BEND) for k in range(self.of_haze.start, self.count) if k != self.of_lift]
        ties += [(self.of_lift, 0.0, 1 / self._lift_sd() if free_black else HELD)]
        self.tied, self.goal, self.strength = (np.array(x) for x in zip(*ties, strict=True))

    def _lift_sd(self) -> float:
        """Return how far black's greys may look from black, as their noise is cut off."""
        dark = np.repeat(self.blacks, np.diff(np.append(self.starts, len(self.codes)))) > 0
        if not dark.any():
            return LEAST_LIFT
        light, shares = self.table(np.zeros(self.bends))[self.codes[dark]], self.shares[dark]
        mean = np.average(light, weights=shares)
        spread = float(np.sqrt(np.average((light - mean) ** 2, weights=shares)))
        return max(CUT_MEAN * spread, LEAST_LIFT)

    def table(self, bend: np.ndarray) -> np.ndarray:
        """Return the light of each code."""
        return base_curve(self.full, True) if self.linear else curve(bend, self.full, self.base, self.top)

    def seen(self, bend: np.ndarray) -> np.ndarray:
        """Return the mean light of each patch, without what cutting off noise adds to it."""
        light = np.add.reduceat(self.table(bend)[self.codes] * self.shares, self.starts)
        if self.cut is None:
            return light
        return np.where(self.rows, light - self.dark * self.cut.mean(0.0), self.cut.light(light))

    def first(self) -> np.ndarray:
        """Return parameters to begin with."""
        bend, flat = np.zeros(self.bends), np.zeros(self.flats)
        flat[0] = np.log(max(float(self.seen(bend)[self.white].mean()), 1e-6))
        return np.concatenate([flat, self.law_start, np.zeros(HAZE_TERMS + 1), bend])

    def state(self, q: np.ndarray) -> _State:
        """Return what the patches show and should show at parameters."""
        light = self.seen(q[self.of_bend])
        gain = np.exp(np.clip(self.basis @ q[: self.flats], -MOST_LOG_GAIN, MOST_LOG_GAIN))
        model = gain * (self.mixing @ q[self.of_law] + self.hazes @ q[self.of_haze]) + q[self.of_lift] * self.blacks
        weight = self.trust / (0.004 * model + 0.0015 * gain.mean())
        rest = np.concatenate([(light - model) * weight, (self.goal - q[self.tied]) * self.strength])
        return _State(light, gain, model, weight, rest)

    def slopes(self, q: np.ndarray, at: _State) -> np.ndarray:
        """Return what each parameter changes in the residuals, with the opposite sign."""
        patches = len(at.light)
        jac = np.zeros((patches + len(self.tied), self.count))
        jac[:patches, : self.flats] = (at.model - q[self.of_lift] * self.blacks)[:, None] * self.basis
        jac[:patches, self.of_law] = at.gain[:, None] * self.mixing
        jac[:patches, self.of_haze] = at.gain[:, None] * self.hazes
        jac[:patches, self.of_lift] = self.blacks
        for k in range(self.bends):
            trial = q[self.of_bend].copy()
            trial[k] += SLOPE_STEP
            jac[:patches, self.of_bend.start + k] = -(self.seen(trial) - at.light) / SLOPE_STEP
        jac[:patches] *= at.weight[:, None]
        jac[patches + np.arange(len(self.tied)), self.tied] = self.strength
        return jac

    def descend(self, q: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return where the steps end, and the covariance there in units of the weights."""
        at = self.state(q)
        patches = len(at.light)
        for _ in range(STEPS):
            jac = self.slopes(q, at)
            cov = np.linalg.pinv(jac.T @ jac, hermitian=True)
            delta = cov @ (jac.T @ at.rest)
            cost, length = float(at.rest @ at.rest), 1.0
            while length > SHORTEST:
                step = length * delta
                step[self.of_bend] = np.clip(step[self.of_bend], -0.1, 0.1)
                found = self.state(q + step)
                # the weights move with the model: compare with those of the step's start
                after = np.concatenate([(found.light - found.model) * at.weight, found.rest[patches:]])
                if float(after @ after) <= cost and np.isfinite(found.weight).all() and q[0] + step[0] > LEAST_WHITE:
                    break
                length /= 3
            else:
                break
            q, at = q + step, found
            if np.abs(step).max() < SMALL_STEP:
                break
        return q, cov

    def common(self, q: np.ndarray) -> float:
        """Return what ``off_sd`` makes of the residuals; a block's patches share it, so it counts as often."""
        if not self.off_sd:
            return 0.0
        slope = np.gradient(self.table(q[self.of_bend])) * self.full
        slope = np.add.reduceat(slope[self.codes] * self.shares, self.starts)
        alike = len(slope) / len(np.unique(self.block))
        return float(self.off_sd * np.sqrt(alike * np.mean((slope * self.state(q).weight) ** 2)))

    def loosen(self, q: np.ndarray, cov: np.ndarray) -> bool:
        """Tie bends and haze as strongly as they are found to be small: what is less is noise (evidence).

        Returns whether that changes anything.
        """
        rest = self.misfit(q)
        spread = max(float(np.clip(np.sqrt(np.mean(rest**2)), *SPREADS)), self._noise(rest), self.common(q))
        before = self.strength.copy()
        groups = [(self.of_haze, HAZE), (self.of_bend, BEND)][: 2 if self.bends else 1]
        for which, least in groups:
            mine = (self.tied >= which.start) & (self.tied < which.stop)
            number = which.stop - which.start
            free = number - float(np.trace(cov[which, which])) * before[mine][0] ** 2
            size = np.sqrt((float((q[which] ** 2).sum()) + least**2) / (max(free, 0.0) + 1))
            self.strength[mine] = max(spread / size, 1 / LARGE_BEND)
        return not ((0.8 < before / self.strength) & (before / self.strength < 1.25)).all()

    def misfit(self, q: np.ndarray) -> np.ndarray:
        """Return the weighted residuals of the stripes' patches."""
        return self.state(q).rest[: len(self.block)][self.still]

    def _noise(self, rest: np.ndarray) -> float:
        """Return the scatter of residuals about the mean of their stripe, which no curve explains."""
        block = np.unique(self.block[self.still], return_inverse=True)[1]
        count = np.bincount(block)
        off = rest - (np.bincount(block, rest) / count)[block]
        return float(np.sqrt((off**2).sum() / max(len(rest) - len(count), 1)))

    def modes(self, q: np.ndarray, cov: np.ndarray, spread: float) -> tuple[float, np.ndarray]:
        """Return the curve's own uncertainty, as such and as shapes: what each independent part of it does to light."""
        if not self.bends:
            return 0.0, np.zeros((0, len(MODE_LIGHT)))
        bend, white = q[self.of_bend], np.exp(q[0])
        value, vector = np.linalg.eigh(cov[self.of_bend, self.of_bend])
        c = np.linspace(0.0, 1.0, 257)
        at = self.table(bend)[np.round(c * self.full).astype(int)] / white
        terms = hats(c * TOPS / self.top)
        slope = np.gradient(at, np.maximum.accumulate(c + terms @ bend) + 1e-9 * np.arange(len(c)))
        shifts = (terms @ vector * np.sqrt(np.maximum(value, 0.0))).T * slope * max(spread, LEAST_SPREADS[1])
        order = np.argsort(-np.abs(shifts).max(axis=1))[:MODES]
        modes = np.array([np.interp(MODE_LIGHT, at, shift) for shift in shifts[order]])
        modes -= modes[:, MODE_LIGHT == 1] * MODE_LIGHT  # white is 1
        below = MODE_LIGHT <= 1
        sigma = float(np.sqrt((modes[:, below] ** 2).sum(axis=0)).max())
        unbent = self.base(np.clip(c + hats(np.minimum(c * TOPS / self.top, 1.0)) @ bend, 0, 1.2)) / white
        beyond = BEYOND * np.interp(MODE_LIGHT, at, at - unbent)
        return sigma, np.vstack([modes, np.where(below, 0.0, beyond)])


def fit_stripes(
    stripes: Stripes,
    base: Callable[[np.ndarray], np.ndarray],
    *,
    linear: bool,
    known: np.ndarray | None,
    mixed: tuple[str, ...],
    cut: Cut | None = None,
    free_black: bool = False,
) -> Fit:
    """Fit flat field, law and curve.

    Parameters
    ----------
    stripes : Stripes
    base : callable
        Light of a code value in 0..1, which the fit bends.
    linear : bool
        Codes are proportional to light.
    known : (n,) float, optional
        Light of the levels, where it is given.
    mixed : tuple of str
        Kinds of patches of known share that take part, besides the greys.
    cut : Cut, optional
        Noise that is cut off at no light.
    free_black : bool
        Black's greys may look lighter or darker than black is in halftones and dithers, by what noise does there.
    """
    problem = _Problem(stripes, base, linear=linear, known=known, mixed=mixed, cut=cut, free_black=free_black)
    q, cov = problem.descend(problem.first())
    for _ in range(BEND_ROUNDS):
        if not problem.loosen(q, cov):
            break
        q, cov = problem.descend(q)
    spread = max(float(np.sqrt(np.mean(problem.misfit(q) ** 2))), problem.common(q))
    law_sigma = np.sqrt(np.maximum(np.diag(cov)[problem.of_law], 0)) * max(spread, LEAST_SPREADS[0])
    sigma, modes = problem.modes(q, cov, spread)
    bend = q[problem.of_bend]
    bent = float(np.sqrt((bend**2).sum()))
    decode = problem.table(bend)
    return Fit(decode, q[: problem.flats], q[problem.of_law], law_sigma, sigma, modes, q[problem.of_haze], bent)


def closure_of(stripes: Stripes, fit: Fit, kinds: tuple[str, ...]) -> float:
    """Return the largest misfit of a halftone's or dither's mean light from its share, share of white."""
    worst = 0.0
    light = dict(zip(sorted({p.level for p in stripes.patches if p.kind == "grey"}), fit.law, strict=True))
    span = fit.law[-1] - fit.law[0]
    for block in {p.block for p in stripes.patches if p.kind in kinds}:
        mine = [p for p in stripes.patches if p.block == block]
        place = np.array([(p.x, p.y) for p in mine]).T
        gain = np.exp(flat_basis(*place, stripes.centre, stripes.radius) @ fit.flat)
        got = np.mean([(fit.decode[p.codes] @ p.weights) / g for p, g in zip(mine, gain, strict=True)])
        expected = np.mean([sum(part * light[level] for level, part in p.mix.items()) for p in mine])
        worst = max(worst, abs(float(got - expected)) / span)
    return worst
