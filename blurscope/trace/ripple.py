"""The backlight's ripple: its frequency estimated, its waveform fitted on settled plateaus, never smoothed away.

A patch at level L shows ``dark + b(t) * light(L)`` with the same periodic b at every level, so between two levels
``y = (1 - s) * P_from(t) + s * P_to(t)`` whatever the dark offset, and the pixel's own step is
``s = (y - P_from) / (P_to - P_from)``: the division by the measured backlight of Elze & Tanner, Med. Phys. 36(11),
4984 (2009), who find up to 46 % bias for a moving average.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

LUT = 8192  # points of a waveform table over one period
_VARIANCE_BINS = 64
_MEAN_ROUNDS = 6


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
    patchy : bool
        Whether it, or what a single stay sees of it, is known on patches of phases only.
    """

    hz: float
    offset: float
    table: np.ndarray
    noise_table: np.ndarray
    flank_table: np.ndarray
    flanks: np.ndarray
    amplitude: float
    patchy: bool = False

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
    places = _patches(where, 2.5 / fine)
    if places:
        table, height, masked = _fit_patches(where, mean, weight, noise2, places, 1.5 / fine)
    else:
        filled = np.flatnonzero(used)
        table, height, masked = _fit_whole(where, mean, weight, noise2, dt_s * hz, fine, filled)
    table -= table.mean()
    slot = np.minimum((turn * LUT).astype(np.int64), LUT - 1)
    plain = ~masked[slot]
    after = (residual - table[slot])[plain]
    variance = _noise_by_phase(turn[plain], after**2, noise2)
    variance = np.repeat(np.maximum(variance, 1e-300), LUT // _VARIANCE_BINS)
    return Waveform(
        hz=hz,
        offset=0.0,
        table=table,
        noise_table=variance,
        flank_table=height**2,
        flanks=masked,
        amplitude=float(np.sqrt(np.mean(table**2))),
        patchy=bool(places),
    )


def _noise_by_phase(turn: np.ndarray, square: np.ndarray, noise2: float) -> np.ndarray:
    """Return the variance of the samples over a period, as far as its bins differ by more than chance.

    The mean square of ``n`` normal samples scatters by ``sqrt(2 / n)``; what is beyond that is kept in its proportion.
    """
    if not len(square):
        return np.full(_VARIANCE_BINS, noise2)
    middle = max(float(np.mean(square)), 1e-300)
    if len(square) < 20 * _VARIANCE_BINS:
        return np.full(_VARIANCE_BINS, middle)
    slot = np.minimum((turn * _VARIANCE_BINS).astype(np.int64), _VARIANCE_BINS - 1)
    number = np.bincount(slot, minlength=_VARIANCE_BINS)
    filled = number > 0
    off = np.bincount(slot, square, minlength=_VARIANCE_BINS)[filled] / number[filled] / middle - 1.0
    chance = 2.0 / number[filled]
    excess = max(float(np.average(off**2 - chance, weights=number[filled])), 0.0)
    out = np.full(_VARIANCE_BINS, middle)
    out[filled] = middle * (1.0 + off * excess / (excess + chance))
    return out


def fit_stays(
    time_s: np.ndarray, residual: np.ndarray, hz: float, dt_s: float, cuts: Sequence[int], shifts: Sequence[float]
) -> Waveform:
    """Fit the waveform that several stays at one level share (`fit_waveform`).

    Parameters
    ----------
    time_s, residual, hz, dt_s
        As for `fit_waveform`.
    cuts : sequence of int
        Where each stay but the first begins.
    shifts : sequence of float
        Of each stay, its mean over the mean of all.

    Notes
    -----
    A stay that sees few phases has a mean of its own even where its light is the same. So the means are taken as they
    are first, then as the rest that the waveform leaves.
    """
    stays = np.split(np.arange(len(time_s)), cuts)
    if len(stays) == 1 or not any(few_phases(time_s[k], hz) for k in stays):
        return fit_waveform(time_s, residual, hz, dt_s)
    moved = residual + np.repeat(shifts, [len(k) for k in stays])
    for _ in range(_MEAN_ROUNDS):
        wave = fit_waveform(time_s, moved, hz, dt_s)
        left, clear = moved - wave.at(time_s), wave.clear_at(time_s)
        most = 0.0
        for k in stays:
            off = float(np.mean(left[k][clear[k]])) if np.any(clear[k]) else 0.0
            moved[k] -= off
            most = max(most, abs(off))
        if most < 1e-3 * wave.amplitude:
            break
    return replace(fit_waveform(time_s, moved, hz, dt_s), patchy=True)


def few_phases(time_s: np.ndarray, hz: float) -> bool:
    """Whether the samples of a stay leave phases out."""
    fine = int(np.clip(len(time_s) // 16, 8, 512))
    turn = np.sort((time_s * hz) % 1.0)
    return float(np.diff(turn, append=turn[0] + 1.0).max(initial=0.0)) > 2.5 / fine


_PHASE = (np.arange(LUT) + 0.5) / LUT


def _fit_whole(
    where: np.ndarray,
    mean: np.ndarray,
    weight: np.ndarray,
    noise2: float,
    spacing: float,
    fine: int,
    filled: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Fit a folded waveform that has samples all around; return table, heights of flanks, and where they are.

    ``spacing`` is the sampling interval in turns, ``filled`` the numbers of the fine bins.
    """
    jumps = _jumps(where, mean, weight, noise2)
    masked = np.zeros(LUT, dtype=bool)
    # The flank lies between two filled phases; its place in the record is known a little less well than that.
    reach = max(0.3 * spacing, 1.5 / fine)
    height = np.zeros(LUT)
    for low, high, size in jumps:
        inside = (_PHASE - (low - reach)) % 1.0 < (high - low) % 1.0 + 2 * reach
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
    table = ((_PHASE[:, None] - places) % 1.0 - 0.5) @ coef[1:first] if len(places) else np.zeros(LUT)
    for number in np.flatnonzero(keep[first : first + order]).tolist():
        cosine, sine = _harmonic(number + 1)
        table = table + coef[first + number] * cosine + coef[first + order + number] * sine
    extra = np.zeros(fine)
    extra[filled[clear]] = np.where(strong, left, 0.0)
    remainder = extra[np.minimum((_PHASE * fine).astype(np.int64), fine - 1)]
    table += remainder
    # Only remainders that amount to a flank; small ones are the digitiser's steps, as sharp as they look.
    rest = np.where(np.abs(remainder) > 0.1 * float(np.ptp(table)), np.abs(remainder), 0.0)
    return table, np.maximum(height, _spread(rest, max(int(math.ceil(spacing * LUT)), LUT // fine))), masked


def _patches(where: np.ndarray, widest: float) -> list[np.ndarray]:
    """Return the patches of phases (indices, in order) where gaps part them, an empty list without gaps.

    Where the sampling clock is nearly a whole multiple of the ripple, the samples of a short stay fall on few phases.
    """
    gap = np.diff(where, append=where[0] + 1.0)
    cuts = np.flatnonzero(gap > widest)
    if cuts.size < 2:
        return []
    order = np.roll(np.arange(len(where)), -(int(cuts[-1]) + 1))
    lengths = np.diff(np.concatenate([[cuts[-1] - len(where)], cuts]))
    return np.split(order, np.cumsum(lengths)[:-1])


def _fit_patches(
    where: np.ndarray, mean: np.ndarray, weight: np.ndarray, noise2: float, patches: list[np.ndarray], reach: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Fit a waveform that is known on patches of phases only; return as `_fit_whole`.

    A smooth one is followed by the harmonics that so many patches fix. Else nothing is known between two patches but
    that the waveform goes from one to the other: where they differ, a sample there counts by that difference.
    """
    order = min(24, (len(patches) - 1) // 2)
    k = np.arange(1, order + 1)
    angle = 2 * np.pi * np.outer(where, k)
    design = np.hstack([np.ones((len(where), 1)), np.cos(angle), np.sin(angle)])
    root = np.sqrt(weight)
    coef = np.linalg.lstsq(design * root[:, None], mean * root, rcond=1e-9)[0]
    left = mean - design @ coef
    table = np.zeros(LUT)
    free = len(where) - len(coef)
    if free > 0 and float(weight @ left**2) < (free + 4 * math.sqrt(2 * free)) * noise2:
        for number in k.tolist():
            cosine, sine = _harmonic(number)
            table = table + coef[number] * cosine + coef[order + number] * sine
        return table, np.zeros(LUT), np.zeros(LUT, dtype=bool)
    value, sure = mean.copy(), weight.copy()
    for patch in patches:
        total = float(weight[patch].sum())
        level = float(weight[patch] @ mean[patch]) / total
        spread = float(weight[patch] @ (mean[patch] - level) ** 2) / noise2
        if spread < len(patch) + 3 * math.sqrt(2 * len(patch)):
            value[patch], sure[patch] = level, total
    table = np.interp(_PHASE, where, value, period=1.0)
    change = np.roll(value, -1) - value
    doubt = np.sqrt(noise2 / sure + noise2 / np.roll(sure, -1))
    height = np.zeros(LUT)
    for i in np.flatnonzero(np.abs(change) > np.maximum(4 * doubt, 1e-3 * float(np.ptp(value)))).tolist():
        low, high = float(where[i]), float(where[(i + 1) % len(where)])
        wide = (high - low) % 1.0
        # Close to a patch it is known as well as on it, unless the flank lies in the patch.
        near = reach if wide < 2 * reach else -0.5 * reach
        inside = (_PHASE - (low - near)) % 1.0 < wide + 2 * near
        height[inside] = np.maximum(height[inside], abs(float(change[i])))
    return table, height, height > 0.2 * float(np.ptp(value))


@lru_cache(maxsize=64)
def _harmonic(number: int) -> tuple[np.ndarray, np.ndarray]:
    """Cosine and sine of a harmonic on the table's phases."""
    turn = 2 * np.pi * number * _PHASE
    return np.cos(turn), np.sin(turn)


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
