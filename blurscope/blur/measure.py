"""From profiles to figures: families compete, uncertainties are propagated by Monte Carlo (JCGM 101)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from blurscope.blur.compete import INSTANT, MIN_WEIGHT, compete, information, residual_correlation, weigh
from blurscope.blur.families import FAMILIES, Family
from blurscope.blur.fast import FAST_TAUS, curves_of_fast, fast_fits, posterior_of_fast
from blurscope.blur.figures import (
    BAND,
    NAMES,
    RESPONSES,
    instant_reference,
    settling,
    since_switch,
    threshold_doubts,
    threshold_jumps,
)
from blurscope.blur.fit import FamilyFit, cell_means
from blurscope.blur.freeform import FreeForm, free_bundle, free_form
from blurscope.blur.profiles import Nuisance, Profiles
from blurscope.blur.propagate import (
    LAW,
    Branch,
    Bundle,
    Spread,
    curve_bundle,
    fast_bundle,
    figures_of_bundles,
    nudged_curves,
)
from blurscope.uncertainty import K95, LEAST_MISFIT, MODEL_LIGHT, MODEL_TIME, MODEL_WIDTH, median

DRAWS = 96  # of a posterior
TRIALS = 32  # of a fit whose linear budget they check
NONLINEAR = 1.4  # their scatter over that of the linear budget from which they are believed instead
AKAIKE = 2.0  # cost of a parameter (Akaike 1974) where families tell how far the figures may be off, not what they are
SHAPE_OF_FAST = {"response": 0.25, "response_signal": 0.25, "ghost": 0.4}  # of a time's upper limit: its shape is open
LEAST_OVERSHOOT = 0.005  # of a step, from which its ghost may be that of the overshoot
NEAR_BAND = 1.2  # u95 of an overshoot, by which it may lie off the landing band and be in it all the same
UNKNOWN_LIGHT = 0.3  # of a step, from which u95 of an overshoot says nothing
OVERSHOOTING = (
    "two exponentials",
    "staged",
    "staged late",
    "driven s-shaped",
    "driven",
    "ringing",
    "s-shaped overshoot",
)
FREE = "free form"
NO_RISE = 0.02  # refreshes, below which the rise of a response that overshoots has been lost in the fit
RISE_LOST = {False: 0.06, True: 0.25}  # refreshes, how long it may be then, of a family and of a free form
SMOOTHED = 5  # samples over which a shape shows
MOST_MISFIT = 5.0
LANDING_OFF = 0.015  # of a step, by which the landings of a staircase under flashes may lie higher or lower
THIN, THIN_OFF = 0.15, 0.06  # share of a refresh up to which flashes are thin, and the same of a step for those
LEAST_JUMP = 0.3  # of the time from flash to flash


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BlurFit:
    """Result for one transition; times in refreshes, overshoots as shares.

    Attributes
    ----------
    family : str
    weights : dict
        Akaike-type weight of each family kept.
    value, u95 : dict of float
        By figure name; NaN where it can't be given.
    parts : dict of dict
        Standard uncertainty by contribution, by figure.
    grazed : set of str
        Figures whose threshold is grazed.
    esf_fit : (m,) float
        Fitted curve of the capture, normalised.
    levels : (float, float)
    chi2_ratio : float
    onset : float
    """

    family: str
    weights: dict[str, float]
    value: dict[str, float]
    u95: dict[str, float]
    parts: dict[str, dict[str, float]]
    grazed: frozenset[str]
    esf_fit: np.ndarray
    esf: np.ndarray
    levels: tuple[float, float]
    chi2_ratio: float
    onset: float
    cells: np.ndarray = field(default_factory=lambda: np.empty(0))

    @property
    def too_fast(self) -> bool:
        """Whether the pixel is too fast for the shape of its response to show."""
        return not np.isfinite(self.value["response_overshoot"])


def measure_profiles(
    profiles: Profiles,
    nuisances_of: Callable[[np.ndarray], list[Nuisance]],
    signal_shares: np.ndarray | None,
    rng: np.random.Generator,
    *,
    emission: np.ndarray | None = None,
    families: Sequence[Family] = FAMILIES,
    fits: Sequence[FamilyFit] | None = None,
    free: bool = True,
    other_shares: np.ndarray | None = None,
    streak_chi2: float | None = None,
) -> list[BlurFit]:
    """Measure every transition.

    Parameters
    ----------
    profiles : Profiles
    nuisances_of : callable
        From the best responses, (n, k) cells, to the shared effects; each is drawn once per Monte Carlo trial for all
        transitions.
    signal_shares : (n, 2) float, optional
        Shares of the step in light at which 10 % and 90 % of the step in signal are reached.
    rng : Generator
    emission : (k,) float, optional
        Backlight over one refresh; under one there is no free form.
    fits : sequence of FamilyFit, optional
        All families fitted to these profiles already, by `compete`.
    free : bool
        Correct what no family fits by a free form.
    other_shares : (n, laws, 2) float, optional
        Like ``signal_shares``, for several laws of the display that may be the true one as well.
    streak_chi2 : float, optional
        Chi-square over degrees of freedom of the photo's streaks. With that of the edges it says how well the model
        of the capture fits this photo, and from that what it may be wrong by.
    """
    fits = list(fits) if fits is not None else compete(profiles, families)[0]
    weights = weigh(profiles, fits)
    best = np.argmax(weights, axis=0)
    free = free and emission is None
    forms = [_free(i, fits[b], profiles) if free else None for i, b in enumerate(best)]
    residuals = [
        profiles.esf[i] - (fits[b].model[i] if form is None else form.model)
        for i, (b, form) in enumerate(zip(best, forms, strict=True))
    ]
    profiles = replace(profiles, correlation=residual_correlation(profiles, np.array(residuals)))
    weights, doubts = weigh(profiles, fits), weigh(profiles, fits, AKAIKE)
    best = np.argmax(weights, axis=0)
    counts = np.maximum(weights, doubts) >= MIN_WEIGHT
    cells = np.stack(
        [
            cell_means(fits[b].family, fits[b].params[i : i + 1], fits[b].onset[i : i + 1], profiles.ages)[0]
            if form is None
            else form.cells
            for i, (b, form) in enumerate(zip(best, forms, strict=True))
        ]
    )
    curves = _curves(fits, counts, profiles.length, emission)
    nuisances = nuisances_of(cells)
    shared = rng.standard_normal((DRAWS, len(nuisances)))
    fast = fast_fits(fits, weights, forms, profiles)
    quick = curves_of_fast(fast, profiles.length, emission)
    known = _known(fits, counts, profiles, nuisances, bounded=emission is None)
    said = np.array([np.where(weights >= MIN_WEIGHT, weights, 0.0), np.where(counts, doubts, 0.0)])
    said[1][:, list(fast)] = said[0][:, list(fast)]  # there, what fits a little worse is hardly known at all
    plans = [
        _plan(i, fits, said[:, :, i], forms[i], profiles, nuisances, shared, rng, emission, curves, fast, quick, known)
        for i in range(len(best))
    ]
    misfit = _misfit(profiles, fits, best, streak_chi2)
    branches = iter(figures_of_bundles([b for plan in plans for b in plan], signal_shares, other_shares))
    results = [
        _result(i, fits, weights[:, i], forms[i], profiles, [next(branches) for _ in plan], cells[i], misfit)
        for i, plan in enumerate(plans)
    ]
    shown = [(t, b[0]) for t, b, *_ in (curves[int(k), i] for i, k in enumerate(best))]
    results = _with_coder(results, shown, np.broadcast_to(profiles.coder, len(best)))
    if emission is None:
        return [_with_landing(r, *curve) for r, curve in zip(results, shown, strict=True)]
    return [
        _with_jumps(r, *curve, since_switch(emission, fits[b].onset[i]))
        for i, (r, curve, b) in enumerate(zip(results, shown, best, strict=True))
    ]


def _with_coder(results: list[BlurFit], shown: list[tuple[np.ndarray, np.ndarray]], off: np.ndarray) -> list[BlurFit]:
    """Widen the figures by what a lossy coder may have changed the light by, (n,), where they are read."""
    if not off.any():
        return results
    doubts = threshold_doubts(shown[0][0], np.array([curve for _, curve in shown]), off)
    doubts |= dict.fromkeys(("get", *RESPONSES), doubts["bew"])
    doubts |= dict.fromkeys(("undershoot", "response_overshoot"), doubts["overshoot"])
    return [
        replace(
            r,
            u95={name: float(np.hypot(r.u95[name], K95 * sd[i])) for name, sd in doubts.items()},
            parts={name: {**r.parts[name], "coder": float(sd[i])} for name, sd in doubts.items()},
        )
        for i, r in enumerate(results)
    ]


def _with_landing(result: BlurFit, t: np.ndarray, curve: np.ndarray) -> BlurFit:
    """Widen the ghost of an overshoot that may as well end on the other side of the landing band's border."""
    size = result.value["overshoot"]
    off = NEAR_BAND * result.u95["overshoot"]
    if not (size > LEAST_OVERSHOOT and abs(size - BAND) < off):
        return result
    as_large = BAND * size / np.array([size, size + off, max(size - off, LEAST_OVERSHOOT)])
    here, *others = (float(settling(t, curve[None], half)[0]) for half in as_large)
    jump = float(np.nanmax(np.abs(np.array([*others, here]) - here))) if np.isfinite(here) else 0.0
    return _widened(result, "ghost", jump)


def _widened(result: BlurFit, name: str, jump: float) -> BlurFit:
    """Return a result one of whose figures may be off by a jump."""
    before = result.u95[name]
    u95 = max(before, jump)
    more = float(np.sqrt(max(u95**2 - before**2, 0.0))) / K95
    return replace(
        result,
        u95={**result.u95, name: u95},
        grazed=result.grazed | {name},
        parts={**result.parts, name: {**result.parts[name], "landing": more}},
    )


def _with_jumps(result: BlurFit, t: np.ndarray, curve: np.ndarray, emission: np.ndarray) -> BlurFit:
    """Widen figures that jump where light is a little higher or lower, as on the staircase that flashes make."""
    lit = emission > 0.5 * emission.max()
    pulses = max(int(np.sum(lit & ~np.roll(lit, 1))), 1)
    off = THIN_OFF if lit.mean() < THIN else LANDING_OFF
    for name, jump in threshold_jumps(t, curve, off, emission).items():
        if jump > LEAST_JUMP / pulses:
            result = _widened(result, name, jump)
    if not result.u95["overshoot"] < UNKNOWN_LIGHT:  # how high the flashes stand is open, so where they settle is too
        return replace(result, u95={**result.u95, "ghost": np.nan}, grazed=result.grazed | {"ghost"})
    if "ghost" in result.grazed:  # by trials: then it may be one flash shorter or longer
        result = _widened(result, "ghost", 1.0 / pulses)
    return result


def _free(i: int, fit: FamilyFit, profiles: Profiles) -> FreeForm | None:
    operator = profiles.operator if profiles.operator.ndim == 2 else profiles.operator[i]
    return free_form(
        fit,
        i,
        profiles.esf[i],
        profiles.sigma[i],
        operator,
        profiles.ages,
        profiles.levels[i],
        profiles.correlation,
    )


def _curves(fits, counts, length, emission) -> dict[tuple[int, int], tuple[np.ndarray, ...]]:
    """Return the curves of every fit that counts, by family and transition: see `nudged_curves`."""
    out = {}
    for k, fit in enumerate(fits):
        mine = np.nonzero(counts[k])[0]
        for rows in (np.asarray(x) for x in ([mine] if emission is None else mine[:, None]) if np.size(x)):
            lamp = since_switch(emission, fit.onset[rows[0]])
            t, b, tr, r = nudged_curves(fit.family, fit.params[rows], length, lamp)
            out |= {(k, int(i)): (t, b[j], tr, r[j]) for j, i in enumerate(rows)}
    return out


def _known(fits, counts, profiles, nuisances, bounded: bool) -> dict[tuple[int, int], tuple[np.ndarray, np.ndarray]]:
    """Return how unsure the parameters of every fit that counts are, by family and transition.

    By noise the square root of their covariance, by shared effects what each does to them: see `Spread`. ``bounded``:
    neither takes them past their bounds; on the staircase that flashes make, steps past all bounds show what may jump.
    """
    shifts = np.array([n.shift for n in nuisances]).reshape(len(nuisances), *profiles.esf.shape)
    out = {}
    for k, fit in enumerate(fits):
        rows = np.nonzero(counts[k])[0]
        p = fit.params.shape[1]
        if len(rows) and p:
            cov, gain = information(fit, rows, profiles)
            effects = shifts[:, rows].swapaxes(0, 1) @ gain[:, :p].swapaxes(1, 2)
            root = _square_root(cov[:, :p, :p])
            if bounded:
                reach = (np.array(fit.family.high) - fit.family.low) / np.sqrt(12)
                root, effects = _within(root, reach[:, None], -2), _within(effects, reach, -1)
            spreads = zip(root, effects, strict=True)
            out |= {(k, int(i)): spread for i, spread in zip(rows, spreads, strict=True)}
    return out


def _plan(i, fits, said, form, profiles, nuisances, shared, rng, emission, curves, fast, quick, known) -> list[Bundle]:
    """Return the curves whose figures make up one transition's result, a bundle for each family that counts.

    ``said`` (2, families) is what each of them counts in the figures and in how far these may be off.
    """
    kept = [k for k in np.argsort(-said[0]) if said[:, k].any()]
    names = [f.family.name for f in fits]
    out, used = [], 0
    given = np.zeros(2)
    if form is not None:
        given = np.full(2, form.weight)
        used = max(2, round(DRAWS * form.weight))
        own = rng.standard_normal((used, form.root.shape[1]))
        out.append(free_bundle(form, form.weight, profiles.ages, nuisances, shared[:used], own, profiles.length))
    elif i in fast:
        # its time constant stands for all shapes that don't overshoot; those that do have a say as they are
        total = said[:, kept].sum(axis=1)
        kept = [k for k in kept if names[k] in OVERSHOOTING]
        given = 1 - said[:, kept].sum(axis=1) / total
        draws, point = posterior_of_fast(i, fast[i], profiles, nuisances, shared, rng)
        lamp = since_switch(emission, float(np.interp(point, np.log(FAST_TAUS), fast[i].onset)))
        out.append(fast_bundle(i, point, draws, quick[i], lamp))
    kept = [k for k in kept if names[k] != INSTANT]
    left = said[:, kept].sum(axis=1)
    given = np.where(left > 0, given, 1.0)
    shares = ((1 - given) / np.where(left > 0, left, 1.0))[:, None] * said
    out = [replace(b, share=given[0], doubt=given[1]) for b in out]
    for k in kept:
        count = max(2, round(TRIALS * shares[0, k])) if shares[0, k] else 0
        z = shared[np.arange(used, used + count) % DRAWS]
        used += count
        noise, effects = known[k, i]
        p = len(noise)
        spread = Spread(noise=noise, effects=effects, names=tuple(n.name for n in nuisances), shared=z)
        own = rng.standard_normal((count, p))
        if i in fast:  # their parameters are anything but known
            own, spread = np.zeros((0, p)), replace(spread, noise=0 * spread.noise, shared=z[:0])
        reference = instant_reference(since_switch(emission, fits[k].onset[i]))[0]
        out.append(curve_bundle(i, tuple(shares[:, k]), spread, own, curves[k, i], reference))
    return out


def _misfit(profiles, fits, best, streak_chi2: float | None) -> float:
    """Return chi-square per sample, mean of edges (their median) and streaks, within limits."""
    samples = profiles.esf.shape[1]
    res = profiles.esf - np.array([fits[b].model[i] for i, b in enumerate(best)])
    chi2 = (res**2 / profiles.most2).sum(axis=1)
    own = float(np.median([chi2[i] / max(samples - fits[b].count, 1) for i, b in enumerate(best)]))
    return float(np.clip(0.5 * (own + (own if streak_chi2 is None else streak_chi2)), LEAST_MISFIT, MOST_MISFIT))


def _model_doubt(value: dict[str, float], misfit: float) -> dict[str, float]:
    """Return by figure what a model that fits no better than ``misfit`` may be wrong by."""
    width = misfit * value["bew"]
    own = {name: misfit * abs(value[name]) for name in NAMES}
    return {
        "bew": MODEL_WIDTH * width,
        "get": MODEL_WIDTH * width,
        "ghost": MODEL_WIDTH * (width + own["ghost"]),
        "response": MODEL_TIME * (width + own["response"]),
        "response_signal": MODEL_TIME * (width + own["response_signal"]),
        "overshoot": MODEL_LIGHT * misfit,
        "undershoot": MODEL_LIGHT * misfit,
    }


def _result(i, fits, weights, form, profiles, branches: list[Branch], cells, misfit: float) -> BlurFit:
    fit = fits[int(np.argmax(weights))]
    free = form is not None and form.weight > 0.5
    model, chi2 = (form.model, form.chi2) if free else (fit.model[i], float(fit.chi2[i]))
    value, u95, grazed, parts = {}, {}, set(), {}
    posterior = any(b.posterior for b in branches)
    trials = np.concatenate([b.trial for b in branches], axis=1)
    share, doubt = np.array([(b.share, b.doubt) for b in branches]).T
    points = np.array([b.point for b in branches])
    means = share @ np.where(share[:, None] > 0, points, 0.0)
    between = doubt @ np.nan_to_num(points - means) ** 2
    families = np.sqrt(between).tolist()
    variances = np.where(share[:, None] > 0, [b.variance for b in branches], 0.0)
    linears = np.sqrt(share @ variances + between).tolist()
    of_figures = zip(NAMES, means.tolist(), families, linears, np.std(trials, axis=1).tolist(), trials, strict=True)
    for name, mean, family, linear, scatter, tried in of_figures:
        value[name] = mean
        if scatter < NONLINEAR * linear and not posterior:  # neither is with a trial that has no such figure
            u95[name] = K95 * linear
        else:
            u95[name], graze = _interval(mean, tried, family if posterior else linear)
            if graze:
                grazed.add(name)
        parts[name] = dict(branches[0].parts[name])
        if len(branches) > 1 and np.isfinite(value[name]):
            parts[name]["family"] = family
    # what the noise alone may hide of a shape that the families smooth over
    smooth = median(profiles.sigma[i]) * np.sqrt(profiles.correlation / SMOOTHED)
    hidden = {"overshoot": smooth, "undershoot": smooth}
    if posterior:  # a posterior of the time constant, blind to the width and to shapes other than the exponential
        hidden |= dict.fromkeys(("bew", "get"), np.sqrt(2) * smooth)
        hidden |= {
            name: float(np.nan_to_num(share * (value[name] + u95[name]))) for name, share in SHAPE_OF_FAST.items()
        }
        hidden["ghost"] = float(np.hypot(hidden["ghost"], np.sqrt(2) * smooth))
    lost = RISE_LOST[free] if free or fit.family.name in OVERSHOOTING else 0.0
    hidden |= {name: lost for name in RESPONSES if lost and value[name] < NO_RISE}
    law = max(b.parts["response_signal"].get(LAW, 0.0) for b in branches)
    u95["response_signal"] = float(np.hypot(u95["response_signal"], K95 * law))
    for name, sd in hidden.items():
        u95[name] = float(np.hypot(u95[name], K95 * sd))
        parts[name]["noise"] = float(np.hypot(parts[name].get("noise", 0.0), sd))
    for name, sd in _model_doubt(value, misfit).items():
        u95[name] = float(np.hypot(u95[name], K95 * sd))
        parts[name]["model"] = sd
    if _band_grazed(trials[NAMES.index("overshoot")]):
        grazed.add("ghost")
    span = fit.levels[i, 1] - fit.levels[i, 0]
    dof = max(profiles.esf.shape[1] - fit.count, 1)
    return BlurFit(
        family=FREE if free else fit.family.name,
        weights={f.family.name: float(w) for f, w in zip(fits, weights, strict=True) if w >= MIN_WEIGHT},
        value=value,
        u95=u95,
        parts=parts,
        grazed=frozenset(grazed),
        esf_fit=(model - fit.levels[i, 0]) / span,
        esf=(profiles.esf[i] - fit.levels[i, 0]) / span,
        levels=(float(fit.levels[i, 0]), float(fit.levels[i, 1])),
        chi2_ratio=chi2 / dof,
        onset=float(fit.onset[i]),
        cells=cells,
    )


def _within(moves: np.ndarray, reach: np.ndarray, axis: int) -> np.ndarray:
    """Return moves of the parameters, along an axis, as long as a uniform distribution between their bounds at most."""
    return moves / np.maximum((np.abs(moves) / reach).max(axis=axis, keepdims=True), 1.0)


def _square_root(cov: np.ndarray) -> np.ndarray:
    """Return S with S S^T = cov for each of (n, p, p) covariances (eigenvalues clipped at 0)."""
    value, vector = np.linalg.eigh(cov)
    largest = np.take_along_axis(vector, np.abs(vector).argmax(axis=1)[:, None, :], axis=1)
    vector = vector * np.where(largest < 0, -1.0, 1.0)  # the sign of one is rounding's
    return vector * np.sqrt(np.maximum(value, 0.0))[:, None, :]


def _interval(value: float, trial: np.ndarray, linear: float) -> tuple[float, bool]:
    """Return u95 about the value, and whether the trials fall into separate branches.

    ``linear`` is the standard uncertainty of the linear budget: it holds unless the trials scatter clearly more.
    """
    t = np.sort(trial[np.isfinite(trial)])
    share = len(t) / len(trial)
    if not np.isfinite(value) or share < 0.95:
        return float("nan"), 0.02 < share < 0.98
    lo, middle, hi = np.interp(np.array([0.025, 0.5, 0.975]) * (len(t) - 1), np.arange(len(t)), t).tolist()
    spread = float(t.std())
    away = np.sort(np.abs(t - middle))
    core = 1.4826 * 0.5 * float(away[(len(t) - 1) // 2] + away[len(t) // 2]) + 1e-12
    jumps = spread > 5 * max(core, linear) and spread > 0.02
    if not jumps and spread < NONLINEAR * linear:  # a few trials without the figure don't matter
        return K95 * linear, False
    u = max(K95 * min(spread, 3 * core) if not jumps else 0.0, 0.5 * (hi - lo), K95 * linear)
    if jumps:
        u = max(abs(hi - value), abs(value - lo), u)
    # the value should lie inside its own interval's middle half
    u = max(u, abs(value - 0.5 * (lo + hi)) + 0.25 * (hi - lo))
    return float(u), bool(jumps)


def _band_grazed(overshoot: np.ndarray) -> bool:
    return bool(0.03 < np.mean(overshoot > 0.05) < 0.97)
