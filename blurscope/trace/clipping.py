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
_EVEN_CODES = 1.35


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
        flat = []
        reached = 0
        for stay in stays:
            far = sign * (extreme - stay.before)
            if not (math.isfinite(far) and far > 0.2 * wide and sign * (stay.after - stay.before) > 0.2 * wide):
                continue
            reached += 1
            if lsb > 0 and (codes := _code_times(time_s, away, stay, lsb)) is not None:
                flat.append((codes, far / lsb, sign * (extreme - stay.after)))
            stop = _stop(time_s, away, stay, far, 1e-9 * max(abs(extreme), wide))
            if stop is not None:
                stops.append((*stop, far, sign * (extreme - stay.after)))
        found = None
        if reached and len(flat) == reached and _is_last_code(signal, extreme):
            raise TraceError(
                f"{name} may be clipped at the {end}: its level stands still on {extreme:.0f}, the last code of a "
                "converter; lower the gain or shift the offset and record again"
            )
        if sign > 0 and reached and len(flat) == reached:
            _check_stillness(name, signal, stays, extreme, lsb)
        if flat and 3 * len(flat) >= 2 * reached:
            found = _judge_codes([(codes, far) for codes, far, _ in flat], float(np.median(np.diff(time_s[:1000]))))
        if (found is None or not found[0]) and stops and 3 * len(stops) >= 2 * reached:
            found = _judge(stops, lsb, noise)
        if found is None:
            continue
        dead, slowing = found
        passing = bool(stops) and float(np.median([rest / far for *_, far, rest in stops])) > 0.02
        what = "rises stop" if sign > 0 else "falls stop"
        if dead and (slowing or passing):
            raise TraceError(
                f"{name} is clipped at the {end}: its {what} dead at {extreme:.6g}, where a pixel would have slowed "
                "down, and stay exactly there; lower the gain or shift the offset and record again"
            )
        if dead:
            return f"{name} at its {end}, {extreme:.6g}"
    return None


def _is_last_code(signal: np.ndarray, extreme: float) -> bool:
    """Whether a record of whole numbers ends at the last code of an 8 to 16 bit converter (0 may be the dark)."""
    if not np.all(signal[:1000] == np.rint(signal[:1000])):
        return False
    both_ways = float(signal.min()) < 0 < float(signal.max())
    last = [2.0**bits - 1 for bits in range(8, 17)]
    if both_ways:
        last = [2.0 ** (bits - 1) - 1 for bits in range(8, 17)] + [-(2.0 ** (bits - 1)) for bits in range(8, 17)]
    return extreme in last


def _check_stillness(name: str, signal: np.ndarray, stays: Sequence[Stay], extreme: float, lsb: float) -> None:
    """Refuse a bright level that stands still on the highest code while noise moves the dark one from code to code.

    Noise of ``sigma`` codes moves any level, wherever it lies within its code, in ``2 Phi(-0.5 / sigma)`` of its
    samples at least. Light has no less noise than dark.
    """
    from scipy.special import ndtr

    halves = [(s, signal[(s.start + s.stop) // 2 : s.start + int(0.85 * (s.stop - s.start))]) for s in stays]
    still = sum(len(y) for s, y in halves if s.after > s.before)
    dark = [np.rint((y - extreme) / lsb) for s, y in halves if s.after < s.before and len(y)]
    if not dark:
        return
    codes = np.concatenate(dark)
    count = np.array([np.count_nonzero(codes == np.median(codes) + k) for k in range(-3, 4)])
    sigma = np.geomspace(0.1, 1.0, 25)[:, None, None]
    place = np.linspace(-0.5, 0.5, 1001)[None, :, None]
    edge = np.arange(-3, 4)[None, None, :] - place
    share = ndtr((edge + 0.5) / sigma) - ndtr((edge - 0.5) / sigma)
    fit = np.max(np.log(np.maximum(share, 1e-12)) @ count, axis=1)
    least = float(sigma[np.argmax(fit > fit.max() - 3.0), 0, 0])
    if still * 2 * float(ndtr(-0.5 / least)) > 30:
        raise TraceError(
            f"{name} is clipped at the top: all {still} samples of its settled level stand at {extreme:.6g}, while "
            "noise moves the lower level from code to code; lower the gain or shift the offset and record again"
        )


def _code_times(time_s: np.ndarray, away: np.ndarray, stay: Stay, lsb: float) -> np.ndarray | None:
    """Return when a step that ends exactly at the extreme code leaves the codes before it, nearest last.

    Element ``j`` is the time between codes ``j + 1`` and ``j`` from the extreme; ``None`` where the settled stay has
    any other code.
    """
    begin = max(stay.start - max(8, (stay.stop - stay.start) // 4), 0)
    code = np.rint(away[begin : stay.stop] / lsb).astype(np.int64)
    length = stay.stop - stay.start
    half, end = stay.start - begin + length // 2, stay.start - begin + int(0.85 * length)  # before the next switch
    if np.any(code[half:end] != 0) or code[0] < 8:
        return None
    code, t = code[:end], time_s[begin : begin + end]
    out = []
    for j in range(int(min(code[0], 200))):
        last = int(np.flatnonzero(code > j)[-1])
        first = int(np.argmax(code <= j))
        if last + 1 >= len(t) or first == 0:
            break
        # With noise a code is left and reached again: the middle between the first time and the last.
        out.append(0.25 * float(t[last] + t[last + 1] + t[first - 1] + t[first]))
    return np.array(out)


def _judge_codes(stops: Sequence[tuple[np.ndarray, float]], dt_s: float) -> tuple[bool, bool] | None:
    """Return as `_judge`, from the times at which the codes of a digitiser change.

    The last ``m`` codes take longer than the ``m`` before them where a pixel settles: at least 1.45 times for a
    parabola, 1.7 times for an exponential, wherever the level lies within its code. Cut off, they take as long.
    """
    best: tuple[bool, bool] | None = None
    for m in (2, 3, 4, 6, 8, 12, 16, 24, 32, 48):
        late, early, slow = 0.0, 0.0, []
        used = 0
        for times, far in stops:
            if 2 * m >= min(len(times), 0.35 * far):
                continue
            low, high = int(0.3 * far), int(0.6 * far)
            span = float(times[0] - times[m])
            late += span
            early += float(times[m] - times[2 * m])
            used += 1
            if high < len(times) and span > 0:
                slow.append(m / span * float(times[low] - times[high]) / (high - low))
        if used == 0 or late < 4 * dt_s * used or early <= 0:
            continue
        ratio = late / early
        # Each time is known to within a sample.
        sd = ratio * 0.45 * dt_s * math.sqrt(used) * math.hypot(1 / late, 1 / early)
        if sd > 0.2:
            continue
        dead = ratio + 2 * sd < _EVEN_CODES
        slowing = bool(slow) and float(np.median(slow)) * (1 + 2 * sd) < _SLOWING
        if dead and slowing:
            return True, True
        if best is None or dead:
            best = (dead, slowing)
    return best


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
