"""What a motion of the camera makes of the slits: the light of all streaks, and its derivatives."""

from __future__ import annotations

from math import erf
from typing import NamedTuple

import numpy as np

from blurscope._cv import cv2
from blurscope.pattern.layout import Layout
from blurscope.shapes import third_legendre

STEPS = 64  # time steps per refresh in waveforms
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
    "error_along",
    "error_across",
    "flash_along",
    "flash_across",
    "sway",
)
SIGMA_STEP = 0.01  # px, for the derivative


def time_at(
    away: np.ndarray, speed: float | np.ndarray, accel: float, sway: float = 0.0, exposure: float = 1.0
) -> tuple[np.ndarray, np.ndarray]:
    """Return when the camera is ``away`` px past its place at mid exposure, and how fast it is there.

    Parameters
    ----------
    away : array of float, px
    speed, accel : float
        px per refresh at mid exposure, and px per refresh squared.
    sway : float
        Unsteadiness, px; see `sway_shape`.
    exposure : float
        Refreshes.

    Returns
    -------
    late, root : arrays of float
        Refreshes since mid exposure, and px per refresh (without the sway, which hardly changes it).
    """
    root = np.sqrt(np.maximum(speed**2 + 2 * accel * away, 1e-6))
    late = 2 * away / (speed + root)
    if sway:
        late -= sway * sway_shape(late, exposure) / root
    return late, root


def sway_shape(late: np.ndarray, exposure: float) -> np.ndarray:
    """Return the third Legendre polynomial over the exposure, 1 at its end and -1 at its start.

    An unsteady camera's path differs by as many times this, in the mean, from one of even acceleration.
    """
    return third_legendre(np.clip(2 * late / exposure, -1, 1))


class Missed(NamedTuple):
    """An update of the display that didn't come.

    Attributes
    ----------
    at : float
        When it was due, refreshes on the slits' clock.
    late : int
        Refreshes that all later pictures come late by: 1 where the picture before it was shown twice, 0 where the next
        one came in time all the same, -1 where that one came in its stead.
    """

    at: float
    late: int


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
        self.kept = self.keep.ravel().nonzero()[0]
        self.x = np.array([[s.slit.x_px] for s in streaks], float)
        self.width = np.array([[s.slit.width_px] for s in streaks], float)
        self.v_row = np.array([[s.v_row] for s in streaks], float)
        if emission is not None:
            waves = [np.resize(w, int(np.lcm(len(w), STEPS))) for w in waves]
        self.waves, self.emission = list(waves), emission
        self.missed: Missed | None = None
        self.period = np.array([[len(w)] for w in waves], float)
        self.sums = self._cumulate(waves)
        self.data = np.concatenate([s.light for s in streaks])

    def _cumulate(self, waves) -> np.ndarray:
        out = np.zeros((len(waves), max(len(w) for w in waves) + 2))
        lengths = np.array([len(w) for w in waves])
        for n in set(lengths.tolist()):
            alike = np.flatnonzero(lengths == n)
            sums = out[alike]
            _running(sums, np.array([waves[i] for i in alike]))
            out[alike] = sums
        return out

    def _integral(self, sums: np.ndarray, t: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the running integral of the waveforms behind ``sums`` at times ``t``, and their values there."""
        at = t * STEPS
        whole = np.floor(at / self.period)
        at -= whole * self.period
        low = at.astype(np.intp)
        at -= low
        low += np.arange(len(sums))[:, None] * sums.shape[1]
        flat = sums.reshape(-1)
        a = flat.take(low)
        low += 1
        value = flat.take(low)
        value -= a
        total = sums[np.arange(len(sums)), self.period[:, 0].astype(np.intp)]
        whole *= total[:, None]
        whole += a
        at *= value
        whole += at
        value *= STEPS
        return whole, value

    def _shown(self, sums: np.ndarray, t: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the same as `_integral` where the display missed an update, of pixels that follow at once."""
        if self.missed is None:
            return self._integral(sums, t)
        at, late = self.missed
        stay = 1.0 if late >= 0 else 0.0  # refreshes, for which light stays as it was
        each = np.full((len(sums), 1), float(at))
        stays = self._integral(sums, each - 0.5 / STEPS)[1]
        total, value = self._integral(sums, np.minimum(t, at))
        over = t >= at + stay
        later, value_later = self._integral(sums, np.maximum(t, at + stay) - late)
        total += stays * np.clip(t - at, 0, stay) + later - self._integral(sums, each + stay - late)[0]
        return total, np.where(t < at, value, np.where(over, value_later, stays))

    def _places(self, rows: np.ndarray | slice = slice(None)) -> tuple[np.ndarray, np.ndarray]:
        """Return where the slits of ``rows`` are on the screen, as shares of its size from its middle."""
        column = (self.x[rows] + self.width[rows] / 2) / self.layout.width_px - 0.5
        return column, self.v_row[rows] / self.layout.height_px - 0.5

    def _clocks(self, p: np.ndarray, rows: np.ndarray | slice = slice(None)) -> tuple[np.ndarray, np.ndarray]:
        """Return when the shutter opens at the slits of ``rows``, and the delays of their pixels."""
        start, _, _, _, delay, along, across, _, _, delay_along, delay_across, *_ = p
        column, row = self._places(rows)
        return start + along * column + across * row, delay + delay_along * column + delay_across * row

    def _speed(self, p: np.ndarray, rows: np.ndarray | slice = slice(None)) -> np.ndarray:
        """Return how fast the camera crosses the screen in the middle of each slit's exposure, px per refresh."""
        column, row = self._places(rows)
        return self.layout.px_per_refresh + p[2] + p[11] * column + p[12] * row

    def _ends(self, rows: np.ndarray | slice = slice(None)) -> tuple[np.ndarray, np.ndarray]:
        """Return how far the camera has travelled when each sample's place enters and leaves its slit, px."""
        near = self.x[rows] - self.u[rows]
        width = self.width[rows]
        return (near, near + width) if self.layout.sign > 0 else (-near - width, -near)

    def _passage(self, p: np.ndarray, rows: np.ndarray | slice = slice(None)) -> tuple[np.ndarray, ...]:
        """Return when each sample's place on the screen enters and leaves its slit, and the slits' delays."""
        exposure, accel, sway = p[1], p[3], p[15]
        v, speed = self.layout.px_per_refresh, self._speed(p, rows)
        opening, late = self._clocks(p, rows)
        middle = opening + exposure / 2

        def when(position: np.ndarray) -> np.ndarray:
            time = middle + time_at(position - v * middle, speed, accel, sway, exposure)[0]
            return np.minimum(np.maximum(time, opening), opening + exposure)

        first, last = (when(position) for position in self._ends(rows))
        return first, last, late

    def _flashes(self, p: np.ndarray, rows: np.ndarray | slice = slice(None)) -> np.ndarray:
        """Return how much later than in the middle of the screen the backlight flashes at the slits of ``rows``."""
        column, row = self._places(rows)
        return p[13] * column + p[14] * row

    def _lit(self, p: np.ndarray, later: float = 0.0) -> np.ndarray:
        """Return the running integrals of the slits' light under the backlight, for pixels that lag it by the delay.

        What the delay changes by over the screen is the pose's, and moves flashes as it moves switches.
        """
        shift = int(round((p[4] + later) * STEPS))
        flashes = np.round(self._flashes(p)[:, 0] * STEPS).astype(int).tolist()
        lamps = {f: np.roll(self.emission, f) for f in set(flashes)}
        return self._cumulate(
            [np.roll(w, shift) * np.resize(lamps[f], len(w)) for w, f in zip(self.waves, flashes, strict=True)]
        )

    def model(self, p: np.ndarray) -> np.ndarray:
        """Return the light of all streaks for motion parameters in the order of `NAMES`, concatenated.

        At plate position ``u`` the camera sees the screen column ``u + sign * travel(t)``; the streak's light is the
        slit's light over the time that column takes to cross the slit, over the exposure.
        """
        exposure, sigma, amplitude = p[1], p[7], p[8]
        first, last, late = self._passage(p)
        sums = self.sums if self.emission is None else self._lit(p)
        if self.emission is not None:
            late = late - p[4]
        first, last = first - late, last - late
        light = (self._shown(sums, last)[0] - self._shown(sums, first)[0]) * (amplitude / exposure)
        return _blur(light, self.step, sigma, self.pixel).take(self.kept)

    def slopes(self, p: np.ndarray) -> np.ndarray:
        """Return the derivatives of `model` by the motion parameters, (samples, 16)."""
        exposure, accel, sigma, amplitude, sway = p[1], p[3], p[7], p[8], p[15]
        v, speed = self.layout.px_per_refresh, self._speed(p)
        opening, late = self._clocks(p)
        middle = opening + exposure / 2
        lit = self.emission is not None
        sums = self._lit(p) if lit else self.sums
        if lit:
            late = late - p[4]
        total = np.zeros(self.u.shape)
        slope = dict.fromkeys(("start", "exposure", "error", "accel", "delay", "sway"), 0.0)
        for position, side in zip(self._ends(), (-1.0, 1.0), strict=True):
            time, root = time_at(position - v * middle, speed, accel, sway, exposure)
            at = middle + time
            early, over = at < opening, at > opening + exposure
            at = np.minimum(np.maximum(at, opening), opening + exposure)
            integral, value = self._shown(sums, at - late)
            total += side * integral
            value *= side
            moving = np.where(early | over, 0.0, 1 / root)
            by_middle = 1 - v * moving
            slope["start"] = slope["start"] + value * by_middle
            slope["exposure"] = slope["exposure"] + value * np.where(over, 1.0, np.where(early, 0.0, 0.5 * by_middle))
            slope["error"] = slope["error"] - value * time * moving
            slope["accel"] = slope["accel"] - value * time**2 * (0.5 * moving)
            slope["sway"] = slope["sway"] - value * sway_shape(time, exposure) * moving
            slope["delay"] = slope["delay"] - value
        if lit:
            slope["lag"] = slope["delay"]  # of pixels and flashes alike
            later = self._lit(p, 1 / STEPS)
            ends = self._passage(p)[:2]
            slope["delay"] = sum(
                side * (self._integral(later, at - late)[0] - self._integral(sums, at - late)[0]) * STEPS
                for side, at in zip((-1.0, 1.0), ends, strict=True)
            )
            slope["flash"] = slope["lag"] - slope["delay"]
        slope["exposure"] = slope["exposure"] - total / exposure
        column, row = (np.repeat(place, self.counts) for place in self._places())
        scale = amplitude / exposure

        def seen(fields: np.ndarray, spread: float = sigma) -> np.ndarray:
            blurred = _blur(fields.reshape(-1, fields.shape[-1]), self.step, spread, self.pixel)
            return blurred.reshape(-1, self.u.size).take(self.kept, axis=1)

        total *= scale
        *seen_slopes, here = seen(np.array([*(field * scale for field in slope.values()), total]))
        fields = dict(zip(slope, seen_slopes, strict=True))
        for along, across, base in (
            ("along", "across", "start"),
            ("delay_along", "delay_across", "lag" if lit else "delay"),
            ("error_along", "error_across", "error"),
            ("flash_along", "flash_across", "flash"),
        ):
            field = fields.get(base, 0.0)
            fields[along], fields[across] = column * field, row * field  # no flashes, no change by their lag
        fields["sigma"] = (seen(total, sigma + SIGMA_STEP)[0] - here) / SIGMA_STEP
        fields["amplitude"] = here / amplitude
        return np.array([fields[name] for name in NAMES]).T

    def basis(self, p: np.ndarray, rows: np.ndarray, phases: np.ndarray, cells: int, period: int) -> np.ndarray:
        """Return what each cell of a free periodic waveform adds to the streaks of ``rows``.

        Parameters
        ----------
        p : (16,) float
        rows : (r,) int
            Streaks whose slits follow the waveform.
        phases : (r,) float
            Their phases, refreshes.
        cells, period : int
            Cells per refresh, and the period in refreshes.

        Returns
        -------
        (samples of those streaks, cells * period) float
        """
        exposure, sigma, amplitude = p[1], p[7], p[8]
        first, last, late = self._passage(p, rows)
        if self.emission is not None:
            lag, late = late - p[4], np.round(p[4] * STEPS) / STEPS  # as `_lit` has it
            lag = lag + np.round(self._flashes(p, rows) * STEPS) / STEPS
            first, last = first - lag, last - lag
            late = late - np.round(self._flashes(p, rows) * STEPS) / STEPS
        late = late + phases[:, None]
        kept = self.keep[rows].ravel().nonzero()[0]
        t0 = np.arange(cells * period)[:, None, None] / cells
        width = 1 / cells
        if self.emission is not None:
            lit = np.concatenate([[0.0], np.cumsum(self.emission)]) / len(self.emission)
            grid = np.linspace(0, 1, len(lit))
            begin = _periodic(t0 + late, grid, lit)
            in_period = _periodic(t0 + late + width, grid, lit) - begin

        def part(t: np.ndarray) -> np.ndarray:
            age = t - late
            whole = np.floor(age / period)
            into = (age - whole * period) - t0
            np.minimum(np.maximum(into, 0, out=into), width, out=into)
            if self.emission is None:
                into += whole * width
                return into
            return whole * in_period + _periodic(t0 + late + into, grid, lit) - begin

        light = (part(last) - part(first)) * (amplitude / exposure)
        blurred = _blur(light.reshape(-1, light.shape[2]), self.step, sigma, self.pixel)
        return blurred.reshape(len(light), -1).take(kept, axis=1).T

    def set_waves(self, rows: np.ndarray, phases: np.ndarray, wave: np.ndarray) -> None:
        """Give the streaks of ``rows`` another waveform, each in its own phase."""
        shifted = (np.arange(len(wave)) - np.asarray(phases)[:, None].astype(int) * STEPS) % len(wave)
        turned = wave[shifted]
        for r, mine in zip(rows, turned, strict=True):
            self.waves[r] = mine
        sums = self.sums[rows]
        _running(sums, turned)
        self.sums[rows] = sums


def _periodic(t: np.ndarray, grid: np.ndarray, lit: np.ndarray) -> np.ndarray:
    """Return the running integral at ``t`` of what repeats every refresh; ``lit`` is its integral within one."""
    whole = np.floor(t)
    return np.interp(t - whole, grid, lit) + whole * lit[-1]


def _running(out: np.ndarray, waves: np.ndarray) -> None:
    """Write the running integrals of waves (r, n), one more value than a period, and on from there, into ``out``."""
    n = waves.shape[1]
    np.cumsum(waves, axis=1, out=out[:, 1 : n + 1])
    out[:, n + 1 :] = (out[:, n] + waves[:, 0])[:, None]
    out /= STEPS


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
