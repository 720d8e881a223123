"""The backlight's waveform, from the streaks of slits that are always lit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blurscope.pattern.layout import Layout
from blurscope.tracking.lanes import Streak
from blurscope.tracking.model import STEPS, StreakBatch, second_differences
from blurscope.tracking.motion import Motion

CELLS = 16  # per refresh
MIN_DEPTH = 0.12  # standard deviation over mean from which a backlight counts as modulated
STROBE_DARK = 0.25  # light between flashes over light in them up to which the backlight counts as off
LEAST_GAIN = 6.0  # of chi-square for each cell of a waveform, below which noise makes one as good
FREE_CHI2 = 25.0  # chi-square per sample from which a steady lamp doesn't explain the streaks
LEAST_LIT = 3  # always-lit streaks from which their lag over the screen is told
SCANS = (-1.0, -0.8, -0.6, -0.4, -0.2, 0.0, 0.2, 0.4, 0.6, 0.8, 1.0)  # refreshes over the screen
LONGER = (-0.75, -0.5, -0.25, 0.0, 0.25, 0.5, 0.75)  # refreshes by which flashes may mislead about the exposure
LATER = (-0.5, -0.25, 0.0, 0.25, 0.5)  # and about its middle
FLASH_STEPS = (0.06, 0.1, 0.1, 0.1, 0.1)  # of middle, exposure, error (px), lag along and across


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Backlight:
    """What the always-lit streaks say about the backlight.

    Attributes
    ----------
    kind : str
        ``hold``, ``strobe`` or ``pwm``.
    duty, duty_u95 : float
        Share of a refresh during which light is emitted.
    emission : (STEPS,) float or None
        Light over one refresh on the pose's clock, mean 1; None for a steady backlight or one that isn't locked.
    pulses : int
        Flashes per refresh.
    frequency_refreshes : float or None
        Frequency in units of the refresh rate.
    """

    kind: str
    duty: float
    duty_u95: float
    emission: np.ndarray | None
    pulses: int
    frequency_refreshes: float | None


STEADY = Backlight(kind="hold", duty=1.0, duty_u95=0.02, emission=None, pulses=0, frequency_refreshes=None)


def find_backlight(streaks: list[Streak], motion: Motion, layout: Layout, pixel: float) -> Backlight:
    """Fit a free waveform, periodic with the refresh, to the always-lit streaks.

    Parameters
    ----------
    streaks : list of Streak
    motion : Motion
    layout : Layout
    pixel : float
        One camera pixel, display px.
    """
    lit = [s for s in streaks if s.slit.kind == "lit"]
    if not lit:
        return STEADY
    batch = StreakBatch(lit, [np.ones(STEPS)] * len(lit), layout, pixel)
    p = motion.vector()
    p[4] = 0.0
    if motion.chi2_ratio > FREE_CHI2:  # a fit without the flashes knows nothing of where the pose is askew
        p[9:11] = 0.0
    rows = np.arange(len(lit))
    design = batch.basis(p, rows, np.zeros(len(lit), int), CELLS, 1)
    weight = np.concatenate([np.full(n, 1 / (s.noise + 1e-6)) for s, n in zip(lit, batch.counts, strict=True)])
    width = min(s.slit.width_px for s in lit) / layout.px_per_refresh
    scale = float(np.sqrt(np.mean((design * weight[:, None]) ** 2)))
    a = np.vstack([design * weight[:, None], 0.05 * scale * second_differences(CELLS)])
    b = np.concatenate([batch.data * weight, np.zeros(CELLS)])
    from scipy.optimize import nnls

    cells, _ = nnls(a, b)
    mean = float(cells.mean())
    if mean <= 0:
        return STEADY
    flat = mean * design.sum(axis=1)
    thin = min(s.slit.width_px for s in lit)
    inside = np.concatenate([np.full(n, s.slit.width_px == thin) for s, n in zip(lit, batch.counts, strict=True)])
    inside &= flat > 0.5 * flat[inside].max()
    spread = float(np.mean((batch.data - flat)[inside] ** 2 - 1 / weight[inside] ** 2))
    ripple = float(np.sqrt(max(spread, 0.0)) / flat[inside].max())
    if ripple < 0.5 * MIN_DEPTH:
        return STEADY
    steady = (batch.data - flat) * weight
    rest = (batch.data - design @ cells) * weight
    cells = cells / mean
    gain = float(np.sum(steady**2) - np.sum(rest**2)) / max(float(np.mean(rest**2)), 1.0)
    if float(cells.std()) < MIN_DEPTH or gain < LEAST_GAIN * CELLS:
        # what a waveform tied to the refresh can't follow may still be a modulation that runs freely
        return STEADY if ripple < MIN_DEPTH or float(np.mean(steady**2)) < FREE_CHI2 else _free()
    excess = float(np.sum(steady**2)) - len(steady)
    if float(np.sum(rest**2)) - len(rest) > 0.5 * max(excess, 1e-9):
        return _free()
    # cells finer than the blur ring, which looks like so many pulses: count them in smoothed cells as well
    even = 0.25 * (np.roll(cells, 1) + 2 * cells + np.roll(cells, -1))
    trials = [(_pulses(batch, p, weight, even, n), n) for n in {_count(cells), _count(even)}]
    (_, phase, duty, low), pulses = min(trials)
    emission = pulse_train(phase, duty, low, pulses)
    dark = low * pulses < STROBE_DARK
    return Backlight(
        kind="strobe" if dark and pulses == 1 else "pwm",
        duty=duty,
        duty_u95=float(0.01 + 0.05 * width),
        emission=emission,
        pulses=pulses,
        frequency_refreshes=float(pulses),
    )


def scan_of_flashes(streaks: list[Streak], p: np.ndarray, layout: Layout, pixel: float, sigma: float) -> np.ndarray:
    """Return motion parameters with which all always-lit streaks are made by one waveform of the backlight.

    A fit that starts without knowing of the flashes is lost where the shutter opens within one, as the streaks then end
    in parts of flashes, and where a backlight that follows the scan-out flashes later in rows that are driven later.
    Ends of the exposure and lag over the screen are looked for on a grid, then together with the camera's error.

    Parameters
    ----------
    streaks : list of Streak
    p : (13,) float
        Where a fit without flashes ended.
    layout : Layout
    pixel, sigma : float
        One camera pixel and the lens blur, display px.
    """
    lit = [s for s in streaks if s.slit.kind == "lit"]
    if len(lit) < LEAST_LIT:
        return p
    from scipy.optimize import minimize, nnls

    batch = StreakBatch(lit, [np.ones(STEPS)] * len(lit), layout, pixel)
    weight = np.concatenate([np.full(n, 1 / (s.noise + 1e-6)) for s, n in zip(lit, batch.counts, strict=True)])
    rows, phases = np.arange(len(lit)), np.zeros(len(lit), int)
    goal = np.concatenate([batch.data * weight, np.zeros(CELLS)])

    def at(z: np.ndarray) -> np.ndarray:
        middle, exposure, error, along, across = z
        q = p.copy()
        q[:7] = middle - exposure / 2, exposure, error, 0.0, 0.0, along, across
        q[7], q[9:] = max(sigma, 0.05), 0.0
        return q

    def misfit(z: np.ndarray) -> float:
        if z[1] < 0.5:
            return np.inf
        design = batch.basis(at(z), rows, phases, CELLS, 1) * weight[:, None]
        smooth = 0.05 * float(np.sqrt(np.mean(design**2))) * second_differences(CELLS)
        return nnls(np.vstack([design, smooth]), goal)[1]

    lags = [(0.0, x) for x in SCANS] + [(x, 0.0) for x in SCANS if x]
    starts = [
        np.array([p[0] + p[1] / 2 + late, p[1] + longer, p[2], *lag])
        for lag in lags
        for longer in LONGER
        for late in LATER
    ]
    start = min(starts, key=misfit)
    simplex = np.vstack([start, start + np.diag(FLASH_STEPS)])
    options = {"initial_simplex": simplex, "maxfev": 400, "xatol": 1e-3, "fatol": 1e-3 * misfit(start)}
    return at(minimize(misfit, start, method="Nelder-Mead", options=options).x)


def _free() -> Backlight:
    """A modulation that isn't tied to the refresh averages to a hold over the exposure."""
    return Backlight(kind="pwm", duty=1.0, duty_u95=1.0, emission=None, pulses=0, frequency_refreshes=None)


def pulse_train(phase: float, duty: float, low: float, pulses: int) -> np.ndarray:
    """Return one refresh of rectangular pulses, (STEPS,) cell means with mean 1.

    Parameters
    ----------
    phase : float
        Start of a pulse, refreshes.
    duty : float
        Share of the time lit.
    low : float
        Light between pulses over light in them.
    pulses : int
    """
    edges = (np.arange(STEPS * 4 + 1) / (STEPS * 4) - phase) * pulses
    whole = np.floor(edges)
    lit = (whole * duty + np.minimum(edges - whole, duty)) / pulses
    cells = np.diff(lit).reshape(STEPS, 4).sum(axis=1) * STEPS
    light = low + (1 - low) * cells
    return light / light.mean()


def _count(cells: np.ndarray) -> int:
    """Return how often a waveform comes on in a refresh, at least once."""
    on = cells > 0.5 * (cells.max() + cells.min())
    return max(int(np.sum(on & ~np.roll(on, 1))), 1)


def _pulses(batch: StreakBatch, p: np.ndarray, weight: np.ndarray, cells: np.ndarray, pulses: int):
    """Fit rectangular pulses to the streaks, from the free waveform on; returns cost, phase, duty, low."""
    from scipy.optimize import minimize

    level = np.clip(cells / cells.max(), 0, 1)
    duty = float(np.clip(level.mean() / np.percentile(level, 90), 0.03, 0.97))
    spectrum = np.exp(2j * np.pi * pulses * (np.arange(len(cells)) + 0.5) / len(cells)) @ cells
    middle = float(np.angle(spectrum) / (2 * np.pi * pulses))

    def cost(q: np.ndarray) -> float:
        if not (0.005 < q[1] < 0.995 and 0 <= q[2] < 0.98):
            return 1e30
        batch.emission = pulse_train(q[0] - q[1] / (2 * pulses), q[1], q[2], pulses)
        model = batch.model(p)
        scale = float((batch.data * weight**2 * model).sum() / max((weight**2 * model * model).sum(), 1e-30))
        return float((((batch.data - scale * model) * weight) ** 2).sum())

    start = np.array([middle, duty, 0.02])
    simplex = np.vstack([start, start + [0.05, 0, 0], start + [0, 0.08, 0], start + [0, 0, 0.1]])
    options = {"initial_simplex": simplex, "maxiter": 150, "xatol": 1e-4, "fatol": 0.5}
    best = minimize(cost, start, method="Nelder-Mead", options=options)
    batch.emission = None
    return float(best.fun), float(best.x[0] - best.x[1] / (2 * pulses)), float(best.x[1]), float(best.x[2])
