"""Figures of a fitted step, each with its expanded uncertainty from draws of the curve and of the levels."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from blurscope.records import Q
from blurscope.trace.curve import Curve, Pooled
from blurscope.trace.law import LevelLaw
from blurscope.uncertainty import K95

DRAWS = 300
SETTLE_BAND = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelErrors:
    """Standard uncertainties of the two settled levels, as shares of the step.

    Attributes
    ----------
    low, high : float
        Of the from and the to level.
    """

    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StepFigures:
    """What a step says; times in ms, excursions in % of the step."""

    onset_ms: float
    onset_sd_ms: float
    response_ms: Q
    response_signal_ms: Q
    overshoot_pct: Q
    undershoot_pct: Q
    settle_ms: Q
    t10_ms: Q
    fractions: Mapping[str, Q]
    settled_in: Mapping[float, float]


def crossings(grid: np.ndarray, curves: np.ndarray, share: float) -> np.ndarray:
    """Return for each curve where it passes ``share``, searched outward from its first crossing of one half.

    Parameters
    ----------
    grid : (m,) float
    curves : (k, m) float
    share : float

    Returns
    -------
    (k,) float
        NaN where it does not.
    """
    m = len(grid)
    half = np.argmax(curves >= 0.5, axis=1)
    column = np.arange(m)
    if share < 0.5:
        below = (curves < share) & (column <= half[:, None])
        left = m - 1 - np.argmax(below[:, ::-1], axis=1)
        good = below.any(axis=1) & (left < m - 1)
    else:
        above = (curves >= share) & (column >= half[:, None])
        left = np.argmax(above, axis=1) - 1
        good = above.any(axis=1) & (left >= 0)
    left = np.clip(left, 0, m - 2)
    rows = np.arange(len(curves))
    a, b = curves[rows, left], curves[rows, left + 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.clip((share - a) / (b - a), 0.0, 1.0)
    out = grid[left] + part * (grid[left + 1] - grid[left])
    return np.where(good & (curves.max(axis=1) >= 0.5), out, np.nan)


def last_exit(grid: np.ndarray, curves: np.ndarray, band: float) -> np.ndarray:
    """Return for each curve when it enters 1 +- ``band`` for good; NaN where it is still outside at the end."""
    m = len(grid)
    off = np.abs(curves - 1.0)
    outside = off > band
    last = m - 1 - np.argmax(outside[:, ::-1], axis=1)
    good = outside.any(axis=1) & (last < m - 1)
    last = np.clip(last, 0, m - 2)
    rows = np.arange(len(curves))
    a, b = off[rows, last], off[rows, last + 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.clip((a - band) / (a - b), 0.0, 1.0)
    return np.where(good, grid[last] + part * (grid[last + 1] - grid[last]), np.nan)


def onset(grid: np.ndarray, curves: np.ndarray) -> np.ndarray:
    """Return where the line through the 5 and 15 % crossings starts from 0.

    The start of an exponential comes out 0.4 % of its time constant early; smooth starts have no sharper definition.
    """
    early, late = crossings(grid, curves, 0.05), crossings(grid, curves, 0.15)
    return 1.5 * early - 0.5 * late


def _sampling(pooled: Pooled, at_ms: float) -> tuple[float, float]:
    """Return (standard uncertainty, jump) of a crossing between samples that lie far apart on the curve.

    Between samples nothing is known but their two values; where the step they make is small against 0.2 the curve is
    smooth there and the term vanishes against noise.
    """
    x, y = pooled.age_ms, pooled.step
    k = int(np.clip(np.searchsorted(x, at_ms), 2, len(x) - 2))
    gaps = np.maximum(np.diff(x[k - 2 : k + 2]), pooled.spacing_ms)
    # Bins narrower than a sample come from several repeats; their steps count per sample.
    jumps = np.abs(np.diff(y[k - 2 : k + 2])) * np.minimum(pooled.spacing_ms / np.diff(x[k - 2 : k + 2]), 1e3)
    jumps = np.where(np.diff(x[k - 2 : k + 2]) < pooled.spacing_ms, jumps, np.abs(np.diff(y[k - 2 : k + 2])))
    noise = 2 * np.sqrt(pooled.variance[k - 2 : k + 1] + pooled.variance[k - 1 : k + 2])
    jumps = np.maximum(jumps - noise, 0.0)
    worst = int(np.argmax(gaps * np.minimum(jumps / 0.2, 1.0)))
    return float(gaps[worst] / math.sqrt(12.0) * min(jumps[worst] / 0.2, 1.0)), float(jumps[worst])


def _between_samples(pooled: Pooled, share: float) -> float:
    """Return where the pooled samples themselves cross ``share``, joined by straight lines."""
    return float(crossings(pooled.age_ms, pooled.step[None, :], share)[0])


def _between_codes(grid: np.ndarray, fit: np.ndarray, share: float, quantum_sd: float) -> float:
    """Return the standard uncertainty of a crossing whose share is known to a code only: stairs are no slope."""
    code = math.sqrt(12.0) * quantum_sd
    early, at, late = (float(crossings(grid, fit, s)[0]) for s in (share - code, share, share + code))
    apart = [x for x in (at - early, late - at) if math.isfinite(x)]
    return sum(apart) / len(apart) / math.sqrt(12.0) if apart else 0.0


def _band(grid: np.ndarray, light: np.ndarray, sd: np.ndarray, share: float) -> tuple[float, float]:
    """Return the crossings of the curve's upper and lower 95 % bands: where the true curve may cross."""
    both = np.stack([light + K95 * sd, light - K95 * sd])
    early, late = crossings(grid, both, share)
    return float(early), float(late)


def _quantity(
    value: float, draws: np.ndarray, extra: Mapping[str, float], reach: tuple[float, float] | None = None
) -> Q:
    """Return value and u95; widened to span both branches, and flagged, where the figure may jump.

    ``reach`` is the interval that the bands of the curve allow.
    """
    good = draws[np.isfinite(draws)]
    if not math.isfinite(value) or len(good) < 0.98 * len(draws):
        return Q.missing("not_settled")
    half = K95 * float(np.std(good, ddof=1))
    middle = float(np.median(good))
    robust = K95 * 1.4826 * float(np.median(np.abs(good - middle)))
    low, high = (float(v) for v in np.quantile(good, [0.025, 0.975]))
    flags: tuple[str, ...] = ()
    if high - low > 6 * robust + 1e-9 * abs(value) and high - low > 0.02 * abs(value):
        flags = ("threshold_grazed",)
        half = max(half, abs(high - value), abs(value - low))
    if reach is not None and all(math.isfinite(v) for v in reach):
        far = max(abs(reach[0] - value), abs(reach[1] - value))
        if far > 3 * robust and far > 0.05 * abs(value):
            flags = ("threshold_grazed",)
            half = max(half, far)
    other = math.sqrt(math.fsum(v * v for v in extra.values()))
    return Q(
        value=value,
        u95=math.hypot(half, K95 * other),
        flags=flags,
        parts={"noise_and_levels": half / K95, **dict(extra)},
    )


def step_figures(
    curve: Curve,
    pooled: Pooled,
    errors: LevelErrors,
    *,
    quantum_sd: float,
    law: LevelLaw | None,
    levels: tuple[float, float],
    fractions: tuple[tuple[float, float], ...],
    refreshes_ms: tuple[float, ...],
    start_ms: float | None,
    rng: np.random.Generator,
) -> StepFigures:
    """Return the figures of a fitted step.

    Parameters
    ----------
    curve : Curve
    pooled : Pooled
    errors : LevelErrors
    quantum_sd : float
        What the digitiser leaves of its step after dithering, as a share of the light step.
    law : LevelLaw, optional
    levels : (float, float)
    fractions : tuple of (float, float)
        Further pairs of shares, such as ``(0.2, 0.8)``.
    refreshes_ms : tuple of float
        Durations for which to give the probability that the step has settled.
    start_ms : float or None
        The switch on the curve's axis if it is known, else the onset is taken.
    rng : numpy.random.Generator
    """
    grid = curve.grid_ms
    fit = curve.light[None, :]
    noise = rng.standard_normal((DRAWS // 2, curve.root.shape[1])) @ curve.root.T
    noise = np.concatenate([noise, -noise])
    low = rng.normal(0.0, errors.low, DRAWS)[:, None]
    high = rng.normal(0.0, errors.high, DRAWS)[:, None]
    draws = fit + noise
    # A level that is off by d shifts and stretches the normalised step.
    draws = (draws - low) / (1.0 + high - low)
    start_draws, starts = onset(grid, draws), float(onset(grid, fit)[0])
    slope = np.gradient(curve.light, grid)

    level_sd = np.hypot((1 - curve.light) * errors.low, curve.light * errors.high)
    total_sd = np.hypot(curve.sd, level_sd)

    def between(p: float, q: float, draw_p: np.ndarray | None = None, draw_q: np.ndarray | None = None) -> Q:
        a, b = float(crossings(grid, fit, p)[0]), float(crossings(grid, fit, q)[0])
        da = crossings(grid, draws, p) if draw_p is None else draw_p
        db = crossings(grid, draws, q) if draw_q is None else draw_q
        if not (math.isfinite(a) and math.isfinite(b)):
            return Q.missing("not_settled")
        (sd_a, jump_a), (sd_b, jump_b) = _sampling(pooled, a), _sampling(pooled, b)
        value = b - a
        if min(jump_a, jump_b) > 0.25:
            # Hardly a sample lies on the rise; a smooth curve would only spread it.
            value = _between_samples(pooled, q) - _between_samples(pooled, p)
        extra = {"sampling": math.hypot(sd_a, sd_b)}
        if quantum_sd > 0:
            steep_a, steep_b = (max(abs(float(np.interp(t, grid, slope))), 1e-12) for t in (a, b))
            extra["digitiser"] = math.hypot(
                max(quantum_sd / steep_a, _between_codes(grid, fit, p, quantum_sd)),
                max(quantum_sd / steep_b, _between_codes(grid, fit, q, quantum_sd)),
            )
        (a_early, a_late), (b_early, b_late) = (_band(grid, curve.light, total_sd, s) for s in (p, q))
        return _quantity(value, db - da, extra, (b_early - a_late, b_late - a_early))

    t10d, t90d = crossings(grid, draws, 0.1), crossings(grid, draws, 0.9)
    response = between(0.1, 0.9, t10d, t90d)
    signal = Q.missing("signal_unknown")
    if law is not None and law.covers(*levels):
        signal = _signal_time(law, levels, between, errors)
    origin = starts if start_ms is None else start_ms
    settle_fit = float(last_exit(grid, fit, SETTLE_BAND)[0])
    settle_draws = last_exit(grid, draws, SETTLE_BAND)
    shift = start_draws if start_ms is None else np.full(DRAWS, origin)
    settle = Q.missing("not_settled")
    if math.isfinite(settle_fit):
        wide = np.stack([1 + np.maximum(np.abs(curve.light - 1) + s * K95 * total_sd, 0) for s in (-1, 1)])
        ends = last_exit(grid, wide, SETTLE_BAND) - origin
        settle = _quantity(
            settle_fit - origin,
            settle_draws - shift,
            {"sampling": _sampling(pooled, settle_fit)[0]},
            (float(ends[0]), float(ends[1])),
        )
    half = crossings(grid, fit, 0.5)[0]
    t10 = float(crossings(grid, fit, 0.1)[0])
    latency = Q.missing("not_settled")
    if math.isfinite(t10):
        latency = _quantity(t10 - origin, t10d - origin, {"sampling": _sampling(pooled, t10)[0]})
    return StepFigures(
        onset_ms=starts,
        onset_sd_ms=float(np.nanstd(start_draws)) if np.isfinite(start_draws).any() else math.nan,
        response_ms=response,
        response_signal_ms=signal,
        overshoot_pct=_excursion(grid, curve.light, draws, after=half, quantum_sd=quantum_sd),
        undershoot_pct=_excursion(
            -grid[::-1], 1 - curve.light[::-1], 1 - draws[:, ::-1], after=-half, quantum_sd=quantum_sd
        ),
        settle_ms=settle,
        t10_ms=latency,
        fractions={f"{100 * p:g}-{100 * q:g}": between(p, q) for p, q in fractions},
        settled_in={r: float(np.mean(np.nan_to_num(settle_draws - shift, nan=np.inf) <= r)) for r in refreshes_ms},
    )


def _excursion(grid: np.ndarray, light: np.ndarray, draws: np.ndarray, *, after: float, quantum_sd: float) -> Q:
    """Largest excursion past 1 after a time, in % of the step; the noise's own share in a maximum is taken off."""
    if not math.isfinite(after):
        return Q.missing("not_settled")
    late = grid >= after
    peak = float(light[late].max()) - 1.0
    noise = draws[:, late] - light[late]
    # Bumps within the noise are taken for flat, so that the noise's own maximum is taken off in full there.
    off = light[late] - 1.0
    sure = np.sign(off) * np.maximum(np.abs(off) - 2 * noise.std(axis=0), 0.0)
    drawn = (sure + noise).max(axis=1)
    lift = max(float(drawn.mean()) - float(sure.max()), 0.0)
    value = 100 * max(peak - lift, 0.0)
    u95 = 100 * K95 * math.hypot(math.hypot(float(drawn.std(ddof=1)), quantum_sd), lift / 2)
    return Q(value=value, u95=u95, parts={"noise_and_levels": u95 / K95})


def _signal_time(law: LevelLaw, levels: tuple[float, float], between: object, errors: LevelErrors) -> Q:
    """10 to 90 % in the signal domain: the same curve read at other shares of the light step."""
    p, q = law.step_at(0.1, *levels), law.step_at(0.9, *levels)
    if not 0 < p < q < 1:
        return Q.missing("signal_unknown")
    if p < 3 * errors.low or 1 - q < 3 * errors.high:
        # The end of the signal step lies within what the level itself is uncertain by.
        return Q.missing("signal_unknown")
    result: Q = between(p, q)  # type: ignore[operator]
    if result.value is None or law.method != "gamma" or law.gamma_u95 <= 0:
        return result
    h = min(law.gamma_u95 / K95, 0.2)
    times = []
    for gamma in (law.gamma - h, law.gamma + h):
        other = law.with_gamma(gamma)
        times.append(between(other.step_at(0.1, *levels), other.step_at(0.9, *levels)))  # type: ignore[operator]
    if any(t.value is None for t in times):
        return Q.missing("signal_unknown")
    sd = abs(times[1].value - times[0].value) / 2 * (law.gamma_u95 / K95 / h)
    return Q(
        value=result.value,
        u95=math.hypot(result.u95 or 0.0, K95 * sd),
        flags=result.flags,
        parts={**result.parts, "gamma": sd},
    )
