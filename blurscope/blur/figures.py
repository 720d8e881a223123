"""Figures of a perfect camera from response parameters, for many responses at once; times in refreshes."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from blurscope.blur.families import Family

STEPS = 64  # per refresh
FINE_REFRESHES = 3
LEAST_DARK = 0.3  # of a refresh, between flashes
FAR = 9.0  # standard deviations from the middle of a Gaussian edge, beyond which it hangs on nothing
OVER_ALL = 0.5  # of what the light at one place is off by, that a width keeps which is fitted to the whole edge
BAND = 0.05  # of a step, about its end, within which an edge has landed
GET_FACTOR = 2.563103131089201
RESPONSES = ("response", "response_signal")
NAMES = ("bew", "get", "ghost", "overshoot", "undershoot", *RESPONSES, "response_overshoot")


def crossing(x: np.ndarray, y: np.ndarray, level: float | np.ndarray) -> np.ndarray:
    """First upward crossing of ``level``, one or (n,), in each row of ``y``; NaN where there is none."""
    r = np.arange(len(y))
    threshold = level if np.ndim(level) == 0 else np.asarray(level)[:, None]
    early = y[:, : max(1, y.shape[1] // 3)]
    over = (early if (early[:, -1] >= level).all() else y) >= threshold
    i = np.argmax(over, axis=1)
    ok = over[r, i]
    i = np.maximum(i, 1)
    y0, y1 = y[r, i - 1], y[r, i]
    with np.errstate(invalid="ignore", divide="ignore"):
        f = np.clip((level - y0) / np.where(y1 != y0, y1 - y0, 1.0), 0, 1)
    return np.where(ok, x[i - 1] + f * (x[i] - x[i - 1]), np.nan)


def settling(x: np.ndarray, y: np.ndarray, half: float | np.ndarray = BAND) -> np.ndarray:
    """Last time each row of ``y`` is outside 1 +- ``half``, one or (n,); NaN where it ends outside."""
    outside = np.abs(y - 1) > (half if np.ndim(half) == 0 else np.asarray(half)[:, None])
    n = y.shape[1]
    last = n - 1 - np.argmax(outside[:, ::-1], axis=1)
    any_out = outside.any(axis=1)
    r = np.arange(len(y))
    i = np.minimum(last, n - 2)
    bound = np.where(y[r, i] > 1, 1 + half, 1 - half)
    d = y[r, i + 1] - y[r, i]
    f = np.clip((bound - y[r, i]) / np.where(d != 0, d, 1.0), 0, 1)
    out = x[i] + f * (x[i + 1] - x[i])
    return np.where(any_out, np.where(last >= n - 1, np.nan, out), x[0])


def blurred(family: Family, params: np.ndarray, length: float, emission: np.ndarray | None = None):
    """Return times and the perfect camera's ESF: (m,), (n, m).

    It is fine as long as a panel of any speed bends in it, and a quarter as fine in its tail.
    """
    count = int(length * STEPS)
    fine = FINE_REFRESHES * STEPS
    kept = np.concatenate([np.arange(min(fine, count + 1)), np.arange(fine, count + 1, 4)])
    t = np.arange(count + 1) / STEPS
    if emission is None:
        integral = family.integral(t[None, kept], params)
        late = integral[:, np.searchsorted(kept, kept - STEPS)]
        late[:, kept < STEPS] = 0.0
        return t[kept], integral - late
    integral = family.integral(t[None, :], params)
    cells = np.diff(integral, axis=1) * STEPS
    e = np.interp((np.arange(STEPS) + 0.5) / STEPS, (np.arange(len(emission)) + 0.5) / len(emission), emission)
    lit = cells * np.resize(e, count)[None, :]
    total = np.concatenate([np.zeros((len(params), 1)), np.cumsum(lit, axis=1)], axis=1)
    late = np.concatenate([np.zeros((len(params), STEPS)), total[:, :-STEPS]], axis=1)[:, : count + 1]
    return t[kept], ((total - late) / e.sum())[:, kept]


def since_switch(emission: np.ndarray | None, onset: float) -> np.ndarray | None:
    """Return the emission on the clock of a response that begins ``onset`` refreshes late on the emission's own."""
    return None if emission is None else np.roll(emission, -round(float(onset) * len(emission)))


def step_response(family: Family, params: np.ndarray, length: float) -> tuple[np.ndarray, np.ndarray]:
    """Return times (closer together near the switch) and the step response there."""
    edges = np.concatenate([[0.0], np.geomspace(2e-4, length, 360)])
    rise = np.diff(family.integral(edges[None, :], params), axis=1) / np.diff(edges)
    return 0.5 * (edges[1:] + edges[:-1]), rise


def instant_reference(emission: np.ndarray | None) -> tuple[float, float]:
    """Return ``t_settle - t_10`` of an instant panel under the emission, and its 10-90 % width, in refreshes.

    A single flash that seems to go on over the switch is taken as a whole one: the switch is known no better than that.
    """
    if emission is None:
        return 0.85, 0.8
    emission = whole_flash(np.asarray(emission))
    total = np.concatenate([[0.0], np.cumsum(emission)]) / np.sum(emission)
    x = np.linspace(0, 1, len(total))
    t10, t90, t95 = (float(crossing(x, total[None, :], level)[0]) for level in (0.1, 0.9, 0.95))
    return t95 - t10, t90 - t10


def whole_flash(emission: np.ndarray) -> np.ndarray:
    """Return the emission, begun in the dark if a single flash would else be cut in two."""
    lit = emission > 0.1 * emission.max()
    starts = np.nonzero(lit & ~np.roll(lit, 1))[0]
    dark = len(lit) - int(lit.sum())
    if len(starts) != 1 or not (lit[0] and lit[-1]) or dark < LEAST_DARK * len(lit):
        return emission
    return np.roll(emission, -int(starts[0]))


def gaussian_edge_time(x: np.ndarray, y: np.ndarray, near: np.ndarray) -> np.ndarray:
    """10-90 % width of the cumulative Gaussian fitted to each row, levels fixed, window without end.

    Parameters
    ----------
    x, y : (m,), (n, m) float
        Times as `curves_of` has, and curves.
    near : (n,) int
        For each row one that hardly differs, or itself: the fit moves from that one's as its derivatives say.
    """
    keep = np.isclose(x * STEPS % 4, 0)
    x, y = x[keep], y[:, keep]
    step = x[1] - x[0]
    pad = int(3.0 / step)
    xs = np.concatenate([x[0] - step * np.arange(pad, 0, -1), x, x[-1] + step * np.arange(1, pad + 1)])
    heads = np.unique(near)
    fitted = y[heads]
    ys = np.concatenate([np.zeros((len(heads), pad)), fitted, np.ones((len(heads), pad))], axis=1)
    t10, t90 = crossing(x, fitted, 0.1), crossing(x, fitted, 0.9)
    mu = np.nan_to_num(0.5 * (t10 + t90), nan=1.0)
    sigma = np.maximum(np.nan_to_num(t90 - t10, nan=1.0), 0.05) / GET_FACTOR
    mu, sigma = _gaussian_steps(xs, ys, mu, sigma, 14)
    head = np.searchsorted(heads, near)
    gain = _sigma_gain(xs, ys, mu, sigma)[:, pad : pad + len(x)]
    change = np.einsum("ij,ij->i", y, gain[head])
    return GET_FACTOR * (sigma[head] + change - change[near])


def _sigma_gain(x: np.ndarray, y: np.ndarray, mu: np.ndarray, sigma: np.ndarray) -> np.ndarray:
    """Return how the fitted width of each row changes with each of its values: the implicit function's derivative."""
    from scipy.special import ndtr

    z = (x[None, :] - mu[:, None]) / sigma[:, None]
    slope = np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi) / sigma[:, None]
    by_mu, by_sigma = -slope, -z * slope
    rest = (y - ndtr(z)) * slope / sigma[:, None]
    mm = (by_mu**2 + rest * z).sum(axis=1)
    ms = (by_mu * by_sigma - rest * (1 - z * z)).sum(axis=1)
    ss = (by_sigma**2 - rest * z * (2 - z * z)).sum(axis=1)
    det = mm * ss - ms * ms
    return (mm[:, None] * by_sigma - ms[:, None] * by_mu) / np.where(np.abs(det) > 1e-300, det, np.inf)[:, None]


def _gaussian_steps(x, y, mu, sigma, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Gauss-Newton on place and width of a cumulative Gaussian, for many rows."""
    from scipy.special import ndtr

    for _ in range(count):
        ends = np.fmin.reduce(mu - FAR * sigma), np.fmax.reduce(mu + FAR * sigma)
        near = slice(*x.searchsorted(ends))
        z = (x[None, near] - mu[:, None]) / sigma[:, None]
        b = np.exp(-0.5 * z * z)
        b *= (-1 / np.sqrt(2 * np.pi) / sigma)[:, None]
        res = y[:, near] - ndtr(z)
        z *= b
        aa, ab, bb = (np.einsum("ij,ij->i", p, q) for p, q in ((b, b), (b, z), (z, z)))
        ra, rb = np.einsum("ij,ij->i", b, res), np.einsum("ij,ij->i", z, res)
        det = np.maximum(aa * bb - ab * ab, 1e-300)
        dm, ds = (bb * ra - ab * rb) / det, (aa * rb - ab * ra) / det
        mu = mu + np.clip(dm, -0.5, 0.5)
        sigma = np.clip(sigma + np.clip(ds, -0.3 * sigma, 0.5 * sigma), 1e-3, 50)
        if np.abs(ds).max() < 1e-8:
            break
    return mu, sigma


def figures_of_curves(
    t: np.ndarray,
    b: np.ndarray,
    tr: np.ndarray,
    r: np.ndarray,
    reference: float | np.ndarray = 0.85,
    signal_shares: np.ndarray | None = None,
) -> dict[str, np.ndarray]:
    """Return the figures of each row of blurred curves and step responses that are read off them directly.

    Parameters
    ----------
    t, b : (m,), (n, m) float
        Perfect camera's ESF from the switch on, time in refreshes.
    tr, r : (k,), (n, k) float
        The step responses.
    reference : float or (n,) float
        ``t_settle - t_10`` of an instant panel, see `instant_reference`.
    signal_shares : (2,) or (n, 2) float, optional
        Shares of the step in light at which 10 % and 90 % of the step in signal are reached.

    Returns
    -------
    dict of (n,) float
        Keys `NAMES` without ``get``: widths in refreshes, overshoots as shares of the step; NaN
        where a threshold is never crossed.
    """
    t10, t90 = crossing(t, b, 0.1), crossing(t, b, 0.9)
    return {
        "bew": t90 - t10,
        "ghost": settling(t, b) - t10 - reference,
        "overshoot": np.maximum(b.max(axis=1) - 1, 0.0),
        "undershoot": np.maximum(-b.min(axis=1), 0.0),
        "response": rise_time(tr, r),
        "response_signal": np.full(len(r), np.nan) if signal_shares is None else rise_time(tr, r, signal_shares),
        "response_overshoot": np.maximum(r.max(axis=1) - 1, 0.0),
    }


def threshold_jumps(t: np.ndarray, b: np.ndarray, off: float, emission: np.ndarray) -> dict[str, float]:
    """Return how far thresholds ``off`` higher or lower move the figures of a blurred curve (m,), in refreshes.

    Under flashes the curve is a staircase, and a landing that lies about at a threshold moves a figure by a refresh. So
    does a flash that may have begun before the switch.
    """
    y = b[None]

    def moved(level: float) -> float:
        near = [float(crossing(t, y, level + d)[0]) for d in (-off, 0.0, off)]
        return float(np.nanmax(np.abs(np.array(near) - near[1]))) if np.isfinite(near[1]) else 0.0

    ends = [float(settling(t, y, BAND + d)[0]) for d in (-off, 0.0, off)]
    last = float(np.nanmax(np.abs(np.array(ends) - ends[1]))) if np.isfinite(ends[1]) else 0.0
    first = moved(0.1)
    # of a flash cut by the switch, what comes after it: hardly all or hardly any is a whole flash
    after = float(emission[: int(np.argmax(emission <= 0.1 * emission.max()))].sum() / emission.sum())
    cut = float(whole_flash(emission) is not emission and 0.05 - off < after < 0.95 + off)
    return {"bew": max(first, moved(0.9)), "ghost": max(first, last, cut)}


def threshold_doubts(t: np.ndarray, b: np.ndarray, off: np.ndarray) -> dict[str, np.ndarray]:
    """Return by how much thresholds ``off`` (n,) higher or lower change the figures of blurred curves (n, m)."""

    def doubt(find: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
        low, high = find(-off), find(off)
        return np.where(np.isfinite(low) & np.isfinite(high), 0.5 * np.abs(high - low), 0.0)

    rising = [doubt(lambda d, level=level: crossing(t, b, level + d)) for level in (0.1, 0.9)]
    return {
        "bew": OVER_ALL * np.hypot(*rising),
        "ghost": doubt(lambda d: settling(t, b, BAND + d)),
        "overshoot": off,
    }


def rise_time(t: np.ndarray, rows: np.ndarray, shares: Sequence[float] | np.ndarray = (0.1, 0.9)) -> np.ndarray:
    """Return the time from the first crossing of one share to the first crossing of the other, of each row.

    Parameters
    ----------
    t, rows : (m,), (n, m) float
    shares : (2,) or (n, 2) float
    """
    low, high = np.moveaxis(np.asarray(shares), -1, 0)
    return crossing(t, rows, high) - crossing(t, rows, low)


def curves_of(family: Family, params: np.ndarray, length: float, emission: np.ndarray | None = None):
    """Return ``t, b, tr, r`` for `figures_of_curves`, one row per row of parameters."""
    t, b = blurred(family, params, length, emission)
    tr, r = step_response(family, params, length)
    return t, b, tr, r


def figures_of(
    family: Family,
    params: np.ndarray,
    length: float,
    signal_shares: np.ndarray | None = None,
    emission: np.ndarray | None = None,
) -> dict[str, np.ndarray]:
    """Return every figure of `NAMES` for each row of parameters; see `figures_of_curves`.

    ``emission`` is the light per part of a refresh.
    """
    t, b, tr, r = curves_of(family, params, length, emission)
    out = figures_of_curves(t, b, tr, r, instant_reference(emission)[0], signal_shares)
    out["get"] = gaussian_edge_time(t, b, np.zeros(len(b), int))
    return out
