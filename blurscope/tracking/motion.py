"""The camera's travel from the streaks: exposure, phase, velocity error, acceleration and scan-out in one fit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from blurscope.pattern.layout import Layout
from blurscope.tracking.lanes import Streak

STEPS = 64  # time steps per refresh in waveforms
NAMES = ("start", "exposure", "error", "accel", "delay", "along", "across", "sigma", "amplitude")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Motion:
    """What the streaks say about the camera; times in refreshes of the row's own clock, lengths in px.

    Attributes
    ----------
    start : float
        Opening of the shutter at the middle of the screen, on the pose's refresh clock.
    exposure : float
    error, accel : float
        px per refresh, px per refresh squared; positive along the motion.
    delay : float
        Onset of the pixel's response on that clock, beyond what the waveforms already contain.
    along, across : float
        Change of the opening time from the first to the last column / row of the screen (scan-out is the negative).
    sigma : float
        Gaussian blur along the motion, px.
    amplitude : float
    covariance : (9, 9) float
    chi2_ratio : float
        Chi-square over degrees of freedom, of independent noise.
    samples : int
    """

    start: float
    exposure: float
    error: float
    accel: float
    delay: float
    along: float
    across: float
    sigma: float
    amplitude: float
    covariance: np.ndarray
    chi2_ratio: float
    samples: int

    def start_at(self, x_px: float, v_row: float, layout: Layout) -> float:
        """Return the opening time on the clock of a place on the screen."""
        return self.start + self.along * (x_px / layout.width_px - 0.5) + self.across * (v_row / layout.height_px - 0.5)

    def sd(self, name: str) -> float:
        """Return the standard uncertainty of a parameter."""
        i = NAMES.index(name)
        return float(np.sqrt(max(self.covariance[i, i], 0.0)))


def slit_waveform(slit, steps: Callable[[int, int], np.ndarray | None], law: Callable) -> np.ndarray | None:
    """Return one period of a slit's light, STEPS per refresh (mean over each step), white = 1, lane black = 0.

    Parameters
    ----------
    slit : Slit
    steps : callable
        ``steps(from, to)`` gives the step response in cells of 1/STEPS refresh, or None if unknown.
    law : callable
        Level to light.
    """
    black = float(law(0))
    low, high = (float(law(level)) - black for level in (slit.low_level, slit.high_level))
    scale = 1 - black
    low, high = low / scale, high / scale
    if slit.period_refreshes == slit.on_refreshes:
        return np.full(STEPS, high)
    rise, fall = steps(slit.low_level, slit.high_level), steps(slit.high_level, slit.low_level)
    if rise is None or fall is None:
        return None
    n_on, n = slit.on_refreshes * STEPS, slit.period_refreshes * STEPS
    r, f = _fit_length(rise, n_on), _fit_length(fall, n - n_on)
    # periodic state: value at the end of each phase from the shape's end
    re, fe = r[-1], f[-1]
    # top = low_state + (high - low_state) re; low_state = top + (low - top) fe
    top = (high * re + low * fe * (1 - re)) / (1 - (1 - re) * (1 - fe))
    bottom = top + (low - top) * fe
    wave = np.concatenate([bottom + (high - bottom) * r, top + (low - top) * f])
    return np.roll(wave, slit.phase_refreshes * STEPS)


def _fit_length(step: np.ndarray, count: int) -> np.ndarray:
    if len(step) >= count:
        return step[:count]
    return np.concatenate([step, np.full(count - len(step), step[-1])])


def streak_model(
    streak: Streak, wave: np.ndarray, p: np.ndarray, layout: Layout, pixel: float, emission: np.ndarray | None
) -> np.ndarray:
    """Return the light along a streak.

    At plate position ``u`` the camera sees the screen column ``u + sign * travel(t)``; the streak's light is the
    slit's light over the time that column takes to cross the slit, over the exposure.
    """
    start, exposure, error, accel, delay, along, across, sigma, amplitude = p
    v, sign = layout.px_per_refresh, layout.sign
    slit = streak.slit
    centre = slit.x_px + slit.width_px / 2
    opening = start + along * (centre / layout.width_px - 0.5) + across * (streak.v_row / layout.height_px - 0.5)
    step = float(streak.u_px[1] - streak.u_px[0])
    # finer grid with margins for the blur
    sub = 2
    pad = int(np.ceil((4 * sigma + 1) / step)) * sub
    fine = step / sub
    count = (len(streak.u_px) - 1) * sub + 1
    u = streak.u_px[0] + (np.arange(-pad, count + pad)) * fine
    middle = opening + exposure / 2
    tt = opening + np.linspace(0, exposure, max(8, int(np.ceil(exposure * STEPS))) + 1)
    late = tt - middle
    travel = v * tt + error * late + 0.5 * accel * late * late
    # cumulative light of the slit up to each time
    total = _running(wave, tt - delay) if emission is None else _running_lit(wave, tt, delay, emission)
    near, far = slit.x_px - u, slit.x_px + slit.width_px - u
    a, b = (near, far) if sign > 0 else (-far, -near)
    light = np.interp(b, travel, total) - np.interp(a, travel, total)
    light *= amplitude / exposure
    return _blur(light, fine, sigma, pixel)[pad : pad + count : sub]


def _running(wave: np.ndarray, t: np.ndarray) -> np.ndarray:
    """Integral of a periodic waveform (cells of 1/STEPS refresh) up to each time."""
    sums = np.concatenate([[0.0], np.cumsum(wave)]) / STEPS
    period = len(wave) / STEPS
    whole = np.floor(t / period)
    inside = (t - whole * period) * STEPS
    return whole * sums[-1] + np.interp(inside, np.arange(len(wave) + 1), sums)


def _running_lit(wave: np.ndarray, t: np.ndarray, delay: float, emission: np.ndarray) -> np.ndarray:
    """The same under a backlight: ``emission`` is one refresh on the pose's clock (mean 1, cells of 1/STEPS)."""
    fine = np.linspace(t[0], t[-1], max(16, int((t[-1] - t[0]) * STEPS * 2)) + 1)
    mid = 0.5 * (fine[1:] + fine[:-1])
    value = wave[np.floor((mid - delay) * STEPS).astype(int) % len(wave)]
    lamp = emission[np.floor(mid * STEPS).astype(int) % len(emission)]
    total = np.concatenate([[0.0], np.cumsum(value * lamp * np.diff(fine))])
    return np.interp(t, fine, total)


def _blur(light: np.ndarray, step: float, sigma: float, pixel: float) -> np.ndarray:
    spread = np.sqrt(sigma**2 + pixel**2 * (1 / 12 + 1 / 6))
    half = max(1, int(np.ceil(4 * spread / step)))
    x = np.arange(-half, half + 1) * step
    from math import erf

    edges = np.concatenate([x - step / 2, [x[-1] + step / 2]])
    cdf = np.array([0.5 * (1 + erf(e / (spread * 2**0.5))) for e in edges]) if spread > 0 else (edges > 0) * 1.0
    kernel = np.diff(cdf)
    return np.convolve(light, kernel / kernel.sum(), "same")


def fit_motion(
    streaks: list[Streak],
    waves: list[np.ndarray],
    layout: Layout,
    shift: float,
    exposure: float,
    pixel: float,
    sigma: float,
    *,
    emission: np.ndarray | None = None,
    lens_sd: float = 0.15,
    guess: np.ndarray | None = None,
) -> Motion:
    """Fit the camera's motion to all streaks at once (Gauss-Newton with step control).

    Parameters
    ----------
    streaks, waves : lists
        Streaks and one period of each slit's light.
    shift : float
        ``x_screen = u + shift`` at the middle of the exposure.
    exposure : float
        First guess, refreshes.
    pixel : float
        One camera pixel in display px.
    sigma : float
        Lens blur expected, px, with standard uncertainty ``lens_sd``.
    """
    v, sign = layout.px_per_refresh, layout.sign
    p = np.array([sign * shift / v - exposure / 2, exposure, 0.0, 0.0, 0.0, 0.0, 0.0, sigma, 1.0])
    if guess is not None:
        p = guess.copy()
    prior = np.array([np.inf, np.inf, 3.0, 0.5, 0.5, 1.2, 1.2, lens_sd, 0.15])
    centre = p.copy()
    centre[2:7] = 0
    centre[7], centre[8] = sigma, 1.0
    steps = np.array([2e-3, 2e-3, 5e-3, 5e-3, 2e-3, 5e-3, 5e-3, 0.01, 1e-3])
    # the model itself is not better than this share of a streak
    rough = 0.01

    def models(q: np.ndarray) -> list[np.ndarray]:
        return [streak_model(s, w, q, layout, pixel, emission) for s, w in zip(streaks, waves, strict=True)]

    def stack(parts: list[np.ndarray]) -> np.ndarray:
        return np.concatenate(parts)

    data = stack([s.light for s in streaks])
    level = np.concatenate(
        [np.full(len(s.u_px), max(float(w.max()), 0.02)) for s, w in zip(streaks, waves, strict=True)]
    )
    width = np.concatenate([np.full(len(s.u_px), s.slit.width_px / (v * exposure)) for s in streaks])
    noise = np.concatenate([np.full(len(s.u_px), s.noise) for s in streaks])
    weight = 1 / np.hypot(noise * 1.5, rough * level * width)

    def cost(q: np.ndarray, m: np.ndarray) -> float:
        return float((((data - m) * weight) ** 2).sum() + (((q - centre) / prior) ** 2).sum())

    model = stack(models(p))
    best = cost(p, model)
    damp = 1e-3
    gram = np.eye(len(p))
    for _ in range(25):
        jac = np.empty((len(data), len(p)))
        for k in range(len(p)):
            q = p.copy()
            q[k] += steps[k]
            jac[:, k] = (stack(models(q)) - model) / steps[k]
        jw = jac * weight[:, None]
        gram = jw.T @ jw + np.diag(1 / prior**2)
        grad = jw.T @ ((data - model) * weight) - (p - centre) / prior**2
        moved = False
        for _ in range(6):
            delta = np.linalg.solve(gram + damp * np.diag(np.diag(gram)), grad)
            trial = p + np.clip(delta, -0.5, 0.5)
            trial[1] = max(trial[1], 0.3)
            trial[7] = max(trial[7], 0.02)
            trial_model = stack(models(trial))
            c = cost(trial, trial_model)
            if c < best:
                gain = best - c
                p, model, best, moved = trial, trial_model, c, True
                damp *= 0.2
                break
            damp *= 8
        if not moved or gain < 1e-3 * max(1.0, 1e-3 * best):
            break
    res = (data - model) * weight
    ratio = float((res**2).sum() / max(len(data) - len(p), 1))
    covariance = np.linalg.inv(gram) * max(ratio, 0.05) * 2.0
    return Motion(
        **dict(zip(NAMES, map(float, p), strict=True)), covariance=covariance, chi2_ratio=ratio, samples=len(data)
    )
