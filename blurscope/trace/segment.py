"""Where a record switches, where it has settled, and what makes it unusable."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from blurscope.errors import TraceError


@dataclass(frozen=True, slots=True, kw_only=True)
class Switch:
    """One switch of the patch.

    Attributes
    ----------
    time_s : float
        Middle of the rise as found, or the time given.
    rising : bool
        Whether the signal goes up.
    rough_s : float
        Rough duration, for guards around it.
    given : bool
        Whether the time was given (then it is when the patch was told to switch).
    """

    time_s: float
    rising: bool
    rough_s: float
    given: bool = False


def smooth(signal: np.ndarray, width: float) -> np.ndarray:
    """Return the mean over ``width`` samples (a fraction counts), centred; only for finding steps, never to measure.

    A width of exactly one period of the ripple takes the ripple out.
    """
    n = len(signal)
    width = min(max(width, 1.0), n / 2)
    if width < 1.5:
        return signal
    total = np.empty(n + 1)
    total[0] = 0.0
    np.cumsum(signal - signal[0], out=total[1:])
    half = width / 2
    whole = int(half)
    part = half - whole

    def primitive(shift: int, share: float) -> np.ndarray:
        """Integral up to position i + 0.5 + shift + share, flat beyond the ends."""
        index = np.arange(n) + shift
        low = np.clip(index, 0, n)
        high = np.clip(index + 1, 0, n)
        return (1 - share) * total[low] + share * total[high]

    # Position of sample i's centre is i + 0.5 on the axis of `total`.
    up_shift, up_share = divmod(0.5 + whole + part, 1.0)
    down_shift, down_share = divmod(0.5 - whole - part, 1.0)
    upper = primitive(int(up_shift), up_share)
    lower = primitive(int(down_shift), down_share)
    index = np.arange(n) + 0.5
    span = np.minimum(index + half, n) - np.maximum(index - half, 0)
    return (upper - lower) / span + signal[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoLevels:
    """The two levels a record moves between, from its smoothed samples."""

    low: float
    high: float
    scatter: float


def two_levels(flat: np.ndarray) -> TwoLevels:
    """Split smoothed samples into two clusters (Otsu's threshold on a histogram)."""
    low, high = float(flat.min()), float(flat.max())
    if not high > low:
        return TwoLevels(low=low, high=high, scatter=0.0)
    count, edges = np.histogram(flat, bins=256)
    centre = 0.5 * (edges[1:] + edges[:-1])
    below = np.cumsum(count)
    above = below[-1] - below
    moment = np.cumsum(count * centre)
    with np.errstate(divide="ignore", invalid="ignore"):
        gap = moment / below - (moment[-1] - moment) / above
        between = np.where((below > 0) & (above > 0), below * above * gap**2, 0.0)
    best = between.max()
    at = float(np.mean(edges[1:][between >= best * (1 - 1e-9)]))
    lower, upper = flat[flat <= at], flat[flat > at]
    if lower.size == 0 or upper.size == 0:
        return TwoLevels(low=low, high=high, scatter=high - low)
    a, b = float(np.median(lower)), float(np.median(upper))
    scatter = 1.4826 * max(float(np.median(np.abs(lower - a))), float(np.median(np.abs(upper - b))))
    return TwoLevels(low=a, high=b, scatter=scatter)


def find_switches(time_s: np.ndarray, flat: np.ndarray, levels: TwoLevels) -> list[Switch]:
    """Return the switches between two levels in order, by hysteresis at 30 and 70 % of the way."""
    step = levels.high - levels.low
    state = np.zeros(len(flat), dtype=np.int8)
    state[flat > levels.low + 0.7 * step] = 1
    state[flat < levels.low + 0.3 * step] = -1
    known = np.flatnonzero(state)
    if known.size == 0:
        return []
    jumps = known[1:][state[known[1:]] != state[known[:-1]]]
    before = known[:-1][state[known[1:]] != state[known[:-1]]]
    out = []
    for a, b in zip(before.tolist(), jumps.tolist(), strict=True):
        rising = bool(state[b] > 0)
        piece = flat[a : b + 1] if rising else levels.low + levels.high - flat[a : b + 1]
        middle = levels.low + 0.5 * step
        k = int(np.argmax(piece >= middle))
        if k == 0:
            when = float(time_s[a])
        else:
            share = float((middle - piece[k - 1]) / (piece[k] - piece[k - 1]))
            when = float(time_s[a + k - 1] + share * (time_s[a + k] - time_s[a + k - 1]))
        # From 30 to 70 % on; the 10-90 of an exponential is 2.6 times as long.
        out.append(Switch(time_s=when, rising=rising, rough_s=2.6 * float(time_s[b] - time_s[a])))
    return out


def check_two_levels(name: str, flat: np.ndarray, levels: TwoLevels, noise: float) -> None:
    """Refuse a record without a step, or one that falls back to where it was.

    Raises
    ------
    TraceError
    """
    step = levels.high - levels.low
    span = float(flat.max() - flat.min())
    # A slow or drooping record scatters about its two levels, but far outside its noise.
    if span <= 0 or step < 5 * noise or (step < 6 * levels.scatter and step < 25 * noise):
        middle = float(np.median(flat))
        wide = 1.4826 * float(np.median(np.abs(flat - middle)))
        jumpy = span > 25 * max(wide, noise) and min(flat.max() - middle, middle - flat.min()) > 0.02 * span
        if jumpy and float(np.mean(np.abs(flat - middle) > 0.1 * span)) < 0.4:
            raise TraceError(
                f"{name} falls back to the same level after each jump, as an AC-coupled record does; "
                "set the input to DC and record again"
            )
        raise TraceError(
            f"{name} stays at one level (no step stands out from the noise); record the patch while it switches, "
            "or give the switch times"
        )


def sample_noise(signal: np.ndarray) -> float:
    """Noise of single samples from second differences, robust against steps and slow change."""
    if len(signal) > 200_000:
        third = len(signal) // 3
        pieces = [signal[k * third : k * third + 60_000] for k in range(3)]
    else:
        pieces = [signal]
    found = []
    for piece in pieces:
        second = piece[2:] - 2 * piece[1:-1] + piece[:-2]
        found.append(float(np.sqrt(np.mean(np.sort(second**2)[: int(0.9 * len(second))]))))

    return float(np.median(found)) / np.sqrt(6.0) / _TRIM


def smoothed_noise(flat: np.ndarray, width: float) -> float:
    """Noise of samples smoothed over ``width`` from how those a width apart differ, robust against steps."""
    apart = max(int(math.ceil(width)), 1)
    if len(flat) < 8 * apart:
        return math.inf
    change = np.abs(flat[apart:] - flat[:-apart])
    return 1.4826 * float(np.median(change)) / math.sqrt(2.0)


_TRIM = 0.7893132990990863  # rms of a standard normal without its outer tenth


def resolution(signal: np.ndarray) -> float:
    """Return the digitiser's step, 0 where there is none to be seen."""
    piece = signal if len(signal) <= 100_000 else signal[:: len(signal) // 100_000 + 1]
    values = np.unique(piece)
    # Thousands that hardly repeat are no codes.
    if len(values) > 5000 or len(values) > len(piece) / 4:
        return 0.0
    gaps = np.diff(values)
    floor = 1e-7 * (values[-1] - values[0])
    gaps = gaps[gaps > floor]
    if gaps.size == 0:
        return 0.0
    small = float(np.min(gaps))
    # A handful of values far apart may be a computed record; far finer than the step they are codes of a fast one.
    if len(values) < 12 and small > (values[-1] - values[0]) / 16:
        return 0.0
    # All gaps of a digitiser are whole multiples of one step (prints round them a little).
    multiple = gaps / small
    if float(np.median(np.abs(multiple - np.round(multiple)))) > 0.1:
        return 0.0
    return float(np.median(gaps[gaps < 1.5 * small]))


def dither_left(lsb: float, noise: float) -> float:
    """Standard uncertainty of a mean over quantised samples when the noise dithers it.

    Notes
    -----
    The mean of a quantised value with normal noise sigma (in steps) is off by at most
    ``exp(-2 pi^2 sigma^2) / pi`` steps; rms over the place within a step is that over sqrt 2, and never more than
    the ``1 / sqrt 12`` of a value without noise.
    """
    if lsb <= 0:
        return 0.0
    sigma = noise / lsb
    return lsb * min(0.288675134594813, float(np.exp(-2 * np.pi**2 * sigma**2)) / (np.pi * np.sqrt(2)))
