"""Figures of many trial responses at once: what the fits' uncertainties do to the figures (JCGM 101).

Trials are made in the space of curves, where a fit is linear even if its parameters are nearly degenerate. The curves
of all transitions and families are read in one go.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from blurscope.blur.families import STEP, Family
from blurscope.blur.figures import (
    NAMES,
    curves_of,
    figures_of_curves,
    gaussian_edge_time,
    instant_reference,
    rise_time,
    since_switch,
)

LAW = "display gamma"
FAST_NODES = 161  # of a time constant over two decades, a step of 3 percent
FAST_EXACT = 13  # values whose GET is fitted
SHARE = 0.2  # of a standard deviation, for the linear budget


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spread:
    """How unsure p parameters are.

    Attributes
    ----------
    noise : (p, p) float
        Square root of their covariance by noise, a column per direction.
    effects : (s, p) float
        Change by one standard deviation of each shared effect.
    names : tuple of str
        Of the shared effects.
    shared : (n, s) float
        Shared effects of each trial, standard normal.
    """

    noise: np.ndarray
    effects: np.ndarray
    names: tuple[str, ...]
    shared: np.ndarray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bundle:
    """Curves of one family for one transition: the best fit, the trials, then what the budget or GET needs.

    Attributes
    ----------
    transition : int
    share, doubt : float
        Weight of the family in the figures, and in what other families say against them.
    t, tr : (m,), (k,) float
        Times of ``curves`` and ``steps``, refreshes.
    curves, steps : (r, m), (r, k) float
        Blurred edges and step responses, normalised.
    reference : float
        See `blurscope.blur.figures.instant_reference`.
    trials : int
        Rows 1 to ``trials`` are the trials.
    exact : (e,) int
        Rows whose GET is fitted.
    get_of : callable
        From the GET of these rows to that of all rows.
    spread : Spread or None
        None: a posterior, whose trials alone say how unsure it is.
    """

    transition: int
    share: float
    doubt: float
    t: np.ndarray
    tr: np.ndarray
    curves: np.ndarray
    steps: np.ndarray
    reference: float
    trials: int
    exact: np.ndarray
    get_of: Callable[[np.ndarray], np.ndarray]
    spread: Spread | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Branch:
    """One family's share in a transition's result; figures in the order of `NAMES`.

    Attributes
    ----------
    share, doubt : float
        Weight in the result, and in how far families differ.
    posterior : bool
        The trials alone say how unsure it is.
    point : (f,) float
        Figures of the best fit.
    trial : (f, n) float
        Those of the trials.
    variance : (f,) float
        Variance of the figures by the linear budget, without the display's law.
    parts : dict of dict
        That budget: standard uncertainty by contribution, by figure.
    """

    share: float
    doubt: float
    posterior: bool
    point: np.ndarray
    trial: np.ndarray
    variance: np.ndarray
    parts: dict[str, dict[str, float]]


def nudged_curves(
    family: Family, params: np.ndarray, length: float, emission: np.ndarray | None, *, laid_over: bool = True
):
    """Return ``t, b, tr, r`` of `curves_of` for n fits: (n, p + 1, ...), the fit's own and one per parameter moved.

    Curves that begin with a dead time are laid over each other by their mean time, as no figure depends on where they
    begin (unless ``laid_over`` is false). How long the dead time is a photo of a fast response hardly tells, and of a
    large shift the change of a curve's values is no multiple of that of a small one.
    """
    n, p = params.shape
    rows = (params[:, None, :] + STEP * np.concatenate([np.zeros((1, p)), np.eye(p)])).reshape(n * (p + 1), p)
    if laid_over and family.lag > 1 and emission is None:
        end = family.integral(np.full((1, 1), length), rows).reshape(n, p + 1)  # length less the mean time
        ahead, integral = (end[:, :1] - end).reshape(-1, 1), family.integral
        family = replace(family, integral=lambda t, x: integral(t + ahead, x))
    t, b, tr, r = curves_of(family, rows, length, emission)
    return t, b.reshape(n, p + 1, -1), tr, r.reshape(n, p + 1, -1)


def curve_bundle(
    transition: int,
    shares: tuple[float, float],
    spread: Spread,
    own: np.ndarray,
    curves: tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray],
    reference: float,
) -> Bundle:
    """Return the bundle of a fit whose p parameters are known with ``spread``; ``own`` (n, p) is its noise.

    ``shares`` are its ``share`` and ``doubt``, ``curves`` its own as `nudged_curves` has them, ``reference`` is that of
    `instant_reference`.
    """
    t, b, tr, r = curves
    p = len(b) - 1
    # one row per contribution, a share of its standard deviation each, gives the linear budget
    singles = np.concatenate([spread.noise.T, spread.effects]).reshape(-1, p)
    strength = np.concatenate([own, spread.shared], axis=1)
    moves = np.concatenate([np.zeros((1, p)), strength @ singles, singles * SHARE]) / STEP
    n = len(strength)

    def get_of(get: np.ndarray) -> np.ndarray:
        # GET is smooth in the curve: it moves with the contributions as its derivatives say
        return np.concatenate([get[:1], get[0] + strength @ (get[1:] - get[0]) / SHARE, get[1:]])

    return Bundle(
        transition=transition,
        share=shares[0],
        doubt=shares[1],
        t=t,
        tr=tr,
        curves=b[0] + moves @ (b[1:] - b[0]),
        steps=r[0] + moves @ (r[1:] - r[0]),
        reference=reference,
        trials=n,
        exact=np.concatenate([[0], np.arange(n + 1, n + 1 + len(singles))]),
        get_of=get_of,
        spread=spread,
    )


def fast_curves(
    family: Family, params: np.ndarray, onset: np.ndarray, length: float, emission: np.ndarray | None
) -> tuple[np.ndarray, tuple[np.ndarray, ...]]:
    """Return the curves of a one-parameter family between values: the nodes, and what `curves_of` has there.

    ``onset`` (k,) is where the response begins with each of the parameters (k,): a slower one begins earlier.
    """
    nodes = np.linspace(params[0], params[-1], FAST_NODES)
    if emission is None:
        return nodes, curves_of(family, nodes[:, None], length, None)
    lamps = [since_switch(emission, late) for late in np.interp(nodes, params, onset)]
    made = [curves_of(family, node.reshape(1, 1), length, lamp) for node, lamp in zip(nodes, lamps, strict=True)]
    return nodes, (made[0][0], np.concatenate([m[1] for m in made]), made[0][2], np.concatenate([m[3] for m in made]))


def fast_bundle(transition: int, point: float, draws: np.ndarray, curves, emission: np.ndarray | None) -> Bundle:
    """Return the bundle of a one-parameter family whose posterior is given by draws, (n,).

    ``curves`` are those of `fast_curves`; in between they are taken as straight.
    """
    given = np.concatenate([[point], draws])
    exact = np.linspace(given.min(), given.max() + 1e-9, FAST_EXACT)
    nodes, (t, b, tr, r) = curves
    place = np.interp(np.concatenate([given, exact]), nodes, np.arange(len(nodes)))
    low = np.minimum(place.astype(int), len(nodes) - 2)
    part = (place - low)[:, None]

    def get_of(get: np.ndarray) -> np.ndarray:
        return np.concatenate([np.interp(given, exact, get), get])

    return Bundle(
        transition=transition,
        share=1.0,
        doubt=1.0,
        t=t,
        tr=tr,
        curves=(1 - part) * b[low] + part * b[low + 1],
        steps=(1 - part) * r[low] + part * r[low + 1],
        reference=instant_reference(emission)[0],
        trials=len(draws),
        exact=np.arange(len(given), len(given) + FAST_EXACT),
        get_of=get_of,
        spread=None,
    )


def figures_of_bundles(
    bundles: Sequence[Bundle],
    signal_shares: np.ndarray | None,
    other_shares: np.ndarray | None = None,
) -> list[Branch]:
    """Read the figures of all curves of all bundles.

    Parameters
    ----------
    bundles : sequence of Bundle
    signal_shares : (transitions, 2) float, optional
        Shares of the step in light at which 10 % and 90 % of the step in signal are reached.
    other_shares : (transitions, laws, 2) float, optional
        The same by display laws that may be the true one as well.
    """
    if not bundles:
        return []
    t, tr = bundles[0].t, bundles[0].tr
    curves, steps = np.concatenate([b.curves for b in bundles]), np.concatenate([b.steps for b in bundles])
    sizes = np.array([len(b.curves) for b in bundles])
    first = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    transition = np.array([b.transition for b in bundles])
    shares = None if signal_shares is None else np.repeat(signal_shares[transition], sizes, axis=0)
    reference = np.repeat([b.reference for b in bundles], sizes)
    figures = figures_of_curves(t, curves, tr, steps, reference, shares)
    exact = np.concatenate([b.exact + at for b, at in zip(bundles, first, strict=True)])
    heads = np.cumsum([0] + [len(b.exact) for b in bundles[:-1]])
    get = gaussian_edge_time(t, curves[exact], np.repeat(heads, [len(b.exact) for b in bundles]))
    figures["get"] = np.concatenate(
        [b.get_of(get[head : head + len(b.exact)]) for b, head in zip(bundles, heads, strict=True)]
    )
    table = np.array([figures[name] for name in NAMES])
    out = [_branch(b, table[:, at : at + n]) for b, at, n in zip(bundles, first, sizes, strict=True)]
    if signal_shares is not None and other_shares is not None:
        laws = other_shares.shape[1]
        tried = rise_time(tr, np.repeat(steps[first], laws, axis=0), other_shares[transition].reshape(-1, 2))
        spreads = np.sqrt(_variances(tried.reshape(-1, laws)))
        for branch, spread in zip(out, spreads.tolist(), strict=True):
            branch.parts["response_signal"][LAW] = spread
    return out


def _branch(bundle: Bundle, table: np.ndarray) -> Branch:
    """Return the branch of a bundle; ``table`` holds the figures of its rows, (NAMES, rows)."""
    n = bundle.trials
    trials = table[:, 1 : 1 + n]
    if bundle.spread is None:
        table[NAMES.index("response_overshoot")] = np.nan  # too fast for its own overshoot to show
        noise, named = np.sqrt(_variances(trials)), {}
    else:
        away = (table[:, 1 + n :] - table[:, :1]) / SHARE
        away[np.isnan(away)] = 0.0
        p = len(bundle.spread.noise)
        named = {}
        for x, a in zip(bundle.spread.names, away[:, p:].T, strict=True):  # several effects may make one contribution
            named[x] = np.hypot(named.get(x, 0.0), a)
        noise = np.sqrt((away[:, :p] ** 2).sum(axis=1))
        if p == 0:  # no rows of its own: what the trials scatter beyond the shared effects
            rest = _variances(trials) - sum(x**2 for x in named.values())
            noise = np.sqrt(np.maximum(rest, 0.0))
    named = {"noise": noise} | named
    budget = np.array(list(named.values()))
    return Branch(
        share=bundle.share,
        doubt=bundle.doubt,
        posterior=bundle.spread is None,
        point=table[:, 0],
        trial=trials,
        variance=(budget**2).sum(axis=0),
        parts={name: dict(zip(named, row, strict=True)) for name, row in zip(NAMES, budget.T.tolist(), strict=True)},
    )


def _variances(values: np.ndarray) -> np.ndarray:
    """Return the variance of the finite values of each row, (n, m); 0 where there are fewer than two."""
    finite = np.isfinite(values)
    count = np.maximum(finite.sum(axis=1), 1)
    means = np.where(finite, values, 0.0).sum(axis=1) / count
    away = np.where(finite, values - means[:, None], 0.0)
    return np.vecdot(away, away) / count
