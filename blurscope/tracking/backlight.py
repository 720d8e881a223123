"""The backlight's waveform, from the streaks of slits that are always lit."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from blurscope.pattern.layout import Layout
from blurscope.tracking.flashes import Ripple, find_ripple, transfer
from blurscope.tracking.lanes import Streak
from blurscope.tracking.model import STEPS, StreakBatch, second_differences
from blurscope.tracking.motion import Motion

CELLS = 16  # per refresh
MIN_DEPTH = 0.12  # standard deviation over mean from which a backlight counts as modulated
STROBE_DEPTH = 0.3  # amplitude over mean of a flash per refresh
STROBE_DARK = 0.25  # light between flashes over light in them up to which the backlight counts as off
LEAST_GAIN = 6.0  # of chi-square for each cell of a waveform, below which noise makes one as good
FREE_CHI2 = 25.0  # chi-square per sample from which a steady lamp doesn't explain the streaks
LEAST_LIT = 3  # always-lit streaks from which their lag over the screen is told
LOST_SHARE = 0.08  # of the frequency, where the streaks were fitted without knowing of the flashes
LOCKED, LOCKED_SHARE = 0.12, 0.008  # of a cycle in the exposure, and of the frequency, within which it is locked
DUTY_STEP = 0.05
MOST_DUTY_U95 = 0.15  # up to which pulses count as resolved
LEAST_OVERTONE = 0.12  # share of the pulses' first overtone that the streaks have to show for that
UNRESOLVED_U95 = 0.3
BLUR_SD_PX = 0.06  # by which the blur of the streaks differs from that of the greys
LOW_SD = 0.1  # light between flashes over light in them, where the streaks can't tell
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
    flash : (along, across)
        How much later (refreshes of the row's own clock) it flashes at the last column and row than at the first.
    flicker : (n * STEPS,) float or None
        Light over the exposure, mean 1, of a backlight that isn't locked: on the pose's clock, modulo n refreshes.
    resolved : bool
        Whether the streaks show how long each of its pulses is.
    """

    kind: str
    duty: float
    duty_u95: float
    emission: np.ndarray | None
    pulses: int
    frequency_refreshes: float | None
    flash: tuple[float, float] = (0.0, 0.0)
    flicker: np.ndarray | None = None
    resolved: bool = True


CLEARLY_DARK = 0.7  # share of a refresh that a backlight is lit, below which it clearly flashes
STEADY = Backlight(kind="hold", duty=1.0, duty_u95=0.02, emission=None, pulses=0, frequency_refreshes=None)
# flashes once per refresh that no one waveform of the rows' own clock explains
STROBED = Backlight(kind="strobe", duty=0.5, duty_u95=0.5, emission=None, pulses=1, frequency_refreshes=1.0)


def find_backlight(streaks: list[Streak], motion: Motion, layout: Layout, pixel: float, lens_px: float) -> Backlight:
    """Fit a free waveform, periodic with the refresh, to the always-lit streaks.

    Parameters
    ----------
    streaks : list of Streak
    motion : Motion
    layout : Layout
    pixel : float
        One camera pixel, display px.
    lens_px : float
        Lens blur, as the greys have it.
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
    noise = np.array([s.noise + 1e-6 for s in lit])
    weight = np.repeat(1 / noise, batch.counts)
    once = None
    if len(lit) >= LEAST_LIT:
        simple = [(p[13], p[14]), (p[5], p[6]), (0.0, 0.0)]
        once, often = find_ripple(batch, p, noise, simple)
        if often is not None:
            lost = motion.chi2_ratio > FREE_CHI2  # and with it the speed that the frequency is told by
            return _rippled(batch, p, weight, often, lens_px, LOST_SHARE if lost else LOCKED_SHARE)
    untied = STEADY if once is None or once.depth < STROBE_DEPTH else STROBED
    design = batch.basis(p, rows, np.zeros(len(lit)), CELLS, 1)
    width = min(s.slit.width_px for s in lit) / layout.px_per_refresh
    scale = float(np.sqrt(np.mean((design * weight[:, None]) ** 2)))
    a = np.vstack([design * weight[:, None], 0.05 * scale * second_differences(CELLS)])
    b = np.concatenate([batch.data * weight, np.zeros(CELLS)])
    cells = _not_negative(a, b)
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
        return untied
    steady = (batch.data - flat) * weight
    rest = (batch.data - design @ cells) * weight
    cells = cells / mean
    gain = float(np.sum(steady**2) - np.sum(rest**2)) / max(float(np.mean(rest**2)), 1.0)
    if float(cells.std()) < MIN_DEPTH or gain < LEAST_GAIN * CELLS:
        # what a waveform tied to the refresh can't follow may still be a modulation that runs freely
        freely = _free() if untied is STEADY else untied
        return untied if ripple < MIN_DEPTH or float(np.mean(steady**2)) < FREE_CHI2 else freely
    excess = float(np.sum(steady**2)) - len(steady)
    if float(np.sum(rest**2)) - len(rest) > 0.5 * max(excess, 1e-9):
        return _free() if untied is STEADY else untied
    # cells finer than the blur ring, which looks like so many pulses: count them in smoothed cells as well
    even = 0.25 * (np.roll(cells, 1) + 2 * cells + np.roll(cells, -1))
    trials = [_pulses(batch, p, weight, even, n, lens_px) for n in {_count(cells), _count(even)}]
    found = min(trials, key=lambda t: t.cost)
    (phase, duty, low), pulses = found.pulses, found.count
    emission = pulse_train(phase, duty, low, pulses)
    dark = low * pulses < STROBE_DARK
    return Backlight(
        kind="strobe" if dark and pulses == 1 else "pwm",
        duty=duty,
        duty_u95=max(float(0.01 + 0.05 * width), found.duty_u95),
        emission=emission,
        pulses=pulses,
        frequency_refreshes=float(pulses),
    )


def _rippled(
    batch: StreakBatch, p: np.ndarray, weight: np.ndarray, ripple: Ripple, lens_px: float, unsure: float
) -> Backlight:
    """Return the backlight that a ripple of known frequency and lag makes."""
    p = p.copy()
    p[13:15] = ripple.along, ripple.across
    flash = (ripple.along, ripple.across)
    pulses = round(ripple.frequency)
    if abs(ripple.frequency - pulses) > LOCKED / max(p[1], 1.0) + unsure * pulses:
        return replace(_free(), flash=flash, flicker=_flicker(batch, p, weight, ripple))
    start = _duty_of(ripple.depth)
    found = min(
        (
            _fitted(batch, p, weight, pulses, np.array([turn / (4 * pulses), start, 0.02, lens_px]), lens_px)
            for turn in range(4)
        ),
        key=lambda found: found.cost,
    )
    phase, duty, low = found.pulses
    # how long pulses are shows in their first overtone
    wave_px = (batch.layout.px_per_refresh + p[2]) / (2 * pulses)
    overtone = transfer(float(batch.width.min()), batch.pixel, max(lens_px, 0.05), wave_px)
    resolved = found.duty_u95 < MOST_DUTY_U95 and overtone > LEAST_OVERTONE
    return Backlight(
        kind="pwm",
        duty=duty,
        duty_u95=found.duty_u95 if resolved else max(found.duty_u95, UNRESOLVED_U95),
        resolved=resolved,
        emission=pulse_train(phase, duty, low, pulses),
        pulses=pulses,
        frequency_refreshes=float(pulses),
        flash=flash,
    )


def _not_negative(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Return the least-squares solution of ``a x = b`` among those with no part below zero.

    Where the unbounded one has none, it is that one, and SciPy's optimisers, which take long to load, can wait.
    """
    unbounded = np.linalg.lstsq(a, b, rcond=None)[0]
    if unbounded.min() >= 0:
        return unbounded
    from scipy.optimize import nnls

    return nnls(a, b)[0]


def _duty_of(depth: float) -> float:
    """Return the duty of rectangular pulses, dark in between, whose fundamental has this amplitude over their mean."""
    duty = np.linspace(0.03, 0.97, 95)
    return float(np.interp(-depth, -2 * np.sinc(duty), duty))


def _flicker(batch: StreakBatch, p: np.ndarray, weight: np.ndarray, ripple: Ripple) -> np.ndarray:
    """Fit a sine to what the streaks show of a modulation that runs freely."""
    length = int(np.ceil(p[1])) + 3
    rows = np.arange(len(batch.counts))
    cells = max(CELLS, 4 * int(np.ceil(ripple.frequency)))
    cells = int(np.ceil(cells / CELLS)) * CELLS
    design = batch.basis(p, rows, batch._flashes(p)[:, 0], cells, length)
    grid = (np.arange(cells * length) + 0.5) / cells
    begin = np.floor(p[0]) - 1  # on the clock, which the waveform repeats on after its length
    grid = begin + (grid - begin) % length
    turn = 2 * np.pi * ripple.frequency * grid
    basis = design @ np.stack([np.ones(len(grid)), np.cos(turn), np.sin(turn)], axis=1)
    mean, a, b = np.linalg.lstsq(basis * weight[:, None], batch.data * weight, rcond=None)[0]
    t = (np.arange(length * STEPS) + 0.5) / STEPS
    turn = 2 * np.pi * ripple.frequency * (begin + (t - begin) % length)
    wave = np.maximum(1 + (a * np.cos(turn) + b * np.sin(turn)) / mean, 0.0)
    return wave / wave.mean()


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


def _pulses(batch: StreakBatch, p: np.ndarray, weight: np.ndarray, cells: np.ndarray, pulses: int, lens_px: float):
    """Fit rectangular pulses to the streaks, from the free waveform on."""
    level = np.clip(cells / cells.max(), 0, 1)
    duty = float(np.clip(level.mean() / np.percentile(level, 90), 0.03, 0.97))
    spectrum = np.exp(2j * np.pi * pulses * (np.arange(len(cells)) + 0.5) / len(cells)) @ cells
    middle = float(np.angle(spectrum) / (2 * np.pi * pulses))
    return _fitted(batch, p, weight, pulses, np.array([middle, duty, 0.02, max(p[7], 0.05)]), lens_px)


class _Fitted(NamedTuple):
    """Rectangular pulses (phase, duty, low) fitted to streaks."""

    cost: float
    count: int
    pulses: tuple[float, float, float]
    duty_u95: float


def _fitted(batch: StreakBatch, p: np.ndarray, weight: np.ndarray, pulses: int, start: np.ndarray, lens_px: float):
    """Fit rectangular pulses and the blur that hides them, from (middle, duty, low, blur) on."""
    from scipy.optimize import minimize

    p = p.copy()
    data, square = batch.data, weight**2
    scatter = 1.0

    def misfit(q: np.ndarray) -> float:
        if not (0.005 < q[1] < 0.995 and 0 <= q[2] < 0.98 and q[3] > 0.01):
            return 1e30
        batch.emission = pulse_train(q[0] - q[1] / (2 * pulses), q[1], q[2], pulses)
        p[7] = q[3]
        model = batch.model(p)
        scale = float((data * square * model).sum() / max((square * model * model).sum(), 1e-30))
        return float((((data - scale * model) * weight) ** 2).sum())

    def cost(q: np.ndarray) -> float:
        return misfit(q) + scatter * ((q[2] / LOW_SD) ** 2 + ((q[3] - lens_px) / BLUR_SD_PX) ** 2)

    simplex = start + np.vstack([np.zeros(4), np.diag([0.05 / pulses, 0.08, 0.1, 0.1])])
    options = {"initial_simplex": simplex, "maxiter": 200, "xatol": 1e-4, "fatol": 0.5}
    first = minimize(cost, start, method="Nelder-Mead", options=options)
    scatter = max(misfit(first.x) / len(data), 1.0)
    options["initial_simplex"] = first.x + np.vstack([np.zeros(4), np.diag([0.01 / pulses, 0.03, 0.03, 0.05])])
    best = minimize(cost, first.x, method="Nelder-Mead", options=options)
    at = best.x
    # by how much more or less blur, or light between the pulses, changes the duty that fits best
    unsure = 0.0
    for index, step in ((2, LOW_SD / 2), (3, BLUR_SD_PX)):
        moved = at.copy()
        moved[index] += step
        trials = []
        for duty in at[1] + np.array([-DUTY_STEP, 0.0, DUTY_STEP]):
            moved[1] = duty
            trials.append(misfit(moved))
        bend = trials[0] - 2 * trials[1] + trials[2]
        if max(trials) > 1e29 or bend <= 0:  # at the end of what is possible
            unsure += 0.25**2
        else:
            away = 0.5 * (trials[0] - trials[2]) / bend * DUTY_STEP
            unsure += min(abs(away), 0.25) ** 2 + DUTY_STEP**2 * scatter / bend
    batch.emission = None
    found = float(at[0] - at[1] / (2 * pulses)), float(at[1]), float(at[2])
    return _Fitted(float(best.fun), pulses, found, 1.96 * float(np.sqrt(unsure)))
