"""The second road: a pixel's step response against time, from streaks of slits that switch between its two levels."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from blurscope.pattern.layout import Layout
from blurscope.tracking.lanes import Streak
from blurscope.tracking.motion import Motion
from blurscope.uncertainty import median

GAP = 0.4  # refreshes without a sample
GAP_CHANGE = 0.08  # of the step, in a gap
MIN_SIGNAL = 3.0  # step over noise of a sample
BINS = 16  # per refresh of the stitched curve
TAIL, TAIL_BINS = 2.0, 4  # refreshes after the switch from which there are so many


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StreakCurve:
    """Light of one transition against time, from streaks; times in refreshes.

    Attributes
    ----------
    from_level, to_level : int
    t, light, sd : (n,) float
        Time since the switch, normalised light 0 to 1 and its noise.
    slit : float
        Time for which a slit shines on one place of the photo.
    blur : float
        Standard deviation of the lens and camera pixel, in time.
    flags : tuple of str
        Why there is nothing to read, if so.
    """

    from_level: int
    to_level: int
    t: np.ndarray
    light: np.ndarray
    sd: np.ndarray
    slit: float
    blur: float
    flags: tuple[str, ...]


def stitch_streaks(
    streaks: list[Streak], motion: Motion | None, layout: Layout, law: Callable, pixel: float
) -> list[StreakCurve]:
    """Stitch the streaks of every pair of levels on the refresh clock, by from and to level.

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
    black = float(law(0))

    def shown(level: int) -> float:
        return (float(law(level)) - black) / (1 - black)

    out = []
    for (low, high), mine in sorted(pairs.items()):
        lights = shown(low), shown(high)
        seen = [] if motion is None else [_seen(s, motion, layout) for s in mine]
        for rising in (True, False):
            a, b = (low, high) if rising else (high, low)
            out.append(_one(mine, seen, rising, a, b, motion, layout, lights, pixel))
    return sorted(out, key=lambda r: (r.from_level, r.to_level))


def _one(streaks, seen, rising, a, b, motion, layout, lights, pixel) -> StreakCurve:
    def curve(t=(), light=(), sd=(), slit=0.0, blur=0.0, flags=()) -> StreakCurve:
        t, light, sd = (np.asarray(x, float) for x in (t, light, sd))
        return StreakCurve(from_level=a, to_level=b, t=t, light=light, sd=sd, slit=slit, blur=blur, flags=flags)

    if motion is None:
        return curve(flags=("streak_too_dim",))
    samples = [_samples(s, *shown, rising, lights) for s, shown in zip(streaks, seen, strict=True)]
    t, y, sd = (np.concatenate(x) for x in zip(*samples, strict=True))
    if len(t) < 12:
        return curve(flags=("streak_incomplete",))
    if 1 / median(sd) < MIN_SIGNAL:
        return curve(flags=("streak_too_dim",))
    grid, light, spread = _stitch(t, y, sd)
    slit = streaks[0].slit.width_px / (layout.px_per_refresh + motion.error)
    blur = float(np.sqrt(motion.sigma**2 + pixel**2 / 4)) / layout.px_per_refresh
    covered = grid.min() <= 0.1 and grid.max() >= 1.2
    # what happens where no streak shows anything could be one step or two
    blank = np.diff(grid) > GAP
    covered &= not np.any(blank & (np.abs(np.diff(light)) > GAP_CHANGE + 3 * np.hypot(spread[1:], spread[:-1])))
    return curve(grid, light, spread, slit, blur, () if covered else ("streak_incomplete",))


def _seen(s: Streak, motion: Motion, layout: Layout) -> tuple[np.ndarray, ...]:
    """Return when each sample of a streak was lit, on its slit's clock, whether wholly, and what full light gives."""
    slit, v, sign = s.slit, layout.px_per_refresh, layout.sign
    centre = slit.x_px + slit.width_px / 2
    opening = motion.start_at(centre, s.v_row, layout)
    delay = motion.delay + motion.delay_at(centre, s.v_row, layout)
    middle = opening + motion.exposure / 2
    away = sign * (centre - s.u_px) - v * middle
    late, root = motion.late_at(away, v)
    time = middle + late
    guard = (slit.width_px / 2 + 2.5 * motion.sigma + 0.5) / v
    inside = (time > opening + guard) & (time < opening + motion.exposure - guard)
    return time - delay, inside, motion.amplitude * slit.width_px / (motion.exposure * root)


def _samples(
    s: Streak, time: np.ndarray, inside: np.ndarray, full: np.ndarray, rising: bool, lights: tuple[float, float]
) -> tuple[np.ndarray, ...]:
    """Return age since the switch, normalised light and its noise for the part of a streak that shows it.

    ``time``, ``inside`` and ``full`` are as `_seen` has them, ``lights`` those of the slit's low and high level, from
    black 0 to white 1.
    """
    slit = s.slit
    start, end = lights if rising else lights[::-1]
    light = (s.light / full - start) / (end - start)
    noise = np.abs(s.noise / full / (end - start))
    # age on the clock of this kind of switch
    on = slit.on_refreshes
    switch = slit.phase_refreshes if rising else slit.phase_refreshes + on
    age = (time - switch + 1.0) % slit.period_refreshes - 1.0
    length = on if rising else slit.period_refreshes - on
    use = inside & (age > -0.9) & (age < length - 1.0)
    return age[use], light[use], noise[use]


def _stitch(t: np.ndarray, y: np.ndarray, sd: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the mean age, light and noise of the samples in each bin."""
    index = np.floor(np.minimum(t, TAIL) * BINS + np.maximum(t - TAIL, 0.0) * TAIL_BINS).astype(int)
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
