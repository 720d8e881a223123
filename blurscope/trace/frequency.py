"""The frequency of a backlight's ripple: seen in short stretches, then sharpened over the settled plateaus."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

_MAX_CANDIDATE_SAMPLES = 400_000
_MIN_HZ = 20.0
ALIASES = 5  # to either side
_FOLD_ROUNDS = (3000, 48), (12_000, 160), (40_000, 400)  # samples and bins of phase of each round of the search


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


def refine_hz(
    time_s: np.ndarray,
    residual: np.ndarray,
    start_hz: float,
    width_hz: float,
    others: Sequence[tuple[np.ndarray, np.ndarray]] = (),
) -> float:
    """Sharpen a frequency coherently over longer and longer stretches.

    Parameters
    ----------
    time_s, residual : (n,) float
        Plateau samples with each plateau's mean taken off; gaps are welcome.
    start_hz, width_hz : float
        The line lies within ``start_hz +- width_hz``.
    others : sequence of ((n,) float, (n,) float)
        The same at other levels, whose ripple has this frequency but a phase of its own; they count at the end.

    Returns
    -------
    float
        Frequency, Hz.
    """
    # The middle of a stay: at its ends a taper leaves nothing to see.
    steps = np.diff(time_s)
    begins = np.concatenate([[0], np.flatnonzero(steps > 8 * float(np.median(steps))) + 1, [len(time_s)]])
    own = int(np.searchsorted(begins, len(time_s) // 2, side="right")) - 1
    middle = float(time_s[(int(begins[own]) + int(begins[own + 1])) // 2])
    centred = time_s - middle
    total = float(time_s[-1] - time_s[0])
    reach = 2 * float(np.abs(centred).max())  # the longest stretch takes in every stay
    span = min(1.0 / width_hz, reach)
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
        if span >= reach:
            break
        span = min(span * 3, reach)
    hz = _best_alias(centred, residual, hz, width_hz)
    # One short stay alone is led astray by harmonics that the samples fold beside the line.
    everything = [(centred, residual), *((t - middle, r) for t, r in others)]
    begin, end = min(float(t[0]) for t, _ in everything), max(float(t[-1]) for t, _ in everything)
    shares = [(min(40_000, len(t)), t, r) for t, r in everything]
    picks = [np.sort(np.random.default_rng(2).choice(len(t), n, replace=False)) for n, t, _ in shares]
    pieces = [(t[k], r[k]) for k, (_, t, r) in zip(picks, shares, strict=True)]

    def together(trial: float) -> float:
        return sum(_power(t, r, trial) / len(t) for t, r in pieces)

    for step in (0.08 / total, 0.08 / (end - begin), 0.01 / (end - begin)):
        power = [together(hz + k * step) for k in (-2, -1, 0, 1, 2)]
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


def fold_hz(pieces: Sequence[tuple[np.ndarray, np.ndarray]], hz: float, reach_hz: float) -> float:
    """Sharpen a frequency by how well samples of one phase agree, where few samples make a period.

    The samples of a hard-edged ripple fold its harmonics beside the line, so its power leads astray there; only the
    right frequency makes all of them agree.

    Parameters
    ----------
    pieces : sequence of ((n,) float, (n,) float)
        Time and residual of the plateaus at each level, each level's mean taken off.
    hz, reach_hz : float
        The frequency lies within ``hz +- reach_hz``.
    """
    begin, end = min(float(t[0]) for t, _ in pieces), max(float(t[-1]) for t, _ in pieces)
    middle, span = 0.5 * (begin + end), end - begin
    for samples, bins in _FOLD_ROUNDS:
        chosen = []
        for t, r in pieces:
            count = min(len(t), samples)
            pick = np.sort(np.random.default_rng(5).choice(len(t), count, replace=False))
            chosen.append((t[pick] - middle, r[pick], int(np.clip(count // 24, 8, bins))))
        finest = max(b for *_, b in chosen)
        step = 0.7 / (finest * span)
        half = math.ceil(reach_hz / step)
        trials = hz + step * np.arange(-half, half + 1)
        misfit = np.array([sum(_disagreement(t, r, f, b) for t, r, b in chosen) for f in trials.tolist()])
        # So much the least of many misfits lies below the others by chance.
        chance = 8.0 + 4.0 * math.sqrt(2.0 * sum(b for *_, b in chosen))
        good = np.flatnonzero(misfit <= misfit.min() + chance)
        if half in good:
            reach_hz = 2 * step
            continue  # where the power pointed is as good as any
        # Else the middle of the nearest stretch that is.
        nearest = int(np.argmin(np.abs(good - half)))
        first = last = nearest
        while first > 0 and good[first] - good[first - 1] == 1:
            first -= 1
        while last + 1 < len(good) and good[last + 1] - good[last] == 1:
            last += 1
        hz = 0.5 * float(trials[good[first]] + trials[good[last]])
        reach_hz = (0.5 * (int(good[last]) - int(good[first])) + 2) * step
    return hz


def _disagreement(t: np.ndarray, r: np.ndarray, hz: float, bins: int) -> float:
    """Return minus twice the log-likelihood (up to a constant) of a folded waveform with noise of unknown size."""
    left, filled = _left_of_fold(t, r, hz, bins)
    return len(r) * math.log(max(left, 1e-12 * float(r @ r), 1e-300) / max(len(r) - filled, 1))


def _left_of_fold(t: np.ndarray, r: np.ndarray, hz: float, bins: int) -> tuple[float, int]:
    """Return the sum of squares that the means of bins of phase leave, and how many bins hold samples."""
    turn = t * hz
    turn -= np.floor(turn)
    at = np.minimum((turn * bins).astype(np.int64), bins - 1)
    count = np.bincount(at, minlength=bins)
    total = np.bincount(at, r, minlength=bins)
    full = count > 0
    return float(r @ r) - float(np.sum(total[full] ** 2 / count[full])), int(np.count_nonzero(full))


def folded_gain(time_s: np.ndarray, residual: np.ndarray, hz: float) -> float:
    """Return the share of the scatter that a folded waveform of this frequency explains, less what chance would."""
    bins = int(np.clip(len(time_s) // 60, 8, 96))
    total = float(residual @ residual) or 1.0
    left = max(_left_of_fold(time_s, residual, hz, bins)[0], 0.0)
    return 1.0 - left / total * (len(residual) / max(len(residual) - bins, 1))


def _power(t: np.ndarray, r: np.ndarray, hz: float) -> float:
    turn = (2 * np.pi * hz) * t
    return float(r @ np.cos(turn)) ** 2 + float(r @ np.sin(turn)) ** 2
