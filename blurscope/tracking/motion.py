"""The camera's travel from the streaks: exposure, phase, velocity error, acceleration and scan-out in one fit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from blurscope.pattern.layout import Layout
from blurscope.tracking.lanes import Streak
from blurscope.tracking.model import NAMES, STEPS, Missed, StreakBatch, second_differences, time_at

CLOCK_CELLS = 8  # per refresh, of what the clock slits' waveform differs by from the one expected
ENOUGH = 0.2  # gain of a step in chi-square below which the fit has converged
ERROR_SD = 1.2  # px per refresh, of cameras before anything is seen
HAND_PX, HAND_HZ = 0.1, 8.0  # of an unsteady hand or rail: standard deviation and frequency, common practice, no source
STILL_PX = 1e-5  # a sway that is held
ERROR_SLOPE_SD = 0.2  # px per refresh over the screen
DARK_SD = 0.4  # refreshes, of both ends of the exposure under flashes, about where they were looked for
FLASH_SD = 0.002  # refreshes over the screen, by which flashes lag otherwise than their ripple shows
DEAD = 0.002  # of a step, below which its response has not begun
LEAST_SWITCH = 0.01  # of a step, within its phase, below which a slit shows no switch
HELD = 1e-5  # of the speed, of an error that is held
LEAST_EXPOSURE = 0.8  # refreshes, below which nothing can be read from streaks
SHORT_EXPOSURE = 1.6
SHORT_ERROR_SHARE = 0.07  # of the speed
CLEAR_CLOCK = 0.7  # share of the clock's light that comes and goes, below which its switches are hard to see
WEAK_CLOCK = 0.1  # share of the speed, of the error's uncertainty by what is missing of it, over 2 refreshes
HELD_WEAK = 0.5  # share of that where edges have chosen the error
LINED_UP_SD = 0.05  # refreshes over the screen, by which the pose may be askew to the clock when it is lined up
SHORT_SCAN_SD = 0.15  # refreshes over the screen
SAME_BASIS = 0.01  # change of any parameter up to which that waveform's part in the streaks is taken as the same
NOT_SEEN = 1e-6  # weight that keeps apart what no streak shows
ROUGH = 0.01  # share of a streak: the model itself is no better
LEAST_LIGHT = 0.02  # of white, in whose streak this is reckoned at least
FAINTEST = 0.02  # streaks over what the display's law says of them
ITERATIONS = 25
UNSURE_ERROR = 0.005  # of the speed: uncertainty of the error from which other ends of the fit are looked for
FAST_ERROR = 0.4  # of the speed: error from which they are looked for too
OTHER_ERRORS = (-0.3, -0.2, -0.12, -0.06, 0.0, 0.06, 0.12, 0.2, 0.3)  # of the speed
WORTH = 6.0  # gain of chi-square from which another end is the better one
OTHER_ITERATIONS = 5
MISSED_ITERATIONS = 12
OFF_SPEED = 0.06  # of the speed: error from which a camera in step is tried beside it
MISSED_GAIN = 25.0  # of chi-square over what it is inflated by, from which a missed update is believed,
MISSED_SHARE = 0.03  # and of chi-square itself
CLOCK_ROUGHNESS = 0.15  # second difference of that difference, standard deviation, share of white


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
    error_along, error_across : float
        The same of ``error``: a rolling shutter sees an accelerating camera at other times in every row.
    flash_along, flash_across : float
        The same of when the backlight flashes; 0 where its flashes follow the scan-out.
    sway : float
        By how much the camera is ahead at the end of the exposure, and behind at its start, of a path of even
        acceleration that fits its own best, px.
    covariance : (16, 16) float
    chi2_ratio : float
        Chi-square over degrees of freedom, of independent noise.
    samples : int
    signal : float
        How far streaks stand out of the noise, in the median.
    missed : Missed, optional
        An update of the display that didn't come, where it was looked for.
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
    error_along: float
    error_across: float
    flash_along: float
    flash_across: float
    sway: float
    covariance: np.ndarray
    chi2_ratio: float
    samples: int
    signal: float = float("inf")
    missed: Missed | None = None

    def start_at(self, x_px: float, v_row: float, layout: Layout) -> float:
        """Return the opening time on the clock of a place on the screen."""
        return self.start + self.along * (x_px / layout.width_px - 0.5) + self.across * (v_row / layout.height_px - 0.5)

    def delay_at(self, x_px: float, v_row: float, layout: Layout) -> float:
        """Return the delay at a place on the screen, relative to the middle."""
        return self.delay_along * (x_px / layout.width_px - 0.5) + self.delay_across * (v_row / layout.height_px - 0.5)

    def error_at(self, x_px: float, v_row: float, layout: Layout) -> float:
        """Return the error at a place on the screen, relative to the middle."""
        return self.error_along * (x_px / layout.width_px - 0.5) + self.error_across * (v_row / layout.height_px - 0.5)

    def flash_at(self, x_px: float, v_row: float, layout: Layout) -> float:
        """Return how much later than in the middle of the screen the backlight flashes at a place."""
        return self.flash_along * (x_px / layout.width_px - 0.5) + self.flash_across * (v_row / layout.height_px - 0.5)

    def vector(self) -> np.ndarray:
        """Return the parameters in the order of `NAMES`."""
        return np.array([getattr(self, name) for name in NAMES])

    def moved(self, vector: np.ndarray) -> Motion:
        """Return the motion with other parameters, in the order of `NAMES`."""
        return replace(self, **dict(zip(NAMES, map(float, vector), strict=True)))

    def late_at(self, away_px: np.ndarray, px_per_refresh: float) -> tuple[np.ndarray, np.ndarray]:
        """Return when the camera is so far past its place at mid exposure, refreshes, and how fast it is there, px."""
        return time_at(away_px, px_per_refresh + self.error, self.accel, self.sway, self.exposure)

    def mean_error(self, refresh_hz: float) -> tuple[float, float]:
        """Return the tracking error from the first to the last moment of the exposure, and its standard uncertainty.

        ``error`` is that of the path of even acceleration that lies closest. A camera that sways does so beyond the
        third order too, which the streaks aren't asked for.
        """
        share = 2 / self.exposure
        i, j = NAMES.index("error"), NAMES.index("sway")
        c = self.covariance
        variance = c[i, i] + share * (2 * c[i, j] + share * c[j, j])
        variance += (share * self.sway * fifth_order(self.exposure / refresh_hz)) ** 2
        return self.error + share * self.sway, float(np.sqrt(max(variance, 0.0)))

    def sd(self, name: str) -> float:
        """Return the standard uncertainty of a parameter."""
        i = NAMES.index(name)
        return float(np.sqrt(max(self.covariance[i, i], 0.0)))


def sway_sd(exposure_s: float) -> float:
    """Return how far a camera that shakes departs from even acceleration within an exposure, px.

    A sine whose phase turns by 2z within the exposure has the third Legendre polynomial ``7 j3(z)`` times its amplitude
    at most, ``j3`` the spherical Bessel function, ``z**3 / 105`` where z is small (NIST Handbook of Mathematical
    Functions, 10.60.7 and 10.52.1).
    """
    z = np.pi * HAND_HZ * exposure_s
    return HAND_PX * float(min(z**3 / 15, 1.0))


def fifth_order(exposure_s: float) -> float:
    """Return about how far a camera that shakes departs from even acceleration in the fifth order, over the third.

    That is ``11 j5(z) / (7 j3(z))`` of a sine (see `sway_sd`), ``z**2 / 63`` where z is small; half as much again, as
    its frequency isn't known.
    """
    z = np.pi * HAND_HZ * exposure_s
    return float(min(z**2 / 42, 0.6))


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
    # the light goes on as it did until the pixel begins to follow, which may be refreshes after it was told to
    wait, wait_off = _dead_cells(rise), _dead_cells(fall)
    n_on = int(np.clip(n_on + wait_off - wait, 1, n - 1))
    r, f = _fit_length(rise[wait:], n_on), _fit_length(fall[wait_off:], n - n_on)
    # periodic state: value at the end of each phase from the shape's end
    re, fe = r[-1], f[-1]
    switched = 1 - (1 - re) * (1 - fe)
    if switched < LEAST_SWITCH:
        return None
    # top = low_state + (high - low_state) re; low_state = top + (low - top) fe
    top = (high * re + low * fe * (1 - re)) / switched
    bottom = top + (low - top) * fe
    wave = np.concatenate([bottom + (high - bottom) * r, top + (low - top) * f])
    return np.roll(wave, (slit.phase_refreshes - 1) * STEPS + wait)


def _dead_cells(step: np.ndarray) -> int:
    """Return the cells before a step response leaves 0; none of a step that stays there."""
    return int(np.argmax(np.abs(step) > DEAD))


def _fit_length(step: np.ndarray, count: int) -> np.ndarray:
    if len(step) >= count:
        return step[:count]
    return np.concatenate([step, np.full(count - len(step), step[-1])])


def first_guess(start: float, exposure: float, sigma: float) -> np.ndarray:
    """Return the parameters, in the order of `NAMES`, of a camera in step with a plate without delays."""
    known = {"start": start, "exposure": exposure, "sigma": sigma, "amplitude": 1.0}
    return np.array([known.get(name, 0.0) for name in NAMES])


def fit_motion(
    streaks: list[Streak],
    waves: list[np.ndarray],
    lights: list[float],
    layout: Layout,
    shift: float,
    exposure: float,
    pixel: float,
    sigma: float,
    *,
    emission: np.ndarray | None = None,
    flash: tuple[float, float] = (0.0, 0.0),
    lens_sd: float = 0.15,
    guess: np.ndarray | None = None,
    held: bool = False,
    lined_up: bool = False,
    look_for_missed: bool = False,
) -> Motion:
    """Fit the camera's motion to all streaks at once (Gauss-Newton with step control).

    The clock slits switch faster than many panels settle, so what their periodic waveform differs by from ``waves`` is
    free (a value per 1/8 refresh) and found together with the motion.

    Parameters
    ----------
    streaks, waves : lists
        Streaks and one period of each slit's light.
    lights : list of float
        The brighter light that each slit switches to, in those of the waves.
    shift : float
        ``x_screen = u + shift`` at the middle of the exposure.
    exposure : float
        First guess, refreshes.
    pixel : float
        One camera pixel in display px.
    sigma : float
        Lens blur expected, px, with standard uncertainty ``lens_sd``.
    flash : (along, across)
        How much later the backlight flashes at the last column and row than at the first, as far as is known.
    held : bool
        Leave the tracking error where ``guess`` has it.
    lined_up : bool
        The pose's clock is known to be that of the slits all over the screen, but for a delay in common.
    look_for_missed : bool
        Look for an update that the display missed.
    """
    v, sign = layout.px_per_refresh, layout.sign
    start = first_guess(sign * shift / v - exposure / 2, exposure, sigma) if guess is None else guess.copy()
    centre = first_guess(start[0], start[1], sigma)
    centre[13:15] = flash
    problem = _Problem(streaks, waves, lights, layout, exposure, pixel, centre, lens_sd, emission)
    if held:
        problem.centre[2], problem.prior[2] = start[2], HELD * v
    if lined_up:
        problem.centre[9:11], problem.prior[9:11] = start[9:11], LINED_UP_SD
    best = problem.descend(start)
    covariance = best.covariance()
    p = best.p
    unsure = p[1] >= SHORT_EXPOSURE and covariance[2, 2] >= (UNSURE_ERROR * v) ** 2
    if not held and (unsure or abs(p[2]) >= FAST_ERROR * v):
        others = _elsewhere(problem, best, v)
        better = min(others, key=lambda o: o.cost, default=best)
        if better.cost > best.cost - WORTH * best.inflate:
            covariance += _spread(best, others)
        else:
            best = problem.descend(better.p, free=better.free)
            covariance, p = best.covariance(), best.p
    if emission is not None:
        sway = NAMES.index("sway")
        covariance[sway, sway] += sway_sd(exposure / layout.refresh_hz) ** 2
    weak = WEAK_CLOCK * v * max(0.0, CLEAR_CLOCK - problem.depth(best.free)) * min(1.0, 2 / p[1])
    covariance[2, 2] += (weak * (HELD_WEAK if held else 1.0)) ** 2
    if p[1] < SHORT_EXPOSURE and not held:
        # hardly a switch lies between two others: the streaks' length says only exposure times speed
        trade = np.zeros(len(p))
        trade[2] = SHORT_ERROR_SHARE * v
        trade[1] = -p[1] * trade[2] / max(v + p[2], 0.5 * v)
        covariance += np.outer(trade, trade)
        covariance[[5, 6], [5, 6]] += SHORT_SCAN_SD**2
    return Motion(
        **dict(zip(NAMES, map(float, p), strict=True)),
        covariance=covariance,
        chi2_ratio=best.ratio,
        samples=len(problem.data),
        signal=problem.signal,
        missed=_missed_update(problem, best) if look_for_missed else None,
    )


def with_error(p: np.ndarray, error: float, speed: float) -> np.ndarray:
    """Return motion parameters, in the order of `NAMES`, with another error and streaks as long and as far along."""
    out = p.copy()
    out[1:3] = p[1] * (speed + p[2]) / (speed + error), error
    out[0] += 0.5 * (p[1] - out[1])
    return out


def _missed_update(problem: _Problem, best: _Found) -> Missed | None:
    """Return the update without which the streaks fit far better, by any motion, than with all of them."""
    batch = problem.batch
    v, p = problem.speed, best.p
    # it may have been taken for a camera off its speed
    starts = [p, with_error(p, 0.0, v)] if abs(p[2]) > OFF_SPEED * v else [p]
    opening = min(s[0] - s[4] for s in starts)
    closing = max(s[0] - s[4] + s[1] for s in starts)
    costs: dict[Missed, float] = {}
    for at in range(int(np.floor(opening)), int(np.ceil(closing)) + 1):
        for late in (-1, 0, 1):
            batch.missed = Missed(float(at), late)
            costs[batch.missed] = min(problem.descend(s, MISSED_ITERATIONS, stiff_clock=True).cost for s in starts)
    batch.missed = None
    likeliest = min(costs, key=costs.__getitem__)
    gain = best.cost - costs[likeliest]
    return likeliest if gain > max(MISSED_GAIN * best.inflate, MISSED_SHARE * best.cost) else None


def _elsewhere(problem: _Problem, best: _Found, v: float) -> list[_Found]:
    """Return other ends of the fit, with other tracking errors.

    In noisy streaks several refreshes' worth of switches may be matched nearly as well, at the same length of the
    streaks but at another speed: a fit sees only its own surroundings.
    """
    p = best.p
    out: list[_Found] = []
    for share in OTHER_ERRORS:
        found = problem.descend(with_error(p, share * v, v), OTHER_ITERATIONS, best.free)
        if all(abs(found.p[2] - o.p[2]) > 0.5 * OTHER_ERRORS[-1] / len(OTHER_ERRORS) * v for o in (best, *out)):
            out.append(found)
    return out


def _spread(best: _Found, others: list[_Found]) -> np.ndarray:
    """Return what other ends of a fit, as likely as they are, add to the covariance of the best."""
    weights = [float(np.exp(np.clip(0.5 * (best.cost - o.cost) / best.inflate, -50, 5))) for o in others]
    total = np.zeros((len(best.p), len(best.p)))
    for o, weight in zip(others, weights, strict=True):
        total += weight * np.outer(o.p - best.p, o.p - best.p)
    return total / (1 + sum(weights))


def inflation(chi2_ratio: float) -> float:
    """Return what variances are larger by: a clear misfit says that something is not in the model at all."""
    return max(chi2_ratio, 0.5) * 2.5 * max(1.0, chi2_ratio / 3)


class _Found(NamedTuple):
    """Where a fit ended: parameters, the clock's waveform, cost, normal matrix, chi-square over degrees of freedom."""

    p: np.ndarray
    free: np.ndarray
    cost: float
    gram: np.ndarray
    ratio: float

    @property
    def inflate(self) -> float:
        """What the variances are larger by."""
        return inflation(self.ratio)

    def covariance(self) -> np.ndarray:
        """Return the covariance of the parameters."""
        count = len(self.p)
        return np.linalg.inv(self.gram)[:count, :count] * self.inflate


class _Problem:
    """Streaks with their weights, and what is known of the motion beforehand (``centre`` and its uncertainties)."""

    def __init__(self, streaks, waves, lights, layout, exposure, pixel, centre, lens_sd, emission) -> None:
        self.speed = v = layout.px_per_refresh
        order = sorted(range(len(streaks)), key=lambda i: streaks[i].slit.kind != "clock")  # the clock's come first
        streaks, waves = [streaks[i] for i in order], [waves[i] for i in order]
        level = np.maximum([lights[i] for i in order], LEAST_LIGHT)
        self.centre = centre
        slopes = [ERROR_SLOPE_SD, ERROR_SLOPE_SD, FLASH_SD, FLASH_SD]
        # flashes show few places of the path, too few to tell a sway from the rest
        sway = STILL_PX if emission is not None else sway_sd(exposure / layout.refresh_hz)
        self.prior = np.array([np.inf, np.inf, ERROR_SD, 0.5, 0.5, 1.5, 1.5, lens_sd, 0.6, 0.5, 0.5, *slopes, sway])
        if emission is not None:  # in the dark between flashes nothing tells when the shutter opened or closed
            self.prior[:2] = DARK_SD
        self.batch = StreakBatch(streaks, waves, layout, pixel, emission)
        self.data = self.batch.data
        width = np.array([s.slit.width_px / (v * exposure) for s in streaks])
        noise = np.array([s.noise for s in streaks])
        self.weight = np.repeat(1 / np.hypot(noise * 1.5, ROUGH * level * width), self.batch.counts)
        self.signal = float(np.median(level * width / noise))
        self.clock = np.arange(sum(s.slit.kind == "clock" for s in streaks))
        self.phases = np.array([streaks[i].slit.phase_refreshes for i in self.clock], int)
        self.per_cell = STEPS // CLOCK_CELLS
        self.period, self.expected = 0, np.zeros(0)
        if len(self.clock):
            self.period = streaks[self.clock[0]].slit.period_refreshes
            self.expected = np.roll(waves[self.clock[0]], -int(self.phases[0]) * STEPS)
        else:  # slits of many levels, a few in each row, can't tell where the pose is askew
            self.prior[9:11] = 0.03
        self.of_clock = slice(0, sum(self.batch.counts[: len(self.clock)]))
        n_w = self.period * CLOCK_CELLS
        self.bend = second_differences(n_w) / CLOCK_ROUGHNESS if n_w else np.zeros((0, 0))

    def _set_waves(self, free: np.ndarray) -> None:
        if len(free):
            self.batch.set_waves(self.clock, self.phases, self.expected + np.repeat(free, self.per_cell))

    def depth(self, free: np.ndarray) -> float:
        """Return how much of the clock's light comes and goes: pixels slower than a refresh leave little of it."""
        if len(free) == 0:
            return 1.0
        shown = self.expected.reshape(-1, self.per_cell).mean(axis=1) + free
        return float(np.ptp(shown) / max(shown.max(), 1e-9))

    def _cost(self, p: np.ndarray, free: np.ndarray, model: np.ndarray) -> float:
        rough = float(((self.bend @ free) ** 2).sum())
        known = float((((p - self.centre) / self.prior) ** 2).sum())
        return float((((self.data - model) * self.weight) ** 2).sum()) + known + rough

    def descend(
        self, p: np.ndarray, iterations: int = ITERATIONS, free: np.ndarray | None = None, stiff_clock: bool = False
    ) -> _Found:
        """Go down from ``p`` and a waveform of the clock, which ``stiff_clock`` holds."""
        batch, weight, bend = self.batch, self.weight, self.bend
        free = np.zeros(self.period * CLOCK_CELLS) if free is None else free
        n_p, n_w = len(p), 0 if stiff_clock else len(free)
        stiff = bend.T @ bend + 1e-6 * np.eye(len(free))
        self._set_waves(free)
        model = batch.model(p)
        best = self._cost(p, free, model)
        damp = 1e-3
        gram, grad = np.eye(n_p + n_w), np.zeros(n_p + n_w)
        basis, basis_of = np.zeros((0, n_w)), np.full(n_p, np.inf)
        for _ in range(iterations):
            rest = (self.data - model) * weight
            slopes = batch.slopes(p).T * weight
            gram[:n_p, :n_p] = slopes @ slopes.T + np.diag(1 / self.prior**2 + NOT_SEEN)
            grad[:n_p] = slopes @ rest - (p - self.centre) / self.prior**2
            if n_w:
                if np.abs(p - basis_of).max() > SAME_BASIS:
                    basis = batch.basis(p, self.clock, self.phases, CLOCK_CELLS, self.period)
                    basis, basis_of = basis * weight[self.of_clock, None], p
                    gram[n_p:, n_p:] = basis.T @ basis + stiff
                gram[:n_p, n_p:] = slopes[:, self.of_clock] @ basis
                gram[n_p:, :n_p] = gram[:n_p, n_p:].T
                grad[n_p:] = basis.T @ rest[self.of_clock] - bend.T @ (bend @ free)
            gain = 0.0
            for _ in range(6):
                delta = np.linalg.solve(gram + damp * np.diag(np.diag(gram)), grad)
                trial = p + np.clip(delta[:n_p], -0.5, 0.5)
                trial[1] = max(trial[1], 0.3)
                trial[7] = max(trial[7], 0.02)
                trial[8] = max(trial[8], FAINTEST)
                trial_free = free + delta[n_p:] if n_w else free
                if not np.isfinite(trial).all():
                    damp *= 8
                    continue
                self._set_waves(trial_free)
                trial_model = batch.model(trial)
                cost = self._cost(trial, trial_free, trial_model)
                if cost < best:
                    gain = best - cost
                    p, free, model, best = trial, trial_free, trial_model, cost
                    damp *= 0.2
                    break
                if 0.5 * float(grad @ delta) < ENOUGH * max(1.0, 1e-3 * best):  # no step gains more than that
                    break
                damp *= 8
            if gain < ENOUGH * max(1.0, 1e-3 * best):
                break
        res = (self.data - model) * weight
        return _Found(p, free, best, gram, float((res**2).sum() / max(len(self.data) - n_p, 1)))
