"""Records that are cut off at one end: piled up where noise would have spread, or stopped dead on the way."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from blurscope.errors import TraceError

# Noise that spreads over two codes of a digitiser is at most half a step; more than that is noise for sure.
SURE_NOISE_STEPS = 0.6
_SCALES = np.geomspace(0.1, 0.001, 14)  # of the step, before its end: where the approach is looked at
_LEAST_STEPS = 3.0  # of the digitiser, before the end
_FEW_VALUES = 64
_RUN = 5  # samples that stand exactly at the extreme
_DEAD = 0.27
_SLOWING = 0.85


@dataclass(frozen=True, slots=True, kw_only=True)
class Stay:
    """Samples of a stay at a level, from its switch on, and the mean of the level before it."""

    start: int
    stop: int
    before: float
    after: float


def check_clipping(name: str, signal: np.ndarray, lsb: float, noise: float) -> None:
    """Refuse a record with noise whose top or bottom is cut off.

    Cut tops pile up on the extreme value where noise would have spread them; for records without noise that tells
    nothing (`check_stops`).

    Raises
    ------
    TraceError
    """
    if len(signal) < 200 or not noise_tells(signal, lsb, noise):
        return
    width = max(noise, lsb)
    for end, extreme, sign in (("top", float(signal.max()), 1.0), ("bottom", float(signal.min()), -1.0)):
        tiny = 1e-9 * max(abs(extreme), width)
        inner = signal >= extreme - 1.5 * width if sign > 0 else signal <= extreme + 1.5 * width
        close = signal[inner]
        pile = int(np.count_nonzero(np.abs(close - extreme) <= tiny))
        if pile < max(12, 2e-4 * len(signal)):
            continue
        near = len(close) - pile
        # In a Gaussian tail the extreme code holds far less than the noise width beside it.
        cells = 1.5 * width / lsb if lsb > 0 else 1.5 * width / (0.05 * noise)
        if pile > 3.0 * near / max(cells, 1.0) and pile > 0.25 * near:
            share = 100 * pile / len(signal)
            raise TraceError(
                f"{name} is clipped at the {end} ({share:.2g} % of its samples stand at {extreme:.6g}); "
                "lower the gain or shift the offset and record again"
            )


def coarse_step(signal: np.ndarray) -> float:
    """Return the least gap between the values of a record that has few: too few to call them codes, but no noise."""
    values = np.unique(signal[:: len(signal) // 100_000 + 1])
    return float(np.diff(values).min()) if 1 < len(values) <= _FEW_VALUES else 0.0


def noise_tells(signal: np.ndarray, lsb: float, noise: float) -> bool:
    """Whether samples of a settled level have noise enough to be spread by it."""
    return noise >= 1e-4 * float(signal.max() - signal.min()) and noise >= SURE_NOISE_STEPS * lsb


def check_stops(
    name: str, time_s: np.ndarray, signal: np.ndarray, stays: Sequence[Stay], lsb: float, noise: float
) -> str | None:
    """Refuse a record almost without noise whose steps are cut off at its highest or lowest value.

    Parameters
    ----------
    name : str
    time_s, signal : (n,) float
        As recorded, without a backlight's ripple.
    stays : sequence of Stay
    lsb, noise : float

    Returns
    -------
    str or None
        A sentence where a step stops dead, but might have done so by itself.

    Notes
    -----
    Three things come together in a record that is cut off: samples that stand exactly at the extreme value of the
    record, an approach that goes straight on until it is there (a settling pixel would slow down: after the time in
    which the straight line through the last two crossings gets there, half of the way is still to go for an
    exponential, a third for a parabola), and a rise that had begun to slow down before. A linear ramp has the first
    two by itself, so it is only pointed out. What takes hardly a sample can't be judged.
    """
    for end, extreme, sign in (("top", float(signal.max()), 1.0), ("bottom", float(signal.min()), -1.0)):
        away = sign * (extreme - signal)
        wide = float(away.max())
        stops = []
        reached = 0
        for stay in stays:
            far = sign * (extreme - stay.before)
            if not (math.isfinite(far) and far > 0.2 * wide and sign * (stay.after - stay.before) > 0.2 * wide):
                continue
            reached += 1
            stop = _stop(time_s, away, stay, far, 1e-9 * max(abs(extreme), wide))
            if stop is not None:
                stops.append((*stop, far, sign * (extreme - stay.after)))
        if not stops or 3 * len(stops) < 2 * reached:
            continue
        found = _judge(stops, lsb, noise)
        if found is None:
            continue
        dead, slowing = found
        passing = float(np.median([rest / far for *_, far, rest in stops])) > 0.02
        what = "rises stop" if sign > 0 else "falls stop"
        if dead and (slowing or passing):
            raise TraceError(
                f"{name} is clipped at the {end}: its {what} dead at {extreme:.6g}, where a pixel would have slowed "
                "down, and stay exactly there; lower the gain or shift the offset and record again"
            )
        if dead:
            return f"{name} at its {end}, {extreme:.6g}"
    return None


def _stop(
    time_s: np.ndarray, away: np.ndarray, stay: Stay, far: float, tiny: float
) -> tuple[np.ndarray, np.ndarray] | None:
    """Return times and distances (shares of the step) of a stay up to the first sample at the extreme and a bit on."""
    begin = max(stay.start - max(8, (stay.stop - stay.start) // 4), 0)
    x = away[begin : stay.stop]
    at = np.flatnonzero(x[stay.start - begin :] <= tiny)
    if at.size < _RUN:
        return None
    first = int(at[0]) + stay.start - begin
    if not np.all(x[first : first + _RUN] <= tiny) or first == 0:
        return None
    return time_s[begin : stay.stop], x / far


def _crossing(t: np.ndarray, x: np.ndarray, share: float) -> float:
    """Last time before the end of the approach at which the distance is above ``share``."""
    first = int(np.argmax(x <= 0.0)) if np.any(x <= 0.0) else len(x)
    above = np.flatnonzero(x[:first] > share)
    if above.size == 0:
        return math.nan
    k = int(above[-1])
    if k + 1 >= len(x):
        return math.nan
    return float(t[k] + (x[k] - share) / (x[k] - x[k + 1]) * (t[k + 1] - t[k]))


def _judge(stops: Sequence[tuple[np.ndarray, np.ndarray, float, float]], lsb: float, noise: float):
    """Return whether steps stop dead, and whether they had slowed down before; ``None`` where it can't be seen."""
    best: tuple[bool, bool] | None = None
    for scale in _SCALES:
        left, slow, lengths = [], [], []
        for t, x, far, _ in stops:
            step = lsb / far
            if scale < _LEAST_STEPS * step:
                return best
            dt = float(np.median(np.diff(t[:50])))
            # between codes, where a digitised record jumps
            near, wide, low, high = (
                (math.floor(s / step) + 0.5) * step if step > 0 else s for s in (scale, 2 * scale, 0.3, 0.6)
            )
            t1, t2, tl, th = (_crossing(t, x, s) for s in (near, wide, low, high))
            if not (t1 > t2 and tl > th):
                continue
            slope = (wide - near) / (t1 - t2)
            left.append(max(float(np.interp(t1 + near / slope, t, x)), 0.0) / near)
            slow.append(slope * (tl - th) / (high - low))
            lengths.append((t1 - t2) / dt)
        if not lengths:
            return best
        length, root = float(np.median(lengths)), math.sqrt(len(lengths))
        if length < 3 or (lsb > 0 and length * root < 6):
            return best
        jitter = 0.4 / length if lsb > 0 else 0.02
        sd = math.hypot(jitter, 1.5 * noise / (scale * float(np.median([far for *_, far, _ in stops])))) / root
        best = (
            float(np.mean(left)) + 2 * sd < _DEAD,
            float(np.mean(slow)) * (1 + 2 * sd) < _SLOWING,
        )
    return best
