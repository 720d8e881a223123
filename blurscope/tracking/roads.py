"""The second road: a pixel's step response read off the streaks of slits that switch between its two levels."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from blurscope.pattern.layout import Layout
from blurscope.tracking.lanes import Streak
from blurscope.tracking.motion import Motion, time_at

MIN_SIGNAL = 12.0  # step over noise of the stitched samples
BINS = 16  # per refresh of the stitched curve
NODES, WEIGHTS = np.polynomial.legendre.leggauss(5)
GRID = np.concatenate([[0.0], np.geomspace(1e-3, 40, 500)])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StreakResponse:
    """Response of one transition from streaks; times in refreshes.

    Attributes
    ----------
    response, u95 : float or None
        10-90 % time of the step.
    t, light : (n,) float
        Stitched samples since the switch, normalised 0 to 1 (the slit's width still in them).
    """

    from_level: int
    to_level: int
    response: float | None
    u95: float
    t: np.ndarray
    light: np.ndarray
    flags: tuple[str, ...]


def streak_responses(
    streaks: list[Streak], motion: Motion | None, layout: Layout, law: Callable, pixel: float
) -> list[StreakResponse]:
    """Stitch the streaks of every pair of levels and read the response.

    Parameters
    ----------
    streaks : list of Streak
    motion : Motion or None
    law : callable
        Level to light, white = 1.
    pixel : float
        One camera pixel, display px.
    """
    pairs: dict[tuple[int, int], list[Streak]] = {}
    for s in streaks:
        if s.slit.kind == "response":
            pairs.setdefault((s.slit.low_level, s.slit.high_level), []).append(s)
    out = []
    for (low, high), mine in sorted(pairs.items()):
        for rising in (True, False):
            a, b = (low, high) if rising else (high, low)
            out.append(_one(mine, rising, a, b, motion, layout, law, pixel))
    return sorted(out, key=lambda r: (r.from_level, r.to_level))


def _one(streaks, rising, a, b, motion, layout, law, pixel) -> StreakResponse:
    def none(*flags: str) -> StreakResponse:
        return StreakResponse(
            from_level=a, to_level=b, response=None, u95=0.0, t=np.empty(0), light=np.empty(0), flags=flags
        )

    if motion is None:
        return none("streak_too_dim")
    samples = [_samples(s, rising, motion, layout, law) for s in streaks]
    t = np.concatenate([x[0] for x in samples])
    y = np.concatenate([x[1] for x in samples])
    sd = np.concatenate([x[2] for x in samples])
    if len(t) < 12:
        return none("streak_incomplete")
    order = np.argsort(t)
    t, y, sd = t[order], y[order], sd[order]
    if 1 / float(np.median(sd)) < MIN_SIGNAL / 4:
        return none("streak_too_dim")
    width = streaks[0].slit.width_px / (layout.px_per_refresh + motion.error)
    blur = float(np.sqrt(motion.sigma**2 + pixel**2 / 4)) / layout.px_per_refresh
    grid, curve, spread = _stitch(t, y, sd)
    fit = _fit(grid, curve, spread, width, blur)
    if fit is None:
        return StreakResponse(
            from_level=a, to_level=b, response=None, u95=0.0, t=grid, light=curve, flags=("streak_incomplete",)
        )
    response, u95 = fit
    if u95 > max(0.6 * response, 0.25):
        return StreakResponse(
            from_level=a, to_level=b, response=None, u95=0.0, t=grid, light=curve, flags=("streak_too_dim",)
        )
    return StreakResponse(from_level=a, to_level=b, response=response, u95=u95, t=grid, light=curve, flags=())


def _samples(s: Streak, rising: bool, motion: Motion, layout: Layout, law) -> tuple[np.ndarray, ...]:
    """Return age since the switch, normalised light and its noise for the part of a streak that shows it."""
    slit, v, sign = s.slit, layout.px_per_refresh, layout.sign
    centre = slit.x_px + slit.width_px / 2
    opening = motion.start_at(centre, s.v_row, layout)
    delay = motion.delay + motion.delay_at(centre, s.v_row, layout)
    middle = opening + motion.exposure / 2
    away = sign * (centre - s.u_px) - v * middle
    late, root = time_at(away, v + motion.error, motion.accel)
    time = middle + late
    guard = (slit.width_px / 2 + 2.5 * motion.sigma + 0.5) / v
    inside = (time > opening + guard) & (time < opening + motion.exposure - guard)
    full = motion.amplitude * slit.width_px / (motion.exposure * root)
    black = float(law(0))
    la, lb = ((float(law(x)) - black) / (1 - black) for x in (slit.low_level, slit.high_level))
    start, end = (la, lb) if rising else (lb, la)
    light = (s.light / full - start) / (end - start)
    noise = np.abs(s.noise / full / (end - start)) * np.ones_like(light)
    # age on the clock of this kind of switch
    on = slit.on_refreshes
    switch = slit.phase_refreshes if rising else slit.phase_refreshes + on
    age = (time - delay - switch + 1.0) % slit.period_refreshes - 1.0
    length = on if rising else slit.period_refreshes - on
    use = inside & (age > -0.9) & (age < length - 1.0)
    return age[use], light[use], noise[use]


def _stitch(t: np.ndarray, y: np.ndarray, sd: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the mean age, light and noise of the samples in each bin."""
    index = np.floor(t * BINS).astype(int)
    index -= index.min()
    w = 1 / sd**2
    total = np.bincount(index, w)
    have = total > 0
    total = total[have]
    return (
        np.bincount(index, w * t)[have] / total,
        np.bincount(index, w * y)[have] / total,
        1 / np.sqrt(total),
    )


def _model(t: np.ndarray, p: np.ndarray, width: float, blur: float, kind: str) -> np.ndarray:
    """Mean over the slit's width of a step: two exponentials (may overshoot) or an S of three poles."""
    nodes, weights = NODES, WEIGHTS
    wide = np.sqrt(width**2 + 12 * blur**2)
    tt = t[:, None] + 0.5 * wide * nodes[None, :] - p[0]
    x = np.maximum(tt, 0)
    tau = np.exp(p[1])
    if kind == "cascade":
        z = x / tau
        s = 1 - np.exp(-z) * (1 + z + 0.5 * z * z)
    else:
        slow = tau * (1.3 + np.exp(p[3])) if len(p) > 3 else tau
        share = p[2] if len(p) > 3 else 1.0
        s = 1 - share * np.exp(-x / tau) - (1 - share) * np.exp(-x / slow)
    return (np.where(tt > 0, s, 0.0) @ weights) / 2


def _response_of(p: np.ndarray, kind: str) -> float:
    grid = GRID
    q = p.copy()
    q[0] = 0.0
    s = _model(grid, q, 0.0, 0.0, kind)
    up = np.maximum.accumulate(s)
    return float(np.interp(0.9, up, grid) - np.interp(0.1, up, grid))


def _fit(t, y, sd, width, blur) -> tuple[float, float] | None:
    """Fit the candidates; return the 10-90 % time and u95, or None if the samples don't cover the step."""
    if t.min() > 0.1 or t.max() < 1.2:
        return None
    found = []
    for kind, start in (
        ("exponential", [0.0, np.log(0.3)]),
        ("cascade", [0.0, np.log(0.15)]),
        ("two", [0.0, np.log(0.3), 1.1, np.log(2.0)]),
    ):
        best = None
        for shift in (0.0, np.log(3.5)):
            p = np.array(start, float)
            p[1] += shift
            fit = _gauss_newton(t, y, sd, p, width, blur, kind)
            if best is None or fit[1] < best[1]:
                best = fit
        p, chi2, cov = best
        found.append((chi2, len(p) + 1, kind, p, cov))
    dof = len(t) - 5
    inflate = max(min(f[0] for f in found) / dof, 1.0) * 2.0
    bic = np.array([f[0] / inflate + f[1] * np.log(len(t)) for f in found])
    weight = np.exp(-0.5 * (bic - bic.min()))
    weight /= weight.sum()
    values, variances = [], []
    for _chi2, _, kind, p, cov in found:
        base = _response_of(p, kind)
        grad = np.zeros(len(p))
        for k in range(1, len(p)):
            q = p.copy()
            q[k] += 1e-3
            grad[k] = (_response_of(q, kind) - base) / 1e-3
        n = len(p)
        values.append(base)
        variances.append(float(grad @ cov[:n, :n] @ grad) * inflate)
    v = np.array(values)
    mean = float(weight @ v)
    spread = float(weight @ ((v - mean) ** 2 + np.array(variances)))
    return mean, float(1.96 * np.sqrt(spread + (0.08 * width) ** 2))


def _gauss_newton(t, y, sd, p, width, blur, kind):
    scale = 1.0
    n = len(p)
    low, high = np.array([-0.6, -6.0, 0.1, -3.0])[:n], np.array([1.0, 1.6, 4.0, 3.0])[:n]

    def predict(q):
        return _model(t, q, width, blur, kind)

    m = predict(p)
    damp = 1e-3

    def amplitude(model):
        w = 1 / sd**2
        # the streak's own brightness is known to a few percent only
        return (float((w * model * y).sum()) + 400) / (float((w * model * model).sum()) + 400)

    scale = amplitude(m)
    chi2 = float((((y - scale * m) / sd) ** 2).sum())
    cov = np.eye(n + 1)
    for _ in range(15):
        jac = np.empty((len(t), n + 1))
        for k in range(n):
            q = p.copy()
            q[k] += 1e-4
            jac[:, k] = scale * (predict(q) - m) / 1e-4
        jac[:, n] = m
        jw = jac / sd[:, None]
        gram = jw.T @ jw + np.diag([0.0] * n + [400.0]) + 1e-6 * np.eye(n + 1)
        grad = jw.T @ ((y - scale * m) / sd)
        cov = np.linalg.inv(gram)
        better = False
        for _ in range(6):
            delta = np.linalg.solve(gram + damp * np.diag(np.diag(gram)), grad)
            q = np.clip(p + np.clip(delta[:n], -0.5, 0.5), low, high)
            mq = predict(q)
            sq = amplitude(mq)
            c = float((((y - sq * mq) / sd) ** 2).sum())
            if c < chi2:
                gain = chi2 - c
                p, m, scale, chi2, better = q, mq, sq, c, True
                damp *= 0.2
                break
            damp *= 8
        if not better or gain < 0.05:
            break
    return p, chi2, cov
