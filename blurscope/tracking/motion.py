"""The camera's travel from the streaks: exposure, phase, velocity error, acceleration and scan-out in one fit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import erf

import numpy as np

from blurscope._cv import cv2
from blurscope.pattern.layout import Layout
from blurscope.tracking.lanes import Streak

STEPS = 64  # time steps per refresh in waveforms
CLOCK_CELLS = 8  # cells per refresh of the clock slits' free waveform
SHORT_EXPOSURE = 1.6  # refreshes
SHORT_ERROR_SHARE = 0.15  # of the speed
CLOCK_ROUGHNESS = 0.15  # second difference of that waveform, standard deviation, share of white
NAMES = (
    "start",
    "exposure",
    "error",
    "accel",
    "delay",
    "along",
    "across",
    "sigma",
    "amplitude",
    "delay_along",
    "delay_across",
)


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
    delay_along, delay_across : float
        Change of ``delay`` from the first to the last column / row.
    covariance : (11, 11) float
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
    delay_along: float
    delay_across: float
    covariance: np.ndarray
    chi2_ratio: float
    samples: int

    def start_at(self, x_px: float, v_row: float, layout: Layout) -> float:
        """Return the opening time on the clock of a place on the screen."""
        return self.start + self.along * (x_px / layout.width_px - 0.5) + self.across * (v_row / layout.height_px - 0.5)

    def delay_at(self, x_px: float, v_row: float, layout: Layout) -> float:
        """Return the delay at a place on the screen, relative to the middle."""
        return self.delay_along * (x_px / layout.width_px - 0.5) + self.delay_across * (v_row / layout.height_px - 0.5)

    def vector(self) -> np.ndarray:
        """Return the parameters in the order of `NAMES`."""
        return np.array([getattr(self, name) for name in NAMES])

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
        ``steps(from, to)`` gives the step response in cells of 1/STEPS refresh from one refresh before the switch
        (the clock's zero is only known to a fraction of a refresh), or None if unknown.
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
    return np.roll(wave, (slit.phase_refreshes - 1) * STEPS)


def _fit_length(step: np.ndarray, count: int) -> np.ndarray:
    if len(step) >= count:
        return step[:count]
    return np.concatenate([step, np.full(count - len(step), step[-1])])


def time_at(away: np.ndarray, speed: float, accel: float) -> tuple[np.ndarray, np.ndarray]:
    """Return when the camera is ``away`` px past its place at mid exposure, and how fast it is there.

    Parameters
    ----------
    away : array of float, px
    speed, accel : float
        px per refresh at mid exposure, and px per refresh squared.

    Returns
    -------
    late, root : arrays of float
        Refreshes since mid exposure, and px per refresh.
    """
    root = np.sqrt(np.maximum(speed**2 + 2 * accel * away, 1e-6))
    return 2 * away / (speed + root), root


class StreakBatch:
    """All streaks on one grid, so that a trial of the motion costs a few array operations.

    Parameters
    ----------
    streaks : list of Streak
    waves : list of (n,) float
        One period of each slit's light, cells of 1/STEPS refresh.
    layout : Layout
    pixel : float
        One camera pixel in display px.
    emission : (k,) float, optional
        Backlight over one refresh on the pose's clock, mean 1.
    """

    def __init__(self, streaks, waves, layout: Layout, pixel: float, emission: np.ndarray | None = None) -> None:
        self.layout, self.pixel = layout, pixel
        step = float(streaks[0].u_px[1] - streaks[0].u_px[0])
        self.pad = int(np.ceil(2.0 / step)) + 2
        longest = max(len(s.u_px) for s in streaks)
        self.counts = [len(s.u_px) for s in streaks]
        self.u = np.stack([s.u_px[0] + (np.arange(-self.pad, longest + self.pad)) * step for s in streaks])
        self.step = step
        self.keep = np.zeros(self.u.shape, bool)
        for i, n in enumerate(self.counts):
            self.keep[i, self.pad : self.pad + n] = True
        self.x = np.array([[s.slit.x_px] for s in streaks], float)
        self.width = np.array([[s.slit.width_px] for s in streaks], float)
        self.v_row = np.array([[s.v_row] for s in streaks], float)
        if emission is not None:
            waves = [np.resize(w, int(np.lcm(len(w), STEPS))) for w in waves]
        self.waves, self.emission = list(waves), emission
        self.period = np.array([[len(w)] for w in waves], float)
        self.sums = self._cumulate(waves)
        self.data = np.concatenate([s.light for s in streaks])

    def _cumulate(self, waves) -> np.ndarray:
        out = np.zeros((len(waves), max(len(w) for w in waves) + 2))
        for row, wave in zip(out, waves, strict=True):
            self._cumulate_one(row, wave)
        return out

    @staticmethod
    def _cumulate_one(row: np.ndarray, wave: np.ndarray) -> None:
        n = len(wave)
        np.cumsum(wave, out=row[1 : n + 1])
        row[n + 1 :] = row[n] + wave[0]
        row /= STEPS

    def _integral(self, sums: np.ndarray, t: np.ndarray) -> np.ndarray:
        at = t * STEPS
        whole = np.floor(at / self.period)
        at -= whole * self.period
        low = at.astype(np.intp)
        at -= low
        low += np.arange(len(sums))[:, None] * sums.shape[1]
        flat = sums.reshape(-1)
        a = flat.take(low)
        low += 1
        total = sums[np.arange(len(sums)), self.period[:, 0].astype(np.intp)]
        whole *= total[:, None]
        whole += a
        a -= flat.take(low)
        whole -= at * a
        return whole

    def _passage(self, p: np.ndarray, rows: np.ndarray | slice) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return when each sample's place on the screen enters and leaves its slit, and the slits' delays."""
        start, exposure, error, accel, delay, along, across, _, _, delay_along, delay_across = p
        v, sign = self.layout.px_per_refresh, self.layout.sign
        x, width = self.x[rows], self.width[rows]
        column = (x + width / 2) / self.layout.width_px - 0.5
        row = self.v_row[rows] / self.layout.height_px - 0.5
        opening = start + along * column + across * row
        late = delay + delay_along * column + delay_across * row
        middle = opening + exposure / 2
        near = x - self.u[rows]
        first, last = (near, near + width) if sign > 0 else (-near - width, -near)

        def when(position: np.ndarray) -> np.ndarray:
            time = middle + time_at(position - v * middle, v + error, accel)[0]
            return np.clip(time, opening, opening + exposure)

        return when(first), when(last), late

    def model(self, p: np.ndarray) -> np.ndarray:
        """Return the light of all streaks for motion parameters in the order of `NAMES`, concatenated.

        At plate position ``u`` the camera sees the screen column ``u + sign * travel(t)``; the streak's light is the
        slit's light over the time that column takes to cross the slit, over the exposure.
        """
        exposure, sigma, amplitude = p[1], p[7], p[8]
        first, last, late = self._passage(p, slice(None))
        if self.emission is None:
            total = self._integral(self.sums, last - late) - self._integral(self.sums, first - late)
        else:
            sums = self._cumulate(
                [
                    np.roll(w, int(round(float(d) * STEPS))) * np.resize(self.emission, len(w))
                    for w, d in zip(self.waves, late[:, 0], strict=True)
                ]
            )
            total = self._integral(sums, last) - self._integral(sums, first)
        light = total * (amplitude / exposure)
        return _blur(light, self.step, sigma, self.pixel)[self.keep]

    def basis(self, p: np.ndarray, rows: np.ndarray, phases: np.ndarray, cells: int, period: int) -> np.ndarray:
        """Return what each cell of a free periodic waveform adds to the streaks of ``rows``.

        Parameters
        ----------
        p : (11,) float
        rows : (r,) int
            Streaks whose slits follow the waveform.
        phases : (r,) int
            Their phases, refreshes.
        cells, period : int
            Cells per refresh, and the period in refreshes.

        Returns
        -------
        (samples of those streaks, cells * period) float
        """
        exposure, sigma, amplitude = p[1], p[7], p[8]
        first, last, late = self._passage(p, rows)
        late = late + phases[:, None]
        a, b = first - late, last - late
        keep = self.keep[rows]
        t0 = np.arange(cells * period)[:, None, None] / cells
        width = 1 / cells

        def part(t: np.ndarray) -> np.ndarray:
            whole = np.floor(t / period)
            return whole * width + np.clip(t - whole * period - t0, 0, width)

        light = (part(b) - part(a)) * (amplitude / exposure)
        blurred = _blur(light.reshape(-1, light.shape[2]), self.step, sigma, self.pixel)
        return blurred.reshape(light.shape)[:, keep].T

    def set_waves(self, rows: np.ndarray, phases: np.ndarray, cells: np.ndarray, per_cell: int) -> None:
        """Give the streaks of ``rows`` a free waveform (values per cell of ``per_cell`` steps)."""
        wave = np.repeat(cells, per_cell)
        for r, phase in zip(rows, phases, strict=True):
            self.waves[r] = np.roll(wave, int(phase) * STEPS)
            self._cumulate_one(self.sums[r], self.waves[r])


def _blur(light: np.ndarray, step: float, sigma: float, pixel: float) -> np.ndarray:
    # camera pixel, linear interpolation, and what a sample averages over beyond one camera pixel
    spread = float(np.sqrt(sigma**2 + pixel**2 * (1 / 12 + 1 / 6) + max(step**2 - pixel**2, 0.0) / 12))
    half = max(1, int(np.ceil(3.6 * spread / step)))
    edges = (np.arange(-half, half + 2) - 0.5) * step
    cdf = np.array([0.5 * (1 + erf(e / (spread * 2**0.5))) for e in edges])
    kernel = np.diff(cdf)
    kernel /= kernel.sum()
    return cv2.filter2D(light, -1, kernel[None, :], borderType=cv2.BORDER_CONSTANT)


def second_differences(n: int) -> np.ndarray:
    """Return the second differences of a periodic sequence, (n, n)."""
    eye = np.eye(n)
    return np.roll(eye, 1, axis=1) - 2 * eye + np.roll(eye, -1, axis=1)


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

    The clock slits switch faster than many panels settle, so their periodic waveform is free (a value per 1/8 refresh)
    and found together with the motion; ``waves`` is only where it starts.

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
    p = np.array([sign * shift / v - exposure / 2, exposure, 0.0, 0.0, 0.0, 0.0, 0.0, sigma, 1.0, 0.0, 0.0])
    if guess is not None:
        p = guess.copy()
    prior = np.array([np.inf, np.inf, 3.0, 0.5, 0.5, 1.5, 1.5, lens_sd, 0.6, 0.5, 0.5])
    centre = p.copy()
    centre[2:7] = 0
    centre[9:] = 0
    centre[7], centre[8] = sigma, 1.0
    steps = np.array([2e-3, 2e-3, 5e-3, 5e-3, 2e-3, 5e-3, 5e-3, 0.01, 1e-3, 5e-3, 5e-3])
    # the model itself is not better than this share of a streak
    rough = 0.01

    batch = StreakBatch(streaks, waves, layout, pixel, emission)
    data = batch.data
    level = np.concatenate(
        [np.full(len(s.u_px), max(float(w.max()), 0.02)) for s, w in zip(streaks, waves, strict=True)]
    )
    width = np.concatenate([np.full(len(s.u_px), s.slit.width_px / (v * exposure)) for s in streaks])
    noise = np.concatenate([np.full(len(s.u_px), s.noise) for s in streaks])
    weight = 1 / np.hypot(noise * 1.5, rough * level * width)
    clock = np.array([i for i, s in enumerate(streaks) if s.slit.kind == "clock"], int)
    phases = np.array([streaks[i].slit.phase_refreshes for i in clock], int)
    period = streaks[clock[0]].slit.period_refreshes if len(clock) else 0
    if not len(clock):  # slits of many levels, a few in each row, can't tell where the pose is askew
        prior[9:] = 0.03
    per_cell = STEPS // CLOCK_CELLS
    free = np.zeros(0)
    if len(clock):
        shown = np.roll(waves[clock[0]], -int(phases[0]) * STEPS)
        free = shown.reshape(-1, per_cell).mean(axis=1)
        batch.set_waves(clock, phases, free, per_cell)
    of_clock = np.concatenate([np.full(n, i in set(clock.tolist())) for i, n in enumerate(batch.counts)])
    n_p, n_w = len(p), len(free)
    bend = second_differences(n_w) / CLOCK_ROUGHNESS if n_w else np.zeros((0, 0))

    def cost(q: np.ndarray, w: np.ndarray, m: np.ndarray) -> float:
        rough_w = float(((bend @ w) ** 2).sum()) if n_w else 0.0
        return float((((data - m) * weight) ** 2).sum() + (((q - centre) / prior) ** 2).sum()) + rough_w

    model = batch.model(p)
    best = cost(p, free, model)
    damp = 1e-3
    gram = np.eye(n_p + n_w)
    for _ in range(25):
        jac = np.zeros((len(data), n_p + n_w))
        for k, name in enumerate(NAMES):
            if name == "amplitude":
                jac[:, k] = model / p[k]
                continue
            q = p.copy()
            q[k] += steps[k]
            jac[:, k] = (batch.model(q) - model) / steps[k]
        if n_w:
            jac[of_clock, n_p:] = batch.basis(p, clock, phases, CLOCK_CELLS, period)
        jw = jac * weight[:, None]
        gram = jw.T @ jw
        gram[:n_p, :n_p] += np.diag(1 / prior**2)
        grad = jw.T @ ((data - model) * weight)
        grad[:n_p] -= (p - centre) / prior**2
        if n_w:
            gram[n_p:, n_p:] += bend.T @ bend + 1e-6 * np.eye(n_w)
            grad[n_p:] -= bend.T @ (bend @ free)
        moved = False
        for _ in range(6):
            delta = np.linalg.solve(gram + damp * np.diag(np.diag(gram)), grad)
            trial = p + np.clip(delta[:n_p], -0.5, 0.5)
            trial[1] = max(trial[1], 0.3)
            trial[7] = max(trial[7], 0.02)
            trial_free = free + delta[n_p:]
            if n_w:
                batch.set_waves(clock, phases, trial_free, per_cell)
            trial_model = batch.model(trial)
            c = cost(trial, trial_free, trial_model)
            if c < best:
                gain = best - c
                p, free, model, best, moved = trial, trial_free, trial_model, c, True
                damp *= 0.2
                break
            damp *= 8
        if not moved:
            if n_w:
                batch.set_waves(clock, phases, free, per_cell)
            break
        if gain < 0.02 * max(1.0, 1e-3 * best):
            break
    res = (data - model) * weight
    ratio = float((res**2).sum() / max(len(data) - len(p), 1))
    # a clear misfit says that something is not in the model at all
    covariance = np.linalg.inv(gram)[:n_p, :n_p] * max(ratio, 0.5) * 2.5 * max(1.0, ratio / 3)
    if p[1] < SHORT_EXPOSURE:
        # hardly a switch lies between two others: the streaks' length says only exposure times speed
        trade = np.zeros(n_p)
        trade[2] = SHORT_ERROR_SHARE * v
        trade[1] = -p[1] * trade[2] / max(v + p[2], 0.5 * v)
        covariance += np.outer(trade, trade)
    return Motion(
        **dict(zip(NAMES, map(float, p), strict=True)), covariance=covariance, chi2_ratio=ratio, samples=len(data)
    )
