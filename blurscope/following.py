"""How the camera followed, from streaks and edges together.

The streaks are read with the responses that the edges show, and the edges with the motion that the streaks show. Where
the streaks leave the tracking error open, going to and fro between the two creeps, or ends where it began, as the same
error has smeared the edges: then it is held at one value after another, everything else is fitted, and the misfit of
both decides.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import NamedTuple

import numpy as np

from blurscope.blur.operator import Capture
from blurscope.pattern.layout import Layout, Slit
from blurscope.target import Registration
from blurscope.tracking import Motion, cut_streaks, fit_motion, slit_waveform
from blurscope.tracking.backlight import STEADY, Backlight
from blurscope.tracking.model import STEPS
from blurscope.tracking.motion import ERROR_SD, LEAST_EXPOSURE, inflation, with_error

STREAK_SHARE = 0.6  # of the blur across the motion: how far streaks may take that along it, without a still
STEP = 0.02  # of the speed: least distance of the first trials
SHARES = (-0.3, -0.2, -0.1, 0.0, 0.1, 0.2, 0.3)  # of the speed: tried first
MOST_STEPS = 9  # beyond those
RISE = 3.0  # of the cost, where its bend is measured
LEAST_REACH = 2e-3  # of the speed: how far from the best one it is measured at least
ROUNDS = 3
LEAST_AMPLITUDE = 0.3  # of streaks, over what the display's law says of them
FLASH_LENS_SD = 0.05  # px: under flashes streaks hardly tell their blur
NEAR = 0.16  # of the speed: errors whose costs tell how sure the best one is
FAR_SIGMA = 4.0
AWAY = 0.5  # share of the distance to the error that the streaks by themselves would choose


class Trial(NamedTuple):
    """A fit with the error held: motion, and of each transition chi-square and price of the family that fits best.

    Chi-square is over what correlated noise inflates it by, the price is that of the family's parameters.
    """

    motion: Motion
    edges: np.ndarray
    price: np.ndarray


def settle_error(motion: Motion, speed: float, attempt: Callable[[Motion], Trial | None], dof: float) -> Motion:
    """Return the motion whose tracking error fits streaks and edges best, with the uncertainty that both leave.

    Parameters
    ----------
    motion : Motion
        Where to start.
    speed : float
        Of the plate, px per refresh.
    attempt : callable
        Fits everything but the error, from a motion that has it; None if it can't.
    dof : float
        Degrees of freedom of a transition, counted as its chi-square is.
    """
    trials: dict[float, Trial] = {}

    def tried(*errors: float) -> bool:
        for e in errors:
            begin = trials[min(trials, key=lambda t: abs(t - e))].motion if trials else motion
            # the pose has been lined up with the clock once: the trials are held to that, not to each other
            begin = replace(begin, delay_along=motion.delay_along, delay_across=motion.delay_across)
            found = attempt(begin.moved(with_error(begin.vector(), e, speed)))
            if found is None:
                return False
            trials[e] = found
        return True

    def costs() -> dict[float, float]:
        doubt = np.maximum(np.min([t.edges for t in trials.values()], axis=0) / dof, 1.0)
        inflate = inflation(min(t.motion.chi2_ratio for t in trials.values()))
        return {
            e: t.motion.chi2_ratio * t.motion.samples / inflate
            + float((t.edges / doubt + t.price).sum())
            + (e / ERROR_SD) ** 2
            for e, t in trials.items()
        }

    step = max(motion.sd("error"), STEP * speed)
    if not tried(motion.error, motion.error - step, motion.error + step, *(share * speed for share in SHARES)):
        return motion
    for _ in range(MOST_STEPS):
        cost = costs()
        best = min(cost, key=cost.__getitem__)
        if min(trials) < best < max(trials):
            break
        if abs(best) > speed or not tried(best + (step if best == max(trials) else -step)):
            return motion
        step *= 1.4
    at = sorted(trials)
    i = min(max(at.index(best), 1), len(at) - 2)
    three = at[i - 1 : i + 2]
    for _ in range(ROUNDS):
        cost = costs()
        bend, slope, _ = np.polyfit(np.array(three) - three[1], [cost[e] for e in three], 2)
        width = three[2] - three[0]
        if bend > 0:
            best = float(np.clip(three[1] - slope / (2 * bend), three[0], three[2]))
            reach = float(np.clip(np.sqrt(RISE / bend), LEAST_REACH * speed, width))
            if width < 3 * reach and abs(best - three[1]) < 0.5 * reach:
                break
        else:  # so close together that the fits' own scatter decides
            best, reach = min(cost, key=cost.__getitem__), width
        three = [best - reach, best, best + reach]
        if not tried(*three):
            return motion
    if not tried(best):
        return motion
    low, high = (trials[e].motion.vector() for e in (three[0], three[2]))
    along = (high - low) / (three[2] - three[0])
    along[2] = 1.0
    found = trials[best].motion
    # of errors whose cost is no higher than this at all, the farthest is so many standard uncertainties away at most
    cost = costs()
    reach = max(abs(e - best) for e in cost if cost[e] < cost[best] + FAR_SIGMA**2)
    variance = max(_variance(trials, best, speed), (reach / FAR_SIGMA) ** 2)
    return replace(found, covariance=found.covariance + np.outer(along, along) * variance)


def _variance(trials: dict[float, Trial], best: float, speed: float) -> float:
    """Return the variance of the error by the streaks alone, responses following it.

    The edges decide between errors, but by shapes of responses that are themselves a choice: their misfit is no
    measure of how well the error is known.
    """
    near = [e for e in trials if abs(e - best) <= NEAR * speed]
    inflate = inflation(trials[best].motion.chi2_ratio)
    cost = [t.chi2_ratio * t.samples / inflate + (e / ERROR_SD) ** 2 for e in near for t in (trials[e].motion,)]
    bend, slope, _ = np.polyfit(np.array(near) - best, cost, 2)
    bend = max(bend, 1 / ERROR_SD**2)
    away = np.clip(-slope / (2 * bend), -NEAR * speed, NEAR * speed)
    return 1 / bend + (AWAY * away) ** 2


def realigned(reg: Registration, motion: Motion, layout: Layout, shift: float) -> Registration:
    """Return the registration in which edges line up with the switches of the clock slits, all over the screen."""
    m = reg.pose.matrix
    late = layout.sign * layout.px_per_refresh * np.array([motion.delay_along, motion.delay_across])
    along, across = late[0] / layout.width_px, late[1] / layout.height_px
    constant = along * shift - 0.5 * (late[0] + late[1])
    return _with_first_row(reg, m[0] * (1 + along) + m[1] * across + m[2] * constant)


def moved_along(reg: Registration, late: float, layout: Layout) -> Registration:
    """Return the registration with all edges ``late`` refreshes earlier on its clock."""
    m = reg.pose.matrix
    return _with_first_row(reg, m[0] + m[2] * layout.sign * layout.px_per_refresh * late)


def _with_first_row(reg: Registration, first: np.ndarray) -> Registration:
    """Return the registration with another first row of the pose's matrix, which places the plate along the motion."""
    return replace(reg, pose=replace(reg.pose, matrix=np.array([first, *reg.pose.matrix[1:]])))


def capture_of(base: Capture, motion: Motion, layout: Layout, backlight: Backlight) -> Capture:
    """Turn the camera's motion into the capture of the edges.

    Time is that of the row's own clock. Where the scan-out runs along the motion, the clocks that the camera passes run
    at another rate than time itself, so the exposure holds more or fewer refreshes of them; the pose, which edges all
    over the screen fix, has their spacing, and the drift of the edges against it is in the tracking error.
    """
    lamp = backlight.flicker if backlight.emission is None else backlight.emission
    rate = 1.0 + layout.sign * layout.px_per_refresh * motion.along / layout.width_px
    return base.changed(
        exposure_refreshes=max(motion.exposure, 0.5) * rate,
        error_px_per_refresh=motion.error / rate,
        accel_px_per_refresh2=motion.accel,
        sway_px=motion.sway,
        phase_known=True,
        emission=() if lamp is None else tuple(lamp),
    )


def light_steps(fits, weights, pairs, layout: Layout) -> dict[tuple[int, int], np.ndarray]:
    """Return the step response of each transition by its best fit, in cells from a refresh before its switch."""
    edges = np.arange(-STEPS, (layout.field_refreshes + 2) * STEPS + 1) / STEPS
    best = np.argmax(weights, axis=0)
    out = np.empty((len(pairs), len(edges) - 1))
    for b in np.unique(best):
        fit, rows = fits[b], best == b
        out[rows] = np.diff(fit.family.integral(edges - fit.onset[rows, None], fit.params[rows]), axis=1) * STEPS
    return dict(zip(pairs, out, strict=True))


def fit_streaks(steps, lanes, layout, tone, shift, exposure, pixel, lens_px, lens_sd, guess=None, lamp=STEADY, **known):
    """Fit the streaks with the responses found so far; for ``held`` and ``lined_up`` see `fit_motion`."""
    streaks = cut_streaks(lanes, layout, shift, exposure)
    if len(streaks) < 4 or exposure < LEAST_EXPOSURE:
        return None, streaks
    lights = tone.law(np.arange(256)).tolist()
    usual = np.mean(list(steps.values()), axis=0) if steps else None  # the clock's own light is found from there

    def step(slit: Slit, a: int, b: int) -> np.ndarray | None:
        return steps.get((a, b), usual if slit.kind == "clock" else None)

    shown: dict[tuple, np.ndarray | None] = {}  # slits that differ in their place only show the same

    def wave(slit: Slit) -> np.ndarray | None:
        times = slit.period_refreshes, slit.on_refreshes, slit.phase_refreshes
        alike = (slit.kind, slit.low_level, slit.high_level, *times)
        if alike not in shown:
            shown[alike] = slit_waveform(slit, partial(step, slit), lights.__getitem__)
        return shown[alike]

    waves = [wave(s.slit) for s in streaks]
    use = [i for i, w in enumerate(waves) if w is not None and float(w.max()) > 0.15]
    if len(use) < 4:
        return None, streaks
    motion = fit_motion(
        [streaks[i] for i in use],
        [waves[i] for i in use],
        [(lights[streaks[i].slit.high_level] - lights[0]) / (1 - lights[0]) for i in use],
        layout,
        shift,
        exposure,
        pixel,
        lens_px,
        lens_sd=lens_sd if lamp.emission is None else min(lens_sd, FLASH_LENS_SD),
        guess=guess,
        emission=lamp.emission,
        flash=lamp.flash,
        **known,
    )
    # streaks that aren't there: something else in the lanes has been taken for them
    return (motion if motion.amplitude > LEAST_AMPLITUDE and np.isfinite(motion.covariance).all() else None), streaks
