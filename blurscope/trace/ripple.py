"""The backlight's ripple: its frequency estimated, its waveform fitted on settled plateaus, never smoothed away.

A patch at level L shows ``dark + b(t) * light(L)`` with the same periodic b at every level, so between two levels
``y = (1 - s) * P_from(t) + s * P_to(t)`` whatever the dark offset, and the pixel's own step is
``s = (y - P_from) / (P_to - P_from)``: the division by the measured backlight of Elze & Tanner, Med. Phys. 36(11),
4984 (2009), who find up to 46 % bias for a moving average.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

LUT = 8192  # points of a waveform table over one period
_VARIANCE_BINS = 64
_MAX_CANDIDATE_SAMPLES = 400_000
_MIN_HZ = 20.0
ALIASES = 5  # to either side


def candidate_hz(signal: np.ndarray, dt_s: float, floor_hz: float = _MIN_HZ) -> float | None:
    """Return the frequency of the strongest line in short stretches of the record, or ``None``.

    Within a stretch a step is a smooth slope of the spectrum, not a line. A high quantile over the stretches is taken
    because a dark level shows no ripple.
    """
    n = len(signal)
    for length_s in (0.1, 0.05, 0.025):
        length = int(length_s / dt_s)
        if length >= 32 and n // length >= 8:
            break
    else:
        length = n // 8
        if length < 32:
            return None
    count = min(n // length, max(8, _MAX_CANDIDATE_SAMPLES // length))
    starts = np.linspace(0, n - length, count).astype(int)
    window = np.hanning(length)
    ramp = np.linspace(-1.0, 1.0, length)
    ramp_norm = float(ramp @ ramp)
    power = np.empty((count, length // 2 + 1))
    for k, a in enumerate(starts):
        piece = signal[a : a + length]
        piece = piece - piece.mean()
        piece = piece - ramp * (piece @ ramp / ramp_norm)
        power[k] = np.abs(np.fft.rfft(piece * window)) ** 2
    spectrum = np.quantile(power, 0.75, axis=0)
    hz = np.arange(len(spectrum)) / (length * dt_s)
    first = max(3, int(np.searchsorted(hz, floor_hz)))
    last = int(0.95 * len(spectrum))
    if last - first < 8:
        return None
    half = 12
    padded = np.pad(spectrum, half, mode="reflect")
    local = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1), axis=1)
    tiny = 1e-18 * float(spectrum.max()) + 1e-300
    ratio = spectrum / (local + tiny)
    peaks = np.arange(first, last)
    peaks = peaks[
        (spectrum[peaks] >= spectrum[peaks - 1]) & (spectrum[peaks] >= spectrum[peaks + 1]) & (ratio[peaks] > 6)
    ]
    if peaks.size == 0:
        return None
    k = int(peaks[np.argmax(spectrum[peaks])])
    a, b, c = np.log(spectrum[k - 1 : k + 2] + tiny)
    shift = 0.5 * (a - c) / (a - 2 * b + c) if a - 2 * b + c < 0 else 0.0
    return float(hz[k] + np.clip(shift, -0.5, 0.5) * hz[1])


def refine_hz(time_s: np.ndarray, residual: np.ndarray, start_hz: float, width_hz: float) -> float:
    """Sharpen a frequency coherently over longer and longer stretches.

    Parameters
    ----------
    time_s, residual : (n,) float
        Plateau samples with each plateau's mean taken off; gaps are welcome.
    start_hz, width_hz : float
        The line lies within ``start_hz +- width_hz``.

    Returns
    -------
    float
        Frequency, Hz.
    """
    middle = time_s[len(time_s) // 2]
    centred = time_s - middle
    total = float(time_s[-1] - time_s[0])
    span = min(1.0 / width_hz, total)
    hz = start_hz
    while True:
        inside = np.flatnonzero(np.abs(centred) <= span / 2)
        if len(inside) < 64:
            inside = np.argsort(np.abs(centred), kind="stable")[:64]
        if len(inside) > 12_000:
            # A random, not a regular, choice: a regular one would alias the line.
            inside = np.sort(np.random.default_rng(1).choice(inside, 12_000, replace=False))
        t, r = centred[inside], residual[inside]
        step = 0.25 / span
        grid = hz + np.arange(-5, 6) * step if span > 1.01 / width_hz else hz + np.linspace(-1.2, 1.2, 13) * width_hz
        power = [_power(t, r, f) for f in grid]
        k = int(np.argmax(power))
        hz = float(grid[k])
        if 0 < k < len(grid) - 1:
            a, b, c = power[k - 1 : k + 2]
            if a - 2 * b + c < 0:
                hz += float(0.5 * (a - c) / (a - 2 * b + c)) * float(grid[1] - grid[0])
        if span >= total:
            break
        span = min(span * 3, total)
    hz = _best_alias(centred, residual, hz, width_hz)
    if len(centred) > 40_000:
        pick = np.sort(np.random.default_rng(2).choice(len(centred), 40_000, replace=False))
        centred, residual = centred[pick], residual[pick]
    for step in (0.08 / total, 0.01 / total):
        power = [_power(centred, residual, hz + k * step) for k in (-2, -1, 0, 1, 2)]
        k = int(np.clip(np.argmax(power), 1, 3))
        a, b, c = power[k - 1 : k + 2]
        hz += (k - 2) * step
        if a - 2 * b + c < 0:
            hz += float(np.clip(0.5 * (a - c) / (a - 2 * b + c), -1, 1)) * step
    return hz


def _best_alias(t: np.ndarray, residual: np.ndarray, hz: float, width_hz: float) -> float:
    """Return the frequency, or one that takes whole turns more or fewer from stretch to stretch, with most power.

    Stretches that follow each other at even distances fit such frequencies nearly as well, and where the interval of
    the samples is nearly a whole part of the ripple's period, a short stretch leaves open which.
    """
    gaps = np.diff(t)
    begins = np.flatnonzero(gaps > 8 * float(np.median(gaps))) + 1
    if begins.size < 1:
        return hz
    begins = np.concatenate([[0], begins])
    apart = 1.0 / float(np.median(np.diff(t[begins])))
    reach = int(min(ALIASES, width_hz / apart))
    if len(t) > 12_000:
        pick = np.sort(np.random.default_rng(3).choice(len(t), 12_000, replace=False))
        t, residual = t[pick], residual[pick]
    trials = hz + apart * np.arange(-reach, reach + 1)
    return float(trials[int(np.argmax([_power(t, residual, f) for f in trials]))])


def _power(t: np.ndarray, r: np.ndarray, hz: float) -> float:
    turn = (2 * np.pi * hz) * t
    return float(r @ np.cos(turn)) ** 2 + float(r @ np.sin(turn)) ** 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Waveform:
    """A periodic additive part of a plateau at one level.

    Attributes
    ----------
    hz : float
    offset : float
        Phase at time 0, in turns.
    table : (LUT,) float
        Value at phase ``(k + 0.5) / LUT``; zero mean.
    noise_table : (LUT,) float
        Variance of the samples around it at each phase.
    flank_table : (LUT,) float
        Variance to add within a sample of a steep flank, where a value depends on less than the phase is known by.
    flanks : (LUT,) bool
        Phases within a sample of a steep flank.
    amplitude : float
        Rms of the table.
    """

    hz: float
    offset: float
    table: np.ndarray
    noise_table: np.ndarray
    flank_table: np.ndarray
    flanks: np.ndarray
    amplitude: float

    def at(self, time_s: np.ndarray) -> np.ndarray:
        """Return the waveform at the times."""
        return self.table[_index(time_s, self.hz, LUT, self.offset)]

    def variance_at(self, time_s: np.ndarray) -> np.ndarray:
        """Return the variance of the samples around the waveform at the times."""
        return self.noise_table[_index(time_s, self.hz, LUT, self.offset)]

    def flank_variance_at(self, time_s: np.ndarray) -> np.ndarray:
        """Return what the flanks add to it."""
        return self.flank_table[_index(time_s, self.hz, LUT, self.offset)]

    def retuned(self, hz: float, pivot_s: float) -> Waveform:
        """Return the waveform at another frequency, its phase kept at ``pivot_s``."""
        return replace(self, hz=hz, offset=self.offset + (self.hz - hz) * pivot_s)

    def clear_at(self, time_s: np.ndarray) -> np.ndarray:
        """Return which times keep away from the flanks."""
        return ~self.flanks[_index(time_s, self.hz, LUT, self.offset)]


def _index(time_s: np.ndarray, hz: float, size: int, offset: float = 0.0) -> np.ndarray:
    turn = time_s * hz + offset
    turn -= np.floor(turn)
    turn *= size
    return np.minimum(turn.astype(np.int64), size - 1)


def fit_waveform(time_s: np.ndarray, residual: np.ndarray, hz: float, dt_s: float) -> Waveform:
    """Fit the periodic part of plateau samples: significant harmonics, then significant remainders near flanks.

    Parameters
    ----------
    time_s, residual : (n,) float
        Plateau samples of one level, each plateau's mean taken off.
    hz : float
    dt_s : float
        Sampling interval.
    """
    n = len(time_s)
    fine = int(np.clip(n // 16, 8, 512))
    turn = time_s * hz
    turn -= np.floor(turn)
    at = np.minimum((turn * fine).astype(np.int64), fine - 1)
    count = np.bincount(at, minlength=fine)
    used = count > 0
    mean = np.bincount(at, residual, minlength=fine)[used] / count[used]
    where = np.bincount(at, turn, minlength=fine)[used] / count[used]
    weight = count[used].astype(float)
    noise2 = _white_variance(residual, at, fine)
    jumps = _jumps(where, mean, weight, noise2)
    masked = np.zeros(LUT, dtype=bool)
    # The flank lies between two filled phases; its place in the record is known a little less well than that.
    reach = max(0.3 * dt_s * hz, 1.5 / fine)
    height = np.zeros(LUT)
    phase = (np.arange(LUT) + 0.5) / LUT
    for low, high, size in jumps:
        inside = (phase - (low - reach)) % 1.0 < (high - low) % 1.0 + 2 * reach
        masked |= inside
        height[inside] = np.maximum(height[inside], size)
    if np.mean(masked) > 0.6:
        masked[:], height[:], jumps = False, 0.0, []
    clear = ~masked[np.minimum((where * LUT).astype(np.int64), LUT - 1)]
    order = int(min(24, clear.sum() // 4))
    if jumps:
        # Harmonics finer than the masked stretches would swing freely inside them.
        widest = max((high - low) % 1.0 + 2 * reach for low, high, _ in jumps)
        order = int(min(order, max(0.35 / widest, 2)))
    k = np.arange(1, order + 1)
    places = np.array([(low + 0.5 * ((high - low) % 1.0)) % 1.0 for low, high, _ in jumps])

    def columns(x: np.ndarray) -> np.ndarray:
        angle = 2 * np.pi * np.outer(x, k)
        saw = (x[:, None] - places) % 1.0 - 0.5
        return np.hstack([np.ones((len(x), 1)), saw, np.cos(angle), np.sin(angle)])

    design = columns(where[clear])
    w, m = weight[clear], mean[clear]
    keep = np.ones(design.shape[1], dtype=bool)
    for _ in range(2):
        part = design[:, keep]
        gram = part.T @ (part * w[:, None])
        gram[np.diag_indices_from(gram)] *= 1 + 1e-9
        inverse = np.linalg.pinv(gram, hermitian=True)
        coef = np.zeros(design.shape[1])
        sd2 = np.full(design.shape[1], np.inf)
        coef[keep] = inverse @ (part.T @ (w * m))
        sd2[keep] = np.maximum(np.diag(inverse), 1e-300) * noise2
        score = coef**2 / sd2
        first = 1 + len(places)
        pair = score[first : first + order] + score[first + order :]
        strong = pair > 9.2  # 99 % of chi-square, 2 degrees of freedom
        keep = np.concatenate([np.ones(first, dtype=bool), strong, strong])
    coef = np.where(keep, coef, 0.0)
    left = m - design @ coef
    strong = np.abs(left) > 4.0 * np.sqrt(noise2 / w)
    table = ((phase[:, None] - places) % 1.0 - 0.5) @ coef[1:first] if len(places) else np.zeros(LUT)
    for number in np.flatnonzero(keep[first : first + order]).tolist():
        cosine, sine = _harmonic(number + 1)
        table = table + coef[first + number] * cosine + coef[first + order + number] * sine
    extra = np.zeros(fine)
    extra[np.flatnonzero(used)[clear]] = np.where(strong, left, 0.0)
    remainder = extra[np.minimum((phase * fine).astype(np.int64), fine - 1)]
    table += remainder
    table -= table.mean()
    # Only remainders that amount to a flank; small ones are the digitiser's steps, as sharp as they look.
    rest = np.where(np.abs(remainder) > 0.1 * float(np.ptp(table)), np.abs(remainder), 0.0)
    height = np.maximum(height, _spread(rest, max(int(math.ceil(dt_s * hz * LUT)), LUT // fine)))
    slot = np.minimum((turn * LUT).astype(np.int64), LUT - 1)
    plain = ~masked[slot]
    after = (residual - table[slot])[plain]
    variance = np.full(_VARIANCE_BINS, float(np.mean(after**2)) if len(after) else noise2)
    if n >= 20 * _VARIANCE_BINS:
        slot = np.minimum((turn[plain] * _VARIANCE_BINS).astype(np.int64), _VARIANCE_BINS - 1)
        filled = np.bincount(slot, minlength=_VARIANCE_BINS)
        total = np.bincount(slot, after**2, minlength=_VARIANCE_BINS)
        variance = (total + 10 * noise2) / (filled + 10)
    variance = np.repeat(np.maximum(variance, 1e-300), LUT // _VARIANCE_BINS)
    return Waveform(
        hz=hz,
        offset=0.0,
        table=table,
        noise_table=variance,
        flank_table=height**2,
        flanks=masked,
        amplitude=float(np.sqrt(np.mean(table**2))),
    )


@lru_cache(maxsize=64)
def _harmonic(number: int) -> tuple[np.ndarray, np.ndarray]:
    """Cosine and sine of a harmonic on the table's phases."""
    turn = 2 * np.pi * number * (np.arange(LUT) + 0.5) / LUT
    return np.cos(turn), np.sin(turn)


def folded_gain(time_s: np.ndarray, residual: np.ndarray, hz: float) -> float:
    """Return the share of the scatter that a folded waveform of this frequency explains, less what chance would."""
    bins = int(np.clip(len(time_s) // 60, 8, 96))
    turn = time_s * hz
    turn -= np.floor(turn)
    at = np.minimum((turn * bins).astype(np.int64), bins - 1)
    count = np.bincount(at, minlength=bins)
    mean = np.bincount(at, residual, minlength=bins)
    explained = float(np.sum(mean[count > 0] ** 2 / count[count > 0]))
    total = float(residual @ residual) or 1.0
    left = max(total - explained, 0.0)
    return 1.0 - left / total * (len(residual) / max(len(residual) - bins, 1))


def _jumps(where: np.ndarray, mean: np.ndarray, weight: np.ndarray, noise2: float) -> list[tuple[float, float, float]]:
    """Find steep flanks of a folded waveform: (phase before, phase after, height) of each."""
    n = len(mean)
    if n < 16:
        return []
    change = np.roll(mean, -1) - mean
    noise = np.sqrt(noise2 / weight + noise2 / np.roll(weight, -1))
    span = float(mean.max() - mean.min())
    limit = np.maximum(6 * noise, max(10 * float(np.median(np.abs(change))), 0.04 * span))
    steep = np.abs(change) > limit
    if not steep.any() or steep.all() or np.count_nonzero(steep) > n // 4:
        return []
    # Start reading at a quiet place, so that no flank is cut by the end of the list.
    start = int(np.flatnonzero(~steep)[0])
    out: list[tuple[float, float, float]] = []
    k = 0
    while k < n:
        i = (start + k) % n
        if not steep[i]:
            k += 1
            continue
        length = 1
        while length < n and steep[(i + length) % n]:
            length += 1
        j = (i + length) % n
        height = abs(float(mean[j] - mean[i]))
        if height > 0.2 * span:  # less is a step of the digitiser, or a kink that harmonics follow
            out.append((float(where[i]), float(where[j]), height))
        k += length
    out.sort(key=lambda f: -f[2])
    return out[:6]


def _spread(values: np.ndarray, reach: int) -> np.ndarray:
    """Largest value within ``reach`` table points either way, around the period."""
    if not values.any():
        return values
    from scipy.ndimage import maximum_filter1d

    return maximum_filter1d(values, 2 * min(reach, len(values) // 2 - 1) + 1, mode="wrap")


def _white_variance(residual: np.ndarray, at: np.ndarray, bins: int) -> float:
    """Scatter within phase bins, a robust mean over the bins (flank bins are outliers)."""
    count = np.bincount(at, minlength=bins)
    good = count >= 3
    if not good.any():
        return float(np.var(residual)) or 1e-300
    mean = np.bincount(at, residual, minlength=bins) / np.maximum(count, 1)
    square = np.bincount(at, (residual - mean[at]) ** 2, minlength=bins)
    inside = square[good] / (count[good] - 1)
    return max(float(np.median(inside)), 1e-300)
