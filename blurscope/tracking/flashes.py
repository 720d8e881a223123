"""When the backlight flashes, and where on the screen it does so earlier or later: from the always-lit streaks.

Every streak by itself shows the modulation as a ripple along it, whose frequency all streaks share and whose phase
tells when its place flashes. That needs neither the clock nor the ends of the exposure, which flashes hide.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from blurscope.tracking.model import StreakBatch

ONCE = (0.75, 1.4)  # flashes per refresh where one is sought
OFTEN = (1.4, 24.0)  # and where more of them are
FINEST_PX = 1.03  # shortest wave on the plate that a slit 1 px wide shows anything of
MANY = 4  # flashes in the exposure from which a ripple is fast
LEAST_SHOWN = 0.03  # of such a ripple by the narrowest slit
PER_LOBE = 8  # frequencies tried in the width that the exposure's length gives to one
FARTHEST = 1.15  # refreshes over the screen by which flashes may lag
PER_CYCLE = 10  # lags tried in one cycle of the flashes
AS_GOOD = 0.97  # share of the best sum of all streaks that a simple explanation of the lag has to reach
ASCENTS = 6
FFT_LENGTH = 1024
ROUGH = 0.001  # share of a streak's mean that the model of steady light is no better than
LEAST_SIGNAL = 60.0  # of a ripple that all streaks share: squared size over variance; steady light gave up to 35
LEAST_DEPTH = 0.1  # amplitude over mean
OVERTONE = 0.3  # depth of a single flash over that of a faster ripple from which the latter is its overtone


class Ripple(NamedTuple):
    """A modulation that all always-lit streaks show.

    ``frequency`` is per refresh on the clock of the motion it was found with; ``along`` and ``across`` say how much
    later (refreshes) it comes at the last column and row than at the first; ``depth`` is its amplitude over its mean,
    and ``signal`` the squared size that the streaks show it with over the variance by noise.
    """

    frequency: float
    along: float
    across: float
    depth: float
    signal: float


def find_ripple(
    batch: StreakBatch, p: np.ndarray, noise: np.ndarray, scans: list[tuple[float, float]]
) -> tuple[Ripple | None, Ripple | None]:
    """Look for modulations that all streaks share.

    Parameters
    ----------
    batch : StreakBatch
        Always-lit streaks, as if the backlight were steady.
    p : (16,) float
        Motion so far.
    noise : (streaks,) float
        Standard deviation of a sample.
    scans : list of (along, across)
        Lags of the flashes over the screen that have a simple cause; the first that is nearly the best is taken.

    Returns
    -------
    once : Ripple or None
        About one flash per refresh.
    often : Ripple or None
        Several per refresh, and not because a single one is short.
    """
    streaks = _Streaks(batch, p, noise)
    finest = streaks.speed / FINEST_PX
    once, often = (streaks.found(low, min(high, finest), scans) for low, high in (ONCE, OFTEN))
    if once is not None and often is not None and once.depth > OVERTONE * often.depth:
        often = None
    return once, often


def transfer(width: Any, pixel: float, blur: float, length: Any) -> Any:
    """Return how much of a wave of this length a slit, a camera pixel and a blur leave (all in px of the display)."""
    return np.sinc(width / length) * np.sinc(pixel / length) * np.exp(-2 * (np.pi * blur / length) ** 2)


class _Streaks:
    """What always-lit streaks differ by from those of steady light, with the moment at which each sample was lit."""

    def __init__(self, batch: StreakBatch, p: np.ndarray, noise: np.ndarray) -> None:
        self.speed = float(batch.layout.px_per_refresh + p[2])
        self.step = float(batch.step) / self.speed
        self.lobe = 1 / max(p[1], 1.0)
        self.blur, self.pixel, self.width = p[7], batch.pixel, batch.width
        self.places = np.stack([x[:, 0] for x in np.broadcast_arrays(*batch._places())])
        borders = np.cumsum(batch.counts)[:-1]
        first, last, late = batch._passage(p)
        middle = 0.5 * (first + last)
        self.moments = [m[keep] for m, keep in zip(middle - late, batch.keep, strict=True)]
        # weight fades to both ends of the exposure, which flashes make uncertain
        fade = np.sin(np.pi * np.clip((middle - batch._clocks(p)[0]) / p[1], 0, 1)) ** 2
        fades = [w[keep] for w, keep in zip(fade, batch.keep, strict=True)]
        self.rest: list[np.ndarray] = []
        variance = []
        flat, data = (np.split(x, borders) for x in (batch.model(p), batch.data))
        for f, d, w, n in zip(flat, data, fades, noise, strict=True):
            level = float(np.sum(w * d) / max(np.sum(w * f), 1e-12))
            size = max(level * float(np.sum(w * f)), 1e-12)
            self.rest.append(w * (d - level * f) / size)
            variance.append(n**2 * float(np.sum(w * w)) / size**2 + ROUGH**2)
        self.variance = np.array(variance)

    def strongest(self, lowest: float, highest: float) -> list[np.ndarray]:
        """Return frequencies around those at which the streaks, taken as evenly sampled, ripple and bend most."""
        padded = np.zeros((len(self.rest), max(FFT_LENGTH, max(len(r) for r in self.rest))))
        for row, r in zip(padded, self.rest, strict=True):
            row[: len(r)] = r
        power = (np.abs(np.fft.rfft(padded, axis=1)) ** 2).sum(axis=0)
        frequency = np.fft.rfftfreq(padded.shape[1], self.step)
        within = (frequency >= lowest) & (frequency <= highest)
        if not within.any():
            return []
        frequency, power = frequency[within], power[within]
        peaks = {float(frequency[np.argmax(power)])}
        # what the motion leaves unexplained is strong and slow, and would hide a fast ripple that little is seen of
        shown = transfer(float(self.width.min()), self.pixel, self.blur, self.speed / frequency)
        fast = (frequency > MANY * self.lobe) & (shown > LEAST_SHOWN)
        if highest > ONCE[1] and fast.any():
            peaks.add(float(frequency[fast][np.argmax((power * frequency**2)[fast])]))
        around = [(max(peak - 1.5 * self.lobe, lowest), min(peak + 1.5 * self.lobe, highest)) for peak in sorted(peaks)]
        return [np.arange(low, high + 1e-9, self.lobe / PER_LOBE) for low, high in around]

    def found(self, lowest: float, highest: float, scans: list[tuple[float, float]]) -> Ripple | None:
        """Return the strongest ripple between two frequencies, if it is no noise."""
        ripples = [self.measured(tried, scans) for tried in self.strongest(lowest, highest)]
        sound = [r for r in ripples if r is not None and r.signal >= LEAST_SIGNAL and r.depth >= LEAST_DEPTH]
        return max(sound, key=lambda r: r.signal, default=None)

    def measured(self, tried: np.ndarray, scans: list[tuple[float, float]]) -> Ripple | None:
        """Return the strongest ripple among frequencies, and how it lags over the screen; None for noise."""
        waves = [_turns(tried, t) @ r for t, r in zip(self.moments, self.rest, strict=True)]
        amplitude = np.array(waves)  # (streaks, frequencies)
        power = (np.abs(amplitude) ** 2 / self.variance[:, None]).sum(axis=0)
        best = int(np.argmax(power))
        if power[best] < LEAST_SIGNAL:  # no more than all streaks have each for itself
            return None
        frequency = float(tried[best])
        if 0 < best < len(tried) - 1:
            low, top, high = power[best - 1 : best + 2]
            frequency += float(0.5 * (low - high) / min(low - 2 * top + high, -1e-12) * (tried[1] - tried[0]))
        # a slit shows less of waves shorter than itself, and those shorter than its width upside down
        length = self.speed / frequency
        shown = transfer(self.width[:, 0], self.pixel, self.blur, length)
        terms = amplitude[:, best] * shown / self.variance
        turn = 2j * np.pi * frequency

        def together(lag: np.ndarray) -> float:
            return float(np.abs(np.exp(turn * (lag @ self.places)) @ terms))

        steps = np.arange(-FARTHEST, FARTHEST + 1e-9, 1 / (PER_CYCLE * frequency))
        sums = np.abs(
            np.exp(turn * steps[:, None] * self.places[0]) * terms @ np.exp(turn * steps[:, None] * self.places[1]).T
        )
        i, j = np.unravel_index(int(np.argmax(sums)), sums.shape)
        lag = _climbed(np.array([steps[i], steps[j]]), self.places, terms, frequency)
        for simple in scans:
            other = _climbed(np.array(simple), self.places, terms, frequency)
            if np.abs(other).max() < FARTHEST and together(other) > AS_GOOD * together(lag):
                lag = other
                break
        weight = float((shown**2 / self.variance).sum())
        total = together(lag)
        return Ripple(frequency, float(lag[0]), float(lag[1]), 2 * total / weight, total**2 / weight)


def _turns(frequencies: np.ndarray, t: np.ndarray) -> np.ndarray:
    """Return ``exp(-2 pi i f t)`` for evenly spaced frequencies, (f, t)."""
    out = np.empty((len(frequencies), len(t)), complex)
    out[0] = np.exp(-2j * np.pi * frequencies[0] * t)
    out[1:] = np.exp(-2j * np.pi * (frequencies[-1] - frequencies[0]) / max(len(frequencies) - 1, 1) * t)
    return np.cumprod(out, axis=0, out=out)


def _climbed(lag: np.ndarray, places: np.ndarray, terms: np.ndarray, frequency: float) -> np.ndarray:
    """Return the lag at which the phases of all streaks fit a plane best, uphill from ``lag``."""
    turn = 2 * np.pi * frequency
    for _ in range(ASCENTS):
        turned = np.exp(1j * turn * (lag @ places)) * terms
        off = np.angle(turned * np.conj(turned.sum()))
        weight = np.sqrt(np.abs(turned))
        design = np.stack([turn * places[0], turn * places[1], np.ones(len(off))])
        lag = lag - np.linalg.lstsq((design * weight).T, off * weight, rcond=1e-6)[0][:2]
    return lag
