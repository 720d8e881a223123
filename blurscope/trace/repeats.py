"""The repeats of a transition: samples around one switch, on a step from 0 to 1, where both stays have settled."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from blurscope.trace import segment as sg
from blurscope.trace.curve import Curve
from blurscope.trace.stays import Prepared, Visit

_MOST_SAMPLES = 1_200_000
_MAX_REMAINING = 0.02  # of the step: what may be missing to the settled level


@dataclass(slots=True, kw_only=True, eq=False)
class Repeat:
    """Samples around one switch, as numerators and weights of the normalised step.

    ``worth`` is the weight against that of an ordinary sample of the level: small on flanks and in the dark.
    """

    time_s: np.ndarray
    t0_s: float
    step: np.ndarray
    weight: np.ndarray
    worth: np.ndarray
    low_sd: float
    high_sd: float
    low: float
    high: float
    given: bool
    spacing_ms: float
    raw: np.ndarray


def _blocks(p: Prepared, v: Visit, begin_s: float) -> tuple[np.ndarray, float] | None:
    """Means of three equal stretches over the last 60 % of a stay up to its plateau's end, and their scatter."""
    time = p.record.time_s
    stop = v.plateau.stop
    end = time[stop - 1]
    a = int(np.searchsorted(time, end - 0.6 * (end - begin_s)))
    if stop - a < 24:
        return None
    level = p.levels[v.key]
    clean = p.signal[a:stop] - level.ripple(time[a:stop])
    weight = np.broadcast_to(1 / level.variance(time[a:stop]), clean.shape)
    cut = np.linspace(0, stop - a, 4).astype(int)
    means = np.array([np.average(clean[i:j], weights=weight[i:j]) for i, j in zip(cut[:-1], cut[1:], strict=True)])
    return means, math.hypot(level.noise / math.sqrt((stop - a) / 3), sg.dither_left(p.lsb, level.noise))


def _settling(p: Prepared, v: Visit, begin_s: float, away_from: float) -> tuple[str | None, float, float]:
    """Judge a stay: what is wrong with it (or ``None``), correction of its mean, its standard uncertainty."""
    found = _blocks(p, v, begin_s)
    if found is None:
        return None, 0.0, 0.0
    (e, a, b), sd = found
    step = v.mean - away_from
    if step == 0:
        return None, 0.0, 0.0
    d1, d2 = (a - e) / step, (b - a) / step
    noise = math.sqrt(2) * sd / abs(step)
    if abs(d2) <= max(3.5 * noise, 5e-4):
        if abs(d1) > max(6 * noise, 0.3):
            return "not_settled", 0.0, 0.0
        return None, 0.0, 0.0
    ratio = d2 / d1 if d1 else 1.0
    if 0 < ratio < 0.9:
        # An exponential tail: what is still to come after the last stretch's middle is a geometric series.
        final = (b - away_from) / step + d2 * ratio / (1 - ratio)
        missing = final - 1.0
        remaining = d2 * ratio**1.5 / (1 - ratio)
        if abs(remaining) > _MAX_REMAINING:
            return ("ac_coupled" if d2 < 0 and final < 0.6 else "not_settled"), 0.0, 0.0
        return None, missing * step, abs(missing * step) / 2
    if abs(d2) > _MAX_REMAINING / 2:
        return ("ac_coupled" if d2 < 0 else "not_settled"), 0.0, 0.0
    return None, 0.0, abs(d2 * step)


def read_repeat(p: Prepared, index: int) -> tuple[Repeat | None, str | None]:
    """Return the normalised samples around switch ``index``, or the flag that says why not."""
    switch, a, b = p.switches[index], p.visits[index], p.visits[index + 1]
    if a.key is None or a.plateau.stop - a.plateau.start < 8:
        return None, "from_not_settled"
    if b.key is None or b.plateau.stop - b.plateau.start < 8:
        return None, "not_settled"
    time = p.record.time_s
    problem, fix, fix_sd = _settling(p, b, switch.time_s, a.mean)
    if problem:
        return None, problem
    low, low_sd = a.mean, a.mean_sd
    if index > 0 and p.visits[index - 1].key is not None:
        before, fix_low, fix_low_sd = _settling(p, a, p.switches[index - 1].time_s, p.visits[index - 1].mean)
        if before:
            return None, before if before == "ac_coupled" else "from_not_settled"
        low, low_sd = low + fix_low, math.hypot(low_sd, fix_low_sd)
    high, high_sd = b.mean + fix, math.hypot(b.mean_sd, fix_sd)
    if not (math.isfinite(low) and math.isfinite(low_sd)):  # a stay too short or too disturbed to know its level
        return None, "from_not_settled"
    if not (math.isfinite(high) and math.isfinite(high_sd)):
        return None, "not_settled"
    step = high - low
    if step == 0:
        return None, "step_too_small"
    dwell = float(time[b.plateau.stop - 1]) - switch.time_s
    first = int(np.searchsorted(time, max(float(time[a.plateau.start]), switch.time_s - max(0.3 * dwell, 0.02))))
    window = slice(first, b.plateau.stop)
    t = time[window]
    from_level, to_level = p.levels[a.key], p.levels[b.key]
    base = low + from_level.ripple(t)
    gap = (high + to_level.ripple(t)) - base
    raw = (p.signal[window] - base) / step
    floor = max(p.lsb**2 / 12, (1e-6 * step) ** 2)
    variance = np.maximum(from_level.variance(t), floor)
    later = np.maximum(to_level.variance(t), floor)
    # Where the plateaus differ in noise, the larger counts over the transition.
    still = t < switch.time_s - (0.0 if switch.given else 1.5 * switch.rough_s)
    variance = np.where(still, variance, np.maximum(variance, later))
    share = gap / step
    safe = np.where(np.abs(share) > 1e-3, share, np.nan)
    value = raw / safe
    weight = np.nan_to_num(share**2 * step**2 / variance * np.isfinite(safe))
    ordinary = max(from_level.noise, from_level.floor) ** 2
    ordinary = np.where(still, ordinary, max(ordinary, to_level.noise**2))
    return (
        Repeat(
            time_s=t,
            t0_s=switch.time_s,
            step=np.nan_to_num(value),
            weight=weight,
            worth=weight * np.maximum(ordinary, floor) / step**2,
            low_sd=low_sd / abs(step),
            high_sd=high_sd / abs(step),
            low=low,
            high=high,
            given=switch.given,
            spacing_ms=1000 * p.record.dt_s,
            raw=raw,
        ),
        None,
    )


def enough(repeats: list[Repeat]) -> list[Repeat]:
    """Choose repeats, spread over the record, where there are far more samples than the figures gain from."""
    samples = sum(len(r.step) for r in repeats)
    if samples <= _MOST_SAMPLES or len(repeats) <= 8:
        return repeats
    count = max(8, math.ceil(len(repeats) * _MOST_SAMPLES / samples))
    return [repeats[i] for i in np.unique(np.linspace(0, len(repeats) - 1, count).astype(int)).tolist()]


def align(repeats: list[Repeat], curve: Curve) -> float:
    """Shift each repeat onto the curve; return the largest shift in ms."""
    slope = np.gradient(curve.light, curve.grid_ms)
    most = 0.0
    for r in repeats:
        age = 1000.0 * (r.time_s - r.t0_s)
        inside = (age > curve.grid_ms[0]) & (age < curve.grid_ms[-1])
        d = np.interp(age[inside], curve.grid_ms, slope)
        busy = np.abs(d) > 0.01 * np.abs(slope).max()
        if not busy.any():
            continue
        at = np.flatnonzero(inside)[busy]
        d = d[busy]
        misfit = r.step[at] - np.interp(age[at], curve.grid_ms, curve.light)
        norm = float(np.sum(r.weight[at] * d * d))
        if norm <= 0:
            continue
        shift = -float(np.sum(r.weight[at] * misfit * d)) / norm
        limit = 2 * r.spacing_ms + 0.5 / float(np.abs(slope).max())
        shift = float(np.clip(shift, -limit, limit))
        r.t0_s += shift / 1000.0
        most = max(most, abs(shift))
    return most


def drop_odd(repeats: list[Repeat], curve: Curve) -> list[Repeat]:
    """Leave out repeats that differ grossly from the others (a popup over the patch, a bumped probe)."""
    if len(repeats) < 4:
        return repeats
    scores = []
    for r in repeats:
        age = 1000.0 * (r.time_s - r.t0_s)
        misfit = r.step - np.interp(age, curve.grid_ms, curve.light)
        scores.append(math.sqrt(float(np.sum(r.weight * misfit**2) / max(np.sum(r.weight), 1e-300))))
    scores = np.array(scores)
    middle = float(np.median(scores))
    spread = 1.4826 * float(np.median(np.abs(scores - middle))) + 0.05 * middle
    keep = scores <= middle + 8 * spread + 0.02
    return [r for r, ok in zip(repeats, keep.tolist(), strict=True) if ok]


def drop_spikes(repeats: Sequence[Repeat], curve: Curve) -> bool:
    """Take the weight off lone samples far off the curve; return whether there were any.

    Three or more in a row are no spikes but something the curve would have to follow.
    """
    found = False
    for r in repeats:
        age = 1000.0 * (r.time_s - r.t0_s)
        z = np.abs(r.step - np.interp(age, curve.grid_ms, curve.light)) * np.sqrt(r.weight)
        odd = z > 6
        if not odd.any():
            continue
        edges = np.flatnonzero(np.diff(np.concatenate([[0], odd.astype(np.int8), [0]])))
        for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            if b - a <= 2:
                r.weight[a:b] = 0.0
                found = True
    return found
