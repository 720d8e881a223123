"""Step responses and edge shapes: pure array maths, no files and no records.

Every step response ``s(t)`` is normalised 0 -> 1, starts at ``t = 0`` and comes with its running integral
``I(t) = integral of s from 0 to t``, so that the blurred edge of a sample-and-hold display is exact:
``B(t) = (I(t) - I(t - T)) / T``. Times are in one unit of the caller's choice.
"""

from __future__ import annotations

import numpy as np

LN9 = float(np.log(9.0))
GET_FACTOR = 2.563103131089201  # 2 * inverse normal CDF of 0.9


def third_legendre(x: np.ndarray) -> np.ndarray:
    """Return the third Legendre polynomial, ``(5 x^3 - 3 x) / 2``."""
    return x * (2.5 * x * x - 1.5)


def exponential_integral(t: np.ndarray, tau: float) -> np.ndarray:
    """Running integral of ``1 - exp(-t / tau)`` (0 before 0); ``tau = 0`` is the instant step."""
    t = np.maximum(t, 0.0)
    if tau <= 0:
        return t
    return t + tau * np.expm1(-t / tau)


def exponential_step(t: np.ndarray, tau: float) -> np.ndarray:
    """``1 - exp(-t / tau)`` for t >= 0, else 0; its 10-90 % time is ``tau * ln 9``."""
    t = np.asarray(t, dtype=float)
    if tau <= 0:
        return (t >= 0).astype(float)
    return np.where(t >= 0, -np.expm1(-np.maximum(t, 0.0) / tau), 0.0)


def first_crossing(x: np.ndarray, y: np.ndarray, level: float) -> float:
    """Return the first upward crossing of ``level`` by linear interpolation; NaN if there is none.

    Parameters
    ----------
    x, y : (n,) float
        ``x`` increasing.
    level : float
    """
    above = np.nonzero(y >= level)[0]
    if above.size == 0:
        return float("nan")
    i = int(above[0])
    if i == 0:
        return float(x[0])
    return float(x[i - 1] + (level - y[i - 1]) * (x[i] - x[i - 1]) / (y[i] - y[i - 1]))


def last_outside(x: np.ndarray, y: np.ndarray, centre: float, half: float) -> float:
    """Return where ``y`` enters ``centre`` +- ``half`` for the last time (linear interpolation).

    The result is ``x[0]`` if ``y`` never is outside and NaN if it still is at the end.
    """
    outside = np.nonzero(np.abs(y - centre) > half)[0]
    if outside.size == 0:
        return float(x[0])
    i = int(outside[-1])
    if i == len(x) - 1:
        return float("nan")
    bound = centre + half if y[i] > centre else centre - half
    return float(x[i] + (bound - y[i]) * (x[i + 1] - x[i]) / (y[i + 1] - y[i]))


def gaussian_edge_sigma(x: np.ndarray, y: np.ndarray) -> float:
    """Return sigma of the cumulative Gaussian that fits ``y`` best, levels fixed at 0 and 1.

    Parameters
    ----------
    x, y : (n,) float
        Uniform ``x`` over the whole transition: outside it ``y`` continues as 0 and 1, where the residual of a
        settled curve vanishes, so the sum over the window equals the sum without end.

    Notes
    -----
    Gauss-Newton with step halving on (mu, sigma); GET is ``GET_FACTOR`` times the result (Watson 2010).
    """
    from scipy.special import ndtr

    t10, t90 = first_crossing(x, y, 0.1), first_crossing(x, y, 0.9)
    step = float(x[1] - x[0])
    width = max(t90 - t10, step) if np.isfinite(t90 - t10) else step
    mu, sigma = 0.5 * (t10 + t90), width / GET_FACTOR
    pad = np.arange(1, int(6 * width / step) + 2) * step
    xs = np.concatenate([x[0] - pad[::-1], x, x[-1] + pad])
    ys = np.concatenate([np.zeros_like(pad), y, np.ones_like(pad)])

    def cost(m: float, s: float) -> float:
        return float(np.sum((ndtr((xs - m) / s) - ys) ** 2))

    best = cost(mu, sigma)
    for _ in range(60):
        z = (xs - mu) / sigma
        pdf = np.exp(-0.5 * z * z) / (np.sqrt(2 * np.pi) * sigma)
        jac = np.stack([-pdf, -pdf * z], axis=1)
        delta, *_ = np.linalg.lstsq(jac, ys - ndtr(z), rcond=None)
        scale = 1.0
        while scale > 1e-6:
            m, s = mu + scale * delta[0], sigma + scale * delta[1]
            if s > 0 and (trial := cost(m, s)) <= best:
                break
            scale /= 2
        else:
            break
        moved = abs(m - mu) + abs(s - sigma)
        mu, sigma, best = m, s, trial
        if moved < 1e-12 * width:
            break
    return float(sigma)
